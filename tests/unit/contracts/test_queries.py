import re

import duckdb
import pytest

from pipelines.contracts import contract_names, load_contract
from pipelines.contracts.queries import ROWS_FROM_NOTHING, more_than_reading


@pytest.fixture(scope="module")
def con():
    with duckdb.connect() as con:
        con.execute("create table batch as select 1 as row, 'a' as site; create sequence numbers")
        con.execute("attach ':memory:' as store; create table store.loads (load_id bigint)")
        con.execute("create view line_rows as select * from batch")
        con.execute("create macro store.lower(x) as (select content from read_text(x))")
        yield con


@pytest.mark.parametrize(
    "query",
    [
        "select row from batch where site like 'a%' and row in (select load_id from store.main.loads)",
        "select row from batch, store.loads where lower(site) = 'b' or row > current_date - date '2026-01-01' union all (select 2)",
        "with seen as (select max(row) as row from line_rows) select row from seen where row in (from seen)",
        "with recursive r(n) as (select 1 union all select n + 1 from r where n < 9) select n from r order by n limit 3",
        "select row, row_number() over (order by site desc) from main.batch, unnest([1]), range(3), (values (1)) as one(x)",
        "select count(*) filter (row > 1), list_transform([1], lambda x: x), any_value(site) ~ 'b', max(row)::varchar, {'a': 1}, [1][1] from batch",
    ],
)
def test_a_query_that_only_reads_may_be_run(con, query):
    assert more_than_reading(con, query) == ""
    con.execute(query)


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("select 1; drop table batch", "is more than one statement"),
        ("-- nothing", "is empty"),
        ("insert into batch values (2, 'b')", "is a statement of the kind INSERT and not a select"),
        ("update batch set row = 2", "is a statement of the kind UPDATE and not a select"),
        ("delete from batch", "is a statement of the kind DELETE and not a select"),
        ("drop table batch", "is a statement of the kind DROP and not a select"),
        ("create table new as select 1", "is a statement of the kind CREATE and not a select"),
        ("alter table batch drop column row", "is a statement of the kind ALTER and not a select"),
        ("copy batch to 'out.csv'", "is a statement of the kind COPY and not a select"),
        ("copy (select 1) to 'out.csv'", "is a statement of the kind COPY and not a select"),
        ("export database 'out'", "is a statement of the kind EXPORT and not a select"),
        ("attach 'other.duckdb'", "is a statement of the kind ATTACH and not a select"),
        ("detach store", "is a statement of the kind DETACH and not a select"),
        ("install httpfs", "is a statement of the kind LOAD and not a select"),
        ("load httpfs", "is a statement of the kind LOAD and not a select"),
        ("set threads = 1", "is a statement of the kind SET and not a select"),
        ("reset threads", "is a statement of the kind SET and not a select"),
        ("pragma threads = 1", "is a statement of the kind SET and not a select"),
        ("call enable_logging()", "is a statement of the kind CALL and not a select"),
        ("checkpoint", "is a statement of the kind CALL and not a select"),
        ("begin", "is a statement of the kind TRANSACTION and not a select"),
        ("prepare p as select 1", "is a statement of the kind PREPARE and not a select"),
        ("explain analyze select 1", "is a statement of the kind EXPLAIN and not a select"),
        ("merge into batch using batch as b on true when matched then delete", "is a statement of the kind MERGE_INTO and not a select"),
        ("with w as (insert into batch values (2, 'b') returning row) select row from w", "holds a part that is more than reading (insert query node)"),
        ("with w as (update batch set row = 2 returning row) select row from w", "holds a part that is more than reading (update query node)"),
        ("with w as (delete from batch returning row) select row from w", "holds a part that is more than reading (delete query node)"),
        ("from (show all tables)", "holds a part that is more than reading (show ref)"),
        # Readable only between the brackets that are put around it.
        ("select 1) as broken(row); drop table batch; select * from (select 1", 'cannot be read (Parser Error: syntax error at or near ")")'),
        ("select row from 'other.csv'", 'reads "other.csv", which is no table of the batch or the store'),
        ("select row from other.csv", 'reads "other.csv", which is no table of the batch or the store'),
        ("select row from batch, 'https://example.invalid/a.parquet'", 'reads "https://example.invalid/a.parquet", which is no table of the batch or the store'),
        # The step of that name is not seen from where the file is read.
        ('with "other.csv" as (select row from "other.csv") select row from "other.csv"', 'reads "other.csv", which is no table of the batch or the store'),
        ("select row from batch where exists (from duckdb_settings)", 'reads "duckdb_settings", which is no table of the batch or the store'),
        ("select row from read_csv('other.csv')", "takes rows from read_csv()"),
        ("select (select content from read_text('/etc/hostname')) from batch", "takes rows from read_text()"),
        ("select row from batch order by (select count(*) from glob('*'))", "takes rows from glob()"),
        ("select row from batch limit (select count(*) from glob('*'))", "takes rows from glob()"),
        ("select sum(row) over (rows (select count(*) from glob('*')) preceding) from batch", "takes rows from glob()"),
        ("from batch, lateral (from read_blob(site))", "takes rows from read_blob()"),
        ("select 1 union all (select 2 from query('drop table batch'))", "takes rows from query()"),
        ("from query_table('other.csv')", "takes rows from query_table()"),
        ("select nextval('numbers')", "calls nextval()"),
        ("select store.lower('/etc/hostname')", "calls store.lower()"),
        ("select pg_sleep(60)", "calls pg_sleep()"),
        ("select json_serialize_plan('from glob(''*'')')", "calls json_serialize_plan()"),
    ],
)  # fmt: skip
def test_a_query_that_does_more_is_named_by_what_it_does(con, query, found):
    assert more_than_reading(con, query) == found


