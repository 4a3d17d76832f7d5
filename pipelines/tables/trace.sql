-- One row: a record of an export that stands behind the rows of a result table that were asked for, or may do so.
-- What is asked for, null where all are: $client, $site, $environment, $supplier, $inspector, $criterion, $month,
-- $item_classes, and the days $after and $until between which a gap was closed. $by_criterion: only lines with a reason
-- count. $counted, $rated: the inspection types of the lines that count by their own place and day, and through the gap
-- they fell in. $in_service: so do those that tell what is in service now. $as_of: the last day counted.
-- Reads quarantined_lines: the rows in quarantine as far as they can be read, null where they cannot.
with reasons as (         -- one row: a line with reasons
    select file_sha256, row,
        string_agg(
            criterion || case when mentions > 1 then ' x' || mentions else '' end, '; ' order by mentions desc, criterion
        ) as reasons,
        coalesce(sum(primary_removed) filter (coalesce(criterion = $criterion, true)), 0)::bigint as removed_on_criterion,
        coalesce(sum(mentions) filter (coalesce(criterion = $criterion, true)), 0)::bigint as mentions,
        bool_or(coalesce(criterion = $criterion, true)) as is_of_criterion
    from removal_reasons
    group by file_sha256, row
),
flags as (                -- one row: a line that broke rules which only flag
    select file_sha256, row, string_agg(detail, ' ' order by rule) as flagged
    from line_flags
    group by file_sha256, row
),
corrected as (            -- one row: a line that was in quarantine, and the workbook that corrected it
    select kept.file_sha256, kept.row, loads.file as corrected_in
    from quarantine as kept join loads on loads.load_id = kept.corrected_by
),
lines as (                -- one row: a line, superseded ones too, with the look that closed the gap it fell in
    select line.*, reasons.* exclude (file_sha256, row), flagged, corrected_in,
        coalesce(line.supplier, 'not stated') as of_supplier,
        coalesce(line.inspector, 'not stated') as of_inspector,
        not $by_criterion or coalesce(is_of_criterion, false) as is_of_reason,
        gap.site as closed_site, gap.environment as closed_environment, gap.previous_on, gap.closed_on,
        standing.starts_on is not null as is_in_service,
        standing.site as standing_site, standing.environment as standing_environment
    from inspection_lines as line
    left join reasons using (file_sha256, row)
    left join flags using (file_sha256, row)
    left join corrected using (file_sha256, row)
    left join line_gaps as gap using (file_sha256, row)
    left join standing_groups as standing
        on $in_service and standing.client = line.client and standing.item_class = line.item_class
        and standing.serial is not distinct from line.serial
        and (line.serial is not null or (standing.site = line.site and standing.environment = line.environment))
        -- On its day the last look comes after what was removed before use.
        and line.inspected_on >= standing.counted_from
        and (standing.last_periodic_on is null or line.inspected_on > standing.starts_on or line.inspection_type = 'periodic')
    where line.inspected_on <= $as_of and line.gear_family = (select gear_family from counted_gear)
),
judged as (               -- the same rows, each with the ways in which it is behind what was asked for
    select *,
        coalesce(client = $client, true) and coalesce(list_contains($item_classes::varchar[], item_class), true)
            and coalesce(of_supplier = $supplier, true) and coalesce(of_inspector = $inspector, true)
            and is_of_reason as is_of_kind,
        is_of_kind and coalesce(site = $site, true) and coalesce(environment = $environment, true)
            and coalesce(strftime(inspected_on, '%Y-%m') = $month, true) as is_there,
        superseded_by is null and list_contains($counted, inspection_type) and is_there as is_counted,
        is_of_kind and closed_on is not null and list_contains($rated, inspection_type)
            -- A look that presented nothing is none, and frequent inspections enter a rate by what they removed.
            and (inspection_type = 'initial' or if(inspection_type = 'periodic', quantity, removed) > 0)
            and coalesce(closed_site = $site, true) and coalesce(closed_environment = $environment, true)
            and coalesce(strftime(closed_on, '%Y-%m') = $month, true)
            and coalesce(closed_on > $after, true) and coalesce(closed_on <= $until, true) as is_rated,
        superseded_by is null and is_of_kind and is_in_service
            and coalesce(standing_site = $site, true) and coalesce(standing_environment = $environment, true) as is_standing,
        superseded_by is not null and is_there and list_contains(list_concat($counted, $rated), inspection_type)
            and coalesce(inspected_on > $after, true) and coalesce(inspected_on <= $until, true) as is_replaced
    from lines
),
behind as (               -- one row: a line behind what was asked for
    select judged.* replace (case when is_rated then previous_on end as previous_on, case when is_rated then closed_on end as closed_on),
        loads.file,
        case when is_replaced then 'superseded' else 'current' end as standing,
        case
            when is_replaced then null
            when is_standing then 'in service'
            when is_counted and is_rated then 'counts and rate'
            when is_counted then 'counts'
            else 'rate'
        end as counts_in,
        case when is_rated and inspection_type <> 'initial' then if($by_criterion, removed_on_criterion, removed) end
            as removed_at_risk,
        concat_ws(' ',
            flagged,
            'Corrected in ' || corrected_in || '.',
            case when is_replaced then 'Superseded by ' || later.file || '.' end
        ) as detail
    from judged
    left join loads using (file_sha256)
    left join loads as later on later.load_id = judged.superseded_by
    where is_counted or is_rated or is_standing or is_replaced
),
parts as (                -- one row: a further record of such a line
    select behind.file_sha256, part.row, behind.file, 'part of row ' || behind.row as standing
    from gathered_rows as part
    join behind on behind.file_sha256 = part.file_sha256 and behind.row = part.line_row
),
perhaps as (              -- one row: a row in quarantine that nothing that can be read of it keeps from the figure
    select kept.* exclude (gear_family),
        (client is null and $client is not null) or (site is null and $site is not null)
            or (environment is null and $environment is not null) or (item_class is null and $item_classes is not null)
            or (inspected_on is null and coalesce($month, $after::varchar) is not null) as is_partly_read
    from quarantined_lines as kept
    where coalesce(client = $client, true) and coalesce(site = $site, true) and coalesce(environment = $environment, true)
        and coalesce(list_contains($item_classes::varchar[], item_class), true)
        and coalesce(supplier = $supplier, $supplier is null or $supplier = 'not stated')
        and coalesce(inspector = $inspector, $inspector is null or $inspector = 'not stated')
        and coalesce(strftime(inspected_on, '%Y-%m') = $month, true)
        and coalesce(inspected_on > $after, true) and coalesce(inspected_on <= $until, true)
        and coalesce(inspected_on <= $as_of, true)
        and coalesce(gear_family = (select gear_family from counted_gear), true)
        and coalesce(list_contains(list_concat($counted, $rated), inspection_type), true)
        and (not $by_criterion or coalesce(list_contains(string_split(criteria, '; '), $criterion), true))
        -- One thing beside the client that says that it belongs there, or else the client where no more was asked.
        and coalesce(
            site = $site, environment = $environment, list_contains($item_classes::varchar[], item_class),
            supplier = $supplier, inspector = $inspector, strftime(inspected_on, '%Y-%m') = $month,
            list_contains(string_split(criteria, '; '), $criterion),
            coalesce($site, $environment, $supplier, $inspector, $month, $criterion, $item_classes::varchar) is null
                and coalesce(client = $client, false),
            false
        )
),
found as (
    select file_sha256, file, row, standing, counts_in, inspected_on, inspection_type, client, site, environment, item_class,
        serial, quantity, removed, replaced, not_presented, reasons,
        if($by_criterion and counts_in like 'counts%', removed_on_criterion, null) as removed_on_criterion,
        if($by_criterion and counts_in like 'counts%', mentions, null) as mentions,
        removed_at_risk, previous_on, closed_on, inspector, supplier, disposition, note, detail, null as raw
    from behind
    union all by name
    select * from parts
    union all by name
    select file_sha256, file, row,
        if(is_partly_read, 'in quarantine, perhaps of this figure', 'in quarantine') as standing,
        inspected_on, inspection_type, client, site, environment, item_class, serial, quantity, removed, replaced,
        not_presented, criteria as reasons, inspector, supplier, disposition, note, detail, raw
    from perhaps
)
select file, row, standing, counts_in, inspected_on, inspection_type, client, site, environment, item_class, serial,
    quantity, removed, replaced, not_presented, reasons, removed_on_criterion, mentions, removed_at_risk, previous_on,
    closed_on, inspector, supplier, disposition, note, nullif(detail, '') as detail, raw, file_sha256
from found
order by inspected_on nulls last, file, row
