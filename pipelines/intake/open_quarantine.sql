-- One row: a row in quarantine that nobody has corrected, with its first broken rule in words.
-- $unreadable: what the rule that no contract has asks for.
with described as (      -- one row: a rule, as the contract says it
    select rule, any_value(description) as description from rule_results group by rule
)
select quarantine.file, quarantine.row, quarantine.rule,
    coalesce(described.description, $unreadable) as description,
    quarantine.detail, quarantine.raw, quarantine.file_sha256, loads.source
from quarantine
join loads using (file_sha256)
left join described using (rule)
where quarantine.corrected_by is null
order by loads.load_id, quarantine.row
