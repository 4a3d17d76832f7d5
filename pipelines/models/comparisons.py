"""Whether a rate, or a mix of reasons, differs from what it is compared with by more than chance."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import binom, chi2, chi2_contingency

from pipelines.models.limits import Floats, chance_of_rate_ratio, rate_ratio_limits

# Cochran's rule of thumb: under so many expected items the chi-square distribution is a poor guide.
LEAST_EXPECTED_IN_A_CLASS = 5


def adjusted_for_several(chance: pd.Series, family: list[pd.Series]) -> pd.Series:
    """Return the probabilities of several comparisons adjusted so that they hold for all of a family together.

    Parameters
    ----------
    chance : Series
        Probability of each comparison by chance alone; empty where none was made, which is left out of its family.
    family : list of Series
        Columns that together name the family a comparison belongs to.

    Returns
    -------
    Series with the index of `chance`
        With a limit of 5 % the probability to call any of a family beyond chance where none is stays under 5 %.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics 6,
    65-70.

    Examples
    --------
    >>> adjusted_for_several(pd.Series([0.01, 0.04, 0.03]), [pd.Series("A", index=range(3))]).round(2).tolist()
    [0.03, 0.06, 0.06]
    """
    # statsmodels' multipletests does the same for one family; it collects garbage at each call, 0.1 s for every place.
    made = chance.dropna().sort_values(kind="stable")
    names = [name[made.index] for name in family]
    members = made.groupby(names)
    still_in = members.transform("size") - members.cumcount()
    adjusted = (made * still_in).groupby(names).cummax().clip(upper=1.0)
    return adjusted.reindex(chance.index)


def chance_of_mix(one: ArrayLike, other: ArrayLike) -> float:
    """Return the probability by chance alone of two mixes of exclusive classes as unlike as these.

    Parameters
    ----------
    one, other : array_like of int, shape (k,) or (strata, k)
        Items of each class, such as removals by criterion in either of two years; of several strata, such as places,
        each is compared within itself.

    Returns
    -------
    float
        NaN where fewer than two classes are left to be compared.

    Notes
    -----
    The chi-square test of homogeneity. The rarest classes are pooled, by their sums over both, until each is expected
    to have 5 items in either; a pool that stays smaller takes in the next rarest class. Classes without any item say
    nothing. Strata add up their statistics and degrees of freedom.

    References
    ----------
    Cochran, W. G. (1954). Some methods for strengthening the common chi-square tests. Biometrics 10, 417-451.

    Examples
    --------
    >>> print(round(chance_of_mix([30, 10], [20, 20]), 4))
    0.0209
    """
    strata = np.stack([np.atleast_2d(one), np.atleast_2d(other)], axis=1).astype(float)
    statistic, freedom = np.sum([_chi_square(counts) for counts in strata], axis=0)
    return float(chi2.sf(statistic, freedom)) if freedom else np.nan


def _chi_square(counts: Floats) -> tuple[float, int]:
    """Return the chi-square statistic of homogeneity of two rows of counts, the rare classes pooled, and its freedom."""
    counts = counts[:, np.argsort(counts.sum(axis=0), kind="stable")]
    if not counts.sum(axis=1).all():
        return 0.0, 0
    least_in_both = LEAST_EXPECTED_IN_A_CLASS / counts.sum(axis=1).min() * counts.sum()
    pooled = np.cumsum(counts.sum(axis=0))
    is_rare = counts.sum(axis=0) < least_in_both
    rare = int(is_rare.sum())
    if rare and pooled[rare - 1] < least_in_both:
        rare += 1
    classes = np.column_stack([counts[:, :rare].sum(axis=1), counts[:, rare:]]) if rare else counts
    if classes.shape[1] < 2:
        return 0.0, 0
    test = chi2_contingency(classes, correction=False)
    return float(test.statistic), int(test.dof)


def chance_of_common_change(last: Floats, prior: Floats, exposure_ratio: Floats) -> float:
    """Return the probability by chance alone of so great a common change of the rates of several strata.

    Parameters
    ----------
    last, prior : ndarray of int, shape (strata,)
        Items removed in either of two years.
    exposure_ratio : ndarray of float, shape (strata,)
        Exposure of the last year over that of the year before, above 0.

    Notes
    -----
    Twice the smaller tail of the exact test given the sum of both years in each stratum: under no change the last year
    has a binomial share of it, and the sum over the strata is theirs folded together. With one stratum it is
    `chance_of_rate_ratio`. A change of how the exposure is spread over the strata is none of their rates.

    References
    ----------
    Breslow, N. E. & Day, N. E. (1987). Statistical Methods in Cancer Research II, section 3.6 (from memory).

    Examples
    --------
    >>> one_place = chance_of_common_change(np.array([60]), np.array([30]), np.array([1.0]))
    >>> print(round(one_place, 5), round(float(chance_of_rate_ratio(60, 30, 1.0)), 5))
    0.00206 0.00206
    """
    share = exposure_ratio / (1 + exposure_ratio)
    probabilities = np.ones(1)
    for total, of_last in zip((last + prior).astype(int), share, strict=True):
        probabilities = np.convolve(probabilities, binom.pmf(np.arange(total + 1), total, of_last))
    observed = int(last.sum())
    tails = probabilities[: observed + 1].sum(), probabilities[observed:].sum()
    return float(min(1.0, 2 * min(tails)))


def compared_with_others(
    cells: pd.DataFrame,
    whole: list[str],
    unit: list[str],
    strata: list[list[str]],
    least_shackle_years: float,
) -> pd.DataFrame:
    """Return the removals of each unit beside those that the rates of all other units would have given it.

    Parameters
    ----------
    cells : DataFrame
        `removed` [items with exposure], `shackle_years` and the columns named below, as many rows a unit as it takes.
    whole : list of str
        Columns that name what is compared within, such as the client: units of different wholes never meet.
    unit : list of str
        Columns that name a unit within its whole.
    strata : list of list of str
        Columns within which rates are compared, the finest first. A coarser one stands in where the others have under
        `least_shackle_years` in the finer one.
    least_shackle_years : float
        Least exposure of the others for a rate to compare with.

    Returns
    -------
    DataFrame
        One row per whole and unit: `removed_compared` [items] and `shackle_years_compared`, which leave out strata
        without others; `expected_removals` [items]; `others_removed`, the count of the others that their rates are as
        well known by as if they stood in a single stratum; `exposure_ratio`, the exposure over that of those others.

    Notes
    -----
    Indirect standardisation with each unit left out of its own reference. With one stratum `others_removed` is the
    count of the others, and limits of the ratio are exact; with several it is their effective count, the square of
    the expected removals over their variance.

    References
    ----------
    Breslow, N. E. & Day, N. E. (1987). Statistical Methods in Cancer Research II (from memory).
    Fay, M. P. & Feuer, E. J. (1997). Confidence intervals for directly standardized rates. Statistics in Medicine 16,
    791-801 (from memory), for the effective count.
    """
    sums = ["removed", "shackle_years"]
    left = cells.copy()
    parts = []
    for stratum in strata:
        others = _others(cells, whole, unit, stratum)
        known = others[others["others_shackle_years"] >= least_shackle_years]
        own = left.merge(known, on=[*whole, *unit, *stratum], how="left")
        has_others = own["others_shackle_years"].notna()
        keys = [*whole, *unit, *stratum, "others_removed", "others_shackle_years"]
        parts.append(own[has_others].groupby(keys, as_index=False)[sums].sum())
        left = own.loc[~has_others, cells.columns]
    every = pd.concat(parts)
    weight = every["shackle_years"] / every["others_shackle_years"]
    every["expected_removals"] = weight * every["others_removed"]
    every["variance"] = weight * every["expected_removals"]
    wanted = [*sums, "expected_removals", "variance", "others_shackle_years"]
    of_unit = every.groupby([*whole, *unit])[wanted].sum()
    units = pd.MultiIndex.from_frame(cells[[*whole, *unit]].drop_duplicates().sort_values([*whole, *unit]))
    of_unit = of_unit.reindex(units, fill_value=0.0).reset_index()
    expected = of_unit["expected_removals"]
    has_expected = expected > 0
    # Where the others removed nothing at all, exposures alone say how much of it each has.
    by_exposure = of_unit["shackle_years"] / of_unit["others_shackle_years"]
    by_exposure = by_exposure.where(of_unit["shackle_years"] > 0)
    return of_unit[[*whole, *unit]].assign(
        removed_compared=of_unit["removed"].astype(int),
        shackle_years_compared=of_unit["shackle_years"],
        expected_removals=expected,
        others_removed=(expected**2 / of_unit["variance"].where(has_expected)).fillna(0.0),
        exposure_ratio=(of_unit["variance"] / expected.where(has_expected)).fillna(by_exposure),
    )


def ratios_to_others(compared: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the ratio of each unit's removals to those expected, with its limits and its probability by chance.

    Takes rows of `compared_with_others` and the two-sided level of the limits. `ratio` and `ratio_upper` are empty where
    nothing was expected, `ratio_lower` and `chance` where there is nothing to compare with.
    """
    has_others = compared["exposure_ratio"].notna()
    removed, others, exposure_ratio = (
        compared.loc[has_others, name] for name in ("removed_compared", "others_removed", "exposure_ratio")
    )
    lower, upper = rate_ratio_limits(removed, others, exposure_ratio, level)
    chance = chance_of_rate_ratio(removed, others, exposure_ratio)
    ratios = pd.DataFrame(np.nan, index=compared.index, columns=["ratio_lower", "ratio_upper", "chance"])
    ratios.loc[has_others] = np.column_stack([lower, upper, chance])
    expected = compared["expected_removals"]
    ratios.insert(0, "ratio", compared["removed_compared"] / expected.where(expected > 0))
    return ratios.replace(np.inf, np.nan)


def _others(cells: pd.DataFrame, whole: list[str], unit: list[str], stratum: list[str]) -> pd.DataFrame:
    own = cells.groupby([*whole, *unit, *stratum])[["removed", "shackle_years"]].sum()
    others = own.groupby([*whole, *stratum]).transform("sum") - own
    return others.add_prefix("others_").reset_index()
