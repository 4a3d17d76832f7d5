-- One row: a line with a reason or a removal; its wording is 0 where it states no reason.
create or replace temp table reasoned_lines as
select row, coalesce(wording, 0) as wording, gear_family, greatest(removed, 0) as removed
from counted_lines left join worded_rows using (row) join groups using (group_id)
where wording is not null or removed > 0;

-- One row: a case, lines alike in all that settles their reasons. Of a million lines there are some hundred.
create or replace temp table reason_cases as
select row_number() over () as case_id, *
from (select distinct wording, gear_family, removed from reasoned_lines);

-- One row: a reason that somebody stated in a case; `known` is empty where the family of the item has no such criterion.
create or replace temp table reasons_of_cases as
select case_id, stated.* exclude (wording), reason_cases.gear_family, known.criterion as known
from stated_reasons as stated
join reason_cases using (wording)
left join store.criteria_of_gear as known
    on known.gear_family = reason_cases.gear_family and known.criterion = stated.criterion;

-- One row: a removal criterion of a case. Every removed item of the case goes to one criterion as its primary one, the gravest,
-- in whatever order they were written down.
create or replace temp table settled_reasons as
with reasons as (        -- one row: a criterion of a case, several phrases for it added up
    select case_id, case when known is null and gear_family is not null then 'other doubt' else criterion end as criterion,
        string_agg(phrase, '; ' order by place) as phrase,
        sum(count) as counted, count(*) - count(count) as uncounted
    from reasons_of_cases
    group by all
),
mentioned as (           -- the same rows with their rank, their mentions [items] and the removals of the case
    select reasons.*, removed, primary_rank,
        case when count(*) over (partition by case_id) = 1 and counted is null then greatest(removed, 1)
             else coalesce(counted, 0) + uncounted end as mentions
    from reasons
    join reason_cases using (case_id)
    left join store.criteria_of_gear using (gear_family, criterion)
),
shared as (              -- the same rows; graver ones of a case take its removals first
    select *, coalesce(sum(mentions) over (partition by case_id order by primary_rank, criterion
        rows between unbounded preceding and 1 preceding), 0) as taken
    from mentioned
),
written as materialized (
    select case_id, criterion, mentions::bigint as mentions,
        greatest(0, least(mentions, removed - taken))::bigint as primary_removed, phrase
    from shared
),
left_over as (           -- one row: a case with removals that no written reason accounts for
    select case_id, removed - coalesce(sum(written.primary_removed), 0) as items
    from reason_cases left join written using (case_id)
    group by case_id, removed
),
together as (
    select * from written
    union all
    select case_id, 'not stated', items, items, null from left_over where items > 0
)
select case_id, criterion, sum(mentions)::bigint as mentions, sum(primary_removed)::bigint as primary_removed,
    string_agg(phrase, '; ') as phrase
from together group by case_id, criterion;

create or replace temp view cases_of_lines as  -- one row: a line with a reason or a removal
select row, case_id
from reasoned_lines as line
join reason_cases as alike
    on alike.wording = line.wording and alike.removed = line.removed
    and alike.gear_family is not distinct from line.gear_family;

create or replace table foreign_criteria as  -- one row: a line with a reason that is not of its family
select row as foreign_row from cases_of_lines
where case_id in (select case_id from reasons_of_cases where known is null and gear_family is not null);

create or replace table staged_reasons as    -- one row: a removal criterion of a line
select row, settled_reasons.* exclude (case_id) from cases_of_lines join settled_reasons using (case_id)
