-- One row: a gap between two days of looks at a place, beside the interval the place plans with now.
select distinct client, site, environment, previous_on, inspected_on,
    inspected_on - previous_on as gap_days,
    current_interval_months as interval_months
from exposures
join site_register using (client, site, environment)
where not is_first_look
order by all
