-- One row: a name that a table or view may be called by, as the list of its parts in lower case.
with named as (  -- one row: a table or view that is not part of DuckDB
    select lower(database_name) as base, lower(schema_name) as room, lower(table_name) as name
    from duckdb_tables() where not internal
    union all
    select lower(database_name), lower(schema_name), lower(view_name) from duckdb_views() where not internal
)
select unnest([[name], [room, name], [base, name], [base, room, name]]) as names
from named
