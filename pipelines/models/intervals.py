"""How removal rate, months between periodic inspections and what they leave unfound hang together.

Takes for granted that defects appear at a steady rate and that the next look finds them. Items that wear out with age,
misuse between looks, causes that many items share and defects a look misses are not covered.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import chi2

from pipelines.models.limits import Floats

HALVINGS = 60  # of a range of 15 powers of ten: more than doubles can tell apart
BELOW_SERIES = 1e-3  # under this, 1 - (1 - exp(-x))/x loses digits and its series does not


def share_found(rate: ArrayLike, months: ArrayLike) -> Floats:
    """Return the share of items found rejectable at a look after `months`.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Removal rate [removals per 100 shackle-years].
    months : array_like of float, shape (n,)
        Time between looks [months].

    Examples
    --------
    >>> print(f"{share_found(5.17, 12):.4f}")
    0.0504
    """
    return -np.expm1(-_removals_per_item(rate, months))


def share_in_service(rate: ArrayLike, months: ArrayLike) -> Floats:
    """Return the average share of items in service while rejectable, if looks are `months` apart.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Removal rate [removals per 100 shackle-years].
    months : array_like of float, shape (n,)
        Time between looks [months].

    Notes
    -----
    The mean unavailability of an item that is tested at intervals. IEC 61508-6, Annex B, uses its first term, `x/2`.

    Examples
    --------
    >>> print(f"{share_in_service(5.17, 12):.4f}")
    0.0254
    """
    return _mean_unavailability(_removals_per_item(rate, months))


def longest_months(
    rate_upper: ArrayLike, target_found: float, target_in_service: float
) -> tuple[Floats, Floats]:
    """Return the longest time between looks that meets each of the two targets, in fractions of a month.

    Parameters
    ----------
    rate_upper : array_like of float, shape (n,)
        Upper limit of the removal rate [removals per 100 shackle-years], above 0. Never the rate itself.
    target_found, target_in_service : float
        Largest `share_found` and `share_in_service`, between 0 and 1.

    Returns
    -------
    months_found, months_in_service : ndarray of float, shape (n,)
        Longest time [months] under either target.
    """
    months_at_one = 12 * 100 / np.asarray(rate_upper, dtype=float)
    return (
        months_at_one * removals_per_item_found(target_found),
        months_at_one * removals_per_item_in_service(target_in_service),
    )


def removals_per_item_found(target: float) -> float:
    """Return the removals per item between looks at which `share_found` reaches `target`."""
    return float(-np.log1p(-target))


def removals_per_item_in_service(target: float) -> float:
    """Return the removals per item between looks at which `share_in_service` reaches `target`."""
    # The share rises, lies below x/2 and above 1 - 1/x, so the root lies between these two.
    return brentq(
        lambda x: float(_mean_unavailability(x)) - target, 2 * target, 1 / (1 - target), xtol=1e-12 * target
    )


def whole_months(months: ArrayLike) -> Floats:
    """Return `months` rounded down; a whisker is added so that 12.0 does not become 11."""
    return np.floor(np.asarray(months, dtype=float) + 1e-9)


def least_shackle_years(
    interval_months: ArrayLike, level: float, target_found: float, target_in_service: float
) -> tuple[Floats, Floats]:
    """Return the exposure under which not even a history without removals could support an interval.

    Parameters
    ----------
    interval_months : array_like of float, shape (n,)
        The interval to be supported [months].
    level : float
        One-sided confidence level of the upper rate limit.
    target_found, target_in_service : float
        Largest `share_found` and `share_in_service`, between 0 and 1.

    Returns
    -------
    for_found, for_in_service : ndarray of float, shape (n,)
        Exposure [shackle-years] that each target asks for; the larger one holds.
    """
    removals_at_most = chi2.ppf(level, 2) / 2 * np.asarray(interval_months, dtype=float) / 12
    return (
        removals_at_most / removals_per_item_found(target_found),
        removals_at_most / removals_per_item_in_service(target_in_service),
    )


def shackle_years_to_settle(
    rate: ArrayLike, interval_months: ArrayLike, level: float, target_found: float, target_in_service: float
) -> Floats:
    """Return the exposure at which experience would support an interval, were removals to go on at the same rate.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Removal rate so far [removals per 100 shackle-years].
    interval_months, level, target_found, target_in_service
        As for `least_shackle_years`.

    Returns
    -------
    shackle_years : ndarray of float, shape (n,)
        Exposure in all, not in addition [shackle-years]; empty (nan) where the rate itself breaks a target, so that no
        exposure would do. At a rate of 0 it is `least_shackle_years`.

    Notes
    -----
    The exposure at which the upper limit of `rate * exposure` removals (Garwood 1936, a count that need not be whole)
    falls to the rate the targets allow, by halving on a log scale.

    Examples
    --------
    >>> shackle_years_to_settle([0.0, 2.0, 9.0], 12, 0.95, 0.05, 0.025).round(1).tolist()
    [58.9, 155.6, nan]
    """
    rate, months = np.broadcast_arrays(
        np.asarray(rate, dtype=float) / 100, np.asarray(interval_months, dtype=float)
    )
    most_removals = min(
        removals_per_item_found(target_found), removals_per_item_in_service(target_in_service)
    )
    most = most_removals * 12 / months
    low, high = np.full(rate.shape, 1e-3), np.full(rate.shape, 1e12)
    for _ in range(HALVINGS):
        middle = np.sqrt(low * high)
        is_enough = chi2.ppf(level, 2 * rate * middle + 2) / 2 / middle <= most
        low, high = np.where(is_enough, low, middle), np.where(is_enough, middle, high)
    return np.where(rate < most, high, np.nan)


def _removals_per_item(rate: ArrayLike, months: ArrayLike) -> Floats:
    return np.asarray(rate, dtype=float) / 100 * np.asarray(months, dtype=float) / 12


def _mean_unavailability(x: ArrayLike) -> Floats:
    x = np.asarray(x, dtype=float)
    series = x / 2 - x**2 / 6 + x**3 / 24
    large = np.maximum(x, BELOW_SERIES)
    return np.where(x < BELOW_SERIES, series, 1 + np.expm1(-large) / large)
