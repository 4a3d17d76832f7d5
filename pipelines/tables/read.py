"""Reads a result table for whoever shows it: the command line, a notebook, a report pack."""

from collections.abc import Iterable
from difflib import get_close_matches

import duckdb
import pandas as pd

from pipelines.contracts import figures_set, load_contract
from pipelines.contracts.documents import Contract
from pipelines.faults import RequestFault
from pipelines.tables.names import TABLES

READABLE = (*TABLES, "quarantine")


def read_table(
    con: duckdb.DuckDBPyConnection, name: str, client: str | None = None, site: str | None = None
) -> pd.DataFrame:
    """Return one result table, of one client or one site where asked.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store.
    name : str
        Name of the table: one of `TABLES`, or `quarantine`.
    client, site : str
        Keep the rows of this client or site only, as the site register spells it.

    Returns
    -------
    DataFrame
        The columns of the contract in its order. Days are datetime64; whole numbers are int64, or Int64 in columns
        that may be empty.

    Raises
    ------
    RequestFault
        There is no such table, it is not computed yet, or it has no column to choose a client or site by.
    """
    contract = contract_of_computed(name)
    wanted = {column: value for column, value in (("client", client), ("site", site)) if value is not None}
    for column in wanted:
        _refuse_without(contract, column)
    condition = " and ".join(f"{column} = ${column}" for column in wanted) or "true"
    columns = ", ".join(contract.column_names)
    try:
        frame = con.execute(f"select {columns} from {contract.table} where {condition}", wanted).df()
    except duckdb.CatalogException as error:
        raise RequestFault(
            f'The table "{name}" is not in this store yet. Load an export with rigging-removals intake; '
            "that computes the tables."
        ) from error
    may_be_empty = [
        column.name for column in contract.columns if column.kind == "integer" and not column.is_required
    ]
    return frame.astype(dict.fromkeys(may_be_empty, "Int64"))


def contract_of_computed(name: str) -> Contract:
    """Return the contract of a table that `read_table` gives; raises RequestFault, with the near ones, for another."""
    if name in READABLE:
        return load_contract(name)
    near = get_close_matches(name, READABLE, n=2, cutoff=0.5)
    advice = f"Did you mean {' or '.join(near)}?" if near else f"Tables to be had: {', '.join(READABLE)}."
    raise RequestFault(f'There is no table "{name}". {advice}')


def refuse_unknown(places: Iterable[tuple[str, str | None]], client: str, site: str) -> None:
    """Refuse a client or a site that is none of the places; '' is whichever.

    Parameters
    ----------
    places : iterable of (str, str or None)
        Client and site of each place that may be asked for; None for the site of a client without any.
    client, site : str
        What is asked for, as the site register spells it.

    Raises
    ------
    RequestFault
        It is not among them; the message lists those that are. Where there is no place at all any client will do.
    """
    places = list(places)
    clients = sorted({owner for owner, _ in places})
    if client and clients and client not in clients:
        raise RequestFault(
            f'No line of a client "{client}" is loaded. Clients in this store: {", ".join(clients)}.'
        )
    sites = sorted({known for owner, known in places if known and client in ("", owner)})
    if site and site not in sites:
        whose = f" of {client}" if client else ""
        there = ", ".join(sites) or "none"
        raise RequestFault(f'No line of a site "{site}"{whose} is loaded. Sites{whose}: {there}.')


def known_places(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str | None]]:
    """Return each client and site that a store has lines of, whatever their gear, or has in a register."""
    return con.execute(
        "select client, site from all_current_lines union select client, site from site_register"
        " union select client, null from stock_register"
    ).fetchall()


def _refuse_without(contract: Contract, column: str) -> None:
    if column not in contract.column_names:
        raise RequestFault(
            f'The table "{contract.name}" has no {column}, so no {column} can be chosen from it.'
        )


def is_computed_for(con: duckdb.DuckDBPyConnection, period: str) -> bool:
    """Return whether the result tables rest on all that the open store holds and on the figures set, such as risk targets, for a month.

    '' is whatever month.
    """
    there = con.execute(
        "select count(*) from information_schema.tables where table_name in ('table_state', 'gap_days')"
        " and table_schema = 'main' and table_catalog = current_database()"
    ).fetchall()
    if there != [(2,)]:
        return False
    found = con.execute("select *, (select max(load_id) from loads) as latest from table_state")
    names = [column[0] for column in found.description]
    state = dict(zip(names, found.fetchall()[0], strict=True))
    # A store of an earlier version does not say what its tables rest on.
    is_current = state["computed_for_load"] == state["latest"] and state.get("figures_set") == figures_set()
    return is_current and period in ("", state["period"])
