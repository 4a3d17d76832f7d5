-- One row: what the benchmark compares of a site: environment, service class, use, size, pin, and who looked.
with looks as (                -- one row: a group and a day of periodic inspection, with the inspector of most of its lines
    select client, site, environment, item_class, serial, inspected_on,
        -- Of several with as many lines the one whose first line comes first in its file.
        arg_max(inspector, {lines: lines, before: -first_line}) as inspector
    from (
        select client, site, environment, item_class, serial, inspected_on, inspector,
            sum(lines) as lines, min(first_line) as first_line
        from summed_lines
        where inspection_type = 'periodic' and inspector is not null
        group by client, site, environment, item_class, serial, inspected_on, inspector
    )
    group by client, site, environment, item_class, serial, inspected_on
)
select gap.client, gap.site, gap.environment,
    coalesce(place.service_class, 'not stated') as service_class,
    coalesce(place.use_frequency, 'not stated') as use_frequency,
    coalesce(kind.size_band, 'not stated') as size_band,
    coalesce(kind.pin, 'not stated') as pin,
    coalesce(look.inspector, '') as inspector,
    sum(gap.removed + gap.removed_between)::bigint as observed,
    sum(gap.inspected)::bigint as inspected,
    sum(gap.shackle_years) as shackle_years
from exposures as gap
join item_kinds as kind using (item_class)
join site_register as place
    on place.client = gap.client and place.site = gap.site and place.environment = gap.environment
left join looks as look
    on look.client = gap.client and look.site = gap.site and look.environment = gap.environment
    and look.item_class = gap.item_class and look.serial is not distinct from gap.serial
    and look.inspected_on = gap.inspected_on
where not gap.is_first_look
group by all
order by all
