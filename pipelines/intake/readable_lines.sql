-- One row: a record of `raw_rows`, with what can be read of its line. What cannot is null: an item class in part, a site
-- that the register does not know.
select line.file_sha256, line_rows.row,
    case when known.site is not null then line.site end as site,
    case
        when body is not null and nominal_size_mm is not null and gear_family is not null
            and (pin is not null or gear_family in (select gear_family from store.gear_kinds where pin = ''))
            and (rated_load_t is not null or raw_rated_load_t is null) and (grade is not null or raw_grade is null)
        then item_class
    end as item_class,
    gear_family, coalesce(line.client, named.client) as client, environment, serial, inspected_on, inspection_type, quantity, removed, replaced, not_presented,
    inspector, supplier, disposition, note,
    criteria
from line_rows
join staged_lines as line on line.row = line_rows.line_row
left join (select distinct client, site from store.site_register) as known
    on known.client = line.client and known.site = line.site
-- A line without a site is joined to no name, yet its client may be known.
left join resolved_names as named
    on named.raw_client is not distinct from line.raw_client and named.raw_site is not distinct from line.raw_site
left join (
    select row, string_agg(criterion, '; ' order by criterion) as criteria from staged_reasons group by row
) as reasons on reasons.row = line_rows.line_row
