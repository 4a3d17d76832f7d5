"""Checks a whole store: that its tables are as the contracts describe them, and that every row is accounted for."""

import duckdb

from pipelines.contracts import load_contract
from pipelines.shipped import statement
from pipelines.store.file import CONTRACT_TABLES


def unreadable_tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the tables of the open store that cannot be read to the last cell, in words."""
    found = []
    for (name,) in con.execute("select table_name from duckdb_tables() order by table_name").fetchall():
        try:
            con.execute(f'select bit_xor(hash(every)) from "{name}" as every').fetchall()
        except duckdb.Error as error:
            found.append(f"{name} cannot be read: {str(error).splitlines()[0]}")
    return found


def disagreements(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return what does not add up in the open store, in words; nothing where it is whole."""
    return wrong_shapes(con) or [
        what for (what,) in con.execute(statement("pipelines.store", "disagreements.sql")).fetchall()
    ]


def wrong_shapes(
    con: duckdb.DuckDBPyConnection, names: tuple[str, ...] = ("inspection_line", *CONTRACT_TABLES)
) -> list[str]:
    """Return the columns of these contracts that the open store lacks or has in another type, in words."""
    there = dict(
        con.execute(
            "select (table_name, column_name), data_type from duckdb_columns() where schema_name = 'main'"
        ).fetchall()
    )
    found = []
    for contract in map(load_contract, names):
        wanted = dict(
            con.execute(
                "select column_name, column_type from (describe select"
                f" {', '.join(f'null::{column.physical_type} as {column.name}' for column in contract.columns)})"
            ).fetchall()
        )
        for column, kind in wanted.items():
            if (has := there.get((contract.table, column))) != kind:
                found.append(f"{contract.table}.{column} should be {kind} and is {has or 'not there'}")
    return found
