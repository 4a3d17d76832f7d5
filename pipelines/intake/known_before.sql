-- What rules hold a batch against. Rules see the batch without an alias, so the columns here have names of their own.
create or replace table site_register as select * from store.site_register;

create or replace table reference_loads as       -- one row: the rated load of a nominal size of one kind in one grade
select loads.gear_family as known_family, kind.kind_body as known_body, nominal_size_mm as known_size_mm,
    grade as known_grade, rated_load_t as known_load_t
from store.rated_loads as loads
join (select distinct kind_family, kind_body from gear_kinds) as kind
    on kind.kind_family = loads.gear_family and loads.body in ('', kind.kind_body);

create or replace table ungraded_groups as       -- one row: a wording without a grade, of items whose like at the same place have one
with graded as (                                 -- one row: a place, and what items with a grade there are apart from it
    select client, site, environment, gear_family, body, pin, nominal_size_mm, rated_load_t from groups
    where grade is not null
    union
    select client, site, environment, gear_family, body, pin, nominal_size_mm, rated_load_t from store.line_groups
    where grade is not null and source = (select source from given) and client in (select client from groups)
)
select group_id as ungraded_group from groups as bare
where grade is null and raw_grade is null and exists (
    select 1 from graded
    where (graded.client, graded.site, graded.environment, graded.gear_family, graded.body, graded.nominal_size_mm)
        = (bare.client, bare.site, bare.environment, bare.gear_family, bare.body, bare.nominal_size_mm)
        and graded.pin is not distinct from bare.pin and graded.rated_load_t is not distinct from bare.rated_load_t
);

create or replace table removed_items as         -- one row: a serialised item, the day it was removed, and the first later one on
with lines_before as (                           -- which a line with a disposition returned it to service, if one did
    select client, serial, inspected_on, inspection_type, source, removed from store.all_current_lines
    where client in (select client from groups) and serial is not null and (removed > 0 or disposition is not null)
),
looks_again as (                                 -- one row: a look of these that the batch tells anew, which is what counts
    select client, serial, inspected_on, inspection_type, source from staged_lines
    where serial is not null and quantity is not null and removed is not null
        and (client, serial) in (select (client, serial) from lines_before)
),
lines as (
    select client, serial, inspected_on, removed
    from lines_before anti join looks_again using (client, serial, inspected_on, inspection_type, source)
    union all by name
    select client, serial, inspected_on, removed from staged_lines
    where serial is not null and (removed > 0 or disposition is not null)
),
removals as (select * from lines where removed > 0),
returns as (select * from lines semi join removals using (client, serial) where removed = 0)
select removal.client as removed_client, removal.serial as removed_serial, min(removal.inspected_on) as removed_on,
    back.inspected_on as returned_on
from removals as removal
asof left join returns as back
    on back.client = removal.client and back.serial = removal.serial and back.inspected_on > removal.inspected_on
group by removal.client, removal.serial, back.inspected_on;

create or replace table respelt_rows as          -- one row: a line of the batch whose number was first written with other marks: A-3, A3
with spellings as (
    select *, regexp_replace(
            regexp_replace(lower(serial), '(\p{L})[ _./-]+(\d)', '\1\2', 'g'), '(\d)[ _./-]+(\p{L})', '\1\2', 'g'
        ) as unmarked
    from lines_alike
)
select row as respelt_row from spellings
qualify load_id is null
    and serial <> first_value(serial) over (partition by client, unmarked order by load_id nulls last, row);

create or replace table alternating_rows as      -- one row: the last line in the batch of a number that goes to and fro between sites
with looks as (                                  -- one row: such a number, a day and a site
    select client, serial, inspected_on, site, max(row) filter (where load_id is null) as row
    from lines_alike where is_current and site is not null group by all
),
moves as (
    select *, site <> lag(site) over (partition by client, serial order by inspected_on, site) as is_move from looks
)
select arg_max(row, inspected_on) as alternating_row from moves
group by client, serial having count(row) > 0 and count(*) filter (where is_move) >= 2 * count(distinct site) - 1 and min(site) <> max(site);

create or replace table shared_serials as        -- one row: a number that stands at several sites, and these
select client as shared_client, serial as shared_serial, string_agg(distinct site, ' and ' order by site) as shared_sites
from lines_alike where site is not null group by client, serial having min(site) <> max(site);

create or replace table items_seen_twice as      -- one row: a serialised item with several lines of one day and type
select client as twice_client, serial as twice_serial, inspected_on as twice_on, inspection_type as twice_type
from (
    select client, serial, inspected_on, inspection_type from staged_lines
    -- A row that cannot be read is refused for that, and is no ground to refuse the good one beside it.
    where quantity is not null and removed is not null and body is not null and nominal_size_mm is not null
        and (pin is not null or gear_family not in (select pinned_family from pinned_families))
    union all
    select client, serial, inspected_on, inspection_type from store.all_current_lines
    where file_sha256 = (select file_sha256 from given) -- of rows corrected later, their neighbours
)
where serial is not null and inspection_type <> 'frequent'
group by client, serial, inspected_on, inspection_type having count(*) > 1;

create or replace table reason_counts as         -- one row: a line, and the most items any one criterion is counted for
select row as counted_row, max(mentions) as most_mentions, bool_or(criterion <> 'not stated') as has_criterion
from staged_reasons group by row;

create or replace table usual_counts as          -- one row: a group, the middle count of its lines, the items of a look
select client as usual_client, site as usual_site, environment as usual_environment, item_class as usual_item_class,
    median(quantity) as usual_quantity, sum(quantity) / count(distinct inspected_on) as usual_look
from store.all_current_lines
where inspection_type = 'periodic' and quantity > 0 and serial is null and client in (select client from groups)
group by client, site, environment, item_class;
