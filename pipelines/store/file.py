"""Makes, opens, attaches and copies a store, a file or an exported folder, and brings a file of an earlier version up to date."""

import errno
import logging
import os
import re
from collections.abc import Callable
from contextlib import closing, suppress
from itertools import count
from pathlib import Path
from secrets import token_hex
from time import monotonic, sleep
from typing import TypeVar

import duckdb

from pipelines.contracts import gear_kinds, load_contract, rated_loads, removal_criteria, usual_family
from pipelines.faults import DataFault, HeldFault, RequestFault
from pipelines.scratch import scratch_folder
from pipelines.shipped import statement
from pipelines.store.folder import is_folder_of_tables, quoted, read_folder
from pipelines.terminal import as_typed
from pipelines.units import TONNES_PER

SCHEMA_VERSION = 6
MOST_MEMORY = "3GB"  # of one connection
# No extension is fetched or loaded behind our back: each such try goes to the network.
SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
MAGIC = b"DUCK"  # from the ninth byte of a DuckDB file on
LONGEST_WAIT_SECONDS = 30.0
BETWEEN_TRIES_SECONDS = 0.2
LOG = logging.getLogger(__name__)  # says on stderr what a user should know beside the result
Result = TypeVar("Result")
CONTRACT_TABLES = ("removal_reason", "site_register", "stock_register", "quarantine")
# What was looked at and where, by which file: few wordings however many lines, so that each is kept once.
GROUP_COLUMNS = (
    "file_sha256", "source", "client", "site", "environment", "gear_family", "body", "pin", "nominal_size_mm",
    "rated_load_t", "grade", "item_class", "inspection_type",
)  # fmt: skip


def within_memory(folder: Path) -> dict[str, str]:
    """Return the limits of a connection that takes no more memory than a laptop has to spare; the rest goes to `folder`."""
    return {"memory_limit": MOST_MEMORY, "temp_directory": str(folder / "spilled")}


def quiet_connection(
    path: Path | str = ":memory:", read_only: bool = False, limits: dict[str, str] | None = None
) -> duckdb.DuckDBPyConnection:
    """Return a connection that fetches nothing from a network and draws no progress bar, which would go to stdout.

    Parameters
    ----------
    path : Path or str
        The database's file, made where there is none and it may be written; ':memory:' for one in memory.
    read_only : bool
        Whether the database is only read.
    limits : dict of str
        Further settings of DuckDB, such as those of `within_memory`; None for none.
    """
    con = duckdb.connect(str(path), read_only=read_only, config={**SETTINGS, **(limits or {})})
    with suppress(duckdb.InvalidInputException):  # in a notebook's kernel, which draws none
        con.execute("set enable_progress_bar = false")
    return con


def make_store(path: Path) -> None:
    """Make an empty store at `path`, whole or not at all; one that another run makes there meanwhile stays."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with scratch_folder(path.parent, f".{path.name}-") as aside:
        new = aside / path.name
        with quiet_connection(new) as con:
            con.begin()
            create_tables(con)
            con.commit()
        with suppress(FileExistsError):
            give_name(new, path)


def remove_empty_store(path: Path) -> None:
    """Take a store away that nothing was loaded into; it stays where another run uses it or has loaded something."""
    try:
        with quiet_connection(path) as con:
            if con.execute("select count(*) from loads").fetchall() == [(0,)]:
                path.unlink()
    except duckdb.Error:
        return


def give_name(file: Path, path: Path) -> None:
    """Give a file the name `path` too, or instead where the file system knows no second names; replaces nothing.

    Raises FileExistsError where there is a file of that name.
    """
    try:
        os.link(file, path)
    except FileExistsError:
        raise
    except OSError:
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        file.rename(path)


def create_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Create the store's tables, views and coded lists in the database that `con` uses; all are empty but the lists."""
    con.execute(statement("pipelines.store", "schema.sql"))
    con.execute(
        "insert into store_info values ($version, timezone('UTC', now()))", {"version": SCHEMA_VERSION}
    )
    for name in CONTRACT_TABLES:
        contract = load_contract(name)
        con.execute(f"create table {contract.table} ({contract.columns_sql()})")
    _create_lines(con)
    create_views(con)
    con.execute("alter table quarantine add column corrected_by bigint")
    con.execute("insert into counted_gear values ($family)", {"family": usual_family().name})
    fill_code_lists(con)


def fill_code_lists(con: duckdb.DuckDBPyConnection, database: str = "") -> None:
    """Bring the coded lists of a store to those of data_contracts/: a later one may have a criterion or a family more."""
    owner = f"{database}." if database else ""
    lists = {
        "gear_kinds": (gear_kinds(), "gear_family, body, pin"),
        "criteria_of_gear": (removal_criteria(), "gear_family, criterion, tier, primary_rank"),
        "rated_loads": (
            rated_loads(),
            f"gear_family, body, nominal_size_mm, grade, rated_load_short_tons * {TONNES_PER['short ton']}",
        ),
    }
    for name, (coded, columns) in lists.items():
        con.register("coded", coded)
        new, old = f"select {columns} from coded", f"from {owner}{name}"
        if con.execute(f"({new} except all {old}) union all ({old} except all {new})").fetchall():
            con.execute(f"delete {old}")
            con.execute(f"insert into {owner}{name} {new}")
            mark_tables_as_old(con, database)
        con.unregister("coded")


