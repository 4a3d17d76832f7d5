"""The likelihood of grouped looks with normal effects, its maximum, and what it says about each place's rate.

The numerical half of `hazard`: arrays in, arrays out. A unit is what has an effect of its own, a place or all places of
a site. A cell is all looks that share place, covariates and gap; its removals are Binomial(inspected, 1 - exp(-H)) with
log H = design @ coefficients + effect of the unit + log gap.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np
from numpy.typing import NDArray
from scipy.special import bernoulli, logsumexp

from pipelines.models.limits import Floats

Ints = NDArray[np.int64]
Derivatives = tuple[float, Floats, Floats]  # a log-likelihood, its gradient and its Hessian

QUADRATURE_POINTS = 21  # on the log of 12 sites in the tests, 15 would do
SPREAD_PRIOR_SCALE = (
    1.0  # of the half-normal prior of the effects' sd [log]; matters for fewer than a dozen units
)
SPREAD_STEPS = 10  # values of that sd at which limits are worked out
WIDEST_EFFECT_SD = 3.0  # beyond it the prior leaves 0.3 %, and quadrature would need more points
RATE_PRIOR_POWER = 1.0  # of the rate of a kind of place: flat in the rate, as exact upper limits are
RATE_STEPS = np.linspace(-1.0, 1.0, 201)  # values of a log rate at which its density is worked out
WIDEST_STEP = 1.0  # a Newton step in a log rate or a log sd: further off the quadratic model is worthless

LONGEST_HAZARD_OF_SERIES = 1.0  # of a gap; beyond it more terms would be needed than cells are worth

# B(2n) / (2n (2n)!) for n = 1 to 10: the even powers in log((1 - exp(-h)) / h).
_SERIES = [
    number / (2 * n * factorial(2 * n)) for n, number in enumerate(bernoulli(20)[2::2].tolist(), start=1)
]
_HERMITE, _weights = np.polynomial.hermite.hermgauss(QUADRATURE_POINTS)
_LOG_WEIGHTS = np.log(_weights) + _HERMITE**2


@dataclass(frozen=True)
class Cells:
    """Sufficient statistics of grouped looks, sorted by unit, place and design, so that equals stand together.

    `removed` and `kept` need not be whole: looks that vary more than chance allows are weighted down. Cells of one
    place that share a design are of one kind: they differ in their gaps only, and all that follows is worked out kind
    by kind.
    """

    design: Floats  # shape (cells, coefficients)
    log_gap: Floats
    removed: Floats
    kept: Floats
    exposure: Floats  # inspected times gap, unweighted: how much of a place's work each cell stands for
    unit: Ints  # the position of each cell's unit, and of its place
    place: Ints

    def log_likelihood(self, log_rate: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Return the log-likelihood of each kind, and its first two derivatives by the log rate.

        Takes one row per kind; further axes are log rates of the same kind.

        Notes
        -----
        With h = rate * gap, log(1 - exp(-h)) is log(h) - h/2 + sum over n of B(2n) h^(2n) / (2n (2n)!), B(2n) the
        Bernoulli numbers: of a kind's many gaps only the sums of their powers matter, weighted by removals. Up to
        h = 1 ten terms are exact to double precision; where the longest gap has a larger hazard, cells are added up.
        """
        flat = log_rate.reshape(len(log_rate), -1)
        kinds = self._kinds
        rate = np.exp(np.minimum(flat, 700))
        hazard = rate * kinds.longest_gap
        is_short = hazard <= LONGEST_HAZARD_OF_SERIES
        squared = np.where(is_short, hazard, 0.0) ** 2
        linear = kinds.linear * np.where(is_short, rate, 0.0)
        value = kinds.removed * flat + kinds.constant - linear + _polynomial(kinds.terms, squared)
        slope = kinds.removed - linear + _polynomial(kinds.terms_of_slope, squared)
        curvature = -linear + _polynomial(kinds.terms_of_curvature, squared)
        if not is_short.all():
            kind, column = np.nonzero(~is_short)
            for whole, part in zip(
                (value, slope, curvature), self._added_up(kind, flat[kind, column]), strict=True
            ):
                whole[kind, column] = part
        return value.reshape(log_rate.shape), slope.reshape(log_rate.shape), curvature.reshape(log_rate.shape)

    def by_unit(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per kind, for each unit."""
        return np.add.reduceat(values, self._unit_starts, axis=0)

    def by_place(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per kind, for each place."""
        return np.add.reduceat(values, self._place_starts, axis=0)

    @cached_property
    def unit_of_place(self) -> Ints:
        """The position of each place's unit."""
        return self.unit_of_kind[self._place_starts]

    @cached_property
    def unit_of_kind(self) -> Ints:
        """The position of each kind's unit."""
        return self.unit[self._kind_starts]

    @cached_property
    def place_of_kind(self) -> Ints:
        """The position of each kind's place."""
        return self.place[self._kind_starts]

    @cached_property
    def design_of_kind(self) -> Floats:
        """The design of each kind."""
        return self.design[self._kind_starts]

    @cached_property
    def exposure_of_kind(self) -> Floats:
        """The exposure of each kind."""
        return np.add.reduceat(self.exposure, self._kind_starts)

    @cached_property
    def _unit_starts(self) -> Ints:
        return _starts(self.unit_of_kind[:, None])

    @cached_property
    def _place_starts(self) -> Ints:
        return _starts(self.place_of_kind[:, None])

    @cached_property
    def _kind_starts(self) -> Ints:
        return _starts(np.column_stack([self.place, self.design]))

    @cached_property
    def _kinds(self) -> "_Kinds":
        starts, gap = self._kind_starts, np.exp(self.log_gap)
        longest = np.maximum.reduceat(gap, starts)
        relative = (gap / longest[self._kind_of_cell]) ** 2
        terms, powers = [], self.removed.copy()
        for factor in _SERIES:
            powers = powers * relative
            terms.append(factor * np.add.reduceat(powers, starts)[:, None])
        number = 2 * np.arange(1, len(_SERIES) + 1)
        return _Kinds(
            longest_gap=longest[:, None],
            removed=np.add.reduceat(self.removed, starts)[:, None],
            constant=np.add.reduceat(self.removed * self.log_gap, starts)[:, None],
            linear=np.add.reduceat((self.removed / 2 + self.kept) * gap, starts)[:, None],
            terms=terms,
            terms_of_slope=[n * term for n, term in zip(number, terms, strict=True)],
            terms_of_curvature=[n**2 * term for n, term in zip(number, terms, strict=True)],
        )

    @cached_property
    def _kind_of_cell(self) -> Ints:
        sizes = np.diff(np.append(self._kind_starts, len(self.log_gap)))
        return np.repeat(np.arange(len(sizes)), sizes)

    def _added_up(self, kind: Ints, log_rate: Floats) -> tuple[Floats, Floats, Floats]:
        # The log-likelihood and its derivatives of some kinds, each at a log rate, from their cells.
        first = self._kind_starts
        sizes = np.diff(np.append(first, len(self.log_gap)))[kind]
        starts = np.cumsum(sizes) - sizes
        cell = np.arange(sizes.sum()) - np.repeat(starts - first[kind], sizes)
        parts = cell_log_likelihood(
            np.repeat(log_rate, sizes) + self.log_gap[cell], self.removed[cell], self.kept[cell]
        )
        value, slope, curvature = (np.add.reduceat(part, starts) for part in parts)
        return value, slope, curvature


@dataclass(frozen=True)
class _Kinds:
    """What the likelihood of each kind needs to know of its cells; columns, so that log rates run along rows."""

    longest_gap: Floats
    removed: Floats
    constant: Floats  # removed times log gap
    linear: Floats  # kept and half of removed, times gap
    terms: list[Floats]  # of even powers of the hazard of the longest gap
    terms_of_slope: list[Floats]
    terms_of_curvature: list[Floats]


@dataclass(frozen=True)
class Maximum:
    """Where a function is largest, its value and curvature there, and whether the search settled."""

    at: Floats
    value: float
    covariance: NDArray
    is_settled: bool


@dataclass(frozen=True)
class Spread:
    """One value of the effects' sd, how much the data support it, and the coefficients that go with it."""

    effect_sd: float
    weight: float
    coefficients: Floats
    covariance: NDArray


def cell_log_likelihood(log_hazard: Floats, removed: Floats, kept: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the log-likelihood of cells and its first two derivatives by the log hazard of their gap.

    With H the hazard: removed * log(1 - exp(-H)) - kept * H, without the binomial coefficient.

    Parameters
    ----------
    log_hazard : ndarray of float
        Log of the hazard of the gap of each cell.
    removed, kept : ndarray of float, of the same shape
        Items removed at the end of the gap, and found fit.
    """
    hazard = np.exp(np.clip(log_hazard, -700, 700))  # beyond these ends exp leaves double precision
    share = -np.expm1(-hazard)
    ratio = hazard * (1 - share) / share
    value = removed * np.log(share) - kept * hazard
    slope = removed * ratio - kept * hazard
    curvature = removed * ratio * (1 - hazard - ratio) - kept * hazard
    return value, slope, curvature


def pooled_likelihood(cells: Cells, coefficients: Floats) -> Derivatives:
    """Return the log-likelihood where all units are alike, with gradient and Hessian by the coefficients."""
    design = cells.design_of_kind
    value, slope, curvature = cells.log_likelihood(design @ coefficients)
    return float(value.sum()), design.T @ slope, design.T @ (design * curvature[:, None])


def effect_modes(cells: Cells, coefficients: Floats, effect_sd: float) -> tuple[Floats, Floats, Floats]:
    """Return the most likely effect of each unit, its conditional standard error, and the kinds' curvature there.

    Parameters
    ----------
    cells : Cells
        What was seen, cell by cell.
    coefficients : ndarray of float
        One for each column of the design.
    effect_sd : float
        Standard deviation of the effects of units on the log rate, above 0.
    """
    fixed = cells.design_of_kind @ coefficients
    mode = np.zeros(cells.unit[-1] + 1)
    for _ in range(100):
        _, slope, curvature = cells.log_likelihood(fixed + mode[cells.unit_of_kind])
        precision = 1 / effect_sd**2 - cells.by_unit(curvature)
        step = (cells.by_unit(slope) - mode / effect_sd**2) / precision
        mode = mode + np.clip(step, -WIDEST_STEP, WIDEST_STEP)
        if np.abs(step).max() < 1e-9:
            break
    return mode, 1 / np.sqrt(precision), curvature


def integrated_likelihood(cells: Cells, coefficients: Floats, log_sd: float) -> Derivatives:
    """Return the log-likelihood with normal effects of units integrated out, and its derivatives.

    The gradient and Hessian are by the coefficients and, last, by the log of the effects' sd.

    Parameters
    ----------
    cells : Cells
        What was seen, cell by cell.
    coefficients : ndarray of float
        One for each column of the design.
    log_sd : float
        Log of the standard deviation of the effects of units.

    Notes
    -----
    Adaptive Gauss-Hermite quadrature: the nodes of each unit lie around its mode, as far apart as its conditional
    standard error. The derivatives of the log of an integral are moments of the integrand's own derivatives, taken
    with the same nodes: the gradient their mean, the Hessian their mean curvature plus their covariance (Louis 1982).

    References
    ----------
    Pinheiro, J. C. & Bates, D. M. (1995). Approximations to the log-likelihood function in the nonlinear
    mixed-effects model. Journal of Computational and Graphical Statistics 4, 12-35 (from memory).
    Louis, T. A. (1982). Finding the observed information matrix when using the EM algorithm. Journal of the Royal
    Statistical Society B 44, 226-233 (from memory).
    """
    effect_sd = np.exp(log_sd)
    mode, mode_se, _ = effect_modes(cells, coefficients, effect_sd)
    effect = mode[:, None] + np.sqrt(2) * mode_se[:, None] * _HERMITE
    value, slope, curvature = cells.log_likelihood(
        (cells.design_of_kind @ coefficients)[:, None] + effect[cells.unit_of_kind]
    )
    integrand = _LOG_WEIGHTS + cells.by_unit(value) - effect**2 / (2 * effect_sd**2)
    integral = logsumexp(integrand, axis=1)
    share = np.exp(integrand - integral[:, None])
    log_likelihood = np.sum(integral + np.log(mode_se / effect_sd)) - 0.5 * np.log(np.pi) * mode.size

    by_coefficient = [cells.by_unit(slope * column[:, None]) for column in cells.design_of_kind.T]
    scores = np.stack([*by_coefficient, (effect / effect_sd) ** 2], axis=2)
    mean_score = np.einsum("sq,sqp->sp", share, scores)
    hessian = np.einsum("sq,sqp,sqr->pr", share, scores, scores) - mean_score.T @ mean_score
    mean_curvature = (share[cells.unit_of_kind] * curvature).sum(axis=1)
    hessian[:-1, :-1] += cells.design_of_kind.T @ (cells.design_of_kind * mean_curvature[:, None])
    hessian[-1, -1] -= 2 * mean_score[:, -1].sum()
    gradient = mean_score.sum(axis=0)
    gradient[-1] -= mode.size
    return float(log_likelihood), gradient, hessian


def maximum(function: Callable[[Floats], Derivatives], start: Floats) -> Maximum:
    """Return where `function`, which gives its value, gradient and Hessian, is largest: Newton's method."""
    at = start
    value, gradient, hessian = function(at)
    for _ in range(100):
        # Far from the maximum the Hessian may have the wrong sign in some direction; its size still sets the pace.
        curvature, directions = np.linalg.eigh(-hessian)
        step = directions @ ((directions.T @ gradient) / np.maximum(np.abs(curvature), 1e-8))
        step /= max(1.0, np.abs(step).max() / WIDEST_STEP)
        if gradient @ step < 1e-14:
            if curvature.min() <= np.finfo(float).eps * curvature.max():
                break  # flat in some direction, so that any point along it would do as well
            return Maximum(at, value, np.linalg.inv(-hessian), is_settled=True)
        # Quadrature makes the value uncertain where units have few removals; a fall by less than that is none.
        trial = function(at + step)
        while trial[0] < value - 1e-3 and np.abs(step).max() > 1e-6:
            step /= 2
            trial = function(at + step)
        at, (value, gradient, hessian) = at + step, trial
    return Maximum(at, value, np.full_like(hessian, np.nan), is_settled=False)


def likely_spreads(cells: Cells, start: Floats) -> list[Spread]:
    """Return values of the effects' sd that cover what the data leave open about it, each with its weight.

    None at all if the search for them did not come to rest.

    Notes
    -----
    The weights are the marginal posterior of log sd, the coefficients integrated out by Laplace's method under a
    flat prior (which takes the place of the n - 1 of a sample variance) and the sd under a half-normal one. Its mode
    is never at sd = 0, also where the likelihood's is: so limits never pretend that units are known to be alike.
    """

    def log_posterior(theta: Floats) -> Derivatives:
        value, gradient, hessian = integrated_likelihood(cells, theta[:-1], theta[-1])
        scaled = np.exp(2 * theta[-1]) / SPREAD_PRIOR_SCALE**2
        gradient[-1] += 1 - scaled
        hessian[-1, -1] -= 2 * scaled
        return value + theta[-1] - scaled / 2, gradient, hessian

    mode = maximum(log_posterior, np.append(start, np.log(0.4)))
    if not mode.is_settled:
        return []
    coefficients, spreads, log_weights = mode.at[:-1], [], []
    error = np.sqrt(mode.covariance[-1, -1])
    widest = min(mode.at[-1] + 4 * error, np.log(WIDEST_EFFECT_SD))
    for log_sd in np.linspace(mode.at[-1] - 4.5 * error, widest, SPREAD_STEPS):

        def at_this_spread(coefficients: Floats, log_sd: float = log_sd) -> Derivatives:
            value, gradient, hessian = integrated_likelihood(cells, coefficients, log_sd)
            return value, gradient[:-1], hessian[:-1, :-1]

        best = maximum(at_this_spread, coefficients)
        if not best.is_settled:
            continue
        coefficients = best.at
        prior = log_sd - np.exp(2 * log_sd) / (2 * SPREAD_PRIOR_SCALE**2)
        log_weights.append(best.value + np.linalg.slogdet(best.covariance)[1] / 2 + prior)
        spreads.append((float(np.exp(log_sd)), best.at, best.covariance))
    weights = np.exp(log_weights - logsumexp(log_weights))
    return [Spread(sd, float(weight), *rest) for (sd, *rest), weight in zip(spreads, weights, strict=True)]


def place_quantiles(cells: Cells, spreads: list[Spread], probabilities: list[float]) -> Floats:
    """Return quantiles of the log rate of each place: one row per probability, one column per place.

    Parameters
    ----------
    cells : Cells
        What was seen, cell by cell.
    spreads : list of Spread
        The fit at each of several standard deviations of the effects, with its weight.
    probabilities : list of float
        Of the quantiles, between 0 and 1.

    Notes
    -----
    For each sd of the effects the log rate of a place is normal, with the variance of the unit's effect and the covariance of the
    coefficients together. A normal likelihood is poor where little was removed: with none the likelihood has no
    maximum at all. So the place's own share is taken out of the normal and its exact likelihood put in, and the
    densities are mixed over that sd. What is left of the normal is what the other places say about this one.

    The coefficients have a prior flat in the rate of the place's kind, as exact upper limits have, and not in its log:
    where a kind saw few removals a flat log rate would pull the upper limit down to where it covers too seldom.

    References
    ----------
    Cseke, B. & Heskes, T. (2011). Approximate marginals in latent Gaussian models. Journal of Machine Learning
    Research 12, 417-454 (from memory).
    """
    normals = [_place_normals(cells, spread) for spread in spreads]
    centres, errors, tilts = (np.array(values) for values in zip(*normals, strict=True))
    middle = (centres.min(axis=0) + centres.max(axis=0)) / 2
    reach = 7 * errors.max(axis=0) + np.ptp(centres, axis=0) / 2
    log_rate = middle[:, None] + reach[:, None] * RATE_STEPS

    relative = _relative_to_place(cells, max(spreads, key=lambda spread: spread.weight).coefficients)
    own = cells.by_place(cells.log_likelihood(relative[:, None] + log_rate[cells.place_of_kind])[0])
    density = np.zeros_like(log_rate)
    for spread, centre, error, tilt in zip(spreads, centres, errors, tilts, strict=True):
        _, slope, curvature = map(
            cells.by_place, cells.log_likelihood(relative + centre[cells.place_of_kind])
        )
        # A place that is alone of its kind leaves nothing of the normal, and rounding could make that less.
        others = np.maximum(1 / error**2 + curvature, 0)[:, None]
        off = log_rate - centre[:, None]
        log_density = own + (tilt - slope)[:, None] * off - others * off**2 / 2
        log_density -= log_density.max(axis=1, keepdims=True)
        this = np.exp(log_density)
        density += spread.weight * this / this.sum(axis=1, keepdims=True)
    below = np.cumsum(density, axis=1) - density / 2
    rows = zip(log_rate, below, strict=True)
    return np.array([np.interp(probabilities, row_below, row_rates) for row_rates, row_below in rows]).T


def place_log_rates(cells: Cells, coefficients: Floats, effect: Floats) -> Floats:
    """Return the log rate of each place at its own mix of covariates, weighted by exposure.

    Parameters
    ----------
    cells : Cells
        What was seen, cell by cell.
    coefficients : ndarray of float
        One for each column of the design.
    effect : ndarray of float
        Effect of each unit on the log rate.
    """
    return _log_mix(cells, coefficients)[0] + effect[cells.unit_of_place]


def _place_normals(cells: Cells, spread: Spread) -> tuple[Floats, Floats, Floats]:
    mode, mode_se, curvature = effect_modes(cells, spread.coefficients, spread.effect_sd)
    mode_by_coefficients = cells.by_unit(curvature[:, None] * cells.design_of_kind) * mode_se[:, None] ** 2
    of_place = _log_mix(cells, spread.coefficients)[1]
    by_coefficients = of_place + mode_by_coefficients[cells.unit_of_place]
    variance = np.einsum("pi,ij,pj->p", by_coefficients, spread.covariance, by_coefficients)
    variance += mode_se[cells.unit_of_place] ** 2
    with_its_kind = np.einsum("pi,ij,pj->p", by_coefficients, spread.covariance, of_place)
    centre = place_log_rates(cells, spread.coefficients, mode)
    return centre, np.sqrt(variance), RATE_PRIOR_POWER * with_its_kind / variance


def _log_mix(cells: Cells, coefficients: Floats) -> tuple[Floats, Floats]:
    # The log of the mean rate of a place's kinds, weighted by exposure, and its gradient.
    removals = cells.exposure_of_kind * np.exp(cells.design_of_kind @ coefficients)
    total = cells.by_place(removals)
    gradient = cells.by_place(removals[:, None] * cells.design_of_kind) / total[:, None]
    return np.log(total / cells.by_place(cells.exposure_of_kind)), gradient


def _relative_to_place(cells: Cells, coefficients: Floats) -> Floats:
    return cells.design_of_kind @ coefficients - _log_mix(cells, coefficients)[0][cells.place_of_kind]


def _polynomial(terms: list[Floats], at: Floats) -> Floats:
    # Without a constant term; in place, since these are the passes over the largest arrays.
    value = np.broadcast_to(terms[-1], at.shape).copy()
    for term in reversed(terms[:-1]):
        value *= at
        value += term
    value *= at
    return value


def _starts(rows: NDArray) -> Ints:
    is_new = (rows[1:] != rows[:-1]).any(axis=1)
    return np.flatnonzero(np.append(True, is_new))
