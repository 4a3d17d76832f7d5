-- One row: an environment of a site and a month with any line of it. $as_of: the last day counted, the last of a month.
-- A look counts in the month of its day, with all that happened since the look before.
with groups as (          -- one row: a group, with the number of its place in the order of their names
    select group_id, client, site, environment, inspection_type,
        dense_rank() over (order by client, site, environment) as place
    from counted_groups
),
places as (
    select distinct place, client, site, environment from groups
),
lines as (                -- one row: a place and a month, its lines by inspection type
    select place, month,
        sum(quantity) filter (where inspection_type = 'periodic') as inspected,
        sum(removed) filter (where inspection_type = 'periodic') as removed,
        sum(quantity) filter (where inspection_type = 'frequent') as frequent_inspected,
        sum(removed) filter (where inspection_type = 'frequent') as frequent_removed,
        sum(quantity) filter (where inspection_type = 'initial') as initial_inspected,
        sum(removed) filter (where inspection_type = 'initial') as initial_removed
    from month_sums join groups using (group_id)
    where month <= $as_of
    group by place, month
),
looks as (                -- one row: a place and a month with a look
    select place, date_trunc('month', inspected_on)::date as month,
        sum(inspected) filter (where is_first_look) as first_look_inspected,
        sum(removed) filter (where is_first_look) as first_look_removed,
        sum(removed + removed_between) filter (where not is_first_look) as removed_at_risk,
        sum(unaccounted_for) as unaccounted_for,
        sum(shackle_years) as shackle_years,
        sum(shackle_years_unaccounted_for) as shackle_years_unaccounted_for
    from gaps join groups on groups.group_id = gaps.place_class
    group by all
),
leaders as (             -- one row: a place and a month with a periodic inspection, and who looked at most items
    select *, inspector <> lag(inspector) over (partition by place order by month) as is_changed
    from (
        select place, date_trunc('month', inspected_on)::date as month, coalesce(inspector, 'not stated') as inspector
        from line_sums join groups using (group_id)
        where inspection_type = 'periodic' and counted > 0 and inspected_on <= $as_of
        group by place, date_trunc('month', inspected_on), coalesce(inspector, 'not stated')
        qualify row_number() over (
            partition by place, date_trunc('month', inspected_on)
            order by sum(quantity) desc, coalesce(inspector, 'not stated')
        ) = 1
    )
)
select client, site, environment, strftime(month, '%Y-%m') as month,
    leaders.inspector as main_inspector,
    is_changed as is_inspector_changed,
    coalesce(inspected, 0)::bigint as inspected,
    coalesce(removed, 0)::bigint as removed,
    coalesce(first_look_inspected, 0)::bigint as first_look_inspected,
    coalesce(first_look_removed, 0)::bigint as first_look_removed,
    coalesce(frequent_inspected, 0)::bigint as frequent_inspected,
    coalesce(frequent_removed, 0)::bigint as frequent_removed,
    coalesce(initial_inspected, 0)::bigint as initial_inspected,
    coalesce(initial_removed, 0)::bigint as initial_removed,
    coalesce(removed_at_risk, 0)::bigint as removed_at_risk,
    coalesce(unaccounted_for, 0)::bigint as unaccounted_for,
    coalesce(shackle_years, 0) as shackle_years,
    coalesce(shackle_years_unaccounted_for, 0) as shackle_years_unaccounted_for
from lines
join places using (place)
left join looks using (place, month)
left join leaders using (place, month)
order by place, lines.month
