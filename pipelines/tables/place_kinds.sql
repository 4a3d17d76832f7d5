-- Makes the temporary table place_kinds, from item_kinds. One row: an item class at a place by its number, place_class, and
-- the kind of item at that place that it is of, by which models tell looks apart: kind numbers them in their order.
create or replace temp table place_kinds as
select group_id as place_class,
    dense_rank() over (
        order by client, site, environment, service_class, use_frequency, size_band, item_kinds.pin
    ) as kind,
    client, site, environment, service_class, use_frequency, size_band, item_kinds.pin
from line_groups join item_kinds using (item_class) join site_register using (client, site, environment)
