"""Sites compared: observed against expected removals, funnel limits, shrunken ratios, ranks and flags."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipelines.contracts import BenchmarkRules
from pipelines.models.benchmark.funnel import (
    false_discovery_values,
    flags,
    funnel_limits,
    measured_spread,
    tail_probabilities,
)
from pipelines.models.benchmark.ranking import fitted_prior, ranks, shrunken_ratios
from pipelines.models.benchmark.reference import SiteReference
from pipelines.models.limits import exact_rate_limits
from pipelines.models.rates import joined_notes, note

SEED = 1936  # of the draws behind ranks; any other gives the same ranks to within the draws' own chance
FEW_REFERENCE_SITES = 3
WHOLE = ["observed", "observed_not_compared", "fewest_reference_sites", "rank", "rank_lower", "rank_upper"]


def compared_sites(references: Sequence[SiteReference], rules: BenchmarkRules) -> pd.DataFrame:
    """Return one row for each site: how its removals compare with what its reference expects.

    Parameters
    ----------
    references : sequence of SiteReference
        From `site_references`.
    rules : BenchmarkRules
        Levels, tails and least figures.

    Returns
    -------
    DataFrame
        The columns of the contract `site_benchmark`. A site without anything to be compared with has no ratio; one
        with fewer expected removals than `least_expected` has no flag and no rank. `benchmark_note` says why.
    """
    sites = pd.DataFrame([_counts(each) for each in references], columns=list(_COUNTED)).astype(_COUNTED)
    has_ratio = sites["expected"] > 0
    is_ranked = has_ratio & (sites["expected"] >= rules.least_expected)
    ratios = _ratios(sites[has_ratio], rules)
    standings = _standings(sites[is_ranked], rules)
    compared = sites.join(ratios).join(standings.reindex(sites.index))
    compared["stands_out"] = compared["false_discovery_value"] <= rules.false_discovery_share
    compared["benchmark_note"] = joined_notes(
        note(~has_ratio, "no other site to compare with"),
        note(
            has_ratio & ~is_ranked,
            f"under {rules.least_expected:g} removal expected, not flagged",
        ),
        sites["not_compared"].map(
            lambda names: f"not compared, no reference: {', '.join(names)}" if names else ""
        ),
        note(
            has_ratio & (sites["fewest_reference_sites"] < FEW_REFERENCE_SITES),
            f"one of its environments is compared with fewer than {FEW_REFERENCE_SITES} other sites",
        ),
        note(
            sites["has_borrowed_levels"],
            "part of its mix is found nowhere else, so its commonest like stands in",
        ),
    )
    return compared.drop(columns=["not_compared", "has_borrowed_levels", "relative_variance"]).astype(
        dict.fromkeys(WHOLE, "Int64")
    )


def clients_compared(sites: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    """Return one row for each client: removals against expected ones at all its sites together.

    Takes rows of `site_benchmark`; returns `client`, `sites`, `observed`, `expected`, `ratio`, `ratio_lower` and
    `ratio_upper`, the highest ratio first. The limits are exact and know nothing of how sites differ beyond chance.

    >>> from pipelines.contracts import benchmark_rules
    >>> sites = pd.DataFrame({"client": ["A", "A"], "site": ["1", "2"], "observed": [5, 7], "expected": [6.0, 4.0]})
    >>> clients_compared(sites, benchmark_rules())[["client", "sites", "observed", "ratio"]].to_numpy().tolist()
    [['A', 2, 12, 1.2]]
    """
    compared = sites[sites["expected"] > 0].groupby("client", as_index=False)
    clients = compared.agg(sites=("site", "size"), observed=("observed", "sum"), expected=("expected", "sum"))
    return by_ratio(clients.join(_ratios(clients, rules)))


def by_ratio(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with the highest ratio first: the shrunken one where there is one."""
    ratio = rows.get("shrunken_ratio", rows["ratio"])
    return rows.loc[ratio.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)


_COUNTED = {
    "client": "object",
    "site": "object",
    "observed": "int64",
    "expected": "float64",
    "shackle_years": "float64",
    "is_left_out": "bool",
    "fewest_reference_sites": "int64",
    "observed_not_compared": "int64",
    "shackle_years_not_compared": "float64",
    "relative_variance": "float64",
    "not_compared": "object",
    "has_borrowed_levels": "bool",
}


def _counts(site: SiteReference) -> dict[str, object]:
    summed = {
        "shackle_years": float(site.own["shackle_years"].sum()),
        "has_borrowed_levels": bool(site.own["is_borrowed"].any()),
    }
    return {name: summed[name] if name in summed else getattr(site, name) for name in _COUNTED}


def _ratios(sites: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    observed = sites["observed"].astype("int64")
    lower, upper = exact_rate_limits(observed, sites["expected"], rules.ratio_limits_level)
    return pd.DataFrame(
        {
            "ratio": sites["observed"] / sites["expected"],
            "ratio_lower": lower / 100,
            "ratio_upper": upper / 100,
        },
        index=sites.index,
    )


def _standings(sites: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    """Return limits, flag, shrunken ratio and rank of the sites that many removals enough are expected of."""
    observed, expected = sites["observed"].to_numpy(), sites["expected"].to_numpy()
    uncertainty = sites["relative_variance"].to_numpy()
    spread = measured_spread(observed, expected, rules.spread_tail, rules.winsorised_share, uncertainty)
    extra = spread.extra_variance(expected) + uncertainty
    lower, upper = funnel_limits(expected, rules.funnel_tail, extra)
    far_lower, far_upper = funnel_limits(expected, rules.far_funnel_tail, extra)
    few, many = tail_probabilities(observed, expected, extra)
    standings = pd.DataFrame(
        {
            "limit_lower": lower,
            "limit_upper": upper,
            "far_limit_lower": far_lower,
            "far_limit_upper": far_upper,
            "flag": flags(few, many, rules.funnel_tail, rules.far_funnel_tail),
            "false_discovery_value": false_discovery_values(few, many),
            "spread": np.full(len(sites), spread.kind, dtype=object),
            "spread_phi": spread.phi,
            "spread_tau2": spread.tau2,
        },
        index=sites.index,
    )
    return standings.join(_ranked(sites, rules))


def _ranked(sites: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    columns = ["shrunken_ratio", "shrunken_lower", "shrunken_upper"]
    if len(sites) < 2:  # one site is drawn toward nobody
        return pd.DataFrame(
            index=sites.index, columns=[*columns, *WHOLE[3:], "probability_highest_tenth"], dtype=float
        )
    observed, expected, level = sites["observed"], sites["expected"], rules.ratio_limits_level
    prior = fitted_prior(observed, expected)
    shrunken = dict(zip(columns, shrunken_ratios(observed, expected, prior, level), strict=True))
    ranked = ranks(observed, expected, prior, level, rules.posterior_draws, SEED)
    return pd.concat([pd.DataFrame(shrunken), ranked], axis="columns").set_axis(sites.index)
