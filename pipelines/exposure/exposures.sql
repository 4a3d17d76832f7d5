-- Makes the table exposures. One row: a look at a group, with the look before it. $as_of: the last day counted.
-- serial is empty in groups that are counted by quantity, hence `is not distinct from` in joins.
create or replace table exposures as
with days as (            -- one row: a group and a day with lines of it; a look is a day that counted an item
    select client, site, environment, item_class, serial, inspected_on as day,
        bool_or(inspection_type = 'periodic' and quantity > 0) as is_look,
        coalesce(sum(quantity) filter (where inspection_type = 'periodic'), 0) as inspected,
        coalesce(sum(removed) filter (where inspection_type = 'periodic'), 0) as removed,
        coalesce(sum(replaced) filter (where inspection_type = 'periodic'), 0) as replaced,
        coalesce(sum(removed) filter (where inspection_type = 'frequent'), 0) as removed_frequent,
        coalesce(sum(quantity - removed) filter (where inspection_type = 'initial'), 0) as accepted
    from current_lines
    where inspected_on <= $as_of
    group by client, site, environment, item_class, serial, inspected_on
),
clocks as (               -- the same rows; standing is filled where the clock starts: a look, or the day a serialised
                          -- item was first accepted, if no look came before
    select *,
        case
            when is_look then inspected - removed + replaced
            when serial is not null and accepted > 0
                and not coalesce(bool_or(is_look or accepted > 0) over earlier, false) then accepted
        end as standing
    from days
    window earlier as (
        partition by client, site, environment, item_class, serial
        order by day rows between unbounded preceding and 1 preceding
    )
),
days_in_own_gap as (      -- the same rows, each in the gap it fell in: after previous_on, up to inspected_on
    select *,
        max(day) filter (where standing is not null) over earlier as previous_on,
        last_value(standing ignore nulls) over earlier as standing_before,
        min(day) filter (where is_look) over from_here as inspected_on
    from clocks
    window
        earlier as (
            partition by client, site, environment, item_class, serial
            order by day rows between unbounded preceding and 1 preceding
        ),
        from_here as (
            partition by client, site, environment, item_class, serial
            order by day rows between current row and unbounded following
        )
),
looks_at_serialised as (  -- one row: a class at a place, and a day on which any serialised item of it was looked at
    select distinct client, site, environment, item_class, day from days where is_look and serial is not null
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
    select client, site, environment, item_class, serial, previous_on, inspected_on,
        sum(inspected) as inspected,
        sum(removed) as removed,
        case when previous_on is null then 0 else sum(removed_frequent) end as removed_between,
        coalesce(sum(removed_frequent * (day - previous_on)), 0) as days_of_removed_between,
        greatest(0, any_value(standing_before) - sum(removed_frequent)) as expected
    from days_in_gap
    group by client, site, environment, item_class, serial, previous_on, inspected_on
    having bool_or(is_look) or (previous_on is not null and sum(removed_frequent) > 0)
),
looks as (                -- the same rows with joiners and items unaccounted for; a first look has neither
    select *,
        case when previous_on is null then 0 else greatest(0, inspected - expected) end as joined,
        case when previous_on is null then 0 else greatest(0, expected - inspected) end as unaccounted_for
    from gaps
),
receipts as (             -- one row: a day in a gap on which items of the group were accepted, and how many came later
    select client, site, environment, item_class, serial, inspected_on, day, accepted,
        coalesce(sum(accepted) over (
            partition by client, site, environment, item_class, serial, inspected_on
            order by day desc rows between unbounded preceding and 1 preceding
        ), 0) as accepted_later
    from days_in_gap
    where accepted > 0 and previous_on is not null
),
joiners_with_a_day as (   -- one row: a look with joiners whose day is known: how many, and days before they came
    select client, site, environment, item_class, serial, inspected_on,
        sum(items) as items,
        sum(items * days_before) as days_before
    from (
        select look.client, look.site, look.environment, look.item_class, look.serial, look.inspected_on,
            least(receipt.accepted, greatest(0, look.joined - receipt.accepted_later)) as items,
            receipt.day - look.previous_on as days_before
        from receipts as receipt
        join looks as look
            on look.client = receipt.client and look.site = receipt.site and look.environment = receipt.environment
            and look.item_class = receipt.item_class and look.serial is not distinct from receipt.serial
            and look.inspected_on = receipt.inspected_on
        where look.joined > 0
    )
    group by client, site, environment, item_class, serial, inspected_on
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
    left join joiners_with_a_day as known
        on known.client = look.client and known.site = look.site and known.environment = look.environment
        and known.item_class = look.item_class and known.serial is not distinct from look.serial
        and known.inspected_on = look.inspected_on
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
