"""What the adjustment did for a site: its raw ratio to the fleet, taken apart into factors that multiply to it."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipelines.contracts import BenchmarkRules
from pipelines.models.benchmark.ranking import fitted_prior, shrunken_ratios
from pipelines.models.benchmark.reference import FACTORS, SITE, SiteReference

RAW, INTERVAL, ENVIRONMENT = "raw ratio", "interval", "environment"
ITEM_MIX, STRICTNESS, REMAINS = "item mix", "inspector strictness", "what remains"
PARTS = (RAW, INTERVAL, ENVIRONMENT, ITEM_MIX, STRICTNESS, REMAINS)
NUMBERS = ["inspected", "shackle_years", "surroundings", "items", "expected"]
ROUNDS = 200


def ratio_parts(
    references: Sequence[SiteReference], strictness: Mapping[tuple[str, str], float]
) -> pd.DataFrame:
    """Return the raw ratio of each site and what it is made of.

    Parameters
    ----------
    references : sequence of SiteReference
        From `site_references`.
    strictness : mapping of (client, site) to float
        From `inspector_strictness`; 1 where nothing can be said.

    Returns
    -------
    DataFrame
        One row for each site with a ratio and each of `PARTS`: `client`, `site`, `part`, `position` in the order of
        `PARTS`, `multiplier`, and `log_contribution`, its natural logarithm. The rows below the raw ratio add up to
        it on the log scale. Both are empty where nothing was removed or inspected and a logarithm does not exist.

    Notes
    -----
    The raw ratio is removals per item inspected, against the same figure of the reference. Its parts: `interval`,
    the time in service behind each item inspected, which a long interval makes more of; `environment`, where the
    items are used, with service class and use frequency; `item mix`, sizes and pins; `inspector strictness`; and
    `what remains`, which is the standardised ratio once strictness is taken from it. Environment and item mix share
    what they do together: each is the average over the two orders in which the site's mix can take the place of the
    reference's (Shapley's value of two players), the two mixes taken as independent in between.

    References
    ----------
    Kitagawa, E. M. (1955). Components of a difference between two rates. Journal of the American Statistical
    Association 50, 1168-1194 (from memory). Shapley, L. S. (1953). A value for n-person games (from memory).
    """
    rows = []
    for each in references:
        if each.expected > 0:
            multipliers = _multipliers(each, strictness.get((each.client, each.site), 1.0))
            rows += [
                (each.client, each.site, part, position, multipliers[part])
                for position, part in enumerate(PARTS, start=1)
            ]
    parts = pd.DataFrame(rows, columns=["client", "site", "part", "position", "multiplier"])
    parts["multiplier"] = parts["multiplier"].astype(float).where(lambda values: values > 0)
    return parts.assign(log_contribution=np.log(parts["multiplier"]))


def _multipliers(site: SiteReference, strictness: float) -> dict[str, float]:
    own, fleet = ({name: cells[name].to_numpy() for name in NUMBERS} for cells in (site.own, site.reference))
    own_years, fleet_years = own["shackle_years"].sum(), fleet["shackle_years"].sum()
    surroundings_own, surroundings_fleet = _mean(own, "surroundings"), _mean(fleet, "surroundings")
    items_own, items_fleet = _mean(own, "items"), _mean(fleet, "items")
    rate_own, rate_fleet = own["expected"].sum() / own_years, fleet["expected"].sum() / fleet_years
    environment_first = surroundings_own * items_fleet
    items_first = surroundings_fleet * items_own
    inspected = own["inspected"].sum()
    interval = np.nan
    if inspected > 0:
        interval = (own_years / inspected) / (fleet_years / fleet["inspected"].sum())
    ratio = site.observed / site.expected
    return {
        RAW: interval * ratio * rate_own / rate_fleet,
        INTERVAL: interval,
        ENVIRONMENT: np.sqrt(environment_first / rate_fleet * rate_own / items_first),
        ITEM_MIX: np.sqrt(items_first / rate_fleet * rate_own / environment_first),
        STRICTNESS: strictness,
        REMAINS: ratio / strictness,
    }


def _mean(cells: Mapping[str, np.ndarray], multiplier: str) -> float:
    return float(np.average(cells[multiplier], weights=cells["shackle_years"]))


def inspector_strictness(
    cells: pd.DataFrame, references: Sequence[SiteReference], rules: BenchmarkRules
) -> dict[tuple[str, str], float]:
    """Return by which factor the strictness of its inspectors multiplies the removals of each site.

    Parameters
    ----------
    cells : DataFrame
        As for `site_references`, with `inspector` (text, empty where nobody is named).
    references : sequence of SiteReference
        From `site_references`, of the same cells.
    rules : BenchmarkRules
        Gives the least number of inspectors.

    Returns
    -------
    dict
        By client and site; 1 is as strict as the inspectors it shares places with. A site is left out where nothing
        can be said: fewer than `least_inspectors` in all, or nobody of its inspectors works elsewhere.

    Notes
    -----
    Each place (environment of a site) and each inspector multiplies what is expected; both sets of multipliers are
    fitted by making the expected removals of each place and of each inspector in turn add up to what was seen. An
    inspector can be told from a place only where places share inspectors, and is therefore measured against those
    that are linked to him so. Inspectors' multipliers are shrunken, as the sites' are. Inspectors of different
    clients are different people, whatever their codes.

    References
    ----------
    Darroch, J. N. & Ratcliff, D. (1972). Generalized iterative scaling for log-linear models. Annals of Mathematical
    Statistics 43, 1470-1480 (from memory).
    """
    looks = _looks_by_inspector(cells, references)
    inspectors = looks.groupby(["client", "inspector"], sort=False).ngroup().to_numpy()
    if looks.empty or inspectors.max() + 1 < rules.least_inspectors:
        return {}
    places = looks.groupby(["client", "site", "environment"], sort=False).ngroup().to_numpy()
    observed, expected = looks["observed"].to_numpy(dtype=float), looks["expected"].to_numpy()
    of_place = np.ones(places.max() + 1)
    of_inspector = np.ones(inspectors.max() + 1)
    for _ in range(ROUNDS):
        of_place = _sums(places, observed) / np.maximum(
            _sums(places, expected * of_inspector[inspectors]), 1e-12
        )
        awaited = _sums(inspectors, expected * of_place[places])
        of_inspector = _sums(inspectors, observed) / np.maximum(awaited, 1e-12)
    links = coo_array((np.ones(len(looks)), (places, inspectors)))
    linked = _linked(links)[places]
    at_place = expected * of_place[places]
    level = _sums(linked, at_place * of_inspector[inspectors]) / np.maximum(_sums(linked, at_place), 1e-12)
    # A part without a single removal has no level, and its inspectors no strictness.
    awaited = np.maximum(_sums(inspectors, at_place * level[linked]), 1e-9)
    seen = _sums(inspectors, observed)
    shrunken, _, _ = shrunken_ratios(seen, awaited, fitted_prior(seen, awaited), rules.ratio_limits_level)
    looks = looks.assign(awaited=at_place, met=at_place * shrunken[inspectors], part=linked)
    sums = looks.groupby(["client", "site"])[["awaited", "met"]].sum()
    sites_of_part = looks.groupby("part")["site"].transform("nunique")
    told = set(looks.loc[sites_of_part > 1, ["client", "site"]].itertuples(index=False, name=None))
    return {
        key: float(row["met"] / row["awaited"])
        for key, row in sums.iterrows()
        if key in told and row["awaited"] > 0
    }  # type: ignore[misc]


def _looks_by_inspector(cells: pd.DataFrame, references: Sequence[SiteReference]) -> pd.DataFrame:
    priced = {(each.client, each.site): each.own for each in references if len(each.own)}
    named = cells[(cells["inspector"] != "") & (cells["shackle_years"] > 0)]
    if not priced or named.empty:
        return named.head(0).assign(expected=0.0)
    rates = pd.concat(priced, names=SITE)[[*FACTORS, "surroundings", "items"]].reset_index(SITE)
    looks = named.merge(rates, on=[*SITE, *FACTORS])
    looks["expected"] = looks["surroundings"] * looks["items"] * looks["shackle_years"]
    keys = ["client", "site", "environment", "inspector"]
    return looks.groupby(keys, as_index=False)[["observed", "expected"]].sum()


def _sums(group: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.bincount(group, weights=values)


def _linked(links: coo_array) -> np.ndarray:
    """Return for each place the number of its part: places that share an inspector, directly or over others."""
    _, part = connected_components(links @ links.T, directed=False)
    return part
