"""Shrunken ratios for ranking, and how little a rank says."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import digamma
from scipy.stats import gamma, nbinom

Floats = NDArray[np.float64]
# From here on the sites' true ratios differ by less than a thousandth of themselves: they are alike.
SHAPE_OF_LIKE_SITES = 1e6


@dataclass(frozen=True)
class RatioPrior:
    """How the true ratios of the sites are spread: gamma with this `shape` and `mean`."""

    shape: float
    mean: float

    def posterior(self, observed: ArrayLike, expected: ArrayLike) -> tuple[Floats, Floats]:
        """Return shape and rate of the gamma distribution of each site's true ratio, given its records."""
        observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
        rate = (
            self.shape / self.mean if self.mean else np.inf
        )  # where nothing was observed at all, every ratio is 0
        return observed + self.shape, expected + rate


def fitted_prior(observed: ArrayLike, expected: ArrayLike) -> RatioPrior:
    """Return the spread of the sites' true ratios under which their removals are likeliest.

    Parameters
    ----------
    observed, expected : array_like, shape (n,)
        Removals and expected removals of the sites [items]; 2 sites or more.

    Notes
    -----
    Negative-binomial regression on a constant with the log of expected removals as offset; `shape` is one over its
    dispersion. Where the counts spread no more than Poisson counts do, the sites are alike; where the fit does not
    settle, the moment estimate it starts from stands.

    References
    ----------
    Clayton, D. & Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping. Biometrics 43, 671-681 (from memory).
    """
    observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    mean = observed.sum() / expected.sum()
    alike = RatioPrior(SHAPE_OF_LIKE_SITES, float(mean) or 1.0)
    if mean == 0:
        return alike
    spread = np.sum((observed - mean * expected) ** 2 - observed) / np.sum((mean * expected) ** 2)
    # The slope of the likelihood at no spread has the sign of the moment estimate.
    if not spread > 0:
        return alike

    def loss(log_mean_and_dispersion: Floats) -> tuple[float, Floats]:
        # Minus the log-likelihood of a site on average, and its gradient.
        awaited, shape = np.exp(log_mean_and_dispersion[0]) * expected, np.exp(-log_mean_and_dispersion[1])
        value = nbinom.logpmf(observed, shape, shape / (shape + awaited))
        excess = (observed - awaited) / (shape + awaited)
        by_dispersion = digamma(observed + shape) - digamma(shape) - np.log1p(awaited / shape) - excess
        return -value.mean(), np.array([-excess.mean(), by_dispersion.mean()]) * shape

    # Newton's method fails on one set in twenty here, this one on none. statsmodels finds the same, but takes much longer
    # to import than all fits take.
    moments = np.log([mean, spread])
    fit = minimize(loss, moments, jac=True, method="BFGS")
    mean, dispersion = np.exp(fit.x if fit.success else moments)
    if dispersion < 1 / SHAPE_OF_LIKE_SITES:
        return alike
    return RatioPrior(1 / float(dispersion), float(mean))


def shrunken_ratios(
    observed: ArrayLike, expected: ArrayLike, prior: RatioPrior, level: float
) -> tuple[Floats, Floats, Floats]:
    """Return the ratios drawn toward the fleet by how little is known of each site, with their limits.

    Parameters
    ----------
    observed, expected : array_like, shape (n,)
        Removals and expected removals of the sites [items].
    prior : RatioPrior
        Spread of the true ratios, from `fitted_prior`.
    level : float
        Level of the limits, between 0 and 1.

    Returns
    -------
    ratio, lower, upper : ndarray of float, shape (n,)

    Notes
    -----
    The limits take the fitted spread and what is expected as known, so that they are a little too narrow.

    Examples
    --------
    >>> ratio, _, _ = shrunken_ratios([2, 200], [1.0, 100.0], RatioPrior(shape=10.0, mean=1.0), 0.95)
    >>> print(ratio.round(2))
    [1.09 1.91]
    """
    shape, rate = prior.posterior(observed, expected)
    tail = (1 - level) / 2
    return shape / rate, gamma.ppf(tail, shape, scale=1 / rate), gamma.ppf(1 - tail, shape, scale=1 / rate)


def ranks(
    observed: ArrayLike, expected: ArrayLike, prior: RatioPrior, level: float, draws: int, seed: int
) -> pd.DataFrame:
    """Return the rank of each site by its true ratio, highest first, and how sure it is.

    Parameters
    ----------
    observed, expected, prior, level
        As for `shrunken_ratios`.
    draws : int
        Number of sets of true ratios drawn from what the records leave possible.
    seed : int
        Seed of the draws: the same one gives the same ranks.

    Returns
    -------
    DataFrame
        One row per site: `rank` (by the shrunken ratio), `rank_lower`, `rank_upper`, and
        `probability_highest_tenth`, the probability to be among the tenth of sites, rounded up, with the highest
        true ratios.

    References
    ----------
    Goldstein, H. & Spiegelhalter, D. J. (1996). League tables and their limitations. Journal of the Royal
    Statistical Society A 159, 385-443 (from memory).
    """
    shape, rate = prior.posterior(observed, expected)
    sites = len(shape)
    drawn = np.random.default_rng(seed).gamma(shape, 1 / rate, size=(draws, sites))
    rank_drawn = np.empty(drawn.shape, dtype=np.int64)
    np.put_along_axis(rank_drawn, drawn.argsort(axis=1), np.arange(sites, 0, -1), axis=1)
    tail = (1 - level) / 2
    lower, upper = np.quantile(rank_drawn, [tail, 1 - tail], axis=0, method="inverted_cdf")
    highest = int(np.ceil(sites / 10))
    return pd.DataFrame(
        {
            "rank": pd.Series(-shape / rate).rank(method="min").astype(int),
            "rank_lower": lower.astype(int),
            "rank_upper": upper.astype(int),
            "probability_highest_tenth": (rank_drawn <= highest).mean(axis=0),
        }
    )
