-- One row: a designated person, a place and a quarter of a year with looks of theirs that have exposure. Removals between
-- looks are left out on both sides, since nobody knows who would have found them. A look of several persons is shared
-- out by the items each looked at.
with lines as (           -- one row: the lines of one group and look by one person
    select part.group_id, gap.closed_on as inspected_on, coalesce(inspector, 'not stated') as inspector,
        sum(line.quantity)::bigint as quantity, sum(line.removed)::bigint as removed
    from summed_lines as line
    join group_wordings as part on part.wording = line.group_id and part.serial is not distinct from line.serial
    join gap_days as gap on gap.group_id = part.group_id and gap.day = line.inspected_on
    where inspection_type = 'periodic' and counted > 0
    group by part.group_id, gap.closed_on, coalesce(inspector, 'not stated')
),
places as (               -- one row: a class at a place, and the number of the place in the order of their names
    select group_id as place_class, client, site, environment,
        dense_rank() over (order by client, site, environment) as place
    from line_groups
),
looks as (                -- one row: such a person, a place and a quarter: their share of the looks that close a gap
    select place, date_trunc('quarter', inspected_on) as quarter, inspector,
        count(*) as looks,
        sum(quantity)::bigint as inspected,
        sum(lines.removed)::bigint as removed,
        sum(shackle_years * quantity / inspected) as shackle_years
    from lines join gaps using (group_id, inspected_on) join places using (place_class)
    where not is_first_look and inspected > 0
    group by place, date_trunc('quarter', inspected_on), inspector
)
select client, site, environment, strftime(quarter, '%Y-%m') as quarter, inspector,
    looks, inspected, removed, shackle_years
from looks join (select distinct place, client, site, environment from places) using (place)
order by place, looks.quarter, inspector
