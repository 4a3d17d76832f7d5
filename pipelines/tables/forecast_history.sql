-- One row: an item class at a place and a year of looks, counted back from $as_of: 0 is the last 12 months.
-- A look counts in the year of its day, with all that happened since the look before. First looks are left out: what
-- they find is a backlog.
select client, site, environment, item_class, kind.size_band, kind.pin,
    datediff('month', inspected_on, $as_of::date) // 12 as years_ago,
    sum(removed + removed_between)::bigint as removed,
    sum(shackle_years) as shackle_years
from exposures
join item_kinds as kind using (item_class)
where not is_first_look and shackle_years > 0
group by all
order by all
