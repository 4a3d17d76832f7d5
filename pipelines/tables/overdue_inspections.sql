-- One row: an item class of an environment of a site that has items in service. $as_of: the last day counted.
with days as (            -- one row: a group and a day with lines of it; each item with a serial is a group of its own
    select client, site, environment, item_class, serial, inspected_on as day,
        bool_or(inspection_type = 'periodic' and quantity > 0) as is_look,
        sum(quantity - removed + coalesce(replaced, 0)) filter (where inspection_type = 'periodic') as standing,
        sum(removed) filter (where inspection_type = 'frequent') as removed_frequent,
        sum(quantity - removed) filter (where inspection_type = 'initial') as accepted
    from current_lines
    where inspected_on <= $as_of
    group by client, site, environment, item_class, serial, inspected_on
),
clocks as (               -- the same rows, each with the days of its group from which the next look can fall due
    select *,
        max(day) filter (where is_look) over history as last_periodic_on,
        min(day) filter (where accepted > 0) over history as received_on
    from days
    window history as (partition by client, site, environment, item_class, serial)
),
groups as (               -- one row: a group, and how many of it are in service since its last look or its receipt
    select client, site, environment, item_class, serial, last_periodic_on,
        coalesce(last_periodic_on, received_on) as starts_on,
        case
            -- A frequent inspection comes before the look of the same day, which then counts what is left.
            when last_periodic_on is not null then sum(standing) filter (where day = last_periodic_on)
                - coalesce(sum(removed_frequent) filter (where day > last_periodic_on), 0)
            else sum(accepted) - coalesce(sum(removed_frequent) filter (where day >= received_on), 0)
        end as items
    from clocks
    group by client, site, environment, item_class, serial, last_periodic_on, received_on
),
in_service as (           -- the groups that have items; one serial is one item
    select *, case when serial is null then items else least(items, 1) end as quantity
    from groups
    where items > 0
),
classes as (              -- one row: an item class at a place, by its group that falls due first
    select client, site, environment, item_class,
        min(starts_on) as starts_on,
        case when min(last_periodic_on) = min(starts_on) then min(starts_on) end as last_periodic_on,
        sum(quantity)::bigint as quantity
    from in_service
    group by client, site, environment, item_class
)
select client, site, environment, item_class, last_periodic_on,
    (starts_on + to_months(current_interval_months::integer))::date as due_on,
    ($as_of::date - due_on)::bigint as days_overdue,
    quantity
from classes join site_register using (client, site, environment)
order by client, site, environment, item_class
