-- One row: an item class at a site and a month with removals in service, up to $as_of.
select client, site, item_class, strftime(inspected_on, '%Y-%m') as month, sum(removed)::bigint as removed
from current_lines
where inspection_type <> 'initial' and removed > 0 and inspected_on <= $as_of
group by all
order by all
