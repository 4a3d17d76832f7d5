-- One row: a record of a line that broke a rule which quarantines, with its first such rule, and its place in `cells`.
create or replace table quarantined_places as
with reasons as (        -- one row: a line, its first broken rule, and all of them in words
    select row, arg_min(rule, position) as rule, string_agg(detail, ' ' order by position) as detail
    from explained_rows where severity = 'quarantine' group by row
),
records as (             -- one row: a record of such a line
    select line_rows.row, line_row, rule, detail from reasons join line_rows on line_row = reasons.row
),
lines as (               -- one row: a line of several records
    select line_row, 'The rows ' || string_agg(row, ', ' order by row) || ' speak of one look.' as together
    from records group by line_row having count(*) > 1
)
select records.row, rule, concat_ws(' ', detail, together) as detail, cell_row
from records join numbered_cells using (row) left join lines using (line_row)
