-- One row: a kind of pin at a place, and a criterion. $as_of: the last day counted, the last of a month.
-- In-service removals only: found at periodic and frequent inspections, never on receipt. Reads the view line_gaps.
with lines as (           -- one row: an in-service line
    select file_sha256, row, source, client, site, environment, item_class, coalesce(pin, body, 'not stated') as pin, serial,
        inspected_on, removed
    from current_lines
    where inspection_type <> 'initial' and inspected_on <= $as_of
),
pins as (                 -- one row: an item class; it has one kind of pin
    select item_class, min(pin) as pin from lines group by item_class
),
removals as (             -- one row: a pin at a place, and a criterion that was ticked there
    select client, site, environment, pin, criterion, sum(primary_removed) as removed, sum(mentions) as mentions
    from current_reasons
    join lines using (file_sha256, row)
    group by client, site, environment, pin, criterion
),
closings as (             -- one row: a line with removals that have exposure, and the look that closed their gap
    select gap.*, pins.pin
    from line_gaps as gap join pins using (item_class)
    where inspection_type <> 'initial' and removed > 0 and inspected_on <= $as_of
),
removals_at_risk as (     -- one row: a pin at a place, and a criterion of removals whose gap was closed there
    select client, site, environment, pin, criterion,
        sum(primary_removed) as removed_at_risk,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 12 month))
            as removed_last_12_months,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 24 month)
            and closed_on <= last_day($as_of::date - interval 12 month)) as removed_prior_12_months
    from current_reasons join closings using (file_sha256, row)
    group by client, site, environment, pin, criterion
),
ticked as (               -- one row: a source and a criterion that somebody ticked there, on receipt too
    select distinct source, criterion
    from current_reasons join current_lines using (file_sha256, row)
    where inspected_on <= $as_of
),
could_be_ticked as (      -- one row: a place and a criterion on the list of an exporter it used
    select distinct client, site, environment, criterion
    from (select distinct client, site, environment, source from lines) join ticked using (source)
    union
    select client, site, environment, criterion from removals_at_risk
),
exposure as (             -- one row: a pin at a place
    select client, site, environment, pin,
        sum(shackle_years) as shackle_years,
        sum(shackle_years) filter (where inspected_on > last_day($as_of::date - interval 12 month))
            as shackle_years_last_12_months,
        sum(shackle_years) filter (where inspected_on > last_day($as_of::date - interval 24 month)
            and inspected_on <= last_day($as_of::date - interval 12 month)) as shackle_years_prior_12_months
    from exposures join pins using (item_class)
    group by client, site, environment, pin
),
pins_at_places as (
    select client, site, environment, pin from lines
    union
    select client, site, environment, pin from exposure
)
select client, site, environment, pin, criterion, tier,
    coalesce(removed, 0)::bigint as removed,
    coalesce(mentions, 0)::bigint as mentions,
    coalesce(removed_at_risk, 0)::bigint as removed_at_risk,
    coalesce(removed_last_12_months, 0)::bigint as removed_last_12_months,
    coalesce(removed_prior_12_months, 0)::bigint as removed_prior_12_months,
    coalesce(shackle_years, 0) as shackle_years,
    coalesce(shackle_years_last_12_months, 0) as shackle_years_last_12_months,
    coalesce(shackle_years_prior_12_months, 0) as shackle_years_prior_12_months
from could_be_ticked
join removal_criteria using (criterion)
join pins_at_places using (client, site, environment)
left join removals using (client, site, environment, pin, criterion)
left join removals_at_risk using (client, site, environment, pin, criterion)
left join exposure using (client, site, environment, pin)
order by client, site, environment, criterion, pin
