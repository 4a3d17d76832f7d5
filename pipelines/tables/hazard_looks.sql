-- One row: the looks of one day at items of one kind at a place, by the number of place_kinds, that were last looked at on one
-- day. First looks are left out, since they open the clock, and so are looks at which nothing was presented or removed.
with load_bearing as (         -- one row: a group and the day of a look that closed the gap in which such removals fell
    select gap.group_id, gap.closed_on as inspected_on, sum(line.primary_removed) as load_bearing_removed
    from summed_reasons as line
    join removal_criteria using (criterion)
    join group_wordings as part on part.wording = line.group_id and part.serial is not distinct from line.serial
    -- Of an item that moved those at the place it left too, as in removed_between.
    join gap_days as gap on gap.group_id = part.group_id and gap.day = line.inspected_on
    -- A removal with no criterion stated counts, since nobody can rule it out.
    where line.inspection_type <> 'initial' and is_of_removals and tier in ('load-bearing', 'not stated')
        and gap.previous_on is not null
        and gap.removed + gap.removed_frequent > 0  -- true of all of them, and keeps most days out of the join
    group by gap.group_id, gap.closed_on
)
select kind, previous_on, inspected_on, is_first_look,
    sum(inspected)::bigint as inspected,
    sum(removed)::bigint as removed,
    sum(removed_between)::bigint as removed_between,
    sum(days_not_there) as days_not_there,
    coalesce(sum(load_bearing_removed), 0)::bigint as load_bearing_removed
from gaps
left join load_bearing using (group_id, inspected_on)
join place_kinds using (place_class)
where not is_first_look and inspected + removed_between > 0
group by kind, previous_on, inspected_on, is_first_look
order by kind, previous_on, inspected_on