def create_views(con: duckdb.DuckDBPyConnection) -> None:
    """Create the views by which readers know the lines, from the tables that the database `con` uses has them in."""
    # A line as it was loaded: its own columns beside those of its group.
    columns = ", ".join(load_contract("inspection_line").column_names)
    con.execute(
        f"create view inspection_lines as select {columns}, load_id, superseded_by"
        " from counted_lines join line_groups using (group_id)"
    )
    con.execute(statement("pipelines.store", "current_lines.sql"))


def _create_lines(con: duckdb.DuckDBPyConnection) -> None:
    """Create the tables of the lines: what was looked at and where is kept once for each wording."""
    contract = load_contract("inspection_line")
    own = [name for name in contract.column_names if name not in GROUP_COLUMNS]
    con.execute(f"create table line_groups (group_id bigint, {contract.columns_sql(leave_out=own)})")
    con.execute(
        f"create table counted_lines (group_id bigint, {contract.columns_sql(leave_out=GROUP_COLUMNS)},"
        " load_id bigint, superseded_by bigint)"
    )


def open_store(path: Path, read_only: bool = True) -> duckdb.DuckDBPyConnection:
    """Return a connection to the store at `path`, waiting a while for another process that holds it.

    A store of an earlier version is brought up to date where it is opened for writing. Raises RequestFault where there
    is no file, DataFault where it is not a store that can be read here or another program holds it for too long.
    """
    con = connected(path, read_only)
    version = version_of(con, path)
    if version < SCHEMA_VERSION:
        con.close()
        if read_only:
            raise _old_store(path, version)
        bring_up_to_date(path)
        con = connected(path, read_only)
    return con


