-- Brings the tables of make_sums.sql up to the current lines: the groups whose lines are not those summed are summed anew.
create or replace temp table touched_groups as  -- one row: such a group, with the mark of its lines as they are now and a
-- number for its file
with marks as (           -- one row: a group with current lines. A line never changes, but it may be superseded
    select group_id, count(*) as lines, bit_xor(hash(hash(row, quantity))) as mark,
        min(inspected_on) as first_on, max(inspected_on) as last_on
    from counted_lines
    where superseded_by is null
    group by group_id
)
select group_id, marks.* exclude (group_id), inspection_type = 'frequent' as is_frequent,
    dense_rank() over (order by file_sha256) as file
from marks full join summed_groups as known using (group_id) join line_groups using (group_id)
where known.mark is distinct from marks.mark or known.lines is distinct from marks.lines;

delete from summed_groups where group_id in (select group_id from touched_groups);
delete from line_sums where group_id in (select group_id from touched_groups);
delete from month_sums where group_id in (select group_id from touched_groups);
delete from reason_sums where group_id in (select group_id from touched_groups);

insert into summed_groups select group_id, lines, mark, first_on, last_on from touched_groups where lines > 0;

insert into line_sums
select group_id, serial, inspected_on, inspector, supplier,
    count(*) as lines,
    count(*) filter (where quantity > 0) as counted,
    min(row) as first_line,
    sum(quantity)::bigint as quantity,
    sum(removed)::bigint as removed,
    sum(replaced)::bigint as replaced,
    sum(not_presented)::bigint as not_presented
from counted_lines join touched_groups using (group_id)
where superseded_by is null and (not is_frequent or removed > 0 or serial is not null)
group by group_id, serial, inspected_on, inspector, supplier;

insert into month_sums
select group_id, date_trunc('month', inspected_on)::date as month,
    case when removed > 0 then disposition end as disposition,
    sum(quantity)::bigint as quantity,
    sum(removed)::bigint as removed
from counted_lines join touched_groups using (group_id)
where superseded_by is null
group by all;

insert into reason_sums
with files as (           -- one row: a file with a touched group
    select distinct file, file_sha256 from touched_groups join line_groups using (group_id)
),
reasons as (              -- one row: a removal reason of such a file
    select file, row, criterion, primary_removed, mentions from removal_reasons join files using (file_sha256)
),
lines as (                -- one row: a current line of a touched group
    select file, row, group_id, serial, inspected_on, removed
    from counted_lines join touched_groups using (group_id)
    where superseded_by is null
)
select group_id, serial, inspected_on, criterion, removed > 0 as is_of_removals,
    sum(primary_removed)::bigint as primary_removed, sum(mentions)::bigint as mentions
from lines join reasons using (file, row)
group by all;
