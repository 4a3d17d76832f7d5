-- Makes the views by which the sums of make_sums.sql are read, for as long as the connection is open: those of the gear
-- family that the result tables are computed from.
create or replace temp view counted_groups as  -- one row: a group of that family. place_class: the number of the first one
-- of its item class and place, which stands for both
select *, min(group_id) over (partition by client, site, environment, item_class) as place_class
from line_groups
where gear_family = (select gear_family from counted_gear);

create or replace temp view summed_lines as    -- one row: a row of line_sums, with what was looked at and where
select counted_groups.*, line_sums.* exclude (group_id) from line_sums join counted_groups using (group_id);

create or replace temp view summed_months as   -- one row: a row of month_sums, likewise
select counted_groups.*, month_sums.* exclude (group_id) from month_sums join counted_groups using (group_id);

create or replace temp view summed_reasons as  -- one row: a row of reason_sums, likewise
select counted_groups.*, reason_sums.* exclude (group_id) from reason_sums join counted_groups using (group_id);

create or replace temp view wordings as        -- one row: a group with current lines, and the days of its first and last
select counted_groups.*, lines, first_on, last_on from summed_groups join counted_groups using (group_id);
