"""Holds the query of a rule to reading: one select, from tables that are there, by functions that leave no trace.

A contract is a file that may come from elsewhere, and its queries run where the store can be written and the files of
the machine can be read. DuckDB takes the query apart; what it may consist of is listed here, and all else is refused.
"""

import json
from collections.abc import Iterator
from functools import cache
from typing import Any

import duckdb

from pipelines.shipped import statement

# As DuckDB names the parts of a query that are no expressions. A part that writes, such as an insert in a
# `with`, is not among them, nor is one that describes the database.
PARTS = {
    "SELECT_NODE", "SET_OPERATION_NODE", "CTE_NODE", "RECURSIVE_CTE_NODE",
    "BASE_TABLE", "SUBQUERY", "JOIN", "EMPTY", "EXPRESSION_LIST", "TABLE_FUNCTION",
    "ORDER_MODIFIER", "LIMIT_MODIFIER", "DISTINCT_MODIFIER", "ASCENDING", "DESCENDING", "ORDER_DEFAULT",
}  # fmt: skip
ROWS_FROM_NOTHING = frozenset({("range",), ("generate_series",), ("unnest",)})


def more_than_reading(con: duckdb.DuckDBPyConnection, query: str) -> str:
    """Return what a query does beside reading tables of `con`, as the end of a sentence, or nothing where it only reads.

    Nothing of the query is run.

    Examples
    --------
    >>> con = duckdb.connect()
    >>> more_than_reading(con, "select 1; select 2")
    'is more than one statement'
    """
    try:
        kinds = [stated.type for stated in con.extract_statements(query)]
    except duckdb.ParserException as error:
        # Not left to fail when it is run: between the brackets that are put around it then, it may become readable.
        return f"cannot be read ({str(error).splitlines()[0]})"
    if len(kinds) != 1:
        return "is more than one statement" if kinds else "is empty"
    if kinds[0] != duckdb.StatementType.SELECT:
        return f"is a statement of the kind {kinds[0].name} and not a select"
    ((told,),) = con.execute("select json_serialize_sql($query::varchar)", {"query": query}).fetchall()
    tree = json.loads(told)
    if tree["error"]:
        return f"cannot be read ({tree['error_message']})"
    parts = list(_parts(tree))
    steps = {entry["key"].lower() for part in parts for entry in part.get("cte_map", {}).get("map", ())}
    # A table that is not there is looked for as a file, and no file is looked for under a name without an ending.
    names = _table_names(con) | {(name,) for name in steps if name.isidentifier()}
    return next(filter(None, (_beside_reading(part, names) for part in parts)), "")


def _beside_reading(part: dict[str, Any], tables: set[tuple[str, ...]]) -> str:
    kind = part.get("type")
    if "class" not in part and isinstance(kind, str) and kind not in PARTS:
        return f"holds a part that is more than reading ({kind.lower().replace('_', ' ')})"
    if kind == "BASE_TABLE" and (path := _path(part)) not in tables:
        return f'reads "{".".join(path)}", which is no table of the batch or the store'
    if kind == "TABLE_FUNCTION":
        function = _path(part["function"]) if "qualified_name" in part["function"] else ("a function",)
        return "" if function in ROWS_FROM_NOTHING else f"takes rows from {'.'.join(function)}()"
    if "function_name" in part and (function := _path(part)) not in _reading_functions():
        return f"calls {'.'.join(function)}()"
    return ""


def _path(part: dict[str, Any]) -> tuple[str, ...]:
    return tuple(name.lower() for name in part["qualified_name"]["path"])


def _parts(tree: Any) -> Iterator[dict[str, Any]]:
    if isinstance(tree, dict):
        yield tree
    for branch in tree.values() if isinstance(tree, dict) else tree:
        if isinstance(branch, dict | list):
            yield from _parts(branch)


def _table_names(con: duckdb.DuckDBPyConnection) -> set[tuple[str, ...]]:
    found = con.execute(statement("pipelines.contracts", "table_names.sql")).fetchall()
    return {tuple(names) for (names,) in found}


@cache
def _reading_functions() -> frozenset[tuple[str, ...]]:
    with duckdb.connect() as con:
        found = con.execute(statement("pipelines.contracts", "reading_functions.sql")).fetchall()
    return ROWS_FROM_NOTHING | set(found)
