-- For logs with one row for each reason: each look is then a wording of its own. One row: a reason of a record, and its line.
create or replace temp table reasons_of_records as
select row, line_row, stated_reasons.* exclude (wording)
from stated_reasons join worded_rows using (wording) join line_rows using (row);

create or replace table worded_rows as select distinct line_row as row, line_row as wording from reasons_of_records;

-- One row: a reason of a look, in the order of its rows. $own_count: a row's only reason speaks of all its removed items.
create or replace table stated_reasons as
select line_row as wording, row_number() over (partition by line_row order by row, reason.place) as place, criterion,
    coalesce(reason.count, case when $own_count and count(*) over (partition by row) = 1
        then nullif(row_lines.removed, 0) end) as count,
    phrase, likeness
from reasons_of_records as reason join row_lines using (row)
