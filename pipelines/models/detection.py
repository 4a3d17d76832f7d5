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

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize.elementwise import find_root

from pipelines.models.limits import Floats

DETECTIONS = (1.0, 0.9, 0.8)  # the sensitivity that reports show
SLOWEST_RATE, FASTEST_RATE = 1e-7, 50.0  # removals per shackle-year between which the rate is sought
RATE_STEPS = 60  # a third apart
NO_RATE_TOO_HIGH = "so much was removed that no rate is too high to agree"


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
        Maximum-likelihood rate [per 100 shackle-years]; 0 where nothing was removed, empty where so much was that no rate
        is too high to agree: everything, or a greater share than looks would find.

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
    histories = _histories(looks, np.zeros(len(looks), dtype=np.intp), group)
    return float(_rates(histories, (detection,))[0, 0])


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
        One row per place and detection: the columns of `place`, `detection`, `rate` [per 100 shackle-years],
        `factor`, the rate over that of detection 1 (1 where nothing was removed), and `rate_note`, why they are empty.
    """
    by_place = looks.groupby(place, dropna=False, sort=True)
    histories = _histories(looks, by_place.ngroup().to_numpy().astype(np.intp), group)
    rates = _rates(histories, DETECTIONS).T
    every = rates[:, :1]
    places = by_place[[]].first().index.to_frame(index=False)
    factor = np.divide(rates, every, out=np.where(np.isnan(rates), np.nan, 1.0), where=every > 0)
    return (
        places.loc[places.index.repeat(len(DETECTIONS))]
        .assign(
            detection=np.tile(DETECTIONS, len(places)),
            rate=rates.ravel(),
            factor=factor.ravel(),
            rate_note=pd.Series(np.isnan(rates.ravel()))
            .map({True: NO_RATE_TOO_HIGH, False: None})
            .to_numpy(),
        )
        .reset_index(drop=True)[[*place, "detection", "rate", "factor", "rate_note"]]
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

    `place` is the number of each history's place; `removed`, `kept` and `item_years` are sums of each place. `columns`
    holds, for each position, `removed`, `kept`, `gap_years` and `stayed` of the histories that are long enough.
    """

    place: NDArray[np.intp]
    removed: Floats
    kept: Floats
    item_years: Floats
    columns: list[tuple[Floats, Floats, Floats, Floats]]

    def by_place(self, values: Floats) -> Floats:
        """Return the sums of each place, from one row per detection and one column per history."""
        return np.stack([np.bincount(self.place, row, len(self.removed)) for row in values])


def _histories(looks: pd.DataFrame, place: NDArray[np.intp], group: list[str]) -> _Histories:
    """Return the histories of the groups of each place; those with looks alike in gap and joiners are added up."""
    number = looks.groupby(group, dropna=False, sort=False).ngroup().to_numpy()
    order = np.argsort(number, kind="stable")
    place, number = place[order], number[order]
    inspected, removed, gap_years, joined = (
        looks[name].to_numpy()[order] for name in ("inspected", "removed", "gap_years", "joined")
    )
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    lengths = np.diff(starts, append=len(number))
    position = np.arange(len(number)) - np.repeat(starts, lengths)
    stayed = 1 - joined / inspected
    alike = pd.DataFrame({"position": position, "gap_years": gap_years, "stayed": stayed})
    marks = np.add.reduceat(pd.util.hash_pandas_object(alike, index=False).to_numpy(), starts)
    keys = pd.DataFrame({"looks": -lengths, "place": place[starts], "mark": marks})
    history = keys.groupby([*keys]).ngroup().to_numpy()
    first = np.unique(history, return_index=True)[1]
    # The histories of a position are a head of all of them, so that positions stand one behind the other.
    sizes = np.bincount(np.concatenate([np.arange(length) for length in lengths[first]]))
    cell = (np.cumsum(sizes) - sizes)[position] + np.repeat(history, lengths)
    filled = np.empty((4, sizes.sum()))
    filled[:2] = [np.bincount(cell, counts) for counts in (removed, inspected - removed)]
    filled[2:, cell] = gap_years, stayed
    return _Histories(
        place=place[starts][first],
        removed=np.bincount(place, removed).astype(float),
        kept=np.bincount(place, inspected - removed).astype(float),
        item_years=np.bincount(place, inspected * gap_years).astype(float),
        columns=[tuple(column) for column in np.split(filled, np.cumsum(sizes)[:-1], axis=1)],
    )


