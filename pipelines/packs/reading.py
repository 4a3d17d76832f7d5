"""Opens a store for a report: reads every result table of one month, client and site, and lets the store go."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from secrets import token_hex

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules, load_contract, risk_targets
from pipelines.exposure import WORKING_TABLES
from pipelines.faults import RequestFault
from pipelines.models.benchmark import by_ratio, clients_compared
from pipelines.models.benchmark.parts import RAW
from pipelines.models.reasons import shares_with_limits
from pipelines.packs.intake_account import (
    count_jumps,
    loaded_files,
    phrases_read,
    quarantined_by_rule,
    quarantined_rows,
    rules_run,
    set_aside_rows,
)
from pipelines.packs.peers import PeerView, peer_view
from pipelines.store import open_store
from pipelines.store.file import SETTINGS
from pipelines.tables import FLEET_TABLES, TABLES, compute_tables, read_table

# The tables of all clients that a client's view of its peers is made from.
PEERED = ("site_benchmark", "site_benchmark_parts", "interval_recommendations")


@dataclass(frozen=True)
class OpenTables:
    """The result tables of one month, of one client and one site where asked ('' for all), read into memory."""

    period: str
    as_of: date
    client: str
    site: str
    tables: dict[str, pd.DataFrame]
    files: pd.DataFrame
    rules: pd.DataFrame
    quarantined: pd.DataFrame
    set_aside: pd.DataFrame
    phrases: pd.DataFrame
    jumps: pd.DataFrame
    peers: pd.DataFrame
    peer_environments: pd.DataFrame
    withheld: list[str]

    def table(self, name: str) -> pd.DataFrame:
        """Return a result table by its name."""
        return self.tables[name].copy()

    @property
    def place_columns(self) -> list[str]:
        """The columns that name a place, without those that are the same all through."""
        return [name for name in ("client", "site") if not getattr(self, name)] + ["environment"]

    def month(self) -> pd.DataFrame:
        """Return the removal rates of the places inspected in the month, the surely highest first."""
        rates = self.tables["removal_rates"]
        inspected = rates[(rates["month"] == self.period) & (rates["inspected"] > 0)]
        return inspected.sort_values("rate_lower", ascending=False, kind="stable", ignore_index=True)

    def overdue(self) -> pd.DataFrame:
        """Return the periodic inspections past their due day, the longest overdue first."""
        due = self.tables["overdue_inspections"]
        late = due[due["days_overdue"] > 0]
        return late.sort_values("days_overdue", ascending=False, kind="stable", ignore_index=True)

    def broken_rules(self) -> pd.DataFrame:
        """Return the contract rules that some row breaks, the one with the most rows first."""
        broken = self.rules[self.rules["rows_failing"] > 0]
        return broken.sort_values("rows_failing", ascending=False, kind="stable", ignore_index=True)

    def trends(self) -> list[pd.DataFrame]:
        """Return the monthly trend of each client, or of the one site asked for, as one frame each."""
        trend = self.tables["removal_trend"]
        rows = trend[trend["site"].notna()] if self.site else trend[trend["site"].isna()]
        return [place for _, place in rows.groupby("client", sort=True)]

    def reasons(self) -> pd.DataFrame:
        """Return removals by criterion with the limits of their shares, the environments of a client added up."""
        criteria = self.tables["reason_breakdown"]
        sums = criteria.groupby(["client", "criterion", "tier"], as_index=False)[
            ["removed", "mentions"]
        ].sum()
        shares = shares_with_limits(sums, ["client"], risk_targets()).drop(columns="share_note")
        return sums.join(shares).sort_values(
            ["client", "removed"], ascending=[True, False], kind="stable", ignore_index=True
        )

    def compared(self) -> list[pd.DataFrame]:
        """Return the sites that may be compared, as one frame, or no frame where there is none."""
        sites = self.tables["site_benchmark"]
        sites = sites[sites["ratio"].notna()].reset_index(drop=True)
        return [sites] if len(sites) else []

    def compared_clients(self) -> list[pd.DataFrame]:
        """Return the clients beside one another, as one frame; no frame in a report for one client."""
        if self.client:
            return []
        rules = benchmark_rules()
        return [
            clients_compared(sites, rules).rename(columns={"client": "whose"}) for sites in self.compared()
        ]

    def side_by_side(self) -> pd.DataFrame:
        """Return the raw ratio of each site beside the one that allows for its mix, the highest of these first."""
        parts = self.tables["site_benchmark_parts"]
        raw = parts[parts["part"] == RAW].rename(columns={"multiplier": "raw_ratio"})
        sites = by_ratio(self.tables["site_benchmark"])
        return sites.merge(raw[["client", "site", "raw_ratio"]], on=["client", "site"], how="left")

    def parts(self, most: int = 12) -> list[pd.DataFrame]:
        """Return what the ratio of each of so many sites is made of, the highest ratio first."""
        parts = self.tables["site_benchmark_parts"]
        order = [
            key
            for sites in self.compared()
            for key in by_ratio(sites)[["client", "site"]].itertuples(index=False)
        ]
        frames = {key: rows for key, rows in parts.groupby(["client", "site"])}
        return [frames[tuple(key)] for key in order if tuple(key) in frames][:most]

    def company(self) -> list[pd.DataFrame]:
        """Return what a client shares with others, by environment, as one frame; no frame where nothing may be shown."""
        return [self.peer_environments] if len(self.peer_environments) else []

    def quarantined_by_rule(self) -> pd.DataFrame:
        """Return the count of quarantined rows for each file and rule."""
        return quarantined_by_rule(self.files, self.quarantined)


def open_tables(store: str, period: str = "", client: str = "", site: str = "", salt: str = "") -> OpenTables:
    """Return the result tables of a store, read and closed again, so that nothing keeps the next export waiting.

    Parameters
    ----------
    store : str
        Path of the store's file.
    period : str
        Month of the report, YYYY-MM; '' for the month of the store's own tables. For another month the tables
        are computed in memory and the store stays as it is.
    client, site : str
        Keep the rows of this client or site only; '' for all.
    salt : str
        Key of the names that other clients' sites have in a report for one client; '' for one made up at random.

    Raises
    ------
    RequestFault
        There is no such store, month, client or site, or the store holds no line yet.
    """
    with _tables_of(Path(store), period) as con:
        month, as_of = _state(con)
        if month is None or as_of is None:
            raise RequestFault(
                f"{store} holds no inspection line yet. Load an export with rigging-removals intake."
            )
        _refuse_unknown_place(con, client, site)
        files = loaded_files(con, client, site)
        # What tells of all clients together is for those who may see all of them, and what tells of a client as a whole
        # for those who may see all its sites.
        shown = [
            name
            for name in TABLES
            if not (client or site) or name not in FLEET_TABLES
            if not site or "site" in load_contract(name).column_names
        ]
        tables = {name: read_table(con, name, client or None, site or None) for name in shown}
        view = _seen_by(con, client, site, salt or token_hex())
        return OpenTables(
            period=month,
            as_of=as_of,
            client=client,
            site=site,
            tables=tables | {"site_benchmark": view.sites, "site_benchmark_parts": view.parts},
            files=files,
            rules=rules_run(con, files),
            quarantined=quarantined_rows(con, files, client),
            set_aside=set_aside_rows(con, files, client),
            phrases=phrases_read(con, files),
            jumps=count_jumps(con, client, site),
            peers=view.peers,
            peer_environments=view.environments,
            withheld=view.withheld,
        )


def is_computed_for(store: Path, period: str) -> bool:
    """Return whether the tables in a store are of this month ('' for any) and of all its lines."""
    with open_store(store) as con:
        return _is_computed_for(con, period)


def copy_for_period(store: Path, period: str, target: str) -> duckdb.DuckDBPyConnection:
    """Return a connection to a copy of a store with the tables of another month.

    `target` is the path of the copy, where there is no file yet, or `:memory:`.
    """
    con = duckdb.connect(target, config=SETTINGS)
    con.execute(f"attach '{_quoted(store)}' as kept (type duckdb, read_only)")
    (own_name,) = con.execute("select current_database()").fetchall()[0]
    con.execute(f'copy from database kept to "{own_name}"')
    con.execute("detach kept")
    compute_tables(con, period or None)
    return con


@contextmanager
def open_month(store: str, period: str) -> Iterator[tuple[duckdb.DuckDBPyConnection, date]]:
    """Yield a connection to a store, or to a copy with the tables of another month, and the last day they count."""
    with _tables_of(Path(store), period) as con:
        _, as_of = _state(con)
        if as_of is None:
            raise RequestFault(
                f"{store} holds no inspection line yet. Load an export with rigging-removals intake."
            )
        yield con, as_of


def look_back(store: Path) -> duckdb.DuckDBPyConnection:
    """Return a connection in memory that sees the lines and registers of a store but none of its result tables."""
    con = duckdb.connect(":memory:", config=SETTINGS)
    con.execute(f"attach '{_quoted(store)}' as kept (type duckdb, read_only)")
    names = con.execute(
        "select table_name from information_schema.tables where table_catalog = 'kept' order by table_name"
    ).fetchall()
    for (name,) in names:
        if name not in (*TABLES, *WORKING_TABLES, "table_state"):
            con.execute(f"create view {name} as from kept.{name}")
    return con


@contextmanager
def _tables_of(store: Path, period: str) -> Iterator[duckdb.DuckDBPyConnection]:
    con = open_store(store)
    if not _is_computed_for(con, period):
        con.close()
        con = copy_for_period(store, period, ":memory:")
    try:
        yield con
    finally:
        con.close()


def _quoted(path: Path) -> str:
    # DuckDB takes no parameter for a file name in an attach statement; a quote in a path is doubled.
    return str(path).replace("'", "''")


def _is_computed_for(con: duckdb.DuckDBPyConnection, period: str) -> bool:
    if not con.execute("select 1 from duckdb_tables() where table_name = 'table_state'").fetchall():
        return False
    state = con.execute("select period, computed_for_load, (select max(load_id) from loads) from table_state")
    month, computed_for, latest = state.fetchall()[0]
    return computed_for == latest and period in ("", month)


def _state(con: duckdb.DuckDBPyConnection) -> tuple[str | None, date | None]:
    month, as_of = con.execute("select period, as_of from table_state").fetchall()[0]
    return month, as_of


def _seen_by(con: duckdb.DuckDBPyConnection, client: str, site: str, salt: str) -> PeerView:
    """Return the benchmark as `client` may see it, of one of its sites where asked; all of it for no client."""
    sites, parts, places = (read_table(con, name) for name in PEERED)
    view = peer_view(sites, parts, places, client, salt, benchmark_rules())
    return view.of_site(site) if site else view


def _refuse_unknown_place(con: duckdb.DuckDBPyConnection, client: str, site: str) -> None:
    places = con.execute("select distinct client, site from current_lines order by client, site").fetchall()
    clients = sorted({known for known, _ in places})
    if client and client not in clients:
        raise RequestFault(
            f'No line of a client "{client}" is loaded. Clients in this store: {", ".join(clients)}.'
        )
    sites = sorted({known for owner, known in places if client in ("", owner)})
    if site and site not in sites:
        whose = f" of {client}" if client else ""
        raise RequestFault(f'No line of a site "{site}"{whose} is loaded. Sites{whose}: {", ".join(sites)}.')
