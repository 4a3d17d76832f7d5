-- One row: the looks of one day at items of one kind at a place that were last looked at on one day.
-- First looks are left out, since they open the clock, and so are looks at which nothing was presented or removed.
with load_bearing as (         -- one row: a group and the day of a look that closed the gap in which such removals fell
    select look.client, look.site, look.environment, look.item_class, look.serial, look.inspected_on,
        sum(line.primary_removed) as load_bearing_removed
    from summed_reasons as line
    join removal_criteria using (criterion)
    join exposures as look
        on look.client = line.client and look.site = line.site and look.environment = line.environment
        and look.item_class = line.item_class and look.serial is not distinct from line.serial
        and look.previous_on < line.inspected_on and look.inspected_on >= line.inspected_on
    -- A removal with no criterion stated counts, since nobody can rule it out.
    where line.inspection_type <> 'initial' and is_of_removals and tier in ('load-bearing', 'not stated')
    group by look.client, look.site, look.environment, look.item_class, look.serial, look.inspected_on
)
select look.client, look.site, look.environment, place.service_class, place.use_frequency, kind.size_band, kind.pin,
    look.previous_on, look.inspected_on, look.is_first_look,
    sum(look.inspected)::bigint as inspected,
    sum(look.removed)::bigint as removed,
    sum(look.removed_between)::bigint as removed_between,
    sum(look.joined)::bigint as joined,
    coalesce(sum(of_look.load_bearing_removed), 0)::bigint as load_bearing_removed
from exposures as look
join item_kinds as kind using (item_class)
join site_register as place using (client, site, environment)
left join load_bearing as of_look
    on of_look.client = look.client and of_look.site = look.site and of_look.environment = look.environment
    and of_look.item_class = look.item_class and of_look.serial is not distinct from look.serial
    and of_look.inspected_on = look.inspected_on
where not look.is_first_look and look.inspected + look.removed_between > 0
group by all
order by all
