-- One row: what the benchmark compares of a site: environment, service class, use, size, pin, and who looked.
with persons as (              -- one row: a group and a day of periodic inspection at a place, and an inspector of its lines
    select part.group_id, place_class, inspected_on, inspector, sum(lines)::bigint as lines, min(first_line) as first_line
    from summed_lines as line
    join group_wordings as part on part.wording = line.group_id and part.serial is not distinct from line.serial
    where inspection_type = 'periodic' and inspector is not null
    group by part.group_id, place_class, inspected_on, inspector
),
looks as (                     -- one row: such a day, with the inspector of most of its lines
    select group_id, place_class, inspected_on,
        -- Of several with as many lines the one whose first line comes first in its file, which has fewer rows than 1e10.
        arg_max(inspector, lines - first_line / 1e10) as inspector
    from persons
    group by group_id, place_class, inspected_on
),
looked_at as (                 -- one row: a kind of item at a place, by its number, and who looked
    select kind, coalesce(inspector, '') as inspector,
        sum(removed + removed_between)::bigint as observed,
        sum(inspected)::bigint as inspected,
        sum(shackle_years) as shackle_years
    from gaps
    join place_kinds using (place_class)
    left join looks using (group_id, place_class, inspected_on)
    where not is_first_look
    group by kind, coalesce(inspector, '')
),
kinds as (                     -- one row: such a kind
    select distinct kind, client, site, environment,
        coalesce(service_class, 'not stated') as service_class,
        coalesce(use_frequency, 'not stated') as use_frequency,
        coalesce(size_band, 'not stated') as size_band,
        coalesce(pin, 'not stated') as pin
    from place_kinds
)
select kinds.* exclude (kind), looked_at.* exclude (kind)
from looked_at join kinds using (kind)
order by all
