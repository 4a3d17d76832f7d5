-- One row: a reason of a look, in the order of its rows. $own_count: a row's only reason speaks of all its removed items.
create or replace table stated_reasons as
select line_row as row, row_number() over (partition by line_row order by stated.row, stated.place) as place,
    stated.criterion,
    coalesce(stated.count, case when $own_count and count(*) over (partition by stated.row) = 1
        then nullif(row_lines.removed, 0) end) as count,
    stated.phrase, stated.likeness
from stated_reasons as stated join line_rows using (row) join row_lines using (row)
