-- One row: an item class at a place, and a criterion on which it was removed at frequent inspections of a month: from
-- $first_on to $as_of, its last day; $client, $site: of these only, '' for all. removed_since_look: those since when no look at the class there has been held.
with looks as (           -- one row: an item class at a place, and its latest look
    select place_class, max(day) as last_on from gap_days where is_look group by place_class
)
select client, site, environment, item_class, criterion, tier,
    sum(primary_removed)::bigint as removed,
    coalesce(sum(primary_removed) filter (coalesce(last_on < inspected_on, true)), 0)::bigint as removed_since_look
from summed_reasons
join removal_criteria using (criterion)
left join looks using (place_class)
where inspection_type = 'frequent' and is_of_removals and primary_removed > 0 and inspected_on between $first_on and $as_of
    and $client in ('', client) and $site in ('', site)
group by client, site, environment, item_class, criterion, tier
order by client, site, environment, item_class, removed desc, criterion
