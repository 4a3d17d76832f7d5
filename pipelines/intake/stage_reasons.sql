-- One row: a reason that somebody stated, with its rank; `known` is empty where the family of the item has no such criterion.
create or replace temp table ranked_reasons as
select stated.*, groups.gear_family, known.criterion as known, known.primary_rank
from stated_reasons as stated
join counted_lines using (row)
join groups using (group_id)
left join store.criteria_of_gear as known
    on known.gear_family = groups.gear_family and known.criterion = stated.criterion;

create or replace table foreign_criteria as  -- one row: a line with a reason that is not of its family
select distinct row as foreign_row from ranked_reasons where known is null and gear_family is not null;

-- One row: a removal criterion of a line. Every removed item of the line goes to one criterion as its primary one.
create or replace table staged_reasons as
with reasons as (        -- one row: a criterion of a line, several phrases for it added up
    select row, case when known is null and gear_family is not null then 'other doubt' else criterion end as criterion,
        min(coalesce(place, primary_rank)) as place,
        string_agg(phrase, '; ' order by place) as phrase,
        sum(count) as counted, count(*) - count(count) as uncounted
    from ranked_reasons
    group by all
),
removing as (            -- one row: a line with removals
    select row, removed from counted_lines where removed > 0
),
mentioned as (           -- the same rows with their mentions [items] and the removals of the line
    select reasons.*, coalesce(line.removed, 0) as removed,
        case when count(*) over (partition by row) = 1 and counted is null then greatest(coalesce(line.removed, 0), 1)
             else coalesce(counted, 0) + uncounted end as mentions
    from reasons left join removing as line using (row)
),
shared as (              -- the same rows; earlier ones of a line take its removals first
    select *, coalesce(sum(mentions) over (partition by row order by place, criterion
        rows between unbounded preceding and 1 preceding), 0) as taken
    from mentioned
),
written as materialized (
    select row, criterion, mentions::bigint as mentions,
        greatest(0, least(mentions, removed - taken))::bigint as primary_removed, phrase
    from shared
),
left_over as (           -- one row: a line with removals that no written reason accounts for
    select line.row, line.removed - coalesce(sum(written.primary_removed), 0) as items
    from removing as line left join written using (row)
    group by line.row, line.removed
),
together as (
    select * from written
    union all
    select row, 'not stated', items, items, null from left_over where items > 0
)
select row, criterion, sum(mentions)::bigint as mentions, sum(primary_removed)::bigint as primary_removed,
    string_agg(phrase, '; ') as phrase
from together group by row, criterion
