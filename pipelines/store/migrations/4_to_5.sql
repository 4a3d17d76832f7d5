-- Removed items go to the gravest criterion of their line, whatever the order the reasons were written in; before, that of a
-- reasons text decided.
update removal_reasons as reason
set primary_removed = graded.primary_removed
from (
    select file_sha256, row, criterion,
        greatest(0, least(mentions, removed - coalesce(sum(mentions) over (
            partition by file_sha256, row order by primary_rank, criterion
            rows between unbounded preceding and 1 preceding), 0))) as primary_removed
    from removal_reasons
    join inspection_lines using (file_sha256, row)
    left join criteria_of_gear using (gear_family, criterion)
) as graded
where graded.file_sha256 = reason.file_sha256 and graded.row = reason.row and graded.criterion = reason.criterion
    and graded.primary_removed <> reason.primary_removed;
drop table if exists summed_groups;  -- so that the lines and their reasons are summed up anew
