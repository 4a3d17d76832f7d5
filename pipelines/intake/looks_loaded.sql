-- For logs with one row for each reason. One row: a corrected record whose look is a line of its file already. As a line of its
-- own it would count the items of the look a second time.
create or replace table looks_loaded as
select file_sha256, record.row, 'look_loaded_already' as rule,
    'it is one more reason of the look that row ' || min(loaded.row) || ' of the file was loaded as, and as a line of its own'
    || ' would count the items of that look twice. Correct the file itself, and load it again as a whole.' as detail
from line_rows as record
join staged_lines as line on line.row = record.line_row
join store.inspection_lines as loaded using (file_sha256)
where (line.client, line.site, line.environment, line.item_class, line.serial, line.inspected_on, line.inspection_type)
    is not distinct from (loaded.client, loaded.site, loaded.environment, loaded.item_class, loaded.serial,
    loaded.inspected_on, loaded.inspection_type)
    and record.row not in (select row from quarantined_rows)
group by file_sha256, record.row;

insert into quarantined_rows by name select file_sha256, row, rule, detail from looks_loaded;

delete from flagged_rows where row in (select row from looks_loaded)
