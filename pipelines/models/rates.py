"""Removal rates with their confidence limits, and the centre line and control limits of a series of months."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.contracts import RiskTargets
from pipelines.models.limits import exact_rate_limits
from pipelines.models.trend import drift_chart, false_signal_chances, rate_chart

SIGNALS = ["signal", "drift_signal"]
CHARTED = [
    "centre",
    "limit_lower",
    "limit_upper",
    "p_value",
    "false_signal_chance",
    "smoothed_rate",
    *SIGNALS,
]
RATE_COLUMNS = ["removed_per_100_shackle_years", "rate_lower", "rate_upper"]


def rates_with_limits(cells: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return the removal rate of each cell with its exact limits, or the reason why there is none.

    Parameters
    ----------
    cells : DataFrame
        One row per cell: `inspected` [items at periodic inspections], `removed_at_risk` [items], `shackle_years`, and
        where cells take in looks that differ, `look_weight`, the share of their exposure that as many even looks would
        need to say as much; 1 where there is none.
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
    weight = cells.loc[has_rate, "look_weight"] if "look_weight" in cells else 1.0
    lower, upper = exact_rate_limits(removed * weight, shackle_years * weight, targets.rate_limits_level)

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
    """Return the centre line, the control limits and the signals of each month of each series.

    Parameters
    ----------
    months : DataFrame
        One row per series and month, in order of the months: `removed_at_risk`, `shackle_years`,
        `removed_per_100_shackle_years` (empty where the month has no rate) and the columns of `series`. Where
        `expected_removals` [items] is given, the centre of a month is that over its exposure.
    series : list of str
        Columns that together name a series.
    targets : RiskTargets
        Gives the length of the baseline.

    Returns
    -------
    DataFrame with the index of `months`
        `centre`, `limit_lower`, `limit_upper` [removals per 100 shackle-years] and `signal` of `rate_chart`, with its
        `p_value`, of which a month with exposure but no rate has the centre alone; `false_signal_chance`, how often ordinary variation alone makes a signal of the month;
        `smoothed_rate` [removals per 100 shackle-years] and `drift_signal` of `drift_chart`; and `limit_note`, which
        says why limits are empty where the rate is not.

    Notes
    -----
    The centre is the pooled rate of the first months that have a rate, `least_months_for_limits` of them; with fewer
    there is none. Where nothing was removed in those months there are no limits: a centre of 0 would make the
    very first removal a signal. Where the baseline months spread more than chance allows, limits are widened.
    """
    number = months.groupby(series, dropna=False, sort=False).ngroup()
    limits = _charts(months, number, targets.least_months_for_limits)
    limits["limit_note"] = joined_notes(
        note(
            limits["centre"].isna().groupby(number).transform("all"),
            f"fewer than {targets.least_months_for_limits} months with a rate, no control limits",
        ),
        note(
            (limits["centre"] == 0) & months["removed_per_100_shackle_years"].notna(),
            "nothing removed in the baseline months, no control limits",
        ),
    )
    return limits


def _charts(months: pd.DataFrame, number: pd.Series, least_months: int) -> pd.DataFrame:
    """Return the control and drift charts of each series, by its number; all empty where it has too few months with a rate."""
    has_rate = months["removed_per_100_shackle_years"].notna()
    is_baseline = has_rate & (has_rate.astype(int).groupby(number).cumsum() <= least_months)
    is_charted = is_baseline.groupby(number).transform("sum") >= least_months
    charted = months[is_charted]
    of_charted = np.unique(number[is_charted], return_inverse=True)[1]
    has_rate = has_rate[is_charted]
    removed, shackle_years = (
        charted[name].where(has_rate, 0).to_numpy(dtype=float)
        for name in ("removed_at_risk", "shackle_years")
    )
    expected = charted["expected_removals"].where(has_rate, 0) if "expected_removals" in charted else None
    charts = rate_chart(removed, shackle_years, least_months, expected, is_baseline[is_charted], of_charted)
    points = charts.points.set_index(charted.index)
    widening = charts.widening[of_charted]
    counts = points["centre"].to_numpy() * shackle_years / 100
    error = widening * np.sqrt(100 * points["centre"] / np.where(has_rate, shackle_years, np.nan))
    drift = drift_chart(
        points["value"], points["centre"], error.where(error > 0), series=of_charted
    ).set_index(charted.index)
    has_limits = points["limit_upper"].notna()
    found = points.assign(
        centre=_centres(charted, points["centre"], of_charted),
        false_signal_chance=pd.Series(false_signal_chances(counts, widening), charted.index).where(
            has_limits
        ),
        smoothed_rate=drift["ewma"].where(has_limits),
        drift_signal=drift["signal"].where(has_limits, None),  # type: ignore[call-overload]
    )[CHARTED]
    empty = pd.DataFrame(np.nan, index=months.index[~is_charted], columns=CHARTED)
    return pd.concat([found, empty.astype(dict.fromkeys(SIGNALS, object))]).loc[months.index]


def _centres(charted: pd.DataFrame, of_rated: pd.Series, number: NDArray[np.intp]) -> pd.Series:
    """Return the centre of every month with exposure, from that of the months with a rate."""
    if "expected_removals" in charted:
        centre = 100 * charted["expected_removals"] / charted["shackle_years"]
    else:
        centre = of_rated.groupby(number).transform("first")
    return centre.where(charted["shackle_years"] > 0)


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
    has_note = np.logical_or.reduce([note.to_numpy(dtype=object).astype(bool) for note in notes])
    together = np.full(has_note.size, None, dtype=object)
    rows = zip(*(note[has_note] for note in notes), strict=True)
    together[has_note] = ["; ".join(note for note in row if note) for row in rows]
    return pd.Series(together, index=notes[0].index, dtype=object)
