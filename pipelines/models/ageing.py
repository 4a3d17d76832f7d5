"""Whether items wear out with age: lifetimes of serialised items, each known to lie between two looks.

An item was seen fit at age `lower` and was removed at `upper`, so its life lies in (lower, upper]; `upper` is infinite
where it was fit at its last look. An item that was in service before records begin counts from the age at which it
came under observation, `entered`: it could not have been seen to go earlier (late entry, left truncation). Takes for
granted that items go independently of one another and that looks do not come because an item looked bad.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm

from pipelines.faults import DataFault
from pipelines.models.grouped_likelihood import Derivatives, maximum
from pipelines.models.limits import Floats

CHANCE_LEVEL = 0.05  # a departure from a steady rate that chance gives less often than this is taken as real
LEAST_REMOVALS = 5  # fewer removals say nothing about a shape
SHARPEST_LOG_SHAPE = 4.0  # a shape beyond exp(4) = 55 means the data set no bound to it
WIDEST_LOG_SHAPE_ERROR = 2.0  # a shape that may as well be 7 times more or less is not known
NPMLE_STEPS = 5000
NPMLE_TOLERANCE = 1e-7  # of the optimality condition, per item

SUPPORTED = "the data support ageing"
NOT_SUPPORTED = "the data do not support ageing"
EARLY = "the data do not support ageing; the rate falls with age, as with early rejects"
UNKNOWN = "the data do not tell whether items age"


@dataclass(frozen=True)
class WeibullFit:
    """A Weibull law of lifetimes, `S(t) = exp(-(t/scale)^shape)`, and how it compares with a steady rate.

    Times are in the unit the ages came in. `shape` above 1 is ageing; limits and errors are from observed
    information, on the log scale. `likelihood_ratio` and `p_value` test shape = 1; `aic_difference` is the
    exponential's AIC less the Weibull's, above 0 in favour of ageing or early rejects. All figures but the counts are
    None where `words` says that the data do not tell.
    """

    items: float
    removed: float
    words: str
    scale: float | None = None
    shape: float | None = None
    shape_lower: float | None = None
    shape_upper: float | None = None
    log_scale_error: float | None = None
    log_shape_error: float | None = None
    log_likelihood: float | None = None
    exponential_rate: float | None = None
    exponential_log_likelihood: float | None = None
    likelihood_ratio: float | None = None
    p_value: float | None = None
    aic_difference: float | None = None


@dataclass(frozen=True)
class Npmle:
    """Turnbull's estimate: where lifetimes lie, with no law assumed.

    `intervals` has one row per interval that can hold mass: `lower`, `upper` (the interval is (lower, upper]), `mass`
    and `survival`, the share of items alive beyond `upper`. How mass lies inside an interval the data do not tell.
    """

    intervals: pd.DataFrame
    log_likelihood: float
    is_settled: bool


def fit_weibull(
    lower: ArrayLike,
    upper: ArrayLike,
    level: float,
    entered: ArrayLike = 0.0,
    items: ArrayLike = 1,
) -> WeibullFit:
    """Return the Weibull law of lifetimes and whether it says more than a steady rate.

    Parameters
    ----------
    lower, upper : array_like of float, shape (n,)
        Ages between which each item went; `upper` is infinite or NaN where it was fit at its last look.
    level : float
        Two-sided level of the limits of the shape, between 0 and 1.
    entered : array_like of float, shape (n,), optional
        Age at which each item came under observation, not above `lower`.
    items : array_like of float, shape (n,), optional
        How many items share the row.

    Raises
    ------
    DataFault
        An interval is empty, or an item was seen before it came under observation.

    Notes
    -----
    Maximum likelihood; each item contributes `(S(lower) - S(upper)) / S(entered)`. Under shape above 1 an interval
    that was worked out from a steady rate is too long for old items.

    References
    ----------
    Nelson, W. (1982). Applied Life Data Analysis, chapter 9. Wiley (from memory).

    Examples
    --------
    >>> fit = fit_weibull([0, 6, 20, 30], [6, 20, 30, np.inf], level=0.9, items=[1, 9, 16, 10])
    >>> print(f"{fit.shape:.2f}: {fit.words}")
    2.95: the data support ageing
    """
    lower, upper, entered, items = _checked(lower, upper, entered, items)
    removed = float(items[np.isfinite(upper)].sum())
    unknown = WeibullFit(float(items.sum()), removed, UNKNOWN)
    if removed < LEAST_REMOVALS:
        return unknown
    # In units of the mean age at a removal both parameters are near 0, where Newton's method starts.
    unit = np.average(upper[np.isfinite(upper)], weights=items[np.isfinite(upper)])
    ages = lower / unit, upper / unit, entered / unit

    def weibull(theta: Floats) -> Derivatives:
        return _log_likelihood(*ages, items, theta)

    def exponential(theta: Floats) -> Derivatives:
        value, gradient, hessian = weibull(np.array([theta[0], 0.0]))
        return value, gradient[:1], hessian[:1, :1]

    steady = maximum(exponential, np.zeros(1))
    best = maximum(weibull, np.array([steady.at[0], 0.0]))
    if not (steady.is_settled and best.is_settled):
        return unknown
    log_shape, errors = best.at[1], np.sqrt(np.diag(best.covariance))
    if abs(log_shape) > SHARPEST_LOG_SHAPE or errors[1] > WIDEST_LOG_SHAPE_ERROR:
        return unknown
    reach = norm.ppf((1 + level) / 2) * errors[1]
    likelihood_ratio = max(0.0, 2 * (best.value - steady.value))
    p_value = float(chi2.sf(likelihood_ratio, 1))
    return WeibullFit(
        items=unknown.items,
        removed=removed,
        words=_ageing_in_words(log_shape, p_value),
        scale=float(unit * np.exp(best.at[0])),
        shape=float(np.exp(log_shape)),
        shape_lower=float(np.exp(log_shape - reach)),
        shape_upper=float(np.exp(log_shape + reach)),
        log_scale_error=float(errors[0]),
        log_shape_error=float(errors[1]),
        log_likelihood=best.value,
        exponential_rate=float(np.exp(-steady.at[0]) / unit),
        exponential_log_likelihood=steady.value,
        likelihood_ratio=likelihood_ratio,
        p_value=p_value,
        aic_difference=likelihood_ratio - 2,
    )


def npmle(lower: ArrayLike, upper: ArrayLike, entered: ArrayLike = 0.0, items: ArrayLike = 1) -> Npmle:
    """Return Turnbull's nonparametric estimate of lifetimes known to lie in (lower, upper].

    Parameters
    ----------
    lower, upper, entered, items
        As for `fit_weibull`.

    Notes
    -----
    Mass can lie only between a left end and the right end next after it; where an interval ends at the age at which
    another begins they do not meet. Turnbull's self-consistency steps, lengthened by squared extrapolation (Varadhan
    & Roland 2008) and stopped by the optimality condition rather than by their own shortness. With late entry the
    estimate is conditional on the least age at entry, and the youngest ages may rest on very few items.

    References
    ----------
    Turnbull, B. W. (1976). The empirical distribution function with arbitrarily grouped, censored and truncated data.
    Journal of the Royal Statistical Society B 38, 290-295 (from memory).
    Varadhan, R. & Roland, C. (2008). Simple and globally convergent methods for accelerating the convergence of any EM
    algorithm. Scandinavian Journal of Statistics 35, 335-353 (from memory).

    Examples
    --------
    >>> npmle([0, 6, 6], [6, 12, np.inf]).intervals["survival"].round(3).tolist()  # the third within (6, 12] too
    [0.667, 0.0]
    """
    lower, upper, entered, items = _checked(lower, upper, entered, items)
    left, right = _intervals_that_hold_mass(lower, upper, entered)
    # Each item's own intervals, and those in view of it, stand side by side: sums over them are differences of sums.
    ranges = np.column_stack(
        [np.searchsorted(left, lower), np.searchsorted(right, upper, "right"), np.searchsorted(left, entered)]
    )
    (first, end, in_view), items = _added_up(ranges, items)

    def factors(mass: Floats) -> tuple[Floats, float]:
        # What a self-consistency step multiplies each mass by, and the log-likelihood.
        up_to = np.append(0.0, mass.cumsum())
        own, view = up_to[end] - up_to[first], up_to[-1] - up_to[in_view]
        share, unseen = items / own, items / view
        log_likelihood = float(items @ np.log(own / view))
        starts = np.bincount(first, share, left.size + 1) - np.bincount(end, share, left.size + 1)
        not_in_view = unseen.sum() - np.bincount(in_view, unseen, left.size + 1).cumsum()
        return (starts.cumsum() + not_in_view)[:-1] / unseen.sum(), log_likelihood

    mass = np.full(left.size, 1 / left.size)
    for _ in range(NPMLE_STEPS):
        factor, log_likelihood = factors(mass)
        if factor.max() < 1 + NPMLE_TOLERANCE:
            break
        mass = _extrapolated(mass, mass * factor, factors)
    intervals = pd.DataFrame({"lower": left, "upper": right, "mass": mass})
    intervals["survival"] = np.append(mass[::-1].cumsum()[::-1][1:], 0.0)
    return Npmle(intervals, log_likelihood, is_settled=bool(factor.max() < 1 + NPMLE_TOLERANCE))


def share_still_fit(estimate: Npmle, age: float) -> float:
    """Return the share of items still fit at an age, by the nonparametric estimate.

    Mass that may lie on either side of the age counts as not yet gone.

    >>> print(f"{share_still_fit(npmle([0, 6, 6], [6, 12, np.inf]), 6.0):.3f}")
    0.667
    """
    gone = estimate.intervals[estimate.intervals["upper"] <= age]
    return float(gone["survival"].iloc[-1]) if len(gone) else 1.0


def _ageing_in_words(log_shape: float, p_value: float) -> str:
    if p_value >= CHANCE_LEVEL:
        return NOT_SUPPORTED
    return SUPPORTED if log_shape > 0 else EARLY


def _checked(
    lower: ArrayLike, upper: ArrayLike, entered: ArrayLike, items: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    lower, upper = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    upper = np.where(np.isnan(upper), np.inf, upper)
    entered = np.broadcast_to(np.asarray(entered, dtype=float), lower.shape)
    items = np.broadcast_to(np.asarray(items, dtype=float), lower.shape)
    faulty = np.flatnonzero(~((entered >= 0) & (entered <= lower) & (lower < upper)))
    if faulty.size:
        row = faulty[0]
        raise DataFault(
            f"Item {row} came under observation at {entered[row]:g} and went between {lower[row]:g} and "
            f"{upper[row]:g}, which cannot be. Correct its dates, or leave it out."
        )
    return lower, upper, entered, items


def _log_likelihood(
    lower: Floats, upper: Floats, entered: Floats, items: Floats, theta: Floats
) -> Derivatives:
    # With H the cumulative hazard: H(entered) - H(lower) + log(1 - exp(-(H(upper) - H(lower)))).
    is_removed = np.isfinite(upper)
    before, after = _cumulative_hazard(entered, theta), _cumulative_hazard(lower, theta)
    at_end = _cumulative_hazard(np.where(is_removed, upper, lower + 1), theta)
    between, gradient, hessian = (end - start for end, start in zip(at_end, after, strict=True))
    between = np.maximum(between, 1e-100)  # its square is still a number
    odds = 1 / np.expm1(np.minimum(between, 700))
    weight = items * is_removed
    value = items @ (before[0] - after[0]) + weight @ np.log(-np.expm1(-between))
    slope = items @ (before[1] - after[1]) + (weight * odds) @ gradient
    curvature = np.tensordot(items, before[2] - after[2], 1) + np.tensordot(weight * odds, hessian, 1)
    curvature -= np.einsum("n,ni,nj->ij", weight * odds * (1 + odds), gradient, gradient)
    return float(value), slope, curvature


def _cumulative_hazard(age: Floats, theta: Floats) -> tuple[Floats, Floats, NDArray]:
    # (age/scale)^shape with its gradient and Hessian by log scale and log shape.
    shape = np.exp(theta[1])
    log_hazard = np.clip(shape * (np.log(np.maximum(age, 1e-300)) - theta[0]), -700, 6.5)
    hazard = np.exp(log_hazard)
    gradient = hazard[:, None] * np.column_stack([np.full_like(age, -shape), log_hazard])
    mixed = -shape * (1 + log_hazard)
    rows = [[np.full_like(age, shape**2), mixed], [mixed, log_hazard * (1 + log_hazard)]]
    return hazard, gradient, hazard[:, None, None] * np.moveaxis(np.array(rows), 2, 0)


def _intervals_that_hold_mass(lower: Floats, upper: Floats, entered: Floats) -> tuple[Floats, Floats]:
    # Late entry ends an interval too: what lies before it and what lies after it are told apart.
    right_ends = np.unique(np.concatenate([upper, entered[entered > 0]]))
    left_ends = np.unique(lower)
    ends = np.concatenate([right_ends, left_ends])
    is_left = np.repeat([False, True], [right_ends.size, left_ends.size])
    order = np.lexsort([is_left, ends])  # at one age the interval that ends there comes first
    ends, is_left = ends[order], is_left[order]
    pair = np.flatnonzero(is_left[:-1] & ~is_left[1:])
    return ends[pair], ends[pair + 1]


def _added_up(ranges: NDArray, items: Floats) -> tuple[NDArray, Floats]:
    # The distinct rows of `ranges`, as columns, and how many items share each.
    distinct, row = np.unique(ranges, axis=0, return_inverse=True)
    return distinct.T, np.bincount(row.ravel(), items).astype(float)


def _extrapolated(mass: Floats, once: Floats, factors: Callable[[Floats], tuple[Floats, float]]) -> Floats:
    twice = once * factors(once)[0]
    step, bend = once - mass, twice - 2 * once + mass
    length = float(np.linalg.norm(step)) / max(float(np.linalg.norm(bend)), 1e-300)
    reached = factors(twice)[1]
    while length > 1:
        further = mass + 2 * length * step + length**2 * bend
        if (further > 0).all():
            further /= further.sum()
            if factors(further)[1] >= reached:
                return further
        length = (length + 1) / 2 if length > 1.01 else 1.0
    return twice
