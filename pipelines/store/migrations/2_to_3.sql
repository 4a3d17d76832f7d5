-- Result tables are those of one family of gear; before, all gear was shackles. The coded lists are filled in afterwards.
drop table removal_criteria;
drop table rated_loads;
create table gear_kinds (gear_family varchar, body varchar, pin varchar);
create table criteria_of_gear (gear_family varchar, criterion varchar, tier varchar, primary_rank bigint);
create table rated_loads (gear_family varchar, body varchar, nominal_size_mm double, grade varchar, rated_load_t double);
create table counted_gear (gear_family varchar);
insert into counted_gear values ('shackle');
create view removal_criteria as
select criterion, tier, primary_rank from criteria_of_gear where gear_family = (select gear_family from counted_gear);
drop table if exists group_days;  -- of the exposures, which are computed by other tables
drop view current_reasons;
drop view current_lines;
create view all_current_lines as select * from inspection_lines where superseded_by is null;
create view current_lines as
select all_current_lines.* from all_current_lines where gear_family = (select gear_family from counted_gear);
create view current_reasons as
select reason.* from removal_reasons as reason semi join current_lines using (file_sha256, row);
