"""Removal rates with their confidence limits, and the centre line and control limits of a series of months."""

import numpy as np
import pandas as pd
from scipy.stats import norm

from pipelines.contracts import RiskTargets
from pipelines.models.limits import exact_rate_limits, poisson_control_limits, poisson_signals

RATE_COLUMNS = ["removed_per_100_shackle_years", "rate_lower", "rate_upper"]


def rates_with_limits(cells: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return the removal rate of each cell with its exact limits, or the reason why there is none.

    Parameters
    ----------
    cells : DataFrame
        One row per cell: `inspected` [items at periodic inspections], `removed_at_risk` [items], `shackle_years`.
    targets : RiskTargets
        Gives the least exposure for a rate and the level of the limits.

    Returns
    -------
    DataFrame with the index of `cells`
        `removed_per_100_shackle_years`, `rate_lower`, `rate_upper` [removals per 100 shackle-years], and `rate_note`,
        which is filled where those are empty.
    """
    has_rate = cells["shackle_years"] >= targets.least_shackle_years_for_a_rate
    removed = cells.loc[has_rate, "removed_at_risk"]
    shackle_years = cells.loc[has_rate, "shackle_years"]
    lower, upper = exact_rate_limits(removed, shackle_years, targets.rate_limits_level)

    rates = pd.DataFrame(np.nan, index=cells.index, columns=RATE_COLUMNS)
    rates.loc[has_rate, RATE_COLUMNS] = np.column_stack([100 * removed / shackle_years, lower, upper])
    is_unexposed = cells["shackle_years"] == 0
    rates["rate_note"] = joined_notes(
        note(is_unexposed & (cells["inspected"] == 0), "no periodic inspection"),
        note(is_unexposed & (cells["inspected"] > 0), "first looks only, no exposure yet"),
        note(~is_unexposed & ~has_rate, too_little_exposure(targets)),
    )
    return rates


def rates_if_unaccounted(cells: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return what the removal rate of each cell would be, whatever became of the items nobody presented.

    Parameters
    ----------
    cells : DataFrame
        One row per cell: `removed_at_risk`, `unaccounted_for` [items], `shackle_years` and
        `shackle_years_unaccounted_for` [shackle-years], the exposure that the items unaccounted for would add if all
        had been found fit.
    targets : RiskTargets
        Gives the least exposure for a rate.

    Returns
    -------
    DataFrame with the index of `cells`
        `rate_if_unaccounted_fit`, where they count the whole gap and no removal, and `rate_if_unaccounted_removed`,
        where each counts a removal and half its gap [removals per 100 shackle-years]. Empty where the cell has no
        rate. Both are plain rates: chance comes on top, as in the limits of the rate.

    Notes
    -----
    Both are the actuarial rates of the same log with those items written down as presented, so the first is never
    above the rate itself. The second lies above it unless half of all items or so are removed in each gap.

    Examples
    --------
    >>> cells = pd.DataFrame({"removed_at_risk": [4], "unaccounted_for": [2], "shackle_years": [40.0],
    ...                       "shackle_years_unaccounted_for": [8.0]})
    >>> from pipelines.contracts import risk_targets
    >>> print(rates_if_unaccounted(cells, risk_targets()).round(2).to_string(index=False))
     rate_if_unaccounted_fit  rate_if_unaccounted_removed
                        8.33                        13.64
    """
    removed = cells["removed_at_risk"]
    shackle_years = cells["shackle_years"].where(
        cells["shackle_years"] >= targets.least_shackle_years_for_a_rate
    )
    unaccounted_years = cells["shackle_years_unaccounted_for"]
    return pd.DataFrame(
        {
            "rate_if_unaccounted_fit": 100 * removed / (shackle_years + unaccounted_years),
            "rate_if_unaccounted_removed": 100
            * (removed + cells["unaccounted_for"])
            / (shackle_years + unaccounted_years / 2),
        }
    )


def control_limits(months: pd.DataFrame, series: list[str], targets: RiskTargets) -> pd.DataFrame:
    """Return the centre line, the control limits and the signal of each month of each series.

    Parameters
    ----------
    months : DataFrame
        One row per series and month, in order of the months: `removed_at_risk`, `shackle_years`,
        `removed_per_100_shackle_years` (empty where the month has no rate) and the columns of `series`. Where
        `expected_removals` [items] is given, the centre of a month is that over its exposure.
    series : list of str
        Columns that together name a series.
    targets : RiskTargets
        Gives the length of the baseline and the tail beyond each limit.

    Returns
    -------
    DataFrame with the index of `months`
        `centre`, `limit_lower`, `limit_upper` [removals per 100 shackle-years], `signal` and `limit_note`, which says
        why limits are empty where the rate is not.

    Notes
    -----
    The centre is the pooled rate of the first months that have a rate, `least_months_for_limits` of them; with fewer
    there is none. Where nothing was removed in those months there are no limits: a centre of 0 would make the
    very first removal a signal. Where the baseline months spread more than chance allows, limits are widened by
    `extra_spread`, never narrowed.

    References
    ----------
    Laney, D. B. (2002). Improved control charts for attributes. Quality Engineering 14, 531-537.
    """
    has_rate = months["removed_per_100_shackle_years"].notna()
    names = [months[column] for column in series]
    months_so_far = has_rate.astype(int).groupby(names, dropna=False).cumsum()
    baseline = months[["removed_at_risk", "shackle_years"]].where(
        has_rate & (months_so_far <= targets.least_months_for_limits), 0
    )
    pooled = baseline.groupby(names, dropna=False).transform("sum")
    has_centre = (
        months_so_far.groupby(names, dropna=False).transform("max") >= targets.least_months_for_limits
    )
    centre = (100 * pooled["removed_at_risk"] / pooled["shackle_years"]).where(has_centre)

    if "expected_removals" in months:
        centre = (100 * months["expected_removals"] / months["shackle_years"]).where(has_centre & has_rate)

    has_limits = has_rate & (centre > 0)
    charted = months[has_limits].assign(centre=centre[has_limits])
    limits = pd.DataFrame({"centre": centre}).join(_limits_and_signals(charted, series, targets))
    limits["signal"] = limits["signal"].astype(object).mask(~has_limits, None)  # type: ignore[call-overload]
    limits["limit_note"] = joined_notes(
        note(
            ~has_centre, f"fewer than {targets.least_months_for_limits} months with a rate, no control limits"
        ),
        note(centre == 0, "nothing removed in the baseline months, no control limits"),
    )
    return limits


def extra_spread(standardised: pd.Series) -> float:
    """Return by how much standardised counts spread beyond chance: 1 for no more, 2 for twice as wide.

    Takes (removed - expected) / sqrt(expected) of the baseline months, in order. It is their mean moving range times
    sqrt(pi)/2 (Laney 2002, who rounds that constant to 1/1.128), and never below 1, since with few months a smaller
    figure is mostly noise.

    >>> extra_spread(pd.Series([0.0, 4.0, 0.0])), extra_spread(pd.Series([0.1, 0.2])), extra_spread(pd.Series([3.0]))
    (3.5449077018110318, 1.0, 1.0)
    """
    moving_ranges = standardised.diff().abs().dropna()
    return max(1.0, float(moving_ranges.mean() * np.sqrt(np.pi) / 2)) if len(moving_ranges) else 1.0


def _limits_and_signals(charted: pd.DataFrame, series: list[str], targets: RiskTargets) -> pd.DataFrame:
    """Return limits and signal of each month: exact, or widened in a series whose months spread more than chance."""
    removed, shackle_years, centre = (
        charted[name] for name in ("removed_at_risk", "shackle_years", "centre")
    )
    expected = centre * shackle_years / 100
    standardised = (removed - expected) / np.sqrt(expected)
    spread = pd.Series(1.0, index=charted.index)
    for _, months in standardised.groupby([charted[name] for name in series], dropna=False):
        spread.loc[months.index] = extra_spread(months.head(targets.least_months_for_limits))
    tail = targets.control_limit_tail
    exact_lower, exact_upper = poisson_control_limits(centre, shackle_years, tail)
    # In rates per 100, the standard error of a month is 100 sqrt(expected) / exposure.
    reach = norm.isf(tail) * spread * 10 * np.sqrt(centre / shackle_years)
    is_wide = spread > 1
    lower = np.where(is_wide, np.minimum(exact_lower, (centre - reach).clip(lower=0)), exact_lower)
    upper = np.where(is_wide, np.maximum(exact_upper, centre + reach), exact_upper)
    rate = 100 * removed / shackle_years
    beyond = np.select([rate > upper, rate < lower], ["above", "below"], "within").astype(object)
    exact_signals = np.asarray(poisson_signals(removed, shackle_years, centre, tail), dtype=object)
    return pd.DataFrame(
        {"limit_lower": lower, "limit_upper": upper, "signal": np.where(is_wide, beyond, exact_signals)},
        index=charted.index,
    )


def charted_rates(months: pd.DataFrame, series: list[str], targets: RiskTargets) -> pd.DataFrame:
    """Return what a table of months shows beside its counts: share, rate, limits, signal and the reasons for gaps.

    Parameters
    ----------
    months : DataFrame
        One row per series and month, in order of the months: `inspected`, `removed`, `removed_at_risk` [items],
        `shackle_years` and the columns of `series`.
    series : list of str
        Columns that together name a series.
    targets : RiskTargets
        As for `rates_with_limits` and `control_limits`.

    Returns
    -------
    DataFrame with the index of `months`
        The columns of the contract `removal_rates` from `removed_per_100_inspected` on.
    """
    rates = rates_with_limits(months, targets)
    limits = control_limits(months.join(rates), series, targets)
    notes = joined_notes(rates.pop("rate_note"), limits.pop("limit_note"))
    share = 100 * months["removed"] / months["inspected"].where(months["inspected"] > 0)
    return pd.concat([share.rename("removed_per_100_inspected"), rates, limits], axis="columns").assign(
        rate_note=notes
    )


def too_little_exposure(targets: RiskTargets) -> str:
    """Return the reason why a cell with too little exposure has no rate."""
    return f"under {targets.least_shackle_years_for_a_rate:g} shackle-year of exposure"


def note(where: pd.Series, words: str) -> pd.Series:
    """Return `words` in the rows of `where` that are true, and nothing in the others."""
    return pd.Series(np.where(where, words, ""), index=where.index)


def joined_notes(*notes: pd.Series) -> pd.Series:
    """Return the notes of each row as one, separated by semicolons; empty where all are."""
    rows = zip(*notes, strict=True)
    together = ["; ".join(note for note in row if note) or None for row in rows]
    return pd.Series(together, index=notes[0].index, dtype=object)