def attach_store(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Attach the store at `path` to `con` for writing, under the name `store`; waits and raises as `open_store` does."""
    _refuse_missing(path)
    if is_folder_of_tables(path):
        raise _folder_to_write(path)
    _attach(con, path)
    if version_of(con, path, "store.main.") < SCHEMA_VERSION:
        con.execute("detach store")
        bring_up_to_date(path)
        _attach(con, path)
    fill_code_lists(con, "store")


def connected(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Return a connection to the database at `path`, of whatever version; waits and raises as `open_store` does."""
    _refuse_missing(path)
    if not is_folder_of_tables(path):
        return patiently(path, lambda: quiet_connection(path, read_only))
    if not read_only:
        raise _folder_to_write(path)
    con = quiet_connection()
    _show_folder(con, path)
    return con


def copied_store(path: Path, target: Path) -> duckdb.DuckDBPyConnection:
    """Return a connection to a copy of the store at `path`, made at `target`, as it stands at one moment."""
    with closing(connected(path, read_only=True)) as con:
        version_of(con, path)
    copy = quiet_connection(target)
    if is_folder_of_tables(path):
        read_folder(copy, path, "table")
        create_views(copy)
        return copy
    attach_to_read(copy, path, "kept")
    (own_name,) = copy.execute("select current_database()").fetchall()[0]
    copy.execute(f'copy from database kept to "{own_name}"')
    copy.execute("detach kept")
    return copy


def attach_to_read(con: duckdb.DuckDBPyConnection, path: Path, name: str) -> None:
    """Attach a store to a connection, to be read only; waits and raises as `open_store` does.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The connection; the database it uses stays the same.
    path : Path
        The store's file, or a folder that a store was exported to.
    name : str
        Name that it is attached under.
    """
    _refuse_missing(path)
    if not is_folder_of_tables(path):
        patiently(path, lambda: con.execute(f"attach {quoted(path)} as {name} (type duckdb, read_only)"))
        return
    con.execute(f"attach ':memory:' as {name}")
    (own_name,) = con.execute("select current_database()").fetchall()[0]
    con.execute(f"use {name}")
    _show_folder(con, path)
    con.execute(f'use "{own_name}"')


def bring_up_to_date(path: Path) -> None:
    """Bring a store of an earlier version to this one, in one transaction; what it was is kept beside it."""
    kept = free_name(path, "before-migration")
    copied_store(path, kept).close()
    with closing(connected(path, read_only=False)) as con:
        version = version_of(con, path)
        con.begin()
        for number in range(version, SCHEMA_VERSION):
            con.execute(statement("pipelines.store", f"migrations/{number}_to_{number + 1}.sql"))
            if number >= 2:  # from then on there are coded lists, which later steps read
                fill_code_lists(con)
        con.execute("update store_info set schema_version = $version", {"version": SCHEMA_VERSION})
        mark_tables_as_old(con)
        con.commit()
    LOG.warning(
        f"{path} was made by an earlier version of this tool (store schema {version}) and is now up to date."
        f" What it was is kept as {kept}."
    )


def mark_tables_as_old(con: duckdb.DuckDBPyConnection, database: str = "") -> None:
    """Let readers know that the result tables do not rest on what the store holds now, so that they are computed again."""
    found = con.execute(
        "select 1 from duckdb_tables() where table_name = 'table_state'"
        " and database_name = coalesce(nullif($database, ''), current_database())",
        {"database": database},
    ).fetchall()
    if found:
        owner = f"{database}." if database else ""
        con.execute(f"update {owner}table_state set computed_for_load = null")


def pseudonym_key(con: duckdb.DuckDBPyConnection) -> str:
    """Return the key of the attached store by which its inspectors get their pseudonyms, made up when first asked for."""
    con.execute("create table if not exists store.pseudonym_key (key varchar)")
    con.execute(
        "insert into store.pseudonym_key select $key where not exists (from store.pseudonym_key)",
        {"key": token_hex()},
    )
    return str(con.execute("select key from store.pseudonym_key").fetchall()[0][0])


def free_name(path: Path, what: str) -> Path:
    """Return a path beside a store that no file has, which says what it is: store.backup.duckdb, store.backup-2.duckdb."""
    numbered = (what if number == 1 else f"{what}-{number}" for number in count(1))
    names = (path.with_name(f"{path.stem}.{each}{path.suffix}") for each in numbered)
    return next(name for name in names if not name.exists())


def patiently(path: Path, attempt: Callable[[], Result]) -> Result:
    """Return what `attempt` gives, made again and again while another process holds the store, for a while at most."""
    until = monotonic() + LONGEST_WAIT_SECONDS
    is_told = False
    while True:
        try:
            return attempt()
        except duckdb.InvalidInputException:
            raise  # asked wrongly: nothing is the matter with the file
        except duckdb.Error as error:
            who = _holder(error)
            if not who or monotonic() >= until:
                raise _store_fault(path, who) from error
        if not is_told:
            LOG.warning(
                f"{path} is in use by {who}. Waiting for it, {LONGEST_WAIT_SECONDS:g} seconds at most."
            )
            is_told = True
        sleep(BETWEEN_TRIES_SECONDS)


def version_of(con: duckdb.DuckDBPyConnection, path: Path, schema: str = "") -> int:
    """Return the version of an open store.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The connection that has it.
    path : Path
        The store's file, for the messages.
    schema : str
        Where in `con` the store's tables are, such as 'store.main.', with the dot; '' for the database it uses.

    Raises
    ------
    DataFault
        It is no store of this tool, or one of a later version.
    """
    try:
        found = con.execute(f"select schema_version from {schema}store_info").fetchall()
    except duckdb.CatalogException as error:
        raise DataFault(
            f"{path} is a DuckDB file but not a store of this tool. Check the path given with --store."
        ) from error
    version = int(found[0][0])
    if version > SCHEMA_VERSION:
        raise DataFault(
            f"{path} was made by a later version of this tool (store schema {version}, here {SCHEMA_VERSION})."
            " Install that version, or load the exports into a new store."
        )
    return version


def _attach(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    patiently(path, lambda: con.execute(f"attach {quoted(path)} as store (type duckdb)"))


def _show_folder(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    read_folder(con, folder, "view")
    create_views(con)


def _folder_to_write(path: Path) -> RequestFault:
    return RequestFault(
        f"{path} is an export, which is only read. Load into the store that it was made from, and export that again."
    )


def _refuse_missing(path: Path) -> None:
    if not path.is_file() and not is_folder_of_tables(path):
        raise RequestFault(
            f"There is no store at {path}. Make one by loading a file: {as_typed('intake', 'FILE', '--store', path)}"
        )


def _old_store(path: Path, version: int) -> DataFault:
    return DataFault(
        f"{path} was made by an earlier version of this tool (store schema {version}, here {SCHEMA_VERSION})."
        f" Bring it up to date, with a backup beside it: {as_typed('store', 'migrate', '--store', path)}"
    )


def _holder(error: duckdb.Error) -> str:
    """Return who holds the store, as DuckDB says, or nothing where the error is of another kind."""
    message = str(error)
    if "Could not set lock" not in message:
        return ""
    holder = re.search(r"PID (\d+)", message)
    return f"process {holder[1]}" if holder else "another program"


def _store_fault(path: Path, who: str) -> DataFault:
    if who:
        return HeldFault(
            f"{path} is in use by {who}. Close it there (an open notebook, another intake) and try again."
        )
    if not os.access(path, os.R_OK):
        return DataFault(f"{path} may not be read by you. Ask whoever owns it for the right to.")
    with path.open("rb") as stream:
        is_database = stream.read(12)[8:] == MAGIC
    if is_database and not os.access(path, os.W_OK):
        return DataFault(f"{path} may not be written by you. Ask whoever owns it for the right to.")
    if is_database:
        return DataFault(
            f"{path} is damaged: DuckDB cannot open it. Put a backup in its place:"
            f" {as_typed('store', 'restore', 'BACKUP', '--store', path)}"
        )
    return DataFault(f"{path} is not a store: DuckDB cannot open it. Check the path given with --store.")
