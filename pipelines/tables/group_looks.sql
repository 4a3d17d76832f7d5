-- One row: a look at a group that has an earlier one, in order of the looks; each item with a serial is a group.
select client, site, environment, item_class, coalesce(serial, '') as serial,
    previous_on, inspected_on, is_first_look, inspected, removed, removed_between, joined
from exposures
where not is_first_look and inspected + removed_between > 0
order by client, site, environment, item_class, serial, inspected_on
