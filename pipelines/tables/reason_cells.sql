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
reasons as (              -- one row: a wording and a criterion that was ticked there
    select group_id, criterion, sum(primary_removed) as removed, sum(mentions) as mentions
    from reason_sums
    where inspected_on <= $as_of
    group by group_id, criterion
),
ticked as (               -- one row: a source and a criterion that somebody ticked there, on receipt too
    select distinct source, criterion from reasons join counted_groups using (group_id)
),
removals as (             -- one row: a pin at a place, and a criterion that was ticked there
    select client, site, environment, coalesce(pin, body, 'not stated') as pin, criterion,
        sum(removed) as removed, sum(mentions) as mentions
    from reasons join counted_groups using (group_id)
    where inspection_type <> 'initial'
    group by client, site, environment, coalesce(pin, body, 'not stated'), criterion
),
closings as (             -- one row: a class and place of looks that closed a gap, and a criterion of removals in it
    select closed_at, criterion,
        sum(primary_removed) as removed_at_risk,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 12 month))
            as removed_last_12_months,
        sum(primary_removed) filter (where closed_on > last_day($as_of::date - interval 24 month)
            and closed_on <= last_day($as_of::date - interval 12 month)) as removed_prior_12_months
    from reason_sums as reason
    join counted_groups using (group_id)
    join group_wordings as part on part.wording = reason.group_id and part.serial is not distinct from reason.serial
    join gap_days as gap on gap.group_id = part.group_id and gap.day = reason.inspected_on
    where inspection_type <> 'initial' and is_of_removals and previous_on is not null and closed_on is not null
        and gap.removed + gap.removed_frequent > 0  -- true of all of them, and keeps most days out of the join
    group by closed_at, criterion
),
removals_at_risk as (     -- one row: a pin at a place, and a criterion of removals whose gap was closed there
    select client, site, environment, pins.pin, criterion,
        sum(removed_at_risk) as removed_at_risk,
        sum(removed_last_12_months) as removed_last_12_months,
        sum(removed_prior_12_months) as removed_prior_12_months
    from closings
    join line_groups as there on there.group_id = closed_at
    join pins using (item_class)
    group by client, site, environment, pins.pin, criterion
),
could_be_ticked as (      -- one row: a place and a criterion on the list of an exporter it used
    select distinct client, site, environment, criterion
    from (select distinct client, site, environment, source from lines) join ticked using (source)
    union
    select client, site, environment, criterion from removals_at_risk
),
looked_at as (            -- one row: an item class at a place
    select place_class,
        sum(shackle_years) as shackle_years,
        sum(shackle_years) filter (where inspected_on > last_day($as_of::date - interval 12 month))
            as shackle_years_last_12_months,
        sum(shackle_years) filter (where inspected_on > last_day($as_of::date - interval 24 month)
            and inspected_on <= last_day($as_of::date - interval 12 month)) as shackle_years_prior_12_months
    from gaps
    group by place_class
),
exposure as (             -- one row: a pin at a place
    select client, site, environment, pins.pin,
        sum(shackle_years) as shackle_years,
        sum(shackle_years_last_12_months) as shackle_years_last_12_months,
        sum(shackle_years_prior_12_months) as shackle_years_prior_12_months
    from looked_at
    join line_groups as there on there.group_id = place_class
    join pins using (item_class)
    group by client, site, environment, pins.pin
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
