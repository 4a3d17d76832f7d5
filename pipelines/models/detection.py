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

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar

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
    if not looks["removed"].any():
        return 0.0
    removed, kept, gap_years, stayed = _by_position(looks, group)

    def loss(log_rate: float) -> float:
        found = _shares_found(np.exp(log_rate), gap_years, stayed, detection)
        # A share of exactly 0 or 1 occurs only where the hazard is beyond double precision.
        found = np.clip(found, 1e-300, 1 - 1e-16)
        return -float(np.sum(removed * np.log(found) + kept * np.log1p(-found)))

    # The likelihood may have two tops: one history of many finds can be due to a fast rate or to chance.
    steps = np.linspace(np.log(SLOWEST_RATE), np.log(FASTEST_RATE), RATE_STEPS)
    top = np.clip(np.argmin([loss(step) for step in steps]), 1, RATE_STEPS - 2)
    best = minimize_scalar(
        loss, bounds=(steps[top - 1], steps[top + 1]), method="bounded", options={"xatol": 1e-10}
    )
    return float(100 * np.exp(best.x))


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
    rows = []
    for name, of_place in looks.groupby(place, dropna=False, sort=True):
        rates = {detection: rate_if_looks_miss(of_place, group, detection) for detection in DETECTIONS}
        for detection, rate in rates.items():
            factor = rate / rates[1.0] if rate else 1.0
            rows.append((*np.atleast_1d(np.asarray(name, dtype=object)), detection, rate, factor))
    return pd.DataFrame(rows, columns=[*place, "detection", "rate", "factor"])


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


def _by_position(looks: pd.DataFrame, group: list[str]) -> tuple[NDArray, ...]:
    # One row per group, one column per look of it; the empty looks of short histories count nothing.
    history, position = (
        looks.groupby(group, dropna=False).ngroup(),
        looks.groupby(group, dropna=False).cumcount(),
    )
    columns = {
        "removed": looks["removed"],
        "kept": looks["inspected"] - looks["removed"],
        "gap_years": looks["gap_years"],
        "stayed": 1 - looks["joined"] / looks["inspected"],
    }
    shape = (history.max() + 1, position.max() + 1)
    tables = []
    for column in columns.values():
        table = np.zeros(shape)
        table[history, position] = column
        tables.append(table)
    return tuple(tables)


def _shares_found(rate: float, gap_years: Floats, stayed: Floats, detection: float) -> Floats:
    found = np.empty_like(gap_years)
    left = np.zeros(len(gap_years))
    for look in range(gap_years.shape[1]):
        rejectable = 1 - (1 - left * stayed[:, look]) * np.exp(-rate * gap_years[:, look])
        found[:, look] = detection * rejectable
        # Where perfect looks find every item rejectable none is left, and no share of them rejectable.
        left = (1 - detection) * rejectable / np.maximum(1 - detection * rejectable, 1e-300)
    return found
