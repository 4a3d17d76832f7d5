"""Ratios drawn toward their common mean by how little is known of each."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# From here on the true ratios differ by less than a thousandth of themselves: they are alike.
SHAPE_OF_LIKE_RATIOS = 1e6


@dataclass(frozen=True)
class RatioPrior:
    """How the true ratios are spread: gamma with this `shape` and `mean`."""

    shape: float
    mean: float


def fitted_prior(observed: ArrayLike, expected: ArrayLike) -> RatioPrior:
    """Return the spread of true ratios under which what was observed is likeliest.

    Parameters
    ----------
    observed, expected : array_like, shape (n,)
        Removals and expected removals [items], the latter above 0; 2 pairs or more.

    Notes
    -----
    Negative-binomial regression on a constant with the log of expected removals as offset; `shape` is one over its
    dispersion. Where counts spread no more than Poisson counts do, the ratios are alike; where the fit does not settle,
    the moment estimate it starts from stands.

    References
    ----------
    Clayton, D. & Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping. Biometrics 43, 671-681 (from memory).
    """
    from statsmodels.discrete.discrete_model import NegativeBinomial

    observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    mean = float(observed.sum() / expected.sum())
    alike = RatioPrior(SHAPE_OF_LIKE_RATIOS, mean)
    spread = np.sum((observed - mean * expected) ** 2 - observed) / max(
        np.sum((mean * expected) ** 2), 1e-300
    )
    # The slope of the likelihood at no spread has the sign of the moment estimate.
    if mean == 0 or not spread > 0:
        return alike
    model = NegativeBinomial(
        observed, np.ones((len(observed), 1)), loglike_method="nb2", offset=np.log(expected)
    )
    fit = model.fit(
        start_params=[np.log(mean), spread], method="bfgs", maxiter=500, disp=False, warn_convergence=False
    )
    constant, dispersion = fit.params
    if not fit.mle_retvals["converged"] or dispersion <= 0:
        constant, dispersion = np.log(mean), spread
    if dispersion < 1 / SHAPE_OF_LIKE_RATIOS:
        return alike
    return RatioPrior(1 / float(dispersion), float(np.exp(constant)))


def shrunken_ratios(observed: ArrayLike, expected: ArrayLike, prior: RatioPrior) -> Floats:
    """Return each ratio of observed to expected removals drawn toward the mean of `prior`.

    >>> print(shrunken_ratios([2, 200], [1.0, 100.0], RatioPrior(shape=10.0, mean=1.0)).round(2))
    [1.09 1.91]
    """
    if prior.mean == 0:
        return np.zeros(len(np.asarray(observed)))
    observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    return (observed + prior.shape) / (expected + prior.shape / prior.mean)
