-- Makes the view standing_groups, for as long as the connection is open. One row: a group that has items in service
-- since its last look or its receipt, how many, and where it was last seen: nowhere that was closed since.
create or replace temp view standing_groups as
with clocks as (          -- one row: a group, with the days from which its next look can fall due
    select group_id,
        max(day) filter (where is_look) as last_periodic_on,
        max_by(look_from, day) filter (where is_look) as looked_from,
        max(day) filter (where is_seen) as seen_on,
        min(day) filter (where accepted > 0) as received_on,
        arg_max(place_class, day) filter (where is_seen) as seen_at
    from gap_days
    group by group_id
),
groups as (               -- the same rows, with the items left
    select group_id, seen_at, seen_on, last_periodic_on, coalesce(last_periodic_on, received_on) as starts_on,
        coalesce(looked_from, received_on) as counted_from,
        case
            -- A frequent inspection comes before the look of the same day, which then counts what is left.
            when last_periodic_on is not null
                then max(standing) filter (where day = last_periodic_on)
                    - coalesce(sum(removed_frequent) filter (where day > last_periodic_on), 0)
            else sum(accepted) - coalesce(sum(removed_frequent) filter (where day >= received_on), 0)
        end as items
    from gap_days join clocks using (group_id)
    group by group_id, seen_at, seen_on, last_periodic_on, received_on, looked_from
    having items > 0
)
select item.*, last_periodic_on, there.site, there.environment, starts_on, counted_from, items
from groups
join item_groups as item using (group_id)
join line_groups as there on there.group_id = groups.seen_at
left join site_register as place
    on place.client = there.client and place.site = there.site and place.environment = there.environment
where not coalesce(closed_on between seen_on and (select day from counted_until), false)
