-- Makes the rows of touched_clients in exposures anew, from group_days and site_register. One row: a look at a group, with the look before it; or
-- an item with a serial that missed the look at its class and place.
create table if not exists exposures (
    client varchar, site varchar, environment varchar, item_class varchar, serial varchar, previous_on date,
    inspected_on date, inspected bigint, removed bigint, removed_between bigint, joined bigint, unaccounted_for bigint,
    shackle_years double, shackle_years_unaccounted_for double, is_first_look boolean
);

delete from exposures where client in (select client from touched_clients);

insert into exposures
with touched_days as (
    select * from group_days where client in (select client from touched_clients)
),
clocks as (          -- the days; standing is filled where the clock starts: a look, or the day a serialised item was
                          -- first accepted, if no look came before. One serial is one item.
    select *,
        case
            when is_look and serial is null then inspected - removed + replaced
            when is_look then least(1, inspected - removed + replaced)
            when serial is not null and accepted > 0
                and not coalesce(bool_or(is_look or accepted > 0) over earlier, false) then 1
        end as standing
    from touched_days
    window earlier as (partition by group_id order by day rows between unbounded preceding and 1 preceding)
),
days_in_own_gap as (      -- the same rows, each in the gap it fell in: after previous_on, up to inspected_on; the gap
                          -- belongs to the place of the look that closes it
    select * replace (
            coalesce(first_value(case when is_look then site end ignore nulls) over from_here, site) as site,
            coalesce(first_value(case when is_look then environment end ignore nulls) over from_here, environment)
                as environment
        ),
        max(day) filter (where standing is not null) over earlier as previous_on,
        last_value(standing ignore nulls) over earlier as standing_before,
        min(day) filter (where is_look) over from_here as inspected_on
    from clocks
    window
        earlier as (partition by group_id order by day rows between unbounded preceding and 1 preceding),
        from_here as (partition by group_id order by day rows between current row and unbounded following)
),
looks_at_serialised as (  -- one row: a class at a place, and a day on which any serialised item of it was looked at
    select distinct client, site, environment, item_class, day from touched_days where is_look and serial is not null
),
days_in_gap as (          -- the days of all closed gaps, also of serialised items that no look of their own can close
    select * from days_in_own_gap where inspected_on is not null
    union all by name
    select gone.* replace (look.day as inspected_on)
    from days_in_own_gap as gone
    asof join looks_at_serialised as look
        on look.client = gone.client and look.site = gone.site and look.environment = gone.environment
        and look.item_class = gone.item_class and look.day >= gone.day
    where gone.serial is not null and gone.inspected_on is null and gone.previous_on is not null
        and gone.removed_frequent > 0
),
gaps as (                 -- one row: a look, what happened since the one before, and how many were expected
    select group_id, client, site, environment, item_class, serial, previous_on, inspected_on,
        sum(inspected) as inspected,
        sum(removed) as removed,
        case when previous_on is null then 0 else sum(removed_frequent) end as removed_between,
        coalesce(sum(removed_frequent * (day - previous_on)), 0) as days_of_removed_between,
        greatest(0, any_value(standing_before) - sum(removed_frequent)) as expected
    from days_in_gap
    group by group_id, client, site, environment, item_class, serial, previous_on, inspected_on
    having bool_or(is_look) or (previous_on is not null and sum(removed_frequent) > 0)
),
looks as (                -- the same rows with joiners and items unaccounted for; a first look has neither
    select *,
        case when previous_on is null then 0 else greatest(0, inspected - expected) end as joined,
        case when previous_on is null then 0 else greatest(0, expected - inspected) end as unaccounted_for
    from gaps
),
receipts as (             -- one row: a day in a gap on which items of the group were accepted, and how many came later
    select group_id, inspected_on, day, accepted,
        coalesce(sum(accepted) over (
            partition by group_id, inspected_on
            order by day desc rows between unbounded preceding and 1 preceding
        ), 0) as accepted_later
    from days_in_gap
    where accepted > 0 and previous_on is not null
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
        (
            gap * look.inspected
            - coalesce(known.days_before, 0)
            - (look.joined - coalesce(known.items, 0)) * gap / 2
        ) * (1 - look.removed / (2 * greatest(look.inspected, 1))) + look.days_of_removed_between as exposed
    from looks as look
    left join joiners_with_a_day as known using (group_id, inspected_on)
),
still_out as (            -- one row: a serialised item in service by its last record, and the first day it is expected
    select client, site, environment, item_class, serial, previous_on,
        greatest((previous_on + to_months(current_interval_months::integer))::date, seen_on + 1) as expected_from
    from (
        select client, item_class, serial, previous_on,
            max(day) filter (where is_seen) as seen_on,
            arg_max(site, day) filter (where is_seen) as site,
            arg_max(environment, day) filter (where is_seen) as environment
        from (
            select *, max(day) filter (where standing is not null) over (partition by group_id) as previous_on
            from clocks
            where serial is not null
        )
        group by client, item_class, serial, previous_on
        having sum(standing) filter (where day = previous_on) > 0
            and coalesce(sum(removed_frequent) filter (where day > previous_on), 0) = 0
    )
    join site_register using (client, site, environment)
),
missed as (               -- one row: such an item that was not there at a look at its class and place when it was expected
    select item.*, look.day as inspected_on
    from still_out as item
    asof join looks_at_serialised as look
        on look.client = item.client and look.site = item.site and look.environment = item.environment
        and look.item_class = item.item_class and look.day >= item.expected_from
)
select client, site, environment, item_class, serial, previous_on, inspected_on,
    inspected::bigint as inspected,
    removed::bigint as removed,
    removed_between::bigint as removed_between,
    joined::bigint as joined,
    unaccounted_for::bigint as unaccounted_for,
    case when serial is null then exposed else least(exposed, gap) end / 365.25 as shackle_years,
    -- What the items unaccounted for would add, had they been found fit; half of it, had they been removed.
    coalesce(unaccounted_for * gap, 0) / 365.25 as shackle_years_unaccounted_for,
    previous_on is null as is_first_look
from days_at_risk
union all
select client, site, environment, item_class, serial, previous_on, inspected_on, 0, 0, 0, 0, 1, 0,
    (inspected_on - previous_on) / 365.25, false
from missed
-- In one order, so that sums of the same looks come out the same to the last digit, whatever was summed up before.
order by client, item_class, serial, site, environment, inspected_on, previous_on
