-- The kinds of gear that rows are held against. Rules see the batch without an alias, so the columns here have names of their own.
create or replace table gear_kinds as       -- one row: a body and a pin of one family; '' where it has none, or none is told
select gear_family as kind_family, body as kind_body, pin as kind_pin from store.gear_kinds
union
select gear_family, body, '' from store.gear_kinds;

create or replace table pinned_families as  -- one row: a family whose items have a pin
select distinct gear_family as pinned_family from store.gear_kinds where pin <> '';
