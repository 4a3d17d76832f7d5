-- One row: something in the store that does not add up, in words.
with gathered as (         -- one row: a load and how many records gave a further reason to the line of another record
    select coalesce(kept.corrected_by, loads.load_id) as load_id, count(*) as records
    from gathered_rows as gathered
    left join quarantine as kept
        on kept.file_sha256 = gathered.file_sha256 and kept.row = gathered.row and kept.corrected_by is not null
    left join loads on loads.file_sha256 = gathered.file_sha256
    group by all
),
lines as (                 -- one row: a load and how many lines it brought
    select load_id, count(*) as lines from inspection_lines group by load_id
),
refused as (               -- one row: a file and how many of its rows went to the quarantine
    select file_sha256, count(*) as rows_kept from quarantine group by file_sha256
),
set_aside as (             -- one row: a load and how many of its records are no part of the log
    select load_id, count(*) as rows_kept from set_aside_rows group by load_id
)
select format('{} lines belong to no load', sum(lines)) as what
from lines anti join loads using (load_id)
having sum(lines) > 0
union all
select format('load {}, {}: {} rows were accepted, {} are there', load_id, file, rows_accepted,
    coalesce(lines, 0) + coalesce(records, 0))
from loads left join lines using (load_id) left join gathered using (load_id)
where rows_accepted <> coalesce(lines, 0) + coalesce(records, 0)
union all
select format('load {}, {}: {} rows were quarantined, {} are there', load_id, file, rows_quarantined, coalesce(rows_kept, 0))
from loads left join refused using (file_sha256)
where not is_correction and rows_quarantined <> coalesce(rows_kept, 0)
union all
select format('load {}, {}: {} rows were set aside, {} are there', load_id, file, rows_set_aside, coalesce(rows_kept, 0))
from loads left join set_aside using (load_id)
where rows_set_aside <> coalesce(rows_kept, 0)
union all
select format('load {}, {}: {} rows were read, {} are accounted for', load_id, file, rows_read,
    rows_accepted + rows_quarantined + rows_set_aside)
from loads where rows_read <> rows_accepted + rows_quarantined + rows_set_aside
union all
select format('the file {} was loaded {} times', any_value(file), count(*))
from loads group by file_sha256 having count(*) > 1
union all
select format('row {} of the file {} is there {} times', row, file_sha256[:12], count(*))
from inspection_lines group by file_sha256, row having count(*) > 1
union all
select format('{} removal reasons belong to no line', count(*))
from removal_reasons anti join inspection_lines using (file_sha256, row)
having count(*) > 0
union all
select format('{} lines are superseded by a load that is not there', count(*))
from inspection_lines as line anti join loads on loads.load_id = line.superseded_by
where superseded_by is not null
having count(*) > 0
order by what
