-- One row: an item class of an environment of a site that has items in service. $as_of: the last day counted.
with clocks as (          -- the days of each group, with those from which its next look can fall due
    select *,
        max(day) filter (where is_look) over history as last_periodic_on,
        min(day) filter (where accepted > 0) over history as received_on
    from group_days
    window history as (partition by group_id)
),
groups as (               -- one row: a group, how many of it are in service since its last look or its receipt, and where
    select client, item_class, serial, last_periodic_on,
        arg_max(site, day) filter (where is_seen) as site,
        arg_max(environment, day) filter (where is_seen) as environment,
        coalesce(last_periodic_on, received_on) as starts_on,
        case
            -- A frequent inspection comes before the look of the same day, which then counts what is left.
            when last_periodic_on is not null
                then sum(inspected - removed + replaced) filter (where day = last_periodic_on)
                    - coalesce(sum(removed_frequent) filter (where day > last_periodic_on), 0)
            else sum(accepted) - coalesce(sum(removed_frequent) filter (where day >= received_on), 0)
        end as items
    from clocks
    group by group_id, client, item_class, serial, last_periodic_on, received_on
),
missing as (              -- one row: a group and how many of it nobody presented when they were last expected
    select client, site, environment, item_class, serial,
        arg_max(unaccounted_for, inspected_on) as unaccounted_for
    from exposures
    group by client, site, environment, item_class, serial
),
in_service as (           -- the groups that have items; one serial is one item, and a missing one does not fall due
    select groups.client, groups.site, groups.environment, groups.item_class, last_periodic_on, starts_on,
        coalesce(unaccounted_for, 0) as unaccounted_for,
        case when groups.serial is null then items else least(items, 1) - coalesce(unaccounted_for, 0) end as quantity
    from groups
    left join missing
        on missing.client = groups.client and missing.site = groups.site and missing.environment = groups.environment
        and missing.item_class = groups.item_class and missing.serial is not distinct from groups.serial
    where items > 0
),
classes as (              -- one row: an item class at a place, by its group that falls due first
    select client, site, environment, item_class,
        min(starts_on) filter (where quantity > 0) as first_starts_on,
        case
            when min(last_periodic_on) filter (where quantity > 0) = first_starts_on then first_starts_on
        end as last_periodic_on,
        sum(quantity)::bigint as quantity,
        sum(unaccounted_for)::bigint as unaccounted_for
    from in_service
    group by client, site, environment, item_class
)
select client, site, environment, item_class, last_periodic_on,
    (first_starts_on + to_months(current_interval_months::integer))::date as due_on,
    ($as_of::date - due_on)::bigint as days_overdue,
    quantity, unaccounted_for
from classes join site_register using (client, site, environment)
order by client, site, environment, item_class
