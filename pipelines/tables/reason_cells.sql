-- One row: a kind of pin at a place, and a criterion. $as_of: the last day counted, the last of a month.
-- In-service removals only: found at periodic and frequent inspections, never on receipt. A removal counts in the gap it fell in, as in line_gaps.
with lines as (           -- one row: a wording of in-service lines
    select source, client, site, environment, item_class, coalesce(pin, body, 'not stated') as pin
    from wordings
    where inspection_type <> 'initial' and first_on <= $as_of
),
pins as (                 -- one row: an item class; it has one kind of pin
    select item_class, min(pin) as pin from lines group by item_class
),
reasons as (              -- one row: an item class of a place or its item with a serial, a day, and a criterion
    select client, site, environment, item_class, coalesce(pin, body, 'not stated') as pin, serial, inspected_on, criterion,
        is_of_removals, sum(primary_removed) as primary_removed, sum(mentions) as mentions
    from summed_reasons
    where inspection_type <> 'initial' and inspected_on <= $as_of
    group by all
),
removals as (             -- one row: a pin at a place, and a criterion that was ticked there
    select client, site, environment, pin, criterion, sum(primary_removed) as removed, sum(mentions) as mentions
    from reasons
    group by client, site, environment, pin, criterion
),
closings as (             -- the same rows, of removals that have exposure, at the place of the look that closed their gap
    select look.client, pins.pin, criterion, primary_removed,
        arg_min(look.site, look.inspected_on) as site,
        arg_min(look.environment, look.inspected_on) as environment,
        min(look.inspected_on) as closed_on
    from reasons as reason
    join pins using (item_class)
    join exposures as look
        on look.client = reason.client and look.item_class = reason.item_class
        and look.serial is not distinct from reason.serial
        and (look.serial is not null or (look.site = reason.site and look.environment = reason.environment))
        and look.previous_on < reason.inspected_on and look.inspected_on >= reason.inspected_on
    where is_of_removals
    group by reason.client, reason.site, reason.environment, item_class, reason.pin, reason.serial, reason.inspected_on, criterion,
        primary_removed, look.client, pins.pin
),
removals_at_risk as (     -- one row: a pin at a place, and a criterion of removals whose gap was closed there
    select client, site, environment, pin, criterion,
        sum(primary_removed) as removed_at_risk,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 12 month))
            as removed_last_12_months,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 24 month)
            and closed_on <= last_day($as_of::date - interval 12 month)) as removed_prior_12_months
    from closings
    group by client, site, environment, pin, criterion
),
ticked as (               -- one row: a source and a criterion that somebody ticked there, on receipt too
    select distinct source, criterion from summed_reasons where inspected_on <= $as_of
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
