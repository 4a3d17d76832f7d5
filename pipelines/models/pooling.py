"""Gamma distributions of rates and ratios: how far counts stray from what was expected, and what that leaves open.

A ratio stands for one class, place or year: what it gave over what its like would give. Those with little history
are drawn towards 1, the ratio of their like.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
from scipy.special import digamma, polygamma
from scipy.stats import nbinom, norm

from pipelines.models.limits import Floats

# Between these shapes lie ratios that stray by as much as themselves and ratios that are alike to a thousandth.
WIDEST_SHAPE, NO_SPREAD = 0.5, 1e6
JEFFREYS_SHAPE = 0.5


@dataclass(frozen=True)
class Gammas:
    """Gamma distributions, one for each cell: `shape`, and `scale` in the unit of what is distributed."""

    shape: Floats
    scale: Floats

    @property
    def mean(self) -> Floats:
        """The mean of each."""
        return self.shape * self.scale

    def draw(self, draws: int, generator: np.random.Generator) -> Floats:
        """Return so many draws of each, shape (draws, n)."""
        return generator.gamma(self.shape, self.scale, (draws, len(self.shape)))


def gammas_of_limits(lower: ArrayLike, upper: ArrayLike, level: float) -> Gammas:
    """Return gamma distributions whose log has the centre and the spread that two-sided limits of a rate give it.

    Parameters
    ----------
    lower, upper : array_like of float, shape (n,)
        Limits of each rate, above 0, in any unit; the scale comes out in the same.
    level : float
        Two-sided level of the limits, between 0 and 1.

    Notes
    -----
    The variance of the log of a gamma variable is trigamma(shape) and its mean digamma(shape) + log(scale); both
    are set equal to those of a normal log rate. Where a fit yields limits only, this hands on the doubt they
    state, in the form that makes counts negative binomial.

    Examples
    --------
    >>> rates = gammas_of_limits([8.0], [12.0], level=0.9)
    >>> print(f"{rates.shape[0]:.1f} {rates.mean[0]:.2f}")
    66.3 9.87
    """
    log_lower, log_upper = np.log(np.asarray(lower, dtype=float)), np.log(np.asarray(upper, dtype=float))
    variance = np.maximum((log_upper - log_lower) / (2 * norm.ppf((1 + level) / 2)), 1e-3) ** 2
    shape = np.array([_shape_of(float(each)) for each in np.atleast_1d(variance)])
    return Gammas(shape, np.exp((log_lower + log_upper) / 2 - digamma(shape)))


def gammas_of_counts(removed: ArrayLike, shackle_years: ArrayLike) -> Gammas:
    """Return the gamma distributions of rates that stand on their own counts.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Removals with exposure [items].
    shackle_years : array_like of float, shape (n,)
        Their exposure [shackle-years], above 0.

    Returns
    -------
    Gammas
        Of the rates [removals per shackle-year], by the prior of Jeffreys: shape removed + 1/2.

    References
    ----------
    Gelman, A. et al. (2013). Bayesian Data Analysis, 3rd ed., section 2.6 (from memory).
    """
    removed = np.asarray(removed, dtype=float)
    return Gammas(removed + JEFFREYS_SHAPE, 1 / np.asarray(shackle_years, dtype=float))


def spread_of_ratios(observed: ArrayLike, expected: ArrayLike) -> float:
    """Return the shape of the gamma distribution of mean 1 that ratios of observed to expected counts come from.

    Parameters
    ----------
    observed : array_like of int, shape (n,)
        Counts [items].
    expected : array_like of float, shape (n,)
        What the like of each cell would have given [items]; cells with 0 say nothing and are left out.

    Returns
    -------
    float
        By maximum likelihood of the negative binomial: 1 over the variance of the ratios. `NO_SPREAD` where counts
        stray no more than chance lets them, and where there are fewer than two cells.

    References
    ----------
    Clayton, D. & Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping. Biometrics 43, 671-681 (from memory).
    """
    observed, expected = np.asarray(observed), np.asarray(expected, dtype=float)
    observed, expected = observed[expected > 0], expected[expected > 0]
    if len(expected) < 2:
        return NO_SPREAD

    def loss(log_shape: float) -> float:
        shape = np.exp(log_shape)
        return -float(nbinom.logpmf(observed, shape, shape / (shape + expected)).sum())

    found = minimize_scalar(loss, bounds=(np.log(WIDEST_SHAPE), np.log(NO_SPREAD)), method="bounded")
    return NO_SPREAD if loss(np.log(NO_SPREAD)) <= found.fun else float(np.exp(found.x))


def ratios(observed: ArrayLike, expected: ArrayLike, shape: float) -> Gammas:
    """Return what is known of each cell's ratio, once ratios of its like are known to come from a gamma of `shape`.

    Parameters
    ----------
    observed, expected : array_like of float, shape (n,)
        What came of each cell and what its like gave to expect, both 0 or more [items].
    shape : float
        Of the gamma distribution, of mean 1, that the ratios come from, above 0.

    Examples
    --------
    >>> known = ratios([0, 12], [0.0, 6.0], shape=6.0)
    >>> print(known.mean)  # without history the ratio of its like; with as much as the shape says, half way there
    [1.  1.5]
    """
    observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    return Gammas(shape + observed, 1 / (shape + expected))


def _shape_of(log_variance: float) -> float:
    def excess(log_shape: float) -> float:
        return float(polygamma(1, np.exp(log_shape))) - log_variance

    return float(np.exp(brentq(excess, np.log(1e-3), np.log(1e8))))
