-- One row: an environment of a site with any line: its whole history beside what the site register says of it.
select client, site, environment, service_class,
    sum(inspected)::bigint as inspected,
    sum(removed)::bigint as removed,
    sum(removed_at_risk)::bigint as removed_at_risk,
    sum(unaccounted_for)::bigint as unaccounted_for,
    sum(shackle_years) as shackle_years,
    sum(shackle_years_unaccounted_for) as shackle_years_unaccounted_for,
    -- The latest month with a rate, whether or not later months have none.
    coalesce(max_by(signal = 'above', month) filter (where removed_per_100_shackle_years is not null), false) as is_above_usual,
    current_interval_months, legal_limit_months, site_rule_months
from removal_rates join site_register using (client, site, environment)
group by client, site, environment, service_class, current_interval_months, legal_limit_months, site_rule_months
order by client, site, environment
