-- One row: an item class of an environment of a site that has items in service. $as_of: the last day counted.
with missing as (         -- one row: a group at a place and how many of it nobody presented when they were last expected there
    select gap.group_id, site, environment, unaccounted_for
    from (
        select group_id, place_class, arg_max(unaccounted_for, inspected_on) as unaccounted_for
        from gaps
        group by group_id, place_class
    ) as gap
    join line_groups as there on there.group_id = gap.place_class
),
in_service as (           -- the groups that have items; one serial is one item, and a missing one does not fall due
    select groups.client, groups.site, groups.environment, groups.item_class, last_periodic_on, starts_on,
        coalesce(unaccounted_for, 0) as unaccounted_for,
        case when groups.serial is null then items else least(items, 1) - coalesce(unaccounted_for, 0) end as quantity
    from standing_groups as groups
    left join missing using (group_id, site, environment)
),
classes as (              -- one row: an item class at a place, by its group that falls due first
    select client, site, environment, item_class,
        min(starts_on) filter (where quantity > 0) as first_starts_on,
        case
            when min(last_periodic_on) filter (where quantity > 0) = first_starts_on then first_starts_on
        end as last_periodic_on,
        sum(quantity)::bigint as quantity,
        sum(unaccounted_for)::bigint as unaccounted_for
    from in_service
    group by client, site, environment, item_class
)
select client, site, environment, item_class, last_periodic_on,
    least(current_interval_months, legal_limit_months, site_rule_months) as interval_in_force_months,
    (first_starts_on + to_months(interval_in_force_months::integer))::date as due_on,
    ($as_of::date - due_on)::bigint as days_overdue,
    quantity, unaccounted_for
from classes join site_register using (client, site, environment)
order by client, site, environment, item_class
