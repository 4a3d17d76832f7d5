-- One row: a place the register does not know, added with the outer limit of the standard until a person says more.
create or replace table added_sites as
select distinct client, site, environment, 'normal' as service_class, 12 as current_interval_months
from staged_lines
where $add_sites and client is not null and site is not null and environment is not null
    and (client, site, environment) not in (select (client, site, environment) from site_register)
