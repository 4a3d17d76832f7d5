-- One row: a site, with how its inspections are kept up. $grace_days: so late still counts as on time.
-- Reads gaps and the tables removal_rates, reason_breakdown, overdue_inspections, interval_recommendations.
with looks as (           -- one row: a site; its looks after an earlier one, and the items expected at them
    select client, site,
        count(*) filter (where gap.inspected > 0) as looks,
        count(*) filter (
            where gap.inspected > 0 and gap.inspected_on
                <= gap.previous_on + to_months(place.current_interval_months::integer) + to_days($grace_days::integer)
        ) as looks_on_time,
        sum(gap.inspected - gap.joined + gap.unaccounted_for) as items_expected,
        sum(gap.unaccounted_for) as items_unaccounted_for
    from gaps as gap
    join line_groups as there on there.group_id = gap.place_class
    join site_register as place using (client, site, environment)
    where not gap.is_first_look
    group by client, site
),
stock as (                -- one row: a site; items in service, and those past their day
    select client, site, sum(quantity) as in_service, sum(quantity) filter (where days_overdue > 0) as overdue
    from overdue_inspections
    group by client, site
),
reasons as (              -- one row: a site; removals, and those without a criterion
    select client, site, sum(removed) as removals, sum(removed) filter (where criterion = 'not stated') as not_stated
    from reason_breakdown
    group by client, site
),
intervals as (            -- one row: a site; its environments, and those with too long an interval
    select client, site, count(*) as places,
        count(*) filter (where current_interval_months > guideline_interval_months) as places_over_guideline
    from interval_recommendations
    group by client, site
),
receipts as (             -- one row: a site with any line; items looked at on receipt
    select client, site, sum(initial_inspected) as received, sum(initial_removed) as rejected
    from removal_rates
    group by client, site
)
select client, site,
    coalesce(looks, 0)::bigint as looks,
    coalesce(looks_on_time, 0)::bigint as looks_on_time,
    looks_on_time / nullif(looks, 0) as share_on_time,
    coalesce(in_service, 0)::bigint as in_service,
    coalesce(overdue, 0)::bigint as overdue,
    coalesce(overdue, 0) / nullif(in_service, 0) as share_overdue,
    coalesce(removals, 0)::bigint as removals,
    coalesce(not_stated, 0)::bigint as not_stated,
    coalesce(not_stated, 0) / nullif(removals, 0) as share_not_stated,
    coalesce(items_expected, 0)::bigint as items_expected,
    coalesce(items_unaccounted_for, 0)::bigint as items_unaccounted_for,
    items_unaccounted_for / nullif(items_expected, 0) as share_unaccounted_for,
    coalesce(places, 0)::bigint as places,
    coalesce(places_over_guideline, 0)::bigint as places_over_guideline,
    received::bigint as received,
    rejected::bigint as rejected,
    rejected / nullif(received, 0) as share_rejected
from receipts
left join looks using (client, site)
left join stock using (client, site)
left join reasons using (client, site)
left join intervals using (client, site)
order by client, site
