"""What it does to a removal rate, and to the share in service while rejectable, that looks miss some defects.

A rejectable item that a look misses stays in service and may be found at a later one. Each look finds each rejectable
item with the same probability, `detection`. All of it is our own derivation, from the two states of an item, sound and
rejectable but not yet found; notation: q = 1 - exp(-rate * gap), d = detection, c = share of the items left standing
after a look that are rejectable.

    rejectable at a look          D = 1 - (1 - c before) (1 - q)
    found at that look            d D
    left standing and rejectable  c after = (1 - d) D / (1 - d D)

Under looks a steady gap apart c settles at (1 - d)/d * q/(1 - q), and then the share found is q itself: in balance a
site removes what becomes rejectable, whatever its looks miss. The rate is therefore misread only until the balance is
reached (the first look after a sound start finds d q, not q) and where gaps change: the look after a long gap leaves
much behind, and the next one finds it after a short gap. What does change for good is the share in service while
rejectable.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize.elementwise import find_root

from pipelines.models.limits import Floats

DETECTIONS = (1.0, 0.9, 0.8)  # the sensitivity that reports show
SLOWEST_RATE, FASTEST_RATE = 1e-7, 50.0  # removals per shackle-year between which the rate is sought
RATE_STEPS = 60  # a third apart


def rate_if_looks_miss(looks: pd.DataFrame, group: list[str], detection: float) -> float:
    """Return the rate at which items became rejectable, one rate for all looks, if looks find only a share of them.

    Parameters
    ----------
    looks : DataFrame
        One row per look at a group, in order of the looks: the columns of `group`, `gap_years`, `inspected`,
        `removed` and `joined` [items that came since the look before, taken as sound].
    group : list of str
        Columns that together name a group.
    detection : float
        Share of the rejectable items that a look finds, above 0 and at most 1.

    Returns
    -------
    float
        Maximum-likelihood rate [per 100 shackle-years]; 0 where nothing was removed.

    Notes
    -----
    Every group starts sound, which errs to the higher rate: a look that only opened the clock missed some defects too,
    and found at the next one they count as new. Under a balance from the start the rate is that of detection 1.

    Examples
    --------
    >>> looks = pd.DataFrame({"group": 1, "gap_years": 1.0, "inspected": 100, "removed": [8, 10], "joined": 0})
    >>> print(f"{rate_if_looks_miss(looks, ['group'], 1.0):.2f} {rate_if_looks_miss(looks, ['group'], 0.8):.2f}")
    9.43 10.81
    """
    histories = _histories(looks, pd.Series(0, looks.index), group)
    return float(_rates(histories, detection)[0])


def detection_sensitivity(looks: pd.DataFrame, place: list[str], group: list[str]) -> pd.DataFrame:
    """Return each place's rate if looks find all, nine or eight in ten of the rejectable items.

    Parameters
    ----------
    looks, group
        As for `rate_if_looks_miss`; groups of different places have different names.
    place : list of str
        Columns that together name a place.

    Returns
    -------
    DataFrame
        One row per place and detection: the columns of `place`, `detection`, `rate` [per 100 shackle-years] and
        `factor`, the rate over that of detection 1 (1 where nothing was removed).
    """
    by_place = looks.groupby(place, dropna=False, sort=True)
    histories = _histories(looks, by_place.ngroup(), group)
    rates = np.column_stack([_rates(histories, detection) for detection in DETECTIONS])
    every = rates[:, :1]
    places = by_place[[]].first().index.to_frame(index=False)
    return (
        places.loc[places.index.repeat(len(DETECTIONS))]
        .assign(
            detection=np.tile(DETECTIONS, len(places)),
            rate=rates.ravel(),
            factor=np.divide(rates, every, out=np.ones_like(rates), where=every > 0).ravel(),
        )
        .reset_index(drop=True)[[*place, "detection", "rate", "factor"]]
    )


def share_in_service_if_looks_miss(rate: ArrayLike, months: ArrayLike, detection: ArrayLike) -> Floats:
    """Return the average share of items in service while rejectable, in balance, if looks miss some.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Rate at which items become rejectable [per 100 shackle-years].
    months : array_like of float, shape (n,)
        Time between looks [months].
    detection : array_like of float, shape (n,)
        Share of the rejectable items that a look finds, above 0 and at most 1.

    Notes
    -----
    With x = rate * gap: `1 - (1 - c) (1 - exp(-x))/x` with `c = (1 - d)/d * (exp(x) - 1)`, at most 1. For small x it
    exceeds the share under perfect looks by about `(1 - d)/d * x`: at d = 0.8 half as much again. The share found at a
    look stays `1 - exp(-x)`.

    Examples
    --------
    >>> print(*share_in_service_if_looks_miss(5.0, 12, [1.0, 0.9, 0.8]).round(4))
    0.0246 0.0301 0.0371
    """
    x = np.asarray(rate, dtype=float) / 100 * np.asarray(months, dtype=float) / 12
    detection = np.asarray(detection, dtype=float)
    left = np.minimum((1 - detection) / detection * np.expm1(x), 1)
    sound = np.where(x > 0, -np.expm1(-x) / np.where(x > 0, x, 1), 1.0)
    return 1 - (1 - left) * sound


@dataclass(frozen=True)
class _Histories:
    """Looks by their position in the history of a group; the longest histories first, so that each position is a head.

    `place` is the number of each history's place, `has_removals` whether anything was removed at each place. `columns`
    holds, for each position, `removed`, `kept`, `gap_years` and `stayed` of the histories that are long enough.
    """

    place: NDArray[np.intp]
    has_removals: NDArray[np.bool_]
    columns: list[Floats]


def _histories(looks: pd.DataFrame, place: pd.Series, group: list[str]) -> _Histories:
    """Return the histories of the groups of each place; those with looks alike in gap and joiners are added up."""
    of_group = looks.groupby(group, dropna=False)
    number, position = of_group.ngroup(), of_group.cumcount()
    stayed = 1 - looks["joined"] / looks["inspected"]
    alike = pd.DataFrame({"position": position, "gap_years": looks["gap_years"], "stayed": stayed})
    marks = pd.util.hash_pandas_object(alike, index=False).groupby(number).sum()
    groups = pd.DataFrame(
        {"place": place.groupby(number).first(), "mark": marks, "looks": number.value_counts()}
    )
    history = groups.groupby([-groups["looks"], "place", "mark"]).ngroup()
    table = pd.DataFrame(
        {
            "removed": looks["removed"],
            "kept": looks["inspected"] - looks["removed"],
            "gap_years": looks["gap_years"],
            "stayed": stayed,
        }
    ).groupby([position.rename("position"), number.map(history).rename("history")])
    sums = table.agg({"removed": "sum", "kept": "sum", "gap_years": "first", "stayed": "first"})
    lengths = sums.groupby(level="position").size().to_numpy()
    return _Histories(
        place=groups["place"].groupby(history).first().to_numpy(),
        has_removals=looks["removed"].groupby(place).sum().to_numpy() > 0,
        columns=np.split(sums.to_numpy(dtype=float).T, np.cumsum(lengths)[:-1], axis=1),
    )


def _rates(histories: _Histories, detection: float) -> Floats:
    """Return the rate of each place [per 100 shackle-years]; 0 where nothing was removed."""
    places = len(histories.has_removals)
    # The likelihood may have two tops: one history of many finds can be due to a fast rate or to chance.
    steps = np.linspace(np.log(SLOWEST_RATE), np.log(FASTEST_RATE), RATE_STEPS)
    values = [_likelihood(histories, np.full(places, step), detection)[0] for step in steps]
    top = np.clip(np.argmax(values, axis=0), 1, RATE_STEPS - 2)
    lowest, highest = steps[top - 1], steps[top + 1]

    def slope(log_rate: Floats, place: NDArray[np.intp]) -> Floats:
        every = steps[top].copy()
        every[place] = log_rate
        return _likelihood(histories, every, detection)[1][place]

    everywhere = np.arange(places)
    at_lowest, at_highest = slope(lowest, everywhere), slope(highest, everywhere)
    # At an end of the range the likelihood may still be rising towards it.
    log_rate = np.where(at_highest >= 0, highest, lowest)
    inside = np.flatnonzero(histories.has_removals & (at_lowest > 0) & (at_highest < 0))
    if inside.size:
        log_rate[inside] = find_root(slope, (lowest[inside], highest[inside]), args=(inside,)).x
    return np.where(histories.has_removals, 100 * np.exp(log_rate), 0.0)


def _likelihood(histories: _Histories, log_rate: Floats, detection: float) -> tuple[Floats, Floats]:
    """Return the log-likelihood of each place at a log rate of its own, and its derivative."""
    rate = np.exp(log_rate)[histories.place]
    value, slope = np.zeros_like(rate), np.zeros_like(rate)
    left, left_slope = np.zeros_like(rate), np.zeros_like(rate)
    for removed, kept, gap_years, stayed in histories.columns:
        here = slice(len(removed))
        hazard = rate[here] * gap_years
        sound = (1 - left[here] * stayed) * np.exp(-hazard)
        rejectable = 1 - sound
        by_rate = hazard * sound + left_slope[here] * stayed * np.exp(-hazard)
        # A share of exactly 0 or 1 occurs only where the hazard is beyond double precision.
        found = np.clip(detection * rejectable, 1e-300, 1 - 1e-16)
        value[here] += removed * np.log(found) + kept * np.log1p(-found)
        slope[here] += (removed / found - kept / (1 - found)) * detection * by_rate
        # Where perfect looks find every item rejectable none is left, and no share of them rejectable.
        standing = np.maximum(1 - detection * rejectable, 1e-300)
        left[here] = (1 - detection) * rejectable / standing
        left_slope[here] = (1 - detection) * by_rate / standing / standing
    places = len(histories.has_removals)
    return (
        np.bincount(histories.place, weights=value, minlength=places).astype(float),
        np.bincount(histories.place, weights=slope, minlength=places).astype(float),
    )
