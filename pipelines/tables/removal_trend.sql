-- One row: a month of a client (site empty) or of a site, every month from its first to its last line.
-- expected_removals [items]: what the places looked at that month would have given at their own baseline rates, so
-- that a month is no signal merely because harsher places were looked at. $baseline_months: how many months the
-- baseline has, all with a rate; $least_exposure [shackle-years]: the least that a rate is given from.
with scopes as (          -- one row: a client (site empty) or a site, and a month of one of its places
    select client, null as site, month, site as place, environment, inspected, removed, removed_at_risk, shackle_years
    from removal_rates
    union all
    select client, site, month, site, environment, inspected, removed, removed_at_risk, shackle_years
    from removal_rates
),
rated as (                -- the same rows, and whether the month of the client or site has a rate
    select *, sum(shackle_years) over (partition by client, site, month) >= $least_exposure as has_rate
    from scopes
),
numbered as (             -- the same rows; the months of a client or site that have a rate are counted
    select *, has_rate
        and dense_rank() over (partition by client, site, has_rate order by month) <= $baseline_months as is_baseline
    from rated
),
baselines as (            -- one row: a place within a client or site, and its rate in the baseline months
    select client, site, place, environment,
        coalesce(
            sum(removed_at_risk) filter (is_baseline) / nullif(sum(shackle_years) filter (is_baseline), 0),
            sum(removed_at_risk) / sum(shackle_years)
        ) as rate
    from numbered
    where shackle_years > 0
    group by client, site, place, environment
),
sums as (                 -- one row: a client or site and a month with lines
    select scopes.client, scopes.site, month, sum(inspected) as inspected, sum(removed) as removed,
        sum(removed_at_risk) as removed_at_risk, sum(shackle_years) as shackle_years,
        sum(shackle_years * coalesce(rate, 0)) as expected_removals
    from scopes
    left join baselines
        on baselines.client = scopes.client and baselines.site is not distinct from scopes.site
        and baselines.place = scopes.place and baselines.environment = scopes.environment
    group by scopes.client, scopes.site, month
),
months as (               -- one row: a client or site and a month, with lines or not
    select client, site,
        strftime(unnest(generate_series(
            strptime(min(month), '%Y-%m'), strptime(max(month), '%Y-%m'), to_months(1)
        )), '%Y-%m') as month
    from sums
    group by client, site
)
select months.client, months.site, months.month,
    coalesce(inspected, 0)::bigint as inspected,
    coalesce(removed, 0)::bigint as removed,
    coalesce(removed_at_risk, 0)::bigint as removed_at_risk,
    coalesce(shackle_years, 0) as shackle_years,
    coalesce(expected_removals, 0) as expected_removals
from months
left join sums
    on sums.client = months.client and sums.site is not distinct from months.site and sums.month = months.month
order by client, site nulls first, month
