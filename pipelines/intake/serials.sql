-- Serial numbers of the batch that are written in several ways, or stand at several sites, by the store's lines and its own.
create or replace temp table alike_serials as    -- one row: a client, and what such numbers have in common: their letters and figures
with written as (                                -- one row: a number and a wording of what has it; each is looked at once
    select client, site, serial, translate(lower(serial), ' -_./', '') as bare
    from (select distinct group_id, serial from counted_lines where serial is not null) join groups using (group_id)
),
written_before as (                              -- one row: a line of the store with the number of such a line
    select client, site, serial, translate(lower(serial), ' -_./', '') as bare from store.inspection_lines
    where serial is not null and client in (select client from groups)
        and (client, bare) in (select (client, bare) from written)
)
select client, bare
from (from written union all by name from written_before)
group by client, bare having min(serial) <> max(serial) or min(site) <> max(site);

create or replace temp table lines_alike as      -- one row: a line with such a number; those of the batch come last
select client, site, serial, inspected_on, load_id, row, superseded_by is null as is_current
from store.inspection_lines
where serial is not null
    and (client, translate(lower(serial), ' -_./', '')) in (select (client, bare) from alike_serials)
union all
select client, site, serial, inspected_on, null, row, true
from staged_lines
where serial is not null
    and (client, translate(lower(serial), ' -_./', '')) in (select (client, bare) from alike_serials);

create or replace temp table serial_spellings as -- one row: a number written with and without capitals, and how it was written first
select client, lower(serial) as lower_serial, first(serial order by load_id nulls last, row) as first_serial
from lines_alike
group by client, lower_serial having min(serial) <> max(serial);

update lines_alike as line set serial = first_serial
from serial_spellings as known where known.client = line.client and known.lower_serial = lower(line.serial);
