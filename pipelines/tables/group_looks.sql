-- One row: a look at a group that has an earlier one, in order of the looks; each item with a serial is a group. Groups go
-- by number, and places by that of their row in interval_recommendations.
with groups as (               -- one row: a group
    select place.rowid as place, row_number() over () as group_id, client, site, environment, item_class, serial
    from (
        select distinct client, site, environment, item_class, coalesce(serial, '') as serial from exposures
    )
    join (select rowid, client, site, environment from interval_recommendations) as place
        using (client, site, environment)
)
select its.place, its.group_id,
    look.previous_on, look.inspected_on, look.is_first_look, look.inspected, look.removed, look.removed_between, look.joined
from exposures as look
join groups as its
    on its.client = look.client and its.site = look.site and its.environment = look.environment
    and its.item_class = look.item_class and its.serial = coalesce(look.serial, '')
where not look.is_first_look and look.inspected + look.removed_between > 0
order by its.group_id, look.inspected_on
