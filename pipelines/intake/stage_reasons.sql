-- One row: a removal criterion of a line. Every removed item of the line goes to one criterion as its primary one.
create or replace table staged_reasons as
with reasons as (        -- one row: a criterion of a line, several phrases for it added up
    select stated.row, stated.criterion,
        min(coalesce(stated.place, known.primary_rank)) as place,
        string_agg(stated.phrase, '; ' order by stated.place) as phrase,
        sum(stated.count) as counted, count(*) - count(stated.count) as uncounted
    from stated_reasons as stated join store.removal_criteria as known using (criterion)
    group by stated.row, stated.criterion
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
