-- One row: the ages [years] between which tagged items whose receipt is on record became rejectable, and how many of them:
-- age_fit, when they were last seen fit, and age_removed, empty while in service.
with tags as (            -- one row: a group of an item with a serial, which has several where lines give it several classes
    select group_id, min(group_id) over (partition by client, serial) as item from item_groups where serial is not null
),
items as (                -- one row: an item accepted on receipt, and the day it went
    select item,
        min(day) filter (where accepted > 0) as entered_on,
        min(day) filter (where removed + removed_frequent > 0) as removed_on
    from tags join gap_days using (group_id)
    group by item
    having entered_on = min(day)
),
ages as (                 -- the same rows but for items removed on the day of their receipt
    select item,
        max(day - entered_on) filter (where removed_on is null or day < removed_on) / 365.25 as age_fit,
        any_value(removed_on - entered_on) / 365.25 as age_removed
    from items join tags using (item) join gap_days using (group_id)
    where removed_on is null or removed_on > entered_on
    group by item
)
select age_fit, age_removed, count(*) as items
from ages
group by age_fit, age_removed
order by age_fit, age_removed
