-- One row: a loaded export with lines of $client and $site ('' for all), and what became of its rows.
-- A file that also holds lines of other clients is marked: a pack for one client tells nothing else of it.
with lines as (           -- one row: a file, its lines of the place asked for
    select file_sha256, min(inspected_on) as first_on, max(inspected_on) as last_on,
        count(*) filter (where gear_family = (select gear_family from counted_gear)) as lines_in_use
    from all_current_lines
    where $client in ('', client) and $site in ('', site)
    group by file_sha256
),
owners as (               -- one row: a file, and whether its accepted lines are of more than one client
    select file_sha256, count(distinct client) > 1 as is_shared
    from inspection_lines
    group by file_sha256
),
corrected as (            -- one row: a file, and how many of its quarantined rows a person has corrected since
    select file_sha256, count(corrected_by) as rows_corrected from quarantine group by file_sha256
)
select loads.load_id, loads.file, loads.file_sha256, loads.source, loads.loaded_at::date as loaded_at,
    loads.rows_read, loads.rows_accepted + coalesce(rows_corrected, 0) as rows_accepted,
    loads.rows_quarantined - coalesce(rows_corrected, 0) as rows_quarantined, loads.rows_set_aside,
    coalesce(rows_corrected, 0) as rows_corrected, loads.rows_flagged, loads.rows_superseded,
    coalesce(lines.lines_in_use, 0)::bigint as lines_in_use, lines.first_on, lines.last_on,
    coalesce(owners.is_shared, false) as is_shared
from loads
left join owners using (file_sha256)
left join lines using (file_sha256)
left join corrected using (file_sha256)
where not loads.is_correction and (lines.file_sha256 is not null or ($client = '' and $site = ''))
order by loads.load_id
