"""The likelihood of grouped looks with site effects, its maximum, and what it says about each place's rate.

The numerical half of `hazard`: arrays in, arrays out. A cell is all looks that share place, covariates and gap; its
removals are Binomial(inspected, 1 - exp(-H)) with log H = design @ coefficients + site effect + log gap.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from pipelines.models.limits import Floats

Ints = NDArray[np.int64]
Derivatives = tuple[float, Floats, Floats]  # a log-likelihood, its gradient and its Hessian

QUADRATURE_POINTS = 21  # 15 differ from 60 by less than 1e-7 on a log of 12 sites; more is for sites with few removals
SPREAD_PRIOR_SCALE = 1.0  # of the half-normal prior of the site sd: 95 % of sites within a factor of 50 of one another
SPREAD_STEPS = np.linspace(-4.5, 4.0, 10)  # values of log sd at which limits are worked out, in standard errors
RATE_STEPS = np.linspace(-1.0, 1.0, 201)  # values of a log rate at which its density is worked out
WIDEST_STEP = 1.0  # a Newton step in a log rate or a log sd: further off the quadratic model is worthless

_HERMITE, _weights = np.polynomial.hermite.hermgauss(QUADRATURE_POINTS)
_LOG_WEIGHTS = np.log(_weights) + _HERMITE**2


@dataclass(frozen=True)
class Cells:
    """Sufficient statistics of grouped looks, sorted so that the cells of a site, and of a place, stand together.

    `removed` and `kept` need not be whole: looks that vary more than chance allows are weighted down.
    """

    design: Floats  # shape (cells, coefficients)
    log_gap: Floats
    removed: Floats
    kept: Floats
    exposure: Floats  # inspected times gap, unweighted: how much of a place's work each cell stands for
    site: Ints  # the position of each cell's site, and of its place
    place: Ints
    tilt: Floats  # shape (coefficients,), 1 for a level at which nothing was removed: see `fit_hazard`

    def by_site(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per cell, for each site."""
        return np.add.reduceat(values, _starts(self.site), axis=0)

    def by_place(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per cell, for each place."""
        return np.add.reduceat(values, _starts(self.place), axis=0)

    @property
    def site_of_place(self) -> Ints:
        """The position of each place's site."""
        return self.site[_starts(self.place)]


@dataclass(frozen=True)
class Maximum:
    """Where a function is largest, its value and curvature there, and whether the search settled."""

    at: Floats
    value: float
    covariance: Floats
    settled: bool


@dataclass(frozen=True)
class Spread:
    """One value of the site sd, how much the data support it, and the coefficients that go with it."""

    site_sd: float
    weight: float
    coefficients: Floats
    covariance: Floats


def cell_log_likelihood(log_hazard: Floats, removed: Floats, kept: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the log-likelihood of cells and its first two derivatives by the log hazard of their gap.

    With H the hazard: removed * log(1 - exp(-H)) - kept * H, without the binomial coefficient.
    """
    # Beyond these ends the value no longer changes in double precision, and expm1 would overflow.
    hazard = np.exp(np.clip(log_hazard, -700, 6.5))
    ratio = hazard / np.expm1(hazard)
    value = removed * np.log(-np.expm1(-hazard)) - kept * hazard
    slope = removed * ratio - kept * hazard
    curvature = removed * ratio * (1 - hazard - ratio) - kept * hazard
    return value, slope, curvature


def pooled_likelihood(cells: Cells, coefficients: Floats) -> Derivatives:
    """Return the log-likelihood where all sites are alike, with gradient and Hessian by the coefficients."""
    value, slope, curvature = cell_log_likelihood(
        cells.design @ coefficients + cells.log_gap, cells.removed, cells.kept
    )
    hessian = cells.design.T @ (cells.design * curvature[:, None])
    return value.sum() + cells.tilt @ coefficients, cells.design.T @ slope + cells.tilt, hessian


def site_modes(cells: Cells, coefficients: Floats, site_sd: float) -> tuple[Floats, Floats, Floats]:
    """Return the most likely effect of each site, its conditional standard error, and the cells' curvature there."""
    fixed = cells.design @ coefficients + cells.log_gap
    mode = np.zeros(cells.site[-1] + 1)
    for _ in range(100):
        _, slope, curvature = cell_log_likelihood(fixed + mode[cells.site], cells.removed, cells.kept)
        precision = 1 / site_sd**2 - cells.by_site(curvature)
        step = (cells.by_site(slope) - mode / site_sd**2) / precision
        mode = mode + np.clip(step, -WIDEST_STEP, WIDEST_STEP)
        if np.abs(step).max() < 1e-9:
            break
    return mode, 1 / np.sqrt(precision), curvature


def integrated_likelihood(cells: Cells, coefficients: Floats, log_sd: float) -> Derivatives:
    """Return the log-likelihood with normal site effects integrated out, and its derivatives.

    The gradient and Hessian are by the coefficients and, last, by the log of the site sd.

    Notes
    -----
    Adaptive Gauss-Hermite quadrature: the nodes of each site lie around its mode, as far apart as its conditional
    standard error. The derivatives of the log of an integral are moments of the integrand's own derivatives, taken
    with the same nodes: the gradient their mean, the Hessian their mean curvature plus their covariance (Louis 1982).

    References
    ----------
    Pinheiro, J. C. & Bates, D. M. (1995). Approximations to the log-likelihood function in the nonlinear
    mixed-effects model. Journal of Computational and Graphical Statistics 4, 12-35 (from memory).
    Louis, T. A. (1982). Finding the observed information matrix when using the EM algorithm. Journal of the Royal
    Statistical Society B 44, 226-233 (from memory).
    """
    site_sd = np.exp(log_sd)
    mode, mode_se, _ = site_modes(cells, coefficients, site_sd)
    effect = mode[:, None] + np.sqrt(2) * mode_se[:, None] * _HERMITE
    value, slope, curvature = cell_log_likelihood(
        (cells.design @ coefficients + cells.log_gap)[:, None] + effect[cells.site],
        cells.removed[:, None],
        cells.kept[:, None],
    )
    integrand = _LOG_WEIGHTS + cells.by_site(value) - effect**2 / (2 * site_sd**2)
    integral = logsumexp(integrand, axis=1)
    share = np.exp(integrand - integral[:, None])
    log_likelihood = np.sum(integral + np.log(mode_se / site_sd)) - 0.5 * np.log(np.pi) * mode.size

    by_coefficient = [cells.by_site(slope * column[:, None]) for column in cells.design.T]
    scores = np.stack([*by_coefficient, (effect / site_sd) ** 2], axis=2)
    mean_score = np.einsum("sq,sqp->sp", share, scores)
    hessian = np.einsum("sq,sqp,sqr->pr", share, scores, scores) - mean_score.T @ mean_score
    mean_curvature = (share[cells.site] * curvature).sum(axis=1)
    hessian[:-1, :-1] += cells.design.T @ (cells.design * mean_curvature[:, None])
    hessian[-1, -1] -= 2 * mean_score[:, -1].sum()
    gradient = mean_score.sum(axis=0) + np.append(cells.tilt, -mode.size)
    return log_likelihood + cells.tilt @ coefficients, gradient, hessian


def maximum(function: Callable[[Floats], Derivatives], start: Floats) -> Maximum:
    """Return where `function`, which gives its value, gradient and Hessian, is largest: Newton's method."""
    at = start
    value, gradient, hessian = function(at)
    for _ in range(100):
        # Far from the maximum the Hessian may have the wrong sign in some direction; its size still sets the pace.
        curvature, directions = np.linalg.eigh(-hessian)
        step = directions @ ((directions.T @ gradient) / np.maximum(np.abs(curvature), 1e-8))
        step /= max(1.0, np.abs(step).max() / WIDEST_STEP)
        gain = gradient @ step
        if gain < 1e-11:
            return Maximum(at, value, np.linalg.inv(-hessian), settled=True)
        # Quadrature makes the value itself uncertain in its last digits; a fall within them is none.
        trial = function(at + step)
        while trial[0] < value - 1e-7 and np.abs(step).max() > 1e-6:
            step /= 2
            trial = function(at + step)
        at, (value, gradient, hessian) = at + step, trial
    return Maximum(at, value, np.linalg.pinv(-hessian), settled=False)


def likely_spreads(cells: Cells, start: Floats) -> list[Spread]:
    """Return values of the site sd that cover what the data leave open about it, each with its weight.

    Notes
    -----
    The weights are the marginal posterior of log sd, the coefficients integrated out by Laplace's method under a
    flat prior (which takes the place of the n - 1 of a sample variance) and the sd under a half-normal one. Its mode
    is never at sd = 0, also where the likelihood's is: so limits never pretend that sites are known to be alike.
    """

    def log_posterior(theta: Floats) -> Derivatives:
        value, gradient, hessian = integrated_likelihood(cells, theta[:-1], theta[-1])
        scaled = np.exp(2 * theta[-1]) / SPREAD_PRIOR_SCALE**2
        gradient[-1] += 1 - scaled
        hessian[-1, -1] -= 2 * scaled
        return value + theta[-1] - scaled / 2, gradient, hessian

    mode = maximum(log_posterior, np.append(start, np.log(0.4)))
    coefficients, spreads, log_weights = mode.at[:-1], [], []
    for log_sd in mode.at[-1] + SPREAD_STEPS * np.sqrt(mode.covariance[-1, -1]):

        def at_this_spread(coefficients: Floats, log_sd: float = log_sd) -> Derivatives:
            value, gradient, hessian = integrated_likelihood(cells, coefficients, log_sd)
            return value, gradient[:-1], hessian[:-1, :-1]

        best = maximum(at_this_spread, coefficients)
        coefficients = best.at
        prior = log_sd - np.exp(2 * log_sd) / (2 * SPREAD_PRIOR_SCALE**2)
        log_weights.append(best.value + np.linalg.slogdet(best.covariance)[1] / 2 + prior)
        spreads.append((float(np.exp(log_sd)), best.at, best.covariance))
    weights = np.exp(log_weights - logsumexp(log_weights))
    return [Spread(sd, float(weight), *rest) for (sd, *rest), weight in zip(spreads, weights, strict=True)]


def place_limits(cells: Cells, spreads: list[Spread], level: float) -> tuple[Floats, Floats]:
    """Return the two-sided limits of the log rate of each place.

    Notes
    -----
    For each site sd the log rate of a place is normal, with the variance of the site effect and the covariance of the
    coefficients together. A normal likelihood is poor where little was removed: with none the likelihood has no
    maximum at all. So the place's own share is taken out of the normal and its exact likelihood put in, and the
    densities are mixed over the site sd. What is left of the normal is what the other places say about this one.

    References
    ----------
    Cseke, B. & Heskes, T. (2011). Approximate marginals in latent Gaussian models. Journal of Machine Learning
    Research 12, 417-454 (from memory).
    """
    normals = [_place_normals(cells, spread) for spread in spreads]
    centres, errors = (np.array(values) for values in zip(*normals, strict=True))
    middle = (centres.min(axis=0) + centres.max(axis=0)) / 2
    reach = 7 * errors.max(axis=0) + np.ptp(centres, axis=0) / 2
    log_rate = middle[:, None] + reach[:, None] * RATE_STEPS

    relative = _relative_to_place(cells, max(spreads, key=lambda spread: spread.weight).coefficients)
    own = cells.by_place(_along(cells, relative[:, None] + log_rate[cells.place])[0])
    density = np.zeros_like(log_rate)
    for spread, centre, error in zip(spreads, centres, errors, strict=True):
        _, slope, curvature = (cells.by_place(part) for part in _along(cells, relative + centre[cells.place]))
        # A place that is alone of its kind leaves nothing of the normal, and rounding could make that less than nothing.
        others = np.maximum(1 / error**2 + curvature, 0)[:, None]
        off = log_rate - centre[:, None]
        log_density = own - slope[:, None] * off - others * off**2 / 2
        log_density -= log_density.max(axis=1, keepdims=True)
        this = np.exp(log_density)
        density += spread.weight * this / this.sum(axis=1, keepdims=True)
    tail = (1 - level) / 2
    return _quantile(log_rate, density, tail), _quantile(log_rate, density, 1 - tail)


def place_log_rates(cells: Cells, coefficients: Floats, effect: Floats) -> Floats:
    """Return the log rate of each place at its own mix of covariates, weighted by exposure."""
    return _log_mix(cells, coefficients)[0] + effect[cells.site_of_place]


def _place_normals(cells: Cells, spread: Spread) -> tuple[Floats, Floats]:
    mode, mode_se, curvature = site_modes(cells, spread.coefficients, spread.site_sd)
    mode_by_coefficients = cells.by_site(curvature[:, None] * cells.design) * mode_se[:, None] ** 2
    by_coefficients = _log_mix(cells, spread.coefficients)[1] + mode_by_coefficients[cells.site_of_place]
    variance = np.einsum("pi,ij,pj->p", by_coefficients, spread.covariance, by_coefficients)
    variance += mode_se[cells.site_of_place] ** 2
    return place_log_rates(cells, spread.coefficients, mode), np.sqrt(variance)


def _log_mix(cells: Cells, coefficients: Floats) -> tuple[Floats, Floats]:
    # The log of the mean rate of a place's cells, weighted by exposure, and its gradient.
    removals = cells.exposure * np.exp(cells.design @ coefficients)
    total = cells.by_place(removals)
    gradient = cells.by_place(removals[:, None] * cells.design) / total[:, None]
    return np.log(total / cells.by_place(cells.exposure)), gradient


def _relative_to_place(cells: Cells, coefficients: Floats) -> Floats:
    return cells.design @ coefficients - _log_mix(cells, coefficients)[0][cells.place]


def _along(cells: Cells, log_rate: Floats) -> tuple[Floats, Floats, Floats]:
    columns = (cells.log_gap, cells.removed, cells.kept)
    log_gap, removed, kept = (column.reshape(-1, *[1] * (log_rate.ndim - 1)) for column in columns)
    return cell_log_likelihood(log_rate + log_gap, removed, kept)


def _quantile(points: Floats, density: Floats, probability: float) -> Floats:
    below = np.cumsum(density, axis=1) - density / 2
    rows = zip(points, below, strict=True)
    return np.array([np.interp(probability, row_below, row_points) for row_points, row_below in rows])


def _starts(positions: Ints) -> Ints:
    return np.flatnonzero(np.diff(positions, prepend=-1))
