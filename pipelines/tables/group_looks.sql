-- One row: a look at a group that has an earlier one, in order of the looks; each item with a serial is a group.
select client, site, environment, gaps.group_id, previous_on, inspected_on, is_first_look, inspected, removed, removed_between,
    joined
from gaps join line_groups as there on there.group_id = gaps.place_class
where not is_first_look and inspected + removed_between > 0
order by gaps.group_id, inspected_on
