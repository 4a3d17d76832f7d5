-- One row: a kind of pin at a place, and a criterion. $as_of: the last day counted, the last of a month.
-- In-service removals only: found at periodic and frequent inspections, never on receipt. A removal counts in the gap it fell in, as in gap_days.
with lines as (           -- one row: a wording of in-service lines
    select source, client, site, environment, item_class, coalesce(pin, body, 'not stated') as pin
    from wordings
    where inspection_type <> 'initial' and first_on <= $as_of
),
pins as (                 -- one row: an item class; it has one kind of pin
    select item_class, min(pin) as pin from lines group by item_class
),
reasons as (              -- one row: a row of reason_sums, with the gap that it fell in where a look closed it, as in gap_days
    select reason.* replace (coalesce(pin, body, 'not stated') as pin), closed_on, closed_at
    from summed_reasons as reason
    left join group_wordings as part on part.wording = reason.group_id and part.serial is not distinct from reason.serial
    left join gap_days as gap
        on gap.group_id = part.group_id and gap.day = reason.inspected_on and previous_on is not null and is_of_removals
    where inspection_type <> 'initial' and inspected_on <= $as_of
),
removals as (             -- one row: a pin at a place, and a criterion that was ticked there
    select client, site, environment, pin, criterion, sum(primary_removed) as removed, sum(mentions) as mentions
    from reasons
    group by client, site, environment, pin, criterion
),
closings as (             -- one row: a class and place of looks that closed a gap, their day, and a criterion of removals in it
    select closed_at, closed_on, criterion, sum(primary_removed) as primary_removed
    from reasons
    where closed_on is not null
    group by closed_at, closed_on, criterion
),
removals_at_risk as (     -- one row: a pin at a place, and a criterion of removals whose gap was closed there
    select client, site, environment, pins.pin, criterion,
        sum(primary_removed) as removed_at_risk,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 12 month))
            as removed_last_12_months,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 24 month)
            and closed_on <= last_day($as_of::date - interval 12 month)) as removed_prior_12_months
    from closings
    join line_groups as there on there.group_id = closed_at
    join pins using (item_class)
    group by client, site, environment, pins.pin, criterion
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
