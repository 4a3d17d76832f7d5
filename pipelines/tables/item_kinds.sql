-- Makes the view item_kinds, for as long as the connection is open. One row: an item class, with what the model of all
-- looks tells apart by.
create or replace temp view item_kinds as
select item_class,
    any_value(case
        when nominal_size_mm <= 19 then 'up to 19 mm'
        when nominal_size_mm <= 38 then 'above 19 to 38 mm'
        when nominal_size_mm > 38 then 'above 38 mm'
    end) as size_band,
    any_value(pin) as pin
from current_lines
group by item_class