def test_every_function_of_duckdb_that_gives_rows_or_leaves_a_trace_is_refused(con):
    # By DuckDB's own list, so that one which comes with a later version is refused as well.
    rows = con.execute(
        "select distinct function_name from duckdb_functions() where function_type in ('table', 'table_macro')"
    ).fetchall()
    lasting = con.execute("select distinct function_name from duckdb_functions() where has_side_effects")
    assert len(rows) > 80
    assert {("range",), ("generate_series",), ("unnest",)} == ROWS_FROM_NOTHING
    for (name,) in set(rows) - ROWS_FROM_NOTHING:
        assert more_than_reading(con, f'from "{name}"()') == f"takes rows from {name}()"
    # Of those names some are of functions for one value too, such as one that works on a list.
    values = con.execute(
        "select distinct function_name from duckdb_functions() where function_type not like 'table%'"
    )
    for (name,) in set(rows) - ROWS_FROM_NOTHING - set(values.fetchall()):
        assert more_than_reading(con, f'select "{name}"()') == f"calls {name}()"
    for (name,) in lasting.fetchall():
        assert more_than_reading(con, f'select "{name}"()') == f"calls {name}()"


def test_nothing_of_a_query_is_run_to_find_out(con, tmp_path):
    for query in (
        f"copy batch to '{tmp_path / 'out.csv'}'",
        f"attach '{tmp_path / 'new.duckdb'}'",
        "with gone as (delete from batch returning row) select row from gone",
        "select nextval('numbers')",
    ):
        assert more_than_reading(con, query)
    assert list(tmp_path.iterdir()) == []
    assert con.execute("select count(*), nextval('numbers') from batch group by all").fetchall() == [(1, 1)]


def test_the_contracts_here_only_read():
    # The tests of intake run them where all their tables are; without those, a table is all they may be stopped by.
    stated = [
        rule.implementation["kwargs"]["unexpected_rows_query"].format(batch="batch")
        for name in contract_names()
        for rule in load_contract(name).rules
        if "unexpected_rows_query" in rule.implementation["kwargs"]
    ]
    with duckdb.connect() as con:
        found = {more_than_reading(con, query) for query in stated}
    assert len(stated) > 25
    assert {what for what in found if not re.match(r'reads "\w+", which is no table', what)} == set()
