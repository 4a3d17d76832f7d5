-- One row: an item class in service at a place, with what its forecast rests on. $as_of: the last day counted.
with between_looks as (   -- one row: a place, and the share of its removals that was found between looks
    select client, site, environment,
        sum(removed_between) / sum(removed + removed_between) as share_found_between
    from exposures
    where not is_first_look and removed + removed_between > 0
    group by client, site, environment
)
select due.client, due.site, due.environment, due.item_class, kind.size_band, kind.pin,
    place.service_class, place.use_frequency,
    due.quantity,
    -- The day a group's clock started: its last look, or its receipt where there was none.
    greatest($as_of::date - coalesce(
        due.last_periodic_on, due.due_on - to_months(due.interval_in_force_months::integer)
    )::date, 0)::bigint as days_since_start,
    place.current_interval_months,
    coalesce(advice.recommended_interval_months, place.current_interval_months) as recommended_interval_months,
    coalesce(between_looks.share_found_between, 0) as share_found_between,
    rate.pooled_rate_lower, rate.pooled_rate_upper,
    coalesce(rate.is_pooled, false) as is_pooled
from overdue_inspections as due
join site_register as place using (client, site, environment)
join item_kinds as kind using (item_class)
left join interval_recommendations as advice using (client, site, environment)
left join pooled_rates as rate using (client, site, environment)
left join between_looks using (client, site, environment)
order by due.client, due.site, due.environment, due.item_class
