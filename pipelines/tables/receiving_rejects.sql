-- One row: a site, a supplier and a month with goods received. $as_of: the last day counted.
select client, site, coalesce(supplier, 'not stated') as supplier, strftime(inspected_on, '%Y-%m') as month,
    sum(quantity)::bigint as received,
    sum(removed)::bigint as rejected
from summed_lines
where inspection_type = 'initial' and counted > 0 and inspected_on <= $as_of
group by all
order by client, site, supplier, month
