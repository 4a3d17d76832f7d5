-- One row: a designated person, a place and a quarter of a year with looks of theirs that have exposure. Removals between
-- looks are left out on both sides, since nobody knows who would have found them. A look of several persons is shared
-- out by the items each looked at. $as_of: the last day counted.
with lines as (           -- one row: the lines of one group and day by one person
    select part.group_id, line.inspected_on, coalesce(inspector, 'not stated') as inspector,
        sum(quantity) as quantity, sum(removed) as removed
    from summed_lines as line
    join group_wordings as part on part.wording = line.group_id and part.serial is not distinct from line.serial
    where inspection_type = 'periodic' and counted > 0 and inspected_on <= $as_of
    group by part.group_id, line.inspected_on, coalesce(inspector, 'not stated')
),
looks as (                -- one row: such a person, a class at a place and a quarter: their share of the looks that close a gap
    select place_class, date_trunc('quarter', inspected_on) as quarter, inspector,
        count(*) as looks,
        sum(quantity) as inspected,
        sum(lines.removed) as removed,
        sum(shackle_years * quantity / inspected) as shackle_years
    from lines join gaps using (group_id, inspected_on)
    where not is_first_look and inspected > 0
    group by place_class, date_trunc('quarter', inspected_on), inspector
)
select client, site, environment, strftime(quarter, '%Y-%m') as quarter, inspector,
    sum(looks)::bigint as looks,
    sum(inspected)::bigint as inspected,
    sum(removed)::bigint as removed,
    sum(shackle_years) as shackle_years
from looks join line_groups as there on there.group_id = looks.place_class
group by client, site, environment, looks.quarter, inspector
order by client, site, environment, quarter, inspector
