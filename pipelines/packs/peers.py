"""What a report for one client may show of the benchmark: its own sites by name, and others only in company."""

from dataclasses import dataclass, replace

import pandas as pd

from pipelines.contracts import BenchmarkRules
from pipelines.models.benchmark.disclosure import (
    ALL_TOGETHER,
    anonymous_peers,
    has_enough_peers,
    pooled_peers,
    thin_environments,
)

# What a client's own records alone give; everything else of the benchmark rests on the others too.
OF_ITS_OWN = ["client", "site", "observed", "shackle_years"]
WITHHELD = "too few peers to be shown"


@dataclass(frozen=True)
class PeerView:
    """The benchmark as one client may see it.

    `sites` and `parts` are its rows of `site_benchmark` and `site_benchmark_parts`, empty beyond its own records where
    too few peers stand behind them; `withheld` names those sites. `peers` and `environments` are from
    `anonymous_peers` and `pooled_peers`, without a row where there are too few.
    """

    sites: pd.DataFrame
    parts: pd.DataFrame
    withheld: list[str]
    peers: pd.DataFrame
    environments: pd.DataFrame

    def of_site(self, site: str) -> "PeerView":
        """Return the same with the rows of one site only, beside its peers."""
        return replace(
            self,
            sites=self.sites[self.sites["site"] == site].reset_index(drop=True),
            parts=self.parts[self.parts["site"] == site].reset_index(drop=True),
            withheld=[name for name in self.withheld if name == site],
        )


def peer_view(
    sites: pd.DataFrame,
    parts: pd.DataFrame,
    places: pd.DataFrame,
    client: str,
    salt: str,
    rules: BenchmarkRules,
) -> PeerView:
    """Return what `client` may see of the benchmark of everybody.

    Parameters
    ----------
    sites, parts, places : DataFrame
        The tables `site_benchmark`, `site_benchmark_parts` and `interval_recommendations` of all clients.
    client : str
        Whose report it is; '' for the consultant's own, which shows everybody by name and no peers.
    salt : str
        Key of the names of peers; a new one for each report pack.
    rules : BenchmarkRules
        What must stand behind a figure.

    Notes
    -----
    What is expected of a site is a sum over its environments, so that in each of them there must be enough peers or
    none at all, and enough in all, since the spread of the sites and their ranks come from everybody. Where no other
    client has a record there is nothing to withhold.
    """
    own, not_own = (_of_client(sites, client, is_own) for is_own in (True, False))
    others = not_own[not_own["expected"] > 0]
    has_enough = has_enough_peers(others, rules)
    places = places[places["shackle_years"] > 0]
    own_places, peer_places = (_of_client(places, client, is_own) for is_own in (True, False))
    thin = thin_environments(peer_places, rules)
    in_thin_company = own_places.loc[own_places["environment"].isin(thin), "site"]
    is_withheld = own["site"].isin(in_thin_company) | (not has_enough and not peer_places.empty)
    withheld = [str(site) for site in own.loc[is_withheld, "site"]]
    in_common = peer_places[peer_places["environment"].isin(own_places["environment"])]
    pooled = pooled_peers(in_common if has_enough else in_common.head(0), rules)
    return PeerView(
        sites=_without_others(own, withheld),
        parts=_without(_of_client(parts, client, True), withheld),
        withheld=withheld,
        peers=anonymous_peers(others if has_enough else others.head(0), salt, rules),
        environments=pooled.assign(own_rate=_own_rates(own_places, pooled["environment"])),
    )


def _of_client(rows: pd.DataFrame, client: str, is_own: bool) -> pd.DataFrame:
    """Return the rows of a client, or those of all others; with no client all rows are its own."""
    return rows[((rows["client"] == client) | (client == "")) == is_own]


def _without_others(own: pd.DataFrame, withheld: list[str]) -> pd.DataFrame:
    is_withheld = own["site"].isin(withheld)
    shared = [name for name in own.columns if name not in OF_ITS_OWN]
    may_be_empty = {"bool": "boolean", "int64": "Int64"}
    shown = own.astype({name: may_be_empty.get(str(kind), kind) for name, kind in own.dtypes.items()})
    shown.loc[is_withheld, shared] = pd.NA
    return shown.assign(benchmark_note=shown["benchmark_note"].mask(is_withheld, WITHHELD)).reset_index(
        drop=True
    )


def _without(parts: pd.DataFrame, withheld: list[str]) -> pd.DataFrame:
    return parts[~parts["site"].isin(withheld)].reset_index(drop=True)


def _own_rates(own_places: pd.DataFrame, environments: pd.Series) -> list[float]:
    """Return the client's own rate in each environment, and in all of them together, which leaves out those of its own alone."""
    rates = []
    for name in environments:
        rows = own_places[own_places["environment"].isin(environments if name == ALL_TOGETHER else [name])]
        rates.append(float(100 * rows["removed_at_risk"].sum() / rows["shackle_years"].sum()))
    return rates
