-- One row: an environment of a site with any line: its whole history beside what the site register says of it.
with history as (         -- one row: a place
    select client, site, environment,
        sum(inspected) as inspected,
        sum(removed) as removed,
        sum(removed_at_risk) as removed_at_risk,
        sum(unaccounted_for) as unaccounted_for,
        sum(shackle_years) as shackle_years,
        sum(shackle_years_unaccounted_for) as shackle_years_unaccounted_for,
        -- The latest month with a rate, whether or not later months have none.
        max_by(signal = 'above', month) filter (where removed_per_100_shackle_years is not null) as is_above_usual
    from removal_rates
    group by client, site, environment
),
load_bearing as (         -- one row: a place; a removal with no criterion stated counts, since nobody can rule it out
    select client, site, environment, sum(removed_at_risk) as load_bearing_at_risk
    from reason_breakdown
    where tier in ('load-bearing', 'not stated')
    group by client, site, environment
),
close_looks as (          -- one row: a place where looks at items without a serial follow one another within a week: one in
    -- ten looks or more, and more than one (common practice, no source)
    select there.client, site, environment
    from gaps
    join item_groups as item using (group_id)
    join line_groups as there on there.group_id = place_class
    where serial is null and not is_first_look and inspected > 0
    group by there.client, site, environment
    having count(*) filter (where inspected_on - previous_on <= 7) >= greatest(2, count(*) / 10)
),
in_service as (           -- one row: a place
    select client, site, environment, sum(quantity) as items_in_service
    from overdue_inspections
    group by client, site, environment
)
select client, site, environment, service_class,
    inspected::bigint as inspected,
    removed::bigint as removed,
    removed_at_risk::bigint as removed_at_risk,
    coalesce(load_bearing_at_risk, 0)::bigint as load_bearing_at_risk,
    unaccounted_for::bigint as unaccounted_for,
    shackle_years, shackle_years_unaccounted_for,
    coalesce(items_in_service, 0)::bigint as items_in_service,
    pooled_rate, highest_rate, highest_load_bearing_rate,
    coalesce(look_weight, 1.0) as look_weight,
    coalesce(is_pooled, false) as is_pooled,
    coalesce(rate_basis, 'no look with an earlier one') as rate_basis,
    current_interval_months, legal_limit_months, site_rule_months,
    coalesce(is_above_usual, false) as is_above_usual,
    visit_days is null and (client, site, environment) in (from close_looks) as has_close_looks
from history
join site_register using (client, site, environment)
left join pooled_rates using (client, site, environment)
left join load_bearing using (client, site, environment)
left join in_service using (client, site, environment)
order by client, site, environment
