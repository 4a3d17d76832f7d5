-- One row: a function, in lower case, that only works out a value.
with lasting as (  -- one row: a function that writes, waits or answers by chance, or looks at what another query names
    select distinct function_name as name from duckdb_functions()
    where has_side_effects or function_name = 'json_serialize_plan'
)
select distinct lower(function_name) as function_name
from duckdb_functions() as stated
where internal and function_type in ('scalar', 'aggregate', 'window', 'macro') and not exists (
    select 1 from lasting
    where lasting.name = stated.function_name or contains(replace(stated.macro_definition, '"', ''), lasting.name || '(')
)
