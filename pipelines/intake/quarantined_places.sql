-- One row: a record of a line that broke a rule which quarantines, with its first such rule, and all of them in words.
create or replace temp table quarantined_records as
with sentences as (      -- one row: a line and what is said of it; two columns may be read from one cell, which is at fault once
    select row, detail, arg_min(rule, position) as rule, min(position) as position
    from explained_rows where severity = 'quarantine' group by row, detail
),
reasons as (             -- one row: a line, its first broken rule, and all of them in words
    select row, arg_min(rule, position) as rule, string_agg(detail, ' ' order by position) as detail
    from sentences group by row
)
select line_rows.row, line_row, rule, detail from reasons join line_rows on line_row = reasons.row;

-- One row: the same records, each with its place in `cells`.
create or replace table quarantined_places as
with lines as (          -- one row: a line of several records
    select line_row, 'The rows ' || string_agg(row, ', ' order by row) || ' speak of one look.' as together
    from quarantined_records group by line_row having count(*) > 1
)
select record.row, rule, concat_ws(' ', detail, together) as detail, cell_row
from quarantined_records as record join numbered_cells using (row) left join lines using (line_row)
