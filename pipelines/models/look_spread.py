"""Whether looks at one place differ for reasons other than chance, and how much less that lets each of them say."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

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


def look_spread(looks: pd.DataFrame, hazard: pd.Series, fitted: float) -> tuple[LookSpread, pd.Series]:
    """Return the spread of looks about a fit, and the weight that it leaves to each look.

    Parameters
    ----------
    looks : DataFrame
        One row per look at a group: `place_position`, `look_position`, `inspected`, `removed` [items]. Rows of one
        look are taken together.
    hazard : Series, index of `looks`
        Removals per item that the fit gives over the gap.
    fitted : float
        How many figures the fit took from the looks.

    Returns
    -------
    spread : LookSpread
    weight : Series, one per `look_position`
        The variance of the look by chance over its variance with the spread.

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
    share, inspected = -np.expm1(-hazard), looks["inspected"]
    of_row = {
        "inspected": inspected,
        "removed": looks["removed"],
        "expected": inspected * share,
        "variance": inspected * share * (1 - share),
        "by_log_rate": inspected * hazard * np.exp(-hazard),
        "own": inspected * (hazard * np.exp(-hazard)) ** 2,
    }
    by_look = pd.DataFrame(of_row).groupby(looks["look_position"])
    of_look = by_look.sum().assign(place=looks.groupby("look_position")["place_position"].first())
    pearson = float(np.sum((of_look["removed"] - of_look["expected"]) ** 2 / of_look["variance"]))
    freedom = len(of_look) - fitted

    variance, p_value = _variance_between_looks(of_look)
    inflation = (of_look["by_log_rate"] ** 2 - of_look["own"]) / of_look["variance"]
    spread = LookSpread(pearson / freedom if freedom >= 1 else None, p_value, float(np.sqrt(variance)))
    return spread, 1 / (1 + variance * inflation)


def _variance_between_looks(of_look: pd.DataFrame) -> tuple[float, float | None]:
    by_place = of_look.groupby("place")
    removed = by_place["removed"].transform("sum")
    w = of_look["expected"] / by_place["expected"].transform("sum")
    w_squared = (w**2).groupby(of_look["place"]).transform("sum")
    pairs = removed * (removed - 1)
    of_pairs = (of_look["removed"] - removed * w) ** 2 - of_look["removed"] * (1 - 2 * w + w_squared)
    # Each item can be removed only once, so that removed items scatter a little less than so far assumed.
    once = w**2 / of_look["inspected"]
    once_of_place = once.groupby(of_look["place"]).transform("sum")
    of_pairs += pairs * (once * (1 - 2 * w) + w**2 * once_of_place)
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
