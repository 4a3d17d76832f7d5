-- One row: a record that is alike in every cell with an earlier one of its file. Shift checks and rows without a removal, most
-- of many a log, are left out beforehand, as by the rule that asks for this.
create or replace temp table likely_rows as  -- one row: a line that says what another one says; its cells may differ
with marks as not materialized (             -- one row: a line, and a mark of what it says
    select row, hash(*columns(lambda name: name <> 'row' and not starts_with(name, 'raw_'))) as mark from told_lines
    where removed > 0 and group_id in (select group_id from groups where inspection_type <> 'frequent')
)
select row from marks where mark in (select mark from marks group by mark having count(*) > 1);

create or replace table repeated_rows as     -- rules see the batch without an alias, so the column has a name of its own
with marks as (            -- one row: the record of such a line, and a mark of its cells; few are found faster by `cell_row`
    select row, hash(*columns(lambda name: name not in ('row', 'cell_row', 'mark'))) as cells_mark from numbered_cells
    where cell_row in (select cell_row from numbered_cells where row in (select row from likely_rows))
)
select row as repeated_row from marks qualify row_number() over (partition by cells_mark order by row) > 1
