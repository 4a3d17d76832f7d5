-- One row: a tagged item whose receipt is on record, with the ages [years] between which it became rejectable:
-- age_fit, when it was last seen fit, and age_removed, empty while in service. $as_of: the last day counted.
with days as (            -- one row: an item and a day with lines of it
    select client, serial, inspected_on as day,
        bool_or(inspection_type = 'initial' and quantity > removed) as is_accepted,
        bool_or(inspection_type <> 'initial' and removed > 0) as is_removed
    from summed_lines
    where serial is not null and inspected_on <= $as_of
    group by client, serial, inspected_on
),
items as (                -- one row: an item accepted on receipt, and the day it went
    select client, serial,
        min(day) filter (where is_accepted) as entered_on,
        min(day) filter (where is_removed) as removed_on
    from days
    group by client, serial
    having entered_on is not null and entered_on = min(day)
)
select client, serial,
    max(day - entered_on) filter (where removed_on is null or day < removed_on) / 365.25 as age_fit,
    any_value(removed_on - entered_on) / 365.25 as age_removed
from items join days using (client, serial)
where removed_on is null or removed_on > entered_on
group by client, serial
order by client, serial
