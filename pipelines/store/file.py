"""Makes, opens and attaches the store's file."""

import os
import re
from pathlib import Path

import duckdb

from pipelines.contracts import load_contract, rated_loads, removal_criteria
from pipelines.faults import DataFault, RequestFault
from pipelines.scratch import scratch_folder
from pipelines.shipped import statement
from pipelines.units import TONNES_PER

SCHEMA_VERSION = 2
# No extension is fetched or loaded behind our back: each such try goes to the network.
SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
CONTRACT_TABLES = ("inspection_line", "removal_reason", "site_register", "stock_register", "quarantine")


def make_store(path: Path) -> None:
    """Make an empty store at `path`, whole or not at all; one that another run makes there meanwhile stays."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with scratch_folder(path.parent, f".{path.name}-") as aside:
        new = aside / path.name
        with duckdb.connect(str(new), config=SETTINGS) as con:
            con.begin()
            create_tables(con)
            con.commit()
        _move_without_replacing(new, path)


def remove_empty_store(path: Path) -> None:
    """Take a store away that nothing was loaded into; it stays where another run uses it or has loaded something."""
    try:
        with duckdb.connect(str(path), config=SETTINGS) as con:
            if con.execute("select count(*) from loads").fetchall() == [(0,)]:
                path.unlink()
    except duckdb.Error:
        return


def _move_without_replacing(new: Path, path: Path) -> None:
    try:
        os.link(new, path)
    except FileExistsError:
        return
    except OSError:  # a file system without links
        if not path.exists():
            new.rename(path)


def create_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Create the store's tables, views and coded lists in the database that `con` uses; all are empty but the lists."""
    con.execute(statement("pipelines.store", "schema.sql"))
    con.execute("insert into store_info values ($version, current_timestamp)", {"version": SCHEMA_VERSION})
    for name in CONTRACT_TABLES:
        contract = load_contract(name)
        con.execute(f"create table {contract.table} ({contract.columns_sql()})")
    con.execute("alter table inspection_lines add column load_id bigint")
    con.execute("alter table inspection_lines add column superseded_by bigint")
    con.execute("alter table quarantine add column corrected_by bigint")
    con.execute("create view current_lines as select * from inspection_lines where superseded_by is null")
    con.execute(
        "create view current_reasons as select reason.* from removal_reasons as reason"
        " semi join current_lines using (file_sha256, row)"
    )
    con.register("coded_criteria", removal_criteria())
    con.register("coded_loads", rated_loads())
    con.execute("insert into removal_criteria select criterion, tier, primary_rank from coded_criteria")
    con.execute(
        "insert into rated_loads select nominal_size_mm, grade, rated_load_short_tons * $tonnes from coded_loads",
        {"tonnes": TONNES_PER["short ton"]},
    )


def open_store(path: Path, read_only: bool = True) -> duckdb.DuckDBPyConnection:
    """Return a connection to the store at `path`.

    Raises RequestFault where there is no file, DataFault where it is not a store or another program holds it.
    """
    _refuse_missing(path)
    try:
        con = duckdb.connect(str(path), read_only=read_only, config=SETTINGS)
    except duckdb.Error as error:
        raise _store_fault(path, error) from error
    _refuse_foreign(con, path, "")
    return con


def attach_store(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Attach the store at `path` to `con` for writing, under the name `store`; raises as `open_store` does."""
    _refuse_missing(path)
    try:
        # DuckDB takes no parameter for a file name here; a quote in a path is doubled.
        con.execute(f"attach '{str(path).replace(chr(39), chr(39) * 2)}' as store (type duckdb)")
    except duckdb.Error as error:
        raise _store_fault(path, error) from error
    _refuse_foreign(con, path, "store.main.")


def _refuse_missing(path: Path) -> None:
    if not path.is_file():
        raise RequestFault(
            f"There is no store at {path}. Make one by loading a file: rigging-removals intake FILE --store {path}"
        )


def _refuse_foreign(con: duckdb.DuckDBPyConnection, path: Path, schema: str) -> None:
    try:
        found = con.execute(f"select schema_version from {schema}store_info").fetchone()
    except duckdb.CatalogException as error:
        raise DataFault(
            f"{path} is a DuckDB file but not a store of this tool. Check the path given with --store."
        ) from error
    if not found or found[0] != SCHEMA_VERSION:
        raise DataFault(
            f"{path} was made by another version of this tool (store schema {found and found[0]}, here {SCHEMA_VERSION})."
            " Load the exports again into a new store."
        )


def _store_fault(path: Path, error: duckdb.Error) -> DataFault:
    message = str(error)
    if "lock" in message.lower():
        holder = re.search(r"PID (\d+)", message)
        who = f"process {holder[1]}" if holder else "another program"
        return DataFault(
            f"{path} is in use by {who}. Close it there (an open notebook, another intake) and try again."
        )
    return DataFault(f"{path} is not a store: DuckDB cannot open it. Check the path given with --store.")
