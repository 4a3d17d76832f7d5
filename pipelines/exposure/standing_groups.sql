-- Makes the view standing_groups, for as long as the connection is open. One row: a group that has items in service
-- since its last look or its receipt, how many, and where it was last seen.
create or replace temp view standing_groups as
with clocks as (          -- the days of each group, with those from which its next look can fall due
    select *,
        max(day) filter (where is_look) over history as last_periodic_on,
        min(day) filter (where accepted > 0) over history as received_on
    from group_days
    window history as (partition by group_id)
)
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
having items > 0
