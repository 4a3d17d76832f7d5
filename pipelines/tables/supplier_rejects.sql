-- One row: a supplier of a client, and the goods of theirs that receiving inspections looked at. $as_of: the last day
-- counted.
select client, coalesce(supplier, 'not stated') as supplier,
    sum(quantity)::bigint as received,
    sum(removed)::bigint as rejected
from current_lines
where inspection_type = 'initial' and inspected_on <= $as_of
group by all
having sum(quantity) > 0
order by all
