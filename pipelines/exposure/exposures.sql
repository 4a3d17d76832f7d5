-- Makes the view exposures, for as long as the connection is open. One row: a look at a group, with the look before it; or an
-- item with a serial that missed the look at its class and place.
create or replace temp view exposures as
select item.client, site, environment, item.item_class, serial, gap.* exclude (group_id, place_class)
from gaps as gap
join item_groups as item using (group_id)
join line_groups as there on there.group_id = gap.place_class
