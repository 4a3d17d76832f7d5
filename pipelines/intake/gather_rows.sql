-- For logs with one row for each reason. $own_count: every row counts the items removed for its own reason.
-- One row: a record and the first record of its look; records of one look agree in all that names a look.
create or replace table line_rows as
select row, min(row) over (
    partition by coalesce(client, raw_client), coalesce(site, raw_site), coalesce(environment, raw_environment),
        coalesce(gear_family, raw_gear_family), coalesce(body, raw_body), coalesce(pin, raw_pin),
        coalesce(nominal_size_mm::varchar, raw_nominal_size_mm), coalesce(rated_load_t::varchar, raw_rated_load_t),
        coalesce(grade, raw_grade), serial, coalesce(inspected_on::varchar, raw_inspected_on),
        coalesce(inspection_type, raw_inspection_type)
) as line_row
from row_lines;

-- One row: a look, as its records agree on it. Counts that differ become a text that is no number.
create or replace table gathered_lines as
with looks as (            -- one row: a look, with the columns in which its records may differ
    select line_row,
        case when count(distinct quantity) = 1 and count(quantity) = count(raw_quantity)
            then any_value(quantity) end as quantity,
        string_agg(distinct raw_quantity, ' and ' order by raw_quantity) as raw_quantity,
        case when $own_count then case when count(removed) = count(*) then sum(removed)::bigint end
            when count(distinct removed) = 1 and count(removed) = count(raw_removed)
            then any_value(removed) end as removed,
        case when not $own_count then string_agg(distinct raw_removed, ' and ' order by raw_removed)
            when count(raw_removed) = count(*) then string_agg(raw_removed, ' + ' order by row) end as raw_removed,
        case when count(distinct replaced) = 1 and count(replaced) = count(raw_replaced)
            then any_value(replaced) end as replaced,
        string_agg(distinct raw_replaced, ' and ' order by raw_replaced) as raw_replaced,
        case when count(distinct not_presented) = 1 and count(not_presented) = count(raw_not_presented)
            then any_value(not_presented) end as not_presented,
        string_agg(distinct raw_not_presented, ' and ' order by raw_not_presented) as raw_not_presented,
        string_agg(distinct inspector, '; ' order by inspector) as inspector,
        string_agg(distinct supplier, '; ' order by supplier) as supplier,
        string_agg(distinct disposition, '; ' order by disposition) as disposition,
        string_agg(distinct note, '; ' order by note) as note
    from row_lines join line_rows using (row)
    group by line_row
)
select first_row.* replace (
    looks.quantity as quantity, looks.raw_quantity as raw_quantity, looks.removed as removed,
    looks.raw_removed as raw_removed, looks.replaced as replaced, looks.raw_replaced as raw_replaced,
    looks.not_presented as not_presented, looks.raw_not_presented as raw_not_presented,
    looks.inspector as inspector, looks.supplier as supplier, looks.disposition as disposition, looks.note as note
)
from row_lines as first_row join looks on looks.line_row = first_row.row
