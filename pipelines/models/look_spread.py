"""Whether looks at one place differ for reasons other than chance, and how much less that lets each of them say."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from pipelines.models.grouped_likelihood import Ints
from pipelines.models.limits import Floats

WIDEST_LOOK_SD = 3.0
WEIGHTING_ROUNDS = 5  # of the trust in each place, which rests on the variance sought


@dataclass(frozen=True)
class LookSpread:
    """How far looks differ from one another once places and covariates are accounted for.

    `look_sd` is the standard deviation of a place's rate from look to look, relative to the rate, by which errors were
    widened; 0 where looks differ no more than chance makes them. `p_value` says how often chance alone gives as
    much: the test of fit. None where no place has two removals. `dispersion` is Pearson's X2 over its degrees of
    freedom, for the record: where looks have few removals it lies below 1 whatever the spread. None without degrees
    of freedom.
    """

    dispersion: float | None
    p_value: float | None
    look_sd: float


def look_spread(
    place: Ints, look: Ints, inspected: Ints, removed: Ints, hazard: Floats, fitted: float
) -> tuple[LookSpread, Floats]:
    """Return the spread of looks about a fit, and the weight that it leaves to each look.

    Parameters
    ----------
    place, look : ndarray of int, shape (n,)
        Numbers of the place and the look of each row, 0 or more. Rows of one look are taken together.
    inspected, removed : ndarray, shape (n,)
        Counts [items].
    hazard : ndarray of float, shape (n,)
        Removals per item that the fit gives over the gap.
    fitted : float
        How many figures the fit took from the looks.

    Returns
    -------
    spread : LookSpread
    weight : ndarray of float, shape (n,)
        The variance of each row's look by chance over its variance with the spread.

    Notes
    -----
    A score test of extra variance (Dean 1992) made conditional on the removals of each place, our own derivation, so
    that places with few of them do not mislead it. Given a place's removals, each falls on look k with probability
    w_k. With phi = (look of a removal) - w, the sum of phi_i * phi_j over pairs of removals has mean 0 and variance
    2 r (r - 1) trace by chance, and mean variance * r (r - 1) * trace if the rate varies from look to look; trace: of
    the square of phi's covariance. The test adds these sums over places as they are. For the variance each is weighted
    by how well it tells it, so that a place with many removals on few looks does not outvote all others. It errs to
    the low side: at a true variance of 0.28 it comes out at 0.24 on average in the fleets of
    tests/benchmarks/coverage_study.py.

    References
    ----------
    Dean, C. B. (1992). Testing for overdispersion in Poisson and binomial regression models. Journal of the American
    Statistical Association 87, 451-457 (from memory).
    """
    _, first, of_row = np.unique(look, return_index=True, return_inverse=True)
    share, by_log_rate = -np.expm1(-hazard), inspected * hazard * np.exp(-hazard)
    seen, items = sums(of_row, removed), sums(of_row, inspected)
    expected, by_chance = sums(of_row, inspected * share), sums(of_row, inspected * share * (1 - share))
    slope, own = sums(of_row, by_log_rate), sums(of_row, by_log_rate**2 / inspected)
    variance, p_value = _variance_between_looks(place[first], items, seen, expected)
    # At a hazard beyond double precision chance leaves no variance.
    with np.errstate(divide="ignore", invalid="ignore"):
        pearson = float(np.sum((seen - expected) ** 2 / by_chance))
        weight = 1 / (1 + variance * (slope**2 - own) / by_chance)
    freedom = len(first) - fitted
    spread = LookSpread(pearson / freedom if freedom >= 1 else None, p_value, float(np.sqrt(variance)))
    return spread, weight[of_row]


def sums(number: Ints, values: NDArray, least: int = 0) -> Floats:
    """Return the sum of the values of each number, from 0 on.

    Parameters
    ----------
    number : ndarray of int, shape (n,)
        Number of each value, 0 or more.
    values : ndarray, shape (n,)
        What is added up.
    least : int
        How many sums there are at least, with 0 for numbers that do not occur.
    """
    return np.bincount(number, values, least).astype(float)


def _variance_between_looks(
    place: Ints, inspected: Floats, removed_on_look: Floats, expected: Floats
) -> tuple[float, float | None]:
    def of_place(values: Floats) -> Floats:
        return sums(place, values)[place]

    removed = of_place(removed_on_look)
    w = expected / of_place(expected)
    w_squared = of_place(w**2)
    pairs = removed * (removed - 1)
    of_pairs = (removed_on_look - removed * w) ** 2 - removed_on_look * (1 - 2 * w + w_squared)
    # Each item can be removed only once, so that removed items scatter a little less than so far assumed.
    once = w**2 / inspected
    of_pairs += pairs * (once * (1 - 2 * w) + w**2 * of_place(once))
    information = pairs * w**2 * (1 - 2 * w + w_squared)
    if information.sum() == 0:
        return 0.0, None
    p_value = float(norm.sf(of_pairs.sum() / np.sqrt(2 * information.sum())))
    variance = 0.0
    for _ in range(WEIGHTING_ROUNDS):
        # The more removals share a look, the more of what a place says is the chance of that look.
        trust = 1 / (1 + variance * removed * w_squared) ** 2
        variance = float(
            np.clip((trust * of_pairs).sum() / (trust * information).sum(), 0, WIDEST_LOOK_SD**2)
        )
    return variance, p_value
