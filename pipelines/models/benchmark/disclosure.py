"""What one client may see of the others: enough peers or nothing, no names, no small figure and none by subtraction."""

import hashlib
import hmac
from collections.abc import Iterable

import numpy as np
import pandas as pd

from pipelines.contracts import BenchmarkRules

ALL_TOGETHER = "all of these"
COARSE = ("ratio", "shrunken_ratio", "shrunken_lower", "shrunken_upper")
BAND_ENDS = (0, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, np.inf)


def has_enough_peers(peers: pd.DataFrame, rules: BenchmarkRules) -> bool:
    """Return whether a figure that rests on these sites of other clients may be shown.

    Parameters
    ----------
    peers : DataFrame
        One row per site, `client`, `site` and `shackle_years`; none of the client that the figure is shown to, since
        what it knows of itself it can take away from a total.
    rules : BenchmarkRules
        Gives the least number of sites and of clients, and the largest share that one client may have.

    >>> from pipelines.contracts import benchmark_rules
    >>> five = pd.DataFrame({"client": [*"AABBC"], "site": [*"12345"], "shackle_years": 10.0})
    >>> has_enough_peers(five, benchmark_rules()), has_enough_peers(five.assign(client=[*"AAABC"]), benchmark_rules())
    (True, False)
    """
    if peers[["client", "site"]].drop_duplicates().shape[0] < rules.least_peer_sites:
        return False
    by_client = peers.groupby("client")["shackle_years"].sum()
    largest = by_client.max() / by_client.sum() if by_client.sum() > 0 else 1.0
    return bool(len(by_client) >= rules.least_peer_clients and largest <= rules.largest_peer_share)


def thin_environments(places: pd.DataFrame, rules: BenchmarkRules) -> list[str]:
    """Return the environments in which others have places, but too few to stand behind a figure together.

    `places` has one row per environment of a site of another client, as `pooled_peers` takes them.
    """
    environments = places.groupby("environment")
    return [str(name) for name, rows in environments if not has_enough_peers(rows, rules)]


def thin_classes(owners: pd.DataFrame, history: pd.DataFrame, rules: BenchmarkRules) -> pd.MultiIndex:
    """Return each client and item class of which others have records, but too few to stand behind a figure together.

    Parameters
    ----------
    owners : DataFrame
        Rows of the `client` and `item_class` that are asked about.
    history : DataFrame
        Records of all clients: `client`, `site`, `item_class` and `shackle_years`.
    rules : BenchmarkRules
        What must stand behind a figure.
    """
    records = dict(list(history[history["shackle_years"] > 0].groupby("item_class")))
    thin = []
    for client, name in owners[["client", "item_class"]].drop_duplicates().itertuples(index=False):
        rows = records.get(name, history.head(0))
        others = rows[rows["client"] != client]
        if len(others) and not has_enough_peers(others, rules):
            thin.append((client, name))
    return pd.MultiIndex.from_tuples(thin, names=["client", "item_class"])


def peer_names(sites: Iterable[tuple[str, str]], salt: str) -> dict[tuple[str, str], str]:
    """Return a name for each site of others, the same for the same salt and another one for another.

    Names are `Peer 1` and so on, in the order of a keyed hash of client and site: without the salt, which is not
    part of a report pack, nobody can tell which is which, nor join the peers of two packs by their names.

    References
    ----------
    Krawczyk, H., Bellare, M. & Canetti, R. (1997). HMAC: keyed-hashing for message authentication. RFC 2104.

    >>> sites = [("Ferrow Mills", "Press Hall"), ("Ferrow Mills", "Yard"), ("Gannet Rigs", "Yard")]
    >>> peer_names(sites, "salt") == peer_names(reversed(sites), "salt")
    True
    """
    keyed = sorted(set(sites), key=lambda site: _keyed_hash("\x1f".join(site), salt))
    return {site: f"Peer {number}" for number, site in enumerate(keyed, start=1)}