def _rates(histories: _Histories, detections: tuple[float, ...]) -> Floats:
    """Return the rate of each place [per 100 shackle-years], one row per detection; as `rate_if_looks_miss` has it."""
    detection = np.array(detections)[:, None]
    steps = np.linspace(np.log(SLOWEST_RATE), np.log(FASTEST_RATE), RATE_STEPS)
    top = np.clip(_highest(histories, steps, detection), 1, RATE_STEPS - 2)
    lowest, highest = steps[top - 1], steps[top + 1]

    def slope(log_rate: Floats, number: NDArray[np.intp]) -> Floats:
        every = steps[top]
        every.flat[number] = log_rate
        return _slope(histories, every, detection).flat[number]

    at_lowest, at_highest = (_slope(histories, end, detection) for end in (lowest, highest))
    # At the upper end of its range the likelihood may rise on, and then no rate is the likeliest.
    log_rate = np.where(at_highest >= 0, np.nan, lowest)
    inside = np.flatnonzero((histories.removed > 0) & (at_lowest > 0) & (at_highest < 0))
    if inside.size:
        found = find_root(slope, (lowest.flat[inside], highest.flat[inside]), args=(inside,))
        log_rate.flat[inside] = found.x
    return np.where(histories.removed > 0, 100 * np.exp(log_rate), 0.0)


def _highest(histories: _Histories, steps: Floats, detection: Floats) -> NDArray[np.intp]:
    """Return the number of the step at which the likelihood of each place is highest, for each detection.

    The likelihood may have two tops: one history of many finds can be due to a fast rate or to chance. The share found
    at each look rises with the rate. Below a step, therefore, what the removed add to the log-likelihood is less than
    at it, and above it what the kept add; so a search to either side can end before the end of the steps.
    """
    crude = np.log(np.maximum(histories.removed, SLOWEST_RATE) / histories.item_years)
    start = np.broadcast_to(np.searchsorted(steps, crude), (len(detection), len(crude)))
    # Where nothing was kept the likelihood rises to the end.
    best = np.where(histories.kept > 0, np.minimum(start, RATE_STEPS - 1), RATE_STEPS - 1)
    value_of_best = np.full(best.shape, -np.inf)
    most_of_removed = histories.removed * np.log(detection)
    for first, direction in ((best, -1), (best + 1, 1)):
        step = first
        is_open = (histories.removed > 0) & (histories.kept > 0) & (step < RATE_STEPS)
        while is_open.any():
            of_removed, of_kept = _log_likelihood(histories, steps[np.where(is_open, step, 0)], detection)
            value = of_removed + of_kept
            is_better = is_open & (value > value_of_best)
            best, value_of_best = np.where(is_better, (step, value), (best, value_of_best))
            further_on = of_removed if direction < 0 else most_of_removed + of_kept
            step = step + direction
            is_open &= (further_on >= value_of_best) & (step >= 0) & (step < RATE_STEPS)
    return best.astype(np.intp)


def _log_likelihood(histories: _Histories, log_rate: Floats, detection: Floats) -> tuple[Floats, Floats]:
    """Return what the removed and the kept add to the log-likelihood of each place at log rates of its own."""
    of_removed, of_kept = np.zeros((2, len(detection), len(histories.place)))
    for removed, kept, found, _ in _shares_found(histories, log_rate, detection):
        here = slice(len(removed))
        of_removed[:, here] += removed * np.log(found)
        of_kept[:, here] += kept * np.log1p(-found)
    return histories.by_place(of_removed), histories.by_place(of_kept)


def _slope(histories: _Histories, log_rate: Floats, detection: Floats) -> Floats:
    """Return the derivative of the log-likelihood of each place by its log rate."""
    slope = np.zeros((len(detection), len(histories.place)))
    for removed, kept, found, by_rate in _shares_found(histories, log_rate, detection):
        slope[:, : len(removed)] += (removed / found - kept / (1 - found)) * by_rate
    return histories.by_place(slope)


def _shares_found(
    histories: _Histories, log_rate: Floats, detection: Floats
) -> Iterator[tuple[Floats, Floats, Floats, Floats]]:
    """Yield, look by look, the removed, the kept, the share found and its derivative by the log rate."""
    rate = np.exp(log_rate)[:, histories.place]
    left, left_slope = np.zeros((2, *rate.shape))
    for removed, kept, gap_years, stayed in histories.columns:
        here = slice(len(removed))
        hazard = rate[:, here] * gap_years
        lasting = np.exp(-hazard)
        sound = (1 - left[:, here] * stayed) * lasting
        found = detection * (1 - sound)
        by_rate = hazard * sound + left_slope[:, here] * stayed * lasting
        # A share of exactly 0 or 1 occurs only where the hazard is beyond double precision.
        yield removed, kept, np.clip(found, 1e-300, 1 - 1e-16), detection * by_rate
        # Where perfect looks find every item rejectable none is left, and no share of them rejectable.
        standing = np.maximum(1 - found, 1e-300)
        left = (1 - detection) * (1 - sound) / standing
        left_slope = (1 - detection) * by_rate / standing / standing
