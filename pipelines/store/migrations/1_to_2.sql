-- Counts that jump against earlier looks are kept from version 2 on; of earlier loads nothing is known.
create table count_jumps (load_id bigint, client varchar, site varchar, looks bigint, counted bigint, usual bigint);
-- What was looked at and where is kept once for each wording: lines keep the number of their group.
drop view current_reasons;
drop view current_lines;
create table numbered_lines as
select dense_rank() over (order by file_sha256, source, client, site, environment, gear_family, body, pin, nominal_size_mm,
    rated_load_t, grade, item_class, inspection_type) as group_id, *
from inspection_lines;
drop table inspection_lines;
create table line_groups as
select distinct group_id, file_sha256, source, client, site, environment, gear_family, body, pin, nominal_size_mm,
    rated_load_t, grade, item_class, inspection_type
from numbered_lines;
create table counted_lines as
select group_id, row, serial, inspected_on, quantity, removed, replaced, not_presented, inspector, supplier, disposition, note,
    load_id, superseded_by
from numbered_lines;
drop table numbered_lines;
create view inspection_lines as
select file_sha256, row, source, client, site, environment, gear_family, body, pin, nominal_size_mm, rated_load_t, grade,
    item_class, serial, inspected_on, inspection_type, quantity, removed, replaced, not_presented, inspector, supplier,
    disposition, note, load_id, superseded_by
from counted_lines join line_groups using (group_id);
create view current_lines as select * from inspection_lines where superseded_by is null;
create view current_reasons as
select reason.* from removal_reasons as reason semi join current_lines using (file_sha256, row);
