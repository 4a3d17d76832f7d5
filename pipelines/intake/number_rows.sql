-- One row: a record with its cells. Its number counts the refused records too, so that it can be found in the file.
create or replace table refused_before as  -- one row: from the cell row `since` on, `refused` refused records came before
with places as (                           -- one row: a refused record; several that stand together have one `since`
    select row - row_number() over (order by row) + 1 as since, row_number() over (order by row) as refused
    from refused_rows
)
select since, max(refused) as refused from places group by since;

create or replace view numbered_cells as
select cells.rowid as cell_row, cells.rowid + 1 + coalesce(refused_before.refused, 0) as row, cells.*
from cells asof left join refused_before on cells.rowid + 1 >= refused_before.since
