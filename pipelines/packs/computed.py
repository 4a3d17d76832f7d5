"""A store with the tables that a report needs: of its month, and resting on no more of others than its reader may know."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules, family_called
from pipelines.exposure import WORKING_TABLES
from pipelines.faults import RequestFault
from pipelines.models.benchmark.disclosure import thin_environments
from pipelines.scratch import scratch_folder
from pipelines.store import open_store
from pipelines.store.file import attach_to_read, copied_store, quiet_connection
from pipelines.tables import TABLES, compute_tables, count_gear, is_computed_for, read_table, refuse_unknown

# The tables of all clients that a client's view of its peers is made from, kept in a schema of their own beside tables
# that rest on less.
PEERED = ("site_benchmark", "site_benchmark_parts", "interval_recommendations")


@contextmanager
def computed_store(store: Path, period: str, client: str, gear: str = "") -> Iterator[Path]:
    """Yield the path of a store with the tables of a month as a client may see them: the store itself where it has them.

    Parameters
    ----------
    store : Path
        The store's file; it is only read.
    period : str
        Month of the tables, YYYY-MM; '' for the month of the store's own.
    client : str
        Who reads the report; '' for the consultant, who may see everything.
    gear : str
        Gear family that the tables are of; '' for that of the store's own.

    Raises
    ------
    RequestFault
        There is no such store, month, gear family or client, or no line of that family.

    Notes
    -----
    Rates, intervals and forecasts borrow from all places of an environment. A client's rest on its own looks, and on
    those of others only in environments where `has_enough_peers` of them stand together: elsewhere a rate borrowed
    would give away whom it came from. A copy is made then, with the tables computed again, and taken away afterwards.
    """
    with closing(open_store(store)) as con:
        (own,) = con.execute("select gear_family from counted_gear").fetchall()[0]
        family = family_called(gear).name if gear else own
        _refuse_unknown_client(con, client, family, is_usual=family == own)
        is_computed = is_computed_for(con, period) and family == own
        if is_computed and not _thin_environments(con, client):
            # Held open while it is read, so that nothing is loaded between one page of a pack and the next.
            yield store.resolve()
            return
    with scratch_folder() as scratch:
        copy = scratch / "computed.duckdb"
        with closing(copied_store(store, copy)) as con:
            if not is_computed:
                count_gear(con, family)
                compute_tables(con, period or None)
            if thin := _thin_environments(con, client):
                _leave_out(con, client, thin)
        yield copy


def look_back(store: Path) -> duckdb.DuckDBPyConnection:
    """Return a connection in memory that sees the lines and registers of a store but none of its result tables."""
    con = quiet_connection()
    attach_to_read(con, store, "kept")
    for name in _tables_of_kept(con):
        if name not in (*TABLES, *WORKING_TABLES, "table_state"):
            con.execute(f"create view {name} as from kept.{name}")
    return con


def of_everybody(con: duckdb.DuckDBPyConnection, name: str) -> pd.DataFrame:
    """Return one of the tables `PEERED` with the rows of all clients, as it is when nothing is left out."""
    if _is_reduced(con):
        con.execute("use everybody")
        try:
            return read_table(con, name)
        finally:
            con.execute("use main")
    return read_table(con, name)


def _refuse_unknown_client(con: duckdb.DuckDBPyConnection, client: str, family: str, is_usual: bool) -> None:
    owners = con.execute("select distinct gear_family, client from all_current_lines order by all").fetchall()
    refuse_unknown(((owner, None) for _, owner in owners), client, "")
    there = sorted({gear for gear, owner in owners if client in ("", owner)})
    if there and family not in there and (client or not is_usual):
        whose = f' of the client "{client}"' if client else ""
        raise RequestFault(
            f"No line of {family}{whose} is loaded. Gear with lines{whose}: {', '.join(there)}. Ask for it with --gear."
        )


def _thin_environments(con: duckdb.DuckDBPyConnection, client: str) -> list[str]:
    """Return the environments in which other clients have places, but too few to stand behind a figure together."""
    if not client or _is_reduced(con):
        return []
    places = read_table(con, "interval_recommendations")
    return thin_environments(
        places[(places["client"] != client) & (places["shackle_years"] > 0)], benchmark_rules()
    )


def _leave_out(con: duckdb.DuckDBPyConnection, client: str, environments: list[str]) -> None:
    """Compute the tables again without the lines of others in these environments, and keep what was computed with them."""
    (month,) = con.execute("select period from table_state").fetchall()[0]
    con.execute("create schema everybody")
    for name in PEERED:
        con.execute(f"create table everybody.{name} as from {name}")
    # Lines leave the view of current lines and stay in the store, which tells by them whose a file is.
    con.execute(
        "update counted_lines set superseded_by = 0 where superseded_by is null and group_id in (select group_id"
        " from line_groups where client <> $client and environment in (select unnest($environments)))",
        {"client": client, "environments": environments},
    )
    compute_tables(con, month)


def _is_reduced(con: duckdb.DuckDBPyConnection) -> bool:
    return bool(con.execute("select 1 from duckdb_schemas() where schema_name = 'everybody'").fetchall())


def _tables_of_kept(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the tables and views of the attached database `kept`."""
    found = con.execute(
        "select table_name from information_schema.tables where table_catalog = 'kept' and table_schema = 'main'"
        " order by table_name"
    )
    return [name for (name,) in found.fetchall()]
