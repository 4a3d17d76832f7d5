-- One row: a designated person, a place and a quarter of a year with looks of theirs that have exposure. Removals between
-- looks are left out on both sides, since nobody knows who would have found them. A look of several persons is shared
-- out by the items each looked at. $as_of: the last day counted.
with looks as (           -- one row: a look that closes a gap
    select *, row_number() over () as look from exposures where not is_first_look and inspected > 0
),
lines as (                -- one row: the lines of such a look by one person
    select look.look, look.client, look.site, look.environment, look.inspected, look.shackle_years,
        coalesce(line.inspector, 'not stated') as inspector, line.inspected_on, line.quantity, line.removed
    from looks as look
    join summed_lines as line
        on line.client = look.client and line.item_class = look.item_class
        and line.serial is not distinct from look.serial
        and (look.serial is not null or (look.site = line.site and look.environment = line.environment))
        and line.inspected_on = look.inspected_on
    where line.inspection_type = 'periodic' and line.counted > 0 and line.inspected_on <= $as_of
)
select client, site, environment, strftime(date_trunc('quarter', inspected_on), '%Y-%m') as quarter, inspector,
    count(distinct look) as looks,
    sum(quantity)::bigint as inspected,
    sum(removed)::bigint as removed,
    sum(shackle_years * quantity / inspected) as shackle_years
from lines
group by client, site, environment, quarter, inspector
order by client, site, environment, quarter, inspector
