"""Opens a store for a report: reads every result table of one month, client and site, and lets the store go."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from secrets import token_hex

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules, load_contract, risk_targets
from pipelines.faults import RequestFault
from pipelines.models.benchmark import by_ratio, clients_compared
from pipelines.models.benchmark.parts import RAW
from pipelines.models.hazard import PLACE
from pipelines.models.reasons import changes_at_the_same_places, rates_by_criterion, shares_with_limits
from pipelines.packs.computed import PEERED, computed_store, of_everybody
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
from pipelines.tables import FLEET_TABLES, TABLES, read_table, refuse_unknown
from pipelines.tables.removals_between import removals_between
from pipelines.wording_gear import of_gear, speak_of


@dataclass(frozen=True)
class OpenTables:
    """The result tables of one month and gear family, of one client and one site where asked ('' for all), read into memory.

    `tables` are what pages show, `stored` the same as the store has them: there sites of several clients may share a name.
    `between` are the removals of the month at frequent inspections, as `removals_between` returns them.
    """

    period: str
    as_of: date
    client: str
    site: str
    gear: str
    tables: dict[str, pd.DataFrame]
    stored: dict[str, pd.DataFrame]
    between: pd.DataFrame
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

    def sites(self) -> list[str]:
        """Return the sites that have records, in the order of the alphabet."""
        return sorted(self.tables["removal_rates"]["site"].unique())

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
        """Return removals by criterion, the environments of a client added up: shares, rates, and change in a year.

        Sums over places change when other places are looked at: the change of a year is that at the same places.
        """
        criteria = self.tables["reason_breakdown"]
        counts = [
            "removed",
            "mentions",
            "removed_at_risk",
            "removed_last_12_months",
            "removed_prior_12_months",
        ]
        sums = criteria.groupby(["client", "criterion", "tier"], as_index=False)[counts].sum()
        sums = sums.merge(self._exposures(["client"]), on="client", how="left")
        targets = risk_targets()
        shares = shares_with_limits(sums, ["client"], targets).drop(columns="share_note")
        of_places = criteria[[*PLACE, "criterion", *counts]].merge(
            self._exposures(PLACE), on=PLACE, how="left"
        )
        changes = changes_at_the_same_places(of_places, ["client"], targets)
        rates = rates_by_criterion(sums, targets)
        return (
            sums.join([shares, rates])
            .merge(changes, on=["client", "criterion"])
            .sort_values(["client", "removed"], ascending=[True, False], kind="stable", ignore_index=True)
        )

    def _exposures(self, whole: list[str]) -> pd.DataFrame:
        """Return the exposure of each client or place [shackle-years]: of all months, the last 12, and the 12 before."""
        months = self.tables["removal_rates"]
        ends = [str(pd.Period(self.period, freq="M") - back) for back in (0, 12, 24)]
        years = {
            "shackle_years": months["month"] <= ends[0],
            "shackle_years_last_12_months": months["month"].between(ends[1], ends[0], inclusive="right"),
            "shackle_years_prior_12_months": months["month"].between(ends[2], ends[1], inclusive="right"),
        }
        return (
            pd.DataFrame(
                {name: months[chosen].groupby(whole)["shackle_years"].sum() for name, chosen in years.items()}
            )
            .fillna(0)
            .rename_axis(whole)
            .reset_index()
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


def open_tables(
    store: str, period: str = "", client: str = "", site: str = "", salt: str = "", gear: str = ""
) -> OpenTables:
    """Return the result tables of a store, read and closed again, so that nothing keeps the next export waiting.

    Parameters
    ----------
    store : str
        Path of the store's file.
    period : str
        Month of the report, YYYY-MM; '' for the month of the store's own tables. For another month the tables
        are computed aside and the store stays as it is.
    client, site : str
        Keep the rows of this client or site only; '' for all.
    salt : str
        Key of the names that other clients' sites have in a report for one client; '' for one made up at random.
    gear : str
        Gear family; '' for that of the store's own tables.

    Raises
    ------
    RequestFault
        There is no such store, month, gear family, client or site, or the store holds no line yet.

    Notes
    -----
    From here on sentences, headings and charts of this process speak of that family; see `speak_of`.
    """
    with open_month(Path(store), period, client, gear) as (con, _, month, as_of):
        (family,) = con.execute("select gear_family from table_state").fetchall()[0]
        speak_of(family)
        places = con.execute("select distinct client, site from current_lines").fetchall()
        refuse_unknown(places, client, site)
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
        if "hazard_model" in tables:
            # Its rows are words for people, written of shackles.
            said = tables["hazard_model"][["covariate", "remark"]].map(of_gear, na_action="ignore")
            tables["hazard_model"] = tables["hazard_model"].assign(**said)
        view = _seen_by(con, client, site, salt or token_hex())
        tables |= {"site_benchmark": view.sites, "site_benchmark_parts": view.parts}
        of_pages = tables | {"between": removals_between(con, as_of, client, site)}
        of_pages = of_pages if site else told_apart(of_pages)
        between = of_pages.pop("between")
        return OpenTables(
            period=month,
            as_of=as_of,
            client=client,
            site=site,
            gear=family,
            tables=of_pages,
            stored=tables,
            between=between,
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


def told_apart(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return tables in which a site goes by its client's name too, where several clients have a site of its name."""
    owned = {name: frame for name, frame in tables.items() if {"client", "site"} <= set(frame.columns)}
    if not owned:
        return tables
    places = pd.concat([frame[["client", "site"]] for frame in owned.values()]).dropna().drop_duplicates()
    shared = places["site"][places["site"].duplicated()].unique()
    named = {
        name: frame.assign(
            site=frame["site"].mask(frame["site"].isin(shared), frame["site"] + ", " + frame["client"])
        )
        for name, frame in owned.items()
        if len(shared)
    }
    return tables | named


@contextmanager
def open_month(
    store: Path, period: str, client: str, gear: str = ""
) -> Iterator[tuple[duckdb.DuckDBPyConnection, Path, str, date]]:
    """Yield a connection to a store with the tables of a month, its path, its month and the last day that it counts.

    Parameters
    ----------
    store : Path
        The store's file; it is only read.
    period : str
        Month of the tables, YYYY-MM; '' for the month of the store's own.
    client : str
        Who reads the report, as `computed_store` has it; '' for whoever may see everything.
    gear : str
        Gear family; '' for that of the store's own tables.

    Raises
    ------
    RequestFault
        There is no such store, month, gear family or client, or the store holds no line yet.
    """
    with computed_store(store, period, client, gear) as readable, closing(open_store(readable)) as con:
        month, as_of = con.execute("select period, as_of from table_state").fetchall()[0]
        if month is None:
            raise RequestFault(
                "The store holds no inspection line yet. Load an export with rigging-removals intake."
            )
        yield con, readable, month, as_of


def _seen_by(con: duckdb.DuckDBPyConnection, client: str, site: str, salt: str) -> PeerView:
    """Return the benchmark as `client` may see it, of one of its sites where asked; all of it for no client."""
    sites, parts, places = (of_everybody(con, name) for name in PEERED)
    view = peer_view(sites, parts, places, client, salt, benchmark_rules())
    return view.of_site(site) if site else view
