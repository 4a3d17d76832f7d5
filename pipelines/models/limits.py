"""Confidence limits of rates, shares and ratios, and control limits of a rate: each exact, each for many cells at once.

Confidence limits say how well a figure is known, control limits how far ordinary variation carries it.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaincc
from scipy.stats import beta, chi2

from pipelines.faults import DataFault

Floats = NDArray[np.float64]


def exact_rate_limits(removed: ArrayLike, shackle_years: ArrayLike, level: float) -> tuple[Floats, Floats]:
    """Return the exact limits of a removal rate, one pair for each cell.

    Parameters
    ----------
    removed : array_like, shape (n,)
        Items removed from service [items], 0 or more; whole, or an effective number.
    shackle_years : array_like of float, shape (n,)
        Exposure of the same cells [shackle-years], above 0; effective where the removals are.
    level : float
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    lower, upper : ndarray of float, shape (n,)
        Limits [removals per 100 shackle-years]; `lower` is 0 where nothing was removed.

    Raises
    ------
    DataFault
        A cell has no exposure or a negative count; the message names the first one.

    Notes
    -----
    Takes for granted that items go one by one, at a rate that holds still within the cell. Where one batch was
    condemned together the limits are too narrow. They cover at least `level`, often more. Where looks differ, counts and
    exposure that both are taken down to what as many even looks would say widen the limits about the same rate.

    References
    ----------
    Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437-442.
    Korn, E. L. & Graubard, B. I. (1998). Confidence intervals for proportions with small expected number of positive
    counts estimated from survey data. Survey Methodology 24, 193-201 (effective numbers; from memory).

    Examples
    --------
    >>> lower, upper = exact_rate_limits([15], [400.0], level=0.95)
    >>> print(f"{lower[0]:.2f} to {upper[0]:.2f}")
    2.10 to 6.19
    """
    removed, shackle_years = np.asarray(removed), np.asarray(shackle_years, dtype=float)
    _refuse_cells_without_a_rate(removed, shackle_years)
    tail = (1 - level) / 2
    # With no removals chi2 would have 0 degrees of freedom, where it is undefined; the limit is 0.
    lower = np.where(removed > 0, chi2.ppf(tail, 2 * np.where(removed > 0, removed, 1)), 0.0) / 2
    upper = chi2.ppf(1 - tail, 2 * (removed + 1)) / 2
    return 100 * lower / shackle_years, 100 * upper / shackle_years


def exact_share_limits(removed: ArrayLike, inspected: ArrayLike, level: float) -> tuple[Floats, Floats]:
    """Return the exact limits of a share, one pair for each cell.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Items removed from service [items], 0 or more.
    inspected : array_like of int, shape (n,)
        Items looked at in the same cells [items], 1 or more and not fewer than were removed.
    level : float
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    lower, upper : ndarray of float, shape (n,)
        Limits [share, 0 to 1]; `lower` is 0 where nothing was removed, `upper` is 1 where everything was.

    Raises
    ------
    DataFault
        A cell has no item looked at, or a count outside 0 to `inspected`; the message names the first one.

    References
    ----------
    Clopper, C. J. & Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the
    binomial. Biometrika 26, 404-413.

    Examples
    --------
    >>> lower, upper = exact_share_limits([4], [20], level=0.90)
    >>> print(f"{lower[0]:.4f} to {upper[0]:.4f}")
    0.0714 to 0.4010
    """
    removed, inspected = np.asarray(removed), np.asarray(inspected)
    _refuse_cells_without_a_share(removed, inspected)
    tail = (1 - level) / 2
    kept = inspected - removed
    lower = np.where(removed > 0, beta.ppf(tail, np.maximum(removed, 1), kept + 1), 0.0)
    upper = np.where(kept > 0, beta.ppf(1 - tail, removed + 1, np.maximum(kept, 1)), 1.0)
    return lower, upper


def simultaneous_share_limits(
    removed: ArrayLike, total: ArrayLike, classes: ArrayLike, level: float
) -> tuple[Floats, Floats]:
    """Return limits of the shares of exclusive classes that hold for all classes of a whole together.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Removals in each class [items], 0 or more.
    total : array_like of int, shape (n,), or int
        Removals in all classes of the whole that the class belongs to [items], 1 or more.
    classes : array_like of int, shape (n,), or int
        Number of classes of that whole; classes that nobody could have ticked are left out beforehand.
    level : float
        Confidence level of all classes of one whole together, between 0 and 1.

    Returns
    -------
    lower, upper : ndarray of float, shape (n,)
        Limits [share, 0 to 1]; an empty class has `lower` 0 and `upper` above 0.

    References
    ----------
    Goodman, L. A. (1965). On simultaneous confidence intervals for multinomial proportions. Technometrics 7, 247-254.

    Examples
    --------
    >>> lower, upper = simultaneous_share_limits([0, 9], 9, 2, level=0.95)
    >>> print(f"{lower[0]:.3f} to {upper[0]:.3f}, {lower[1]:.3f} to {upper[1]:.3f}")
    0.000 to 0.358, 0.642 to 1.000
    """
    removed, total = np.asarray(removed, dtype=float), np.asarray(total, dtype=float)
    a = chi2.ppf(1 - (1 - level) / np.asarray(classes), 1)
    half_width = np.sqrt(a * (a + 4 * removed * (total - removed) / total))
    middle = a + 2 * removed
    scale = 2 * (total + a)
    # The share lies between its limits; rounding alone can put it a last digit outside.
    share = removed / total
    return np.clip((middle - half_width) / scale, 0, share), np.clip((middle + half_width) / scale, share, 1)


def rate_ratio_limits(
    removed: ArrayLike, others_removed: ArrayLike, exposure_ratio: ArrayLike, level: float
) -> tuple[Floats, Floats]:
    """Return the exact limits of the ratio of two removal rates, one pair for each cell.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Removals [items], 0 or more.
    others_removed : array_like of float, shape (n,)
        Removals of what each is compared with [items], 0 or more. A fraction stands for an effective count.
    exposure_ratio : array_like of float, shape (n,)
        Exposure over the exposure of what it is compared with, above 0.
    level : float
        Two-sided confidence level, between 0 and 1.

    Returns
    -------
    lower, upper : ndarray of float, shape (n,)
        Limits of the ratio; `lower` is 0 where nothing was removed, `upper` is infinite where the others removed
        nothing.

    Notes
    -----
    Given their sum, the two counts are binomial, so that the limits of Clopper and Pearson give those of the ratio. It
    takes for granted that items go one by one: removals that come in batches make the limits too narrow.

    References
    ----------
    Przyborowski, J. & Wilenski, H. (1940). Homogeneity of results in testing samples from Poisson series. Biometrika
    31, 313-323.

    Examples
    --------
    >>> lower, upper = rate_ratio_limits([11], [21], [800 / 3011], level=0.95)
    >>> print(f"{lower[0]:.3f} to {upper[0]:.3f}")
    0.858 to 4.277
    """
    removed, others, exposure_ratio = (
        np.asarray(a, dtype=float) for a in (removed, others_removed, exposure_ratio)
    )
    tail = (1 - level) / 2
    lower = np.where(removed > 0, beta.ppf(tail, np.maximum(removed, 1e-9), others + 1), 0.0)
    upper = np.where(others > 0, beta.isf(tail, removed + 1, np.maximum(others, 1e-9)), 1.0)
    with np.errstate(divide="ignore"):
        return lower / (1 - lower) / exposure_ratio, upper / (1 - upper) / exposure_ratio


def chance_of_rate_ratio(removed: ArrayLike, others_removed: ArrayLike, exposure_ratio: ArrayLike) -> Floats:
    """Return the probability by chance alone of two removal rates as far apart as these, one for each cell.

    Takes the first three arguments of `rate_ratio_limits`, and is at most 1 - level exactly where its limits leave out
    1: twice the smaller tail of the same conditional binomial distribution.

    Parameters
    ----------
    removed, others_removed : array_like of int, shape (n,)
        Removals of each cell and of what it is compared with [items].
    exposure_ratio : array_like of float, shape (n,)
        Exposure of the cell over that of the others, above 0.

    References
    ----------
    Fay, M. P. (2010). Two-sided exact tests and matching confidence intervals for discrete data. R Journal 2(1), 53-58
    (from memory).

    Examples
    --------
    >>> print(chance_of_rate_ratio([11, 0], [21, 0], [800 / 3011, 1.0]).round(4))
    [0.112 1.   ]
    """
    removed, others, exposure_ratio = (
        np.asarray(a, dtype=float) for a in (removed, others_removed, exposure_ratio)
    )
    share = exposure_ratio / (1 + exposure_ratio)
    so_many = np.where(removed > 0, betainc(np.maximum(removed, 1e-9), others + 1, share), 1.0)
    so_few = np.where(others > 0, betaincc(removed + 1, np.maximum(others, 1e-9), share), 1.0)
    return np.minimum(1.0, 2 * np.minimum(so_many, so_few))


def _refuse_cells_without_a_rate(removed: NDArray, shackle_years: Floats) -> None:
    faulty = np.flatnonzero((removed < 0) | ~(shackle_years > 0))
    if faulty.size:
        cell = faulty[0]
        raise DataFault(
            f"Cell {cell} has {removed[cell]} removals in {shackle_years[cell]:g} shackle-years, which gives no rate. "
            "Leave out cells without exposure."
        )


def _refuse_cells_without_a_share(removed: NDArray, inspected: NDArray) -> None:
    faulty = np.flatnonzero((removed < 0) | (inspected < 1) | (removed > inspected))
    if faulty.size:
        cell = faulty[0]
        raise DataFault(
            f"Cell {cell} has {removed[cell]} removals among {inspected[cell]} inspected, which gives no share. "
            "Leave out cells without inspected items."
        )
