"""The likelihood of grouped looks with normal effects, its maximum, and what it says about each place's rate.

The numerical half of `hazard`: arrays in, arrays out. A unit is what has an effect of its own, a place or all places of
a site. A cell is all looks that share place, covariates and gap; its removals are Binomial(inspected, 1 - exp(-H)) with
log H = design @ coefficients + effect of the unit + log gap.
"""

from bisect import bisect_left
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
_POWERS = np.append(1.0, 2 * np.arange(1, len(_SERIES) + 1))
_BY_POWER = np.stack(
    [_POWERS**0, _POWERS, _POWERS**2]
)  # what a term adds to the value, the slope and the curvature
# The hazard up to which n of those terms do, n = 0 to 10: beyond it the next one shows in the curvature, which it adds
# about 4 (n + 1) (h / 2 pi)^(2n + 2) to, beside h.
_REACH = [
    float((np.finfo(float).eps * (2 * np.pi) ** (2 * n + 2) / (4 * (n + 1))) ** (1 / (2 * n + 1)))
    for n in range(len(_SERIES) + 1)
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

    def log_likelihood(
        self, log_rate: NDArray, cell: Ints | slice = slice(None)
    ) -> tuple[NDArray, NDArray, NDArray]:
        """Return the log-likelihood of each cell, or of those named, and its first two derivatives by the log rate."""
        removed, kept = self.removed[cell, None], self.kept[cell, None]
        return cell_log_likelihood(self.log_gap[cell, None] + log_rate, removed, kept)

    def by_unit(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per kind, for each unit."""
        return np.add.reduceat(values, self._unit_starts, axis=0)

    def by_place(self, values: NDArray) -> NDArray:
        """Return the sum of `values`, one row per kind, for each place."""
        return np.add.reduceat(values, self._place_starts, axis=0)

    def units(self, log_rate: Floats) -> "Groups":
        """Return the likelihood of each unit by its effect, with these log rates of its kinds at an effect of 0."""
        return self.kinds.together(self._unit_starts, log_rate)

    def places(self, log_rate: Floats) -> "Groups":
        """Return the likelihood of each place by what is added to all of these log rates of its kinds."""
        return self.kinds.together(self._place_starts, log_rate)

    @cached_property
    def kinds(self) -> "Groups":
        """The likelihood of each kind by its log rate."""
        terms = np.multiply.outer([-1 / 2, *_SERIES], self.removed)
        terms[0] -= self.kept
        constant, no_offset = self.removed * self.log_gap, np.zeros_like(self.log_gap)
        return _together(self, self._kind_starts, no_offset, self.log_gap, self.removed, constant, terms)

    @cached_property
    def kind(self) -> Ints:
        """The position of each cell's kind."""
        return np.repeat(
            np.arange(len(self._kind_starts)), np.diff(self._kind_starts, append=len(self.place))
        )

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
    def slope_of_removed(self) -> Floats:
        """What the removed of each unit add to the slope of its likelihood by each coefficient, whatever its effect."""
        return self.by_unit(self.design_of_kind * self.kinds.removed[:, None])

    @cached_property
    def _unit_starts(self) -> Ints:
        return _starts(self.unit_of_kind[:, None])

    @cached_property
    def _place_starts(self) -> Ints:
        return _starts(self.place_of_kind[:, None])

    @cached_property
    def _kind_starts(self) -> Ints:
        return _starts(np.column_stack([self.place, self.design]))


@dataclass(frozen=True)
class Groups:
    """The likelihood of groups of members, which are cells or groups themselves, as the log rates of a group rise together.

    Notes
    -----
    With h = rate * gap, log(1 - exp(-h)) is log(h) - h/2 + sum over n of B(2n) h^(2n) / (2n (2n)!), B(2n) the
    Bernoulli numbers: of many gaps and rates only the sums of their powers matter, weighted by removals. So that a
    group, too, has a series, in powers of its largest hazard. Up to h = 1 ten terms are exact to double precision, for
    smaller ones fewer; where a group has a larger hazard, its members are added up.
    """

    members: "Cells | Groups"
    starts: Ints  # of the members of each group
    offset: Floats  # of the log rate of each member from that of its group
    log_hazard: Floats  # the largest of each group, at a log rate of 0
    removed: Floats
    constant: Floats
    terms: Floats  # one row per power of the largest hazard, one column per group
    terms_of_members: Floats  # the same of each member, in powers of the largest hazard of its group

    def log_likelihood(
        self, log_rate: NDArray, group: Ints | slice = slice(None)
    ) -> tuple[NDArray, NDArray, NDArray]:
        """Return the log-likelihood of each group, or of those named, and its first two derivatives by the log rate.

        Takes one row per group; further axes are log rates of the same group.
        """
        flat = log_rate.reshape(len(log_rate), -1)
        hazard = self.hazard(flat, group)
        is_short = hazard <= LONGEST_HAZARD_OF_SERIES
        hazard = np.where(is_short, hazard, 0.0)
        number = _terms_for(hazard)
        parts = self.terms[:number, group, None] * _powers(hazard, number)
        # Not a matrix product, which would wake a second thread of BLAS that then waits for longer than the product takes.
        value, slope, curvature = np.einsum("dn,ngr->dgr", _BY_POWER[:, :number], parts)
        value += self.constant[group, None] + self.removed[group, None] * flat
        slope += self.removed[group, None]
        if not is_short.all():
            row, column = np.nonzero(~is_short)
            member, starts, each = self.each_member(np.arange(len(self.starts))[group][row])
            parts = self.members.log_likelihood(
                (self.offset[member] + flat[row, column][each])[:, None], member
            )
            for whole, part in zip((value, slope, curvature), parts, strict=True):
                whole[row, column] = np.add.reduceat(part[:, 0], starts)
        return value.reshape(log_rate.shape), slope.reshape(log_rate.shape), curvature.reshape(log_rate.shape)

    def hazard(self, log_rate: NDArray, group: Ints | slice = slice(None)) -> NDArray:
        """Return the largest hazard of each group, or of those named, at its log rates, one row per group."""
        return np.exp(np.minimum(self.log_hazard[group, None] + log_rate, 700))

    def each_member(self, group: Ints) -> tuple[Ints, Ints, Ints]:
        """Return all members of some groups, where those of each group start, and the position of each one's group."""
        sizes = np.diff(np.append(self.starts, len(self.offset)))[group]
        starts = np.cumsum(sizes) - sizes
        each = np.repeat(np.arange(len(group)), sizes)
        return np.arange(len(each)) + (self.starts[group] - starts)[each], starts, each

    def together(self, starts: Ints, log_rate: Floats) -> "Groups":
        """Return groups of these groups, one from each of `starts`, that have these log rates at a common one of 0."""
        constant = self.constant + self.removed * log_rate
        return _together(
            self, starts, log_rate, self.log_hazard + log_rate, self.removed, constant, self.terms
        )


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
    value, slope, curvature = cells.kinds.log_likelihood(design @ coefficients)
    return float(value.sum()), design.T @ slope, design.T @ (design * curvature[:, None])


def effect_modes(units: Groups, effect_sd: float) -> tuple[Floats, Floats]:
    """Return the most likely effect of each unit and its conditional standard error.

    Parameters
    ----------
    units : Groups
        From `Cells.units`.
    effect_sd : float
        Standard deviation of the effects of units on the log rate, above 0.
    """
    mode = np.zeros_like(units.removed)
    for _ in range(100):
        _, slope, curvature = units.log_likelihood(mode)
        precision = 1 / effect_sd**2 - curvature
        step = (slope - mode / effect_sd**2) / precision
        mode = mode + np.clip(step, -WIDEST_STEP, WIDEST_STEP)
        if np.abs(step).max() < 1e-9:
            break
    return mode, 1 / np.sqrt(precision)


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
    units = cells.units(cells.design_of_kind @ coefficients)
    mode, mode_se = effect_modes(units, effect_sd)
    effect = mode[:, None] + np.sqrt(2) * mode_se[:, None] * _HERMITE
    integrand = _LOG_WEIGHTS + units.log_likelihood(effect)[0] - effect**2 / (2 * effect_sd**2)
    highest = integrand.max(axis=1, keepdims=True)
    share = np.exp(integrand - highest)
    total = share.sum(axis=1, keepdims=True)
    share /= total
    log_likelihood = np.sum(highest + np.log(total)) + np.sum(np.log(mode_se / effect_sd))
    log_likelihood -= 0.5 * np.log(np.pi) * mode.size

    by_coefficient, mean_curvature = _by_coefficient(cells, units, effect, share)
    scores = np.concatenate([by_coefficient, ((effect / effect_sd) ** 2)[:, :, None]], axis=2)
    mean_score = (share[:, None, :] @ scores)[:, 0]
    score = scores.reshape(share.size, -1)
    hessian = score.T @ (share.reshape(-1, 1) * score) - mean_score.T @ mean_score
    hessian[:-1, :-1] += cells.design_of_kind.T @ (cells.design_of_kind * mean_curvature[:, None])
    hessian[-1, -1] -= 2 * mean_score[:, -1].sum()
    gradient = mean_score.sum(axis=0)
    gradient[-1] -= mode.size
    return float(log_likelihood), gradient, hessian


def _by_coefficient(cells: Cells, units: Groups, effect: Floats, share: Floats) -> tuple[NDArray, Floats]:
    # The slope of the likelihood of each unit by each coefficient, at each of its effects, and the curvature of each kind
    # by its log rate, averaged over the effects of its unit. Both are sums of powers of the largest hazard of the unit.
    design, hazard = cells.design_of_kind, units.hazard(effect)
    is_short = hazard <= LONGEST_HAZARD_OF_SERIES
    hazard = np.where(is_short, hazard, 0.0)
    number = _terms_for(hazard)
    powers = _powers(hazard, number)
    terms = _POWERS[:number, None] * units.terms_of_members[:number]
    by_power = np.stack([np.add.reduceat(terms * column, units.starts, axis=1) for column in design.T])
    slope = np.moveaxis(powers, 0, 2) @ by_power.T
    slope += cells.slope_of_removed[:, None]
    mean_power = np.einsum("nuq,uq->nu", powers, share)[:, cells.unit_of_kind]
    curvature = np.einsum("nk,nk->k", _POWERS[:number, None] * terms, mean_power)
    if not is_short.all():
        unit, node = np.nonzero(~is_short)
        kind, starts, each = units.each_member(unit)
        log_rate = units.offset[kind] + effect[unit, node][each]
        _, own, own_curvature = cells.kinds.log_likelihood(log_rate[:, None], kind)
        slope[unit, node] = np.add.reduceat(own * design[kind], starts)
        curvature += np.bincount(kind, share[unit, node][each] * own_curvature[:, 0], len(design))
    return slope, curvature


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


def poisson_regression(design: Floats, counts: Floats, exposure: Floats) -> Maximum:
    """Return the likeliest coefficients of the log of the rate at which counts come.

    Parameters
    ----------
    design : ndarray of float, shape (n, k)
        What each coefficient is multiplied by, row by row.
    counts, exposure : ndarray of float, shape (n,)
        Of each row; exposure above 0.
    """

    def log_likelihood(coefficients: Floats) -> Derivatives:
        log_mean = design @ coefficients + np.log(exposure)
        mean = np.exp(np.minimum(log_mean, 300))
        value = float(counts @ log_mean - mean.sum())
        return value, design.T @ (counts - mean), -design.T @ (design * mean[:, None])

    at_one_rate = np.linalg.lstsq(design, np.full(len(design), np.log(counts.sum() / exposure.sum())))[0]
    return maximum(log_likelihood, at_one_rate)


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

    places = cells.places(
        _relative_to_place(cells, max(spreads, key=lambda spread: spread.weight).coefficients)
    )
    own = places.log_likelihood(log_rate)[0]
    density = np.zeros_like(log_rate)
    for spread, centre, error, tilt in zip(spreads, centres, errors, tilts, strict=True):
        _, slope, curvature = places.log_likelihood(centre)
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
    log_rate = cells.design_of_kind @ spread.coefficients
    mode, mode_se = effect_modes(cells.units(log_rate), spread.effect_sd)
    curvature = cells.kinds.log_likelihood(log_rate + mode[cells.unit_of_kind])[2]
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


def _together(
    members: Cells | Groups,
    starts: Ints,
    offset: Floats,
    log_hazard: Floats,
    removed: Floats,
    constant: Floats,
    terms: Floats,
) -> Groups:
    largest = np.maximum.reduceat(log_hazard, starts)
    relative = np.exp(log_hazard - np.repeat(largest, np.diff(np.append(starts, len(log_hazard)))))
    terms = terms * _powers(relative, len(terms))
    return Groups(
        members=members,
        starts=starts,
        offset=offset,
        log_hazard=largest,
        removed=np.add.reduceat(removed, starts),
        constant=np.add.reduceat(constant, starts),
        terms=np.add.reduceat(terms, starts, axis=1),
        terms_of_members=terms,
    )


def _terms_for(hazard: NDArray) -> int:
    return 1 + bisect_left(_REACH, hazard.max(initial=0.0), hi=len(_SERIES))


def _powers(hazard: NDArray, number: int) -> NDArray:
    # The first so many of `_POWERS` of the hazard, along a new first axis.
    powers = np.empty((number, *hazard.shape))
    powers[0], squared = hazard, hazard**2
    powers[1:2] = squared
    for n in range(2, number):
        np.multiply(powers[n - 1], squared, out=powers[n])
    return powers


def _starts(rows: NDArray) -> Ints:
    is_new = (rows[1:] != rows[:-1]).any(axis=1)
    return np.flatnonzero(np.append(True, is_new))
