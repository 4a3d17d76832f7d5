-- Takes the rows of touched_clients out of counted_clients, item_groups and group_wordings, and finds those to come instead.
-- $as_of: the last day counted.
create table if not exists item_groups (     -- one row: a group. One counted by quantity belongs to its place. An item with a
    -- serial is a group of its own wherever it goes, so that its place may change from day to day.
    group_id bigint, client varchar, item_class varchar, serial varchar
);
create table if not exists group_wordings (  -- one row: a wording (group_id of line_groups) and a serial of lines of it, if
    -- they have one, and the group that such lines are of
    wording bigint, serial varchar, group_id bigint
);

-- Who stays is known: what is left is of clients whose lines changed, or are gone.
delete from counted_clients where client in (select client from touched_clients);
delete from item_groups where client not in (select client from counted_clients);
delete from group_wordings where group_id not in (select group_id from item_groups);

create or replace temp table touched_wordings as  -- one row: a wording of a client whose exposures are made anew
select group_id as wording, client, site, environment, item_class, inspection_type, place_class,
    dense_rank() over (order by client, site, environment) as place
from counted_groups
where client in (select client from touched_clients);

create or replace temp table touched_parts as     -- one row: a row of group_wordings to be, with the group's names
select (select coalesce(max(group_id), 0) from item_groups)
        + dense_rank() over (
            order by client, item_class, serial, case when serial is null then site end,
                case when serial is null then environment end
        ) as group_id,
    client, item_class, serial, wording
from (select distinct group_id as wording, serial from line_sums where inspected_on <= $as_of)
join touched_wordings using (wording)
