-- Makes the rows of touched_clients in gaps anew, from gap_days and site_register.
create table if not exists gaps (       -- one row: a row of exposures by number: its group, and its item class and place
    group_id bigint, place_class bigint, previous_on date, inspected_on date, inspected bigint, removed bigint,
    removed_between bigint, joined bigint, unaccounted_for bigint, shackle_years double,
    shackle_years_unaccounted_for double, is_first_look boolean,
    days_not_there double                -- of all items looked at together: of the gap, before those that joined had come
);

delete from gaps where group_id not in (select group_id from item_groups)
    or group_id in (select group_id from touched_parts);

insert into gaps
with touched_days as (
    select * from gap_days where group_id in (select group_id from touched_parts)
),
closed_gaps as (          -- one row: a look, what happened since the one before, and how many were expected
    select group_id, has_serial, closed_at as place_class, previous_on, closed_on as inspected_on,
        sum(inspected) as inspected,
        sum(removed) as removed,
        case when previous_on is null then 0 else sum(removed_frequent) end as removed_between,
        coalesce(sum(removed_frequent * (day - previous_on)), 0) as days_of_removed_between,
        greatest(0, any_value(standing_before) - sum(removed_frequent)) as expected,
        coalesce(sum(not_presented) filter (where is_look), 0) as not_presented
    from touched_days
    where closed_on is not null
    group by group_id, has_serial, closed_at, previous_on, closed_on
    having bool_or(is_look) or (previous_on is not null and sum(removed_frequent) > 0)
),
looks as (                -- the same rows with joiners, of which a first look has none, and items unaccounted for, at least
    -- those that the log itself says were not presented
    select *,
        case when previous_on is null then 0 else greatest(0, inspected - expected) end as joined,
        case
            when previous_on is null then not_presented
            else greatest(0, expected - inspected, not_presented)
        end as unaccounted_for
    from closed_gaps
),
receipts as (             -- one row: a day in a gap on which items of the group were accepted, and how many came later
    select group_id, closed_on as inspected_on, day, accepted,
        coalesce(sum(accepted) over (
            partition by group_id, closed_on
            order by day desc rows between unbounded preceding and 1 preceding
        ), 0) as accepted_later
    from touched_days
    where accepted > 0 and previous_on is not null and closed_on is not null
),
joiners_with_a_day as (   -- one row: a look with joiners whose day is known: how many, and days before they came
    select group_id, inspected_on, sum(items) as items, sum(items * days_before) as days_before
    from (
        select look.group_id, look.inspected_on,
            least(receipt.accepted, greatest(0, look.joined - receipt.accepted_later)) as items,
            receipt.day - look.previous_on as days_before
        from receipts as receipt
        join looks as look using (group_id, inspected_on)
        where look.joined > 0
    )
    group by group_id, inspected_on
),
days_at_risk as (         -- the looks again, with the days of exposure; empty at a first look
    select look.*,
        look.inspected_on - look.previous_on as gap,
        coalesce(known.days_before, 0) + (look.joined - coalesce(known.items, 0)) * gap / 2 as days_not_there,
        (gap * look.inspected - days_not_there) * (1 - look.removed / (2 * greatest(look.inspected, 1)))
            + look.days_of_removed_between as exposed
    from looks as look
    left join joiners_with_a_day as known using (group_id, inspected_on)
),
last_seen as (            -- one row: an item with a serial, the start of its last clock, and where it was last seen
    select group_id, max(day) filter (where standing is not null) as previous_on,
        max(day) filter (where is_seen) as seen_on,
        arg_max(place_class, day) filter (where is_seen) as place_class
    from touched_days
    where has_serial
    group by group_id
    having arg_max(standing, day) filter (where standing is not null) > 0
        and coalesce(max(day) filter (where removed_frequent > 0) <= previous_on, true)
),
still_out as (            -- one row: such an item in service by its last record, and the first day it is expected
    select group_id, last_seen.place_class, previous_on,
        greatest((previous_on + to_months(current_interval_months::integer))::date, seen_on + 1) as expected_from
    from last_seen
    join touched_wordings as wording on wording.wording = last_seen.place_class
    join site_register using (client, site, environment)
),
missed as (               -- one row: such an item that was not there at a look at its class and place when it was expected
    select item.*, look.day as inspected_on
    from still_out as item
    asof join (select distinct place_class, day from touched_days where is_look and has_serial) as look
        on look.place_class = item.place_class and look.day >= item.expected_from
)
select group_id, place_class, previous_on, inspected_on,
    inspected::bigint as inspected,
    removed::bigint as removed,
    removed_between::bigint as removed_between,
    joined::bigint as joined,
    unaccounted_for::bigint as unaccounted_for,
    case when has_serial then least(exposed, gap) else exposed end / 365.25 as shackle_years,
    -- What the items unaccounted for would add, had they been found fit; half of it, had they been removed.
    coalesce(unaccounted_for * gap, 0) / 365.25 as shackle_years_unaccounted_for,
    previous_on is null as is_first_look,
    coalesce(days_not_there, 0) as days_not_there
from days_at_risk
union all
select group_id, place_class, previous_on, inspected_on, 0, 0, 0, 0, 1, 0,
    (inspected_on - previous_on) / 365.25, false, 0
from missed
-- In one order, so that sums of the same looks come out the same to the last digit, whatever was summed up before.
order by group_id, inspected_on;

insert into counted_clients select client, mark from touched_clients where mark is not null
