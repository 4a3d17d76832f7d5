-- One row: a month of a client (site empty) or of a site, every month from its first to its last line.
with sums as (            -- one row: a client or site and a month with lines
    select client, site, month, sum(inspected) as inspected, sum(removed) as removed,
        sum(removed_at_risk) as removed_at_risk, sum(shackle_years) as shackle_years
    from removal_rates
    group by grouping sets ((client, site, month), (client, month))
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
    coalesce(shackle_years, 0) as shackle_years
from months
left join sums
    on sums.client = months.client and sums.site is not distinct from months.site and sums.month = months.month
order by client, site nulls first, month