def anonymous_peers(peers: pd.DataFrame, salt: str, rules: BenchmarkRules) -> pd.DataFrame:
    """Return what may be shown of single sites of others: no name, and figures too coarse to know a site by.

    Parameters
    ----------
    peers : DataFrame
        Rows of `site_benchmark` of other clients, enough of them.
    salt : str
        Key of the names; a new one for each report pack.
    rules : BenchmarkRules
        Gives the least number of removals with which a site is shown at all.

    Returns
    -------
    DataFrame
        `peer`, `expected_band` (words), `expected` (the middle of the band, for a drawing), `ratio`, `shrunken_ratio`
        and its limits to a tenth, and `flag`, by the name of the peer. Counts, exposure and ranks are left out, and
        what is expected is a band, since with an exact one a ratio would give the count away.
    """
    shown = peers[(peers["observed"] >= rules.least_removals_of_a_peer) & peers["shrunken_ratio"].notna()]
    sites = list(zip(shown["client"], shown["site"], strict=True))
    names = peer_names(sites, salt)
    shown = shown.iloc[[sites.index(site) for site in names]].reset_index(drop=True)
    band = np.searchsorted(BAND_ENDS, shown["expected"].to_numpy(), side="right") - 1
    anonymous = {
        "peer": list(names.values()),
        "expected_band": [_band_in_words(number) for number in band],
        "expected": [_middle(number) for number in band],
        **{name: shown[name].astype(float).round(1) for name in COARSE},
        "flag": shown["flag"],
    }
    return pd.DataFrame(anonymous)


def pooled_peers(places: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    """Return what the places of others have in common, by environment and in all, as far as it may be shown.

    Parameters
    ----------
    places : DataFrame
        One row per environment of a site of another client: `client`, `site`, `environment`, `removed_at_risk`
        [items], `shackle_years`.
    rules : BenchmarkRules
        As for `has_enough_peers`, and the least number of removals.

    Returns
    -------
    DataFrame
        One row per environment, and the last one for `all of these`: `environment`, `peer_sites`, `peer_removals`
        and `peer_shackle_years`, rounded to two figures, and `peer_rate` [removals per 100 shackle-years], to a tenth.
        The figures of an environment with too few peers are empty. Less what is shown, the total would give the sum of
        what is hidden, so that further environments are hidden with it, the smallest first, until the hidden ones
        together rest on enough peers; where they never do, there is no total.

    References
    ----------
    Hundepool, A. et al. (2012). Statistical Disclosure Control, chapter 4: secondary suppression (from memory).
    """
    environments = dict(list(places.groupby("environment")))
    hidden = [name for name, rows in environments.items() if not _may_be_shown(rows, rules)]
    smallest_first = sorted(
        set(environments) - set(hidden), key=lambda name: environments[name]["removed_at_risk"].sum()
    )
    while (
        hidden
        and smallest_first
        and not _may_be_shown(pd.concat([environments[name] for name in hidden]), rules)
    ):
        hidden.append(smallest_first.pop(0))
    has_total = not hidden or _may_be_shown(pd.concat([environments[name] for name in hidden]), rules)
    nothing = [np.nan] * 4
    figures = [nothing if name in hidden else _pooled(rows) for name, rows in environments.items()]
    if environments:
        figures.append(_pooled(places) if has_total else nothing)
    pooled = pd.DataFrame(figures, columns=["peer_sites", "peer_removals", "peer_shackle_years", "peer_rate"])
    pooled.insert(0, "environment", [*environments, ALL_TOGETHER][: len(figures)])
    return pooled.astype({"peer_sites": "Int64"})


def _may_be_shown(places: pd.DataFrame, rules: BenchmarkRules) -> bool:
    return (
        has_enough_peers(places, rules) and places["removed_at_risk"].sum() >= rules.least_removals_of_a_peer
    )


def _pooled(places: pd.DataFrame) -> list[float]:
    removals, years = places["removed_at_risk"].sum(), places["shackle_years"].sum()
    sites = len(places[["client", "site"]].drop_duplicates())
    return [sites, _to_two_figures(removals), _to_two_figures(years), round(100 * removals / years, 1)]


def _to_two_figures(value: float) -> float:
    return float(f"{value:.1e}")


def _keyed_hash(text: str, salt: str) -> str:
    return hmac.new(salt.encode(), text.encode(), hashlib.sha256).hexdigest()


def _band_in_words(number: int) -> str:
    lower, upper = BAND_ENDS[number], BAND_ENDS[number + 1]
    if number == 0:
        return f"under {upper:,}"
    return f"{lower:,} or more" if np.isinf(upper) else f"{lower:,} to {upper:,}"


def _middle(number: int) -> float:
    """Return the geometric middle of a band; that of the first and the last one as if they were as wide as a next one."""
    lower = BAND_ENDS[number] or BAND_ENDS[number + 1] / 4
    upper = 2 * lower if np.isinf(BAND_ENDS[number + 1]) else BAND_ENDS[number + 1]
    return float(np.sqrt(lower * upper))
