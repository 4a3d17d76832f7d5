-- Makes the rows of touched_clients in group_days anew. One row: a group and a day with lines of it. $as_of: the last day
-- counted. Days on which frequent inspections found nothing are left out where no item has a serial: see line_sums.
-- A group counted by quantity belongs to its place. An item with a serial is a group of its own wherever it goes, so
-- that its place may change from day to day.
create table if not exists group_days (
    group_id bigint, client varchar, site varchar, environment varchar, item_class varchar, serial varchar, day date,
    is_look boolean, is_seen boolean, inspected bigint, removed bigint, replaced bigint, removed_frequent bigint,
    accepted bigint
);

delete from exposed_clients where client in (select client from touched_clients);
insert into exposed_clients select client, mark from touched_clients where mark is not null;

delete from group_days where client in (select client from touched_clients);

insert into group_days
with days as (            -- one row: a group and a day; group_site and group_environment are empty where the item has a serial
    select client, item_class, serial, inspected_on as day,
        case when serial is null then site end as group_site,
        case when serial is null then environment end as group_environment,
        -- Written down at two places on one day: the one where it was looked at, or else the later one by name.
        max({is_look: inspection_type = 'periodic' and counted > 0, site: site, environment: environment}) as place,
        bool_or(inspection_type = 'periodic' and counted > 0) as is_look,
        bool_or(counted > 0) as is_seen,
        coalesce(sum(quantity) filter (where inspection_type = 'periodic'), 0)::bigint as inspected,
        coalesce(sum(removed) filter (where inspection_type = 'periodic'), 0)::bigint as removed,
        coalesce(sum(replaced) filter (where inspection_type = 'periodic'), 0)::bigint as replaced,
        coalesce(sum(removed) filter (where inspection_type = 'frequent'), 0)::bigint as removed_frequent,
        coalesce(sum(quantity - removed) filter (where inspection_type = 'initial'), 0)::bigint as accepted
    from summed_lines
    where inspected_on <= $as_of and client in (select client from touched_clients)
    group by client, group_site, group_environment, item_class, serial, day
)
select (select coalesce(max(group_id), 0) from group_days)
        + dense_rank() over (order by client, item_class, serial, group_site, group_environment) as group_id,
    client, place.site as site, place.environment as environment, item_class, serial, day, is_look, is_seen,
    inspected, removed, replaced, removed_frequent, accepted
from days
