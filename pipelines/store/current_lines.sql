-- Makes the views of what stands in the store now: of all gear, and of the family that the result tables are computed from.
create view removal_criteria as    -- one row: a removal criterion of the family that the result tables are computed from
select criterion, tier, primary_rank from criteria_of_gear where gear_family = (select gear_family from counted_gear);

create view all_current_lines as   -- one row: a line that no later export revises
select * from inspection_lines where superseded_by is null;

create view current_lines as       -- one row: a line of that family that no later export revises
select all_current_lines.* from all_current_lines where gear_family = (select gear_family from counted_gear);

create view current_reasons as     -- one row: a removal reason of such a line
select reason.* from removal_reasons as reason semi join current_lines using (file_sha256, row);
