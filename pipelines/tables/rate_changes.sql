-- One row: a month of a client (site and environment empty), of a site (environment empty) or of a place.
-- For clients and sites exposure stands as the removals to be expected, which takes out a change of what is looked at.
with months as (
    select client, site, null as environment, month, removed_at_risk, centre * shackle_years / 100 as exposure
    from removal_trend
    where centre > 0
    union all
    select client, site, environment, month, removed_at_risk, shackle_years as exposure
    from removal_rates
    where shackle_years > 0
)
select client, site, environment, removed_at_risk, exposure,
    datediff('month', date '1970-01-01', strptime(month, '%Y-%m')) / 12 as years
from months
order by client, site, environment, month
