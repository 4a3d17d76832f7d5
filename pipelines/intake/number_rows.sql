-- One row: a record with its cells. Its number counts the refused records too, so that it can be found in the file.
create or replace table raw_rows as
with refused_before as (  -- one row: a refused record; from the cell row `since` on, `refused` records came before
    select row - row_number() over (order by row) + 1 as since, row_number() over (order by row) as refused
    from refused_rows
),
steps as (                -- the same, the last one where several refused records stand together
    select since, max(refused) as refused from refused_before group by since
)
select cells.rowid + 1 + coalesce(steps.refused, 0) as row, cells.*
from cells asof left join steps on cells.rowid + 1 >= steps.since
