-- One row: a look at a group that has an earlier one, in order of the looks; each item with a serial is a group. Places go by
-- the number of their row in interval_recommendations.
select place.rowid as place, look.group_id,
    look.previous_on, look.inspected_on, look.is_first_look, look.inspected, look.removed, look.removed_between, look.joined,
    look.days_not_there
from gaps as look
join line_groups as there on there.group_id = look.place_class
join interval_recommendations as place using (client, site, environment)
where not look.is_first_look and look.inspected + look.removed_between > 0
order by look.group_id, look.inspected_on
