-- One row: a site of the batch whose groups have earlier looks, with the items its periodic looks count and those that
-- the same groups had at an earlier look, added up likewise. Items with serial numbers come a few at a time: left out.
create or replace table site_counts as
with known_groups as (     -- one row: a wording of a group that has earlier looks
    select group_id, client, site, environment, item_class, usual_look
    from groups join usual_counts on usual_client = client and usual_site = site
        and usual_environment = environment and usual_item_class = item_class
    where inspection_type = 'periodic'
),
looks as (                 -- one row: a look at a group, with its items
    select client, site, usual_look, sum(quantity) as items
    from counted_lines join known_groups using (group_id) anti join quarantined_rows using (row)
    where serial is null and quantity > 0
    group by client, site, environment, item_class, usual_look, inspected_on
)
select client as counted_client, site as counted_site, count(*) as looks, sum(items)::bigint as counted,
    round(sum(usual_look))::bigint as usual
from looks group by client, site
