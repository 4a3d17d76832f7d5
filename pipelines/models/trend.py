"""Control charts of a series of months, a detector of slow drift, and the rate of change with its limits.

Control limits say how far ordinary variation carries a month. A signal is a question, not a verdict: charts of many
sites give false ones by the number, which `false_signal_chances` states and `adjusted_p_values` corrects for.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr, stdtrit
from scipy.stats import false_discovery_control, nbinom, poisson

from pipelines.faults import DataFault
from pipelines.models.grouped_likelihood import poisson_regression
from pipelines.models.limits import Floats

WIDTH = 3.0  # control limits in standard errors
TAIL = 0.00135  # what three standard errors leave of a normal distribution, on either side
MEAN_RANGE_OF_TWO = 2 / np.sqrt(np.pi)  # of two standard normals; Laney's paper rounds it to 1.128
LEAST_POINTS_FOR_SPREAD = 10
LEAST_EXPECTED_FOR_NORMAL_LIMITS = 5.0
LEAST_POINTS_FOR_TREND = 8
LEAST_REMOVALS_FOR_TREND = 5
LARGEST_LOG_RATIO = 20.0  # a factor of half a billion a year says nothing of a removal rate
EWMA_WEIGHT = 0.2

ABOVE, BELOW, WITHIN = "above", "below", "within"
Signals = NDArray[np.str_]


@dataclass(frozen=True)
class ControlCharts:
    """Control charts of one series or of many: one row of `points` per month, in the order in which the months came in.

    `points` has the plotted `value`, `centre`, `limit_lower`, `limit_upper`, `signal` (`above`, `below` or `within`)
    and `p_value`, how often ordinary variation strays as far; all empty in a month without a point, the last four
    where there are no limits. The rest is one for each series: `sigma_z` is how much further apart the points lie than
    chance puts them, NaN where too few say so; `widening` what the limits were widened by, never below 1.
    """

    points: pd.DataFrame
    sigma_z: Floats
    widening: Floats


@dataclass(frozen=True)
class RateOfChange:
    """By what factor a removal rate changes per year: `ratio_per_year` with limits, or the `note` why there is none.

    `slope` and `slope_error` are on the log scale, the error widened by the square root of `dispersion` where that
    exceeds 1; `p_value` tests a ratio of 1.
    """

    points: int
    removed: float
    note: str | None = None
    ratio_per_year: float | None = None
    ratio_lower: float | None = None
    ratio_upper: float | None = None
    slope: float | None = None
    slope_error: float | None = None
    dispersion: float | None = None
    p_value: float | None = None


def rate_chart(
    removed: ArrayLike,
    shackle_years: ArrayLike,
    least_points: int,
    expected: ArrayLike | None = None,
    is_baseline: ArrayLike | None = None,
    series: ArrayLike = 0,
) -> ControlCharts:
    """Return control charts of removal rates: u charts, widened where months differ more than chance allows.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Removals with exposure in each month [items].
    shackle_years : array_like of float, shape (n,)
        Exposure of the month [shackle-years]; a month without any has no point.
    least_points : int
        Fewer baseline points than this get a centre line but no limits.
    expected : array_like of float, shape (n,), optional
        Removals to be expected in the month [items], such as the sum over places of their baseline rate times their
        exposure in that month. Then a month is no signal merely because other places than usual were looked at. By
        default the pooled rate of the baseline times the exposure.
    is_baseline : array_like of bool, shape (n,), optional
        Months from which centre and spread are taken; all by default.
    series : array_like of int, shape (n,), optional
        The series of each month where there are several, numbered from 0; months of one come in their order.

    Returns
    -------
    ControlCharts
        Values, centre and limits in removals per 100 shackle-years.

    Notes
    -----
    Limits are `centre ± 3 widening sqrt(centre / exposure)`. The widening is Laney's sigma_z, from the ranges between
    neighbouring points (months without a point are passed over), but never below 1: a narrower spread is
    mostly noise where points are few. Where fewer than 5 removals are expected in a month the limits are exact: the
    lowest and the highest whole count beyond which ordinary variation leaves at most 0.00135, by the Poisson
    distribution or, where limits are widened, the negative binomial of the same mean and the widened variance.

    References
    ----------
    Laney, D. B. (2002). Improved control charts for attributes. Quality Engineering 14, 531-537.

    Examples
    --------
    >>> chart = rate_chart([4, 3, 6, 20], [100, 100, 100, 100], least_points=3, is_baseline=[1, 1, 1, 0])
    >>> print(*chart.points[["centre", "limit_upper", "signal"]].round(2).iloc[-1])
    4.33 12.0 above
    """
    removed, shackle_years = np.asarray(removed, dtype=float), np.asarray(shackle_years, dtype=float)
    _refuse_impossible_months(removed, shackle_years)
    series = np.broadcast_to(np.asarray(series), removed.shape)
    count = int(series.max()) + 1 if series.size else 1
    has_point = shackle_years > 0
    is_baseline = has_point if is_baseline is None else has_point & np.asarray(is_baseline, dtype=bool)
    baseline = series[is_baseline]
    points_of = np.bincount(baseline, minlength=count)
    if expected is None:
        sums = (np.bincount(baseline, part[is_baseline], count) for part in (removed, shackle_years))
        of_series = next(sums) / np.maximum(next(sums), np.finfo(float).tiny)
        expected = of_series[series] * shackle_years
    expected = np.asarray(expected, dtype=float)
    unit = 100 / np.where(has_point, shackle_years, np.nan)
    points = pd.DataFrame({"value": removed * unit, "centre": expected * unit})

    has_limits = has_point & (expected > 0)
    z = (removed - expected) / np.sqrt(np.where(has_limits, expected, 1.0))
    sigma_z = laney_sigma(z[is_baseline & has_limits], series[is_baseline & has_limits], count)
    widening = np.where(sigma_z > 1, sigma_z, 1.0)
    is_limited = (points_of >= least_points) & (np.bincount(series[has_limits], minlength=count) > 0)
    widening[~is_limited] = 1.0
    lower, upper, signal, p_value = _count_limits(removed, expected, widening[series])
    limited = _with_limits(points, lower * unit, upper * unit, signal, p_value, is_limited[series])
    return ControlCharts(limited, sigma_z, widening)


def laney_sigma(z: Floats, series: NDArray[np.intp], count: int) -> Floats:
    """Return how many times further apart the points of each series lie than chance puts them; NaN for few points.

    Parameters
    ----------
    z : ndarray of float, shape (n,)
        The points of the baseline in order, each less its centre, in standard errors of chance.
    series : ndarray of int, shape (n,)
        The series of each point, numbered from 0; points of one series stand together.
    count : int
        How many series there are.

    Returns
    -------
    ndarray of float, shape (count,)
        The mean moving range of a series in standard deviations, the widening of its limits where it is above 1.

    References
    ----------
    Laney, D. B. (2002). Improved control charts for attributes. Quality Engineering 14, 531-537.

    Examples
    --------
    >>> laney_sigma(np.array([0.0, 3.0] * 10), np.zeros(20, dtype=int), 1).round(2).tolist()
    [2.66]
    """
    is_next = series[1:] == series[:-1]
    ranges = np.bincount(series[1:][is_next], np.abs(np.diff(z))[is_next], count)
    points = np.bincount(series, minlength=count)
    mean = ranges / np.maximum(points - 1, 1)
    return np.where(points >= LEAST_POINTS_FOR_SPREAD, mean / MEAN_RANGE_OF_TWO, np.nan)


def drift_chart(
    value: ArrayLike,
    centre: ArrayLike,
    error: ArrayLike,
    weight: float = EWMA_WEIGHT,
    width: float = WIDTH,
    series: ArrayLike = 0,
) -> pd.DataFrame:
    """Return an exponentially weighted moving average with its control limits: a detector of slow drift.

    Parameters
    ----------
    value : array_like of float, shape (n,)
        The series; NaN in a month without a point.
    centre : array_like of float, shape (n,), or float
        What to expect of each point.
    error : array_like of float, shape (n,), or float
        Standard error of each point about its centre. For a removal rate per 100 shackle-years it is
        `widening * sqrt(100 * centre / exposure)`, with the widening of `rate_chart`.
    weight : float
        Weight of the newest point, above 0 and at most 1.
    width : float
        Half-width of the limits in standard errors.
    series : array_like of int, shape (n,), optional
        The series of each point where there are several, numbered from 0; points of one come in their order.

    Returns
    -------
    DataFrame, one row per point of the series
        `ewma`, `limit_lower`, `limit_upper`, `signal`; empty in a month without a point.

    Notes
    -----
    The average is of deviations from the centre and starts at 0, so limits start narrow and widen to their steady
    state; those of a point with little exposure are wide and narrow again after it. A month without a point is passed
    over.

    References
    ----------
    Roberts, S. W. (1959). Control chart tests based on geometric moving averages. Technometrics 1, 239-250 (from
    memory).

    Examples
    --------
    >>> drift_chart([52.0, 47.0], centre=50.0, error=2.0539, weight=0.3)["ewma"].round(2).tolist()
    [50.6, 49.52]
    """
    value = np.asarray(value, dtype=float)
    centre, error = (np.broadcast_to(np.asarray(part, dtype=float), value.shape) for part in (centre, error))
    average, variance = np.full_like(value, np.nan), np.full_like(value, np.nan)
    month = np.flatnonzero(~np.isnan(value))
    of_month = np.broadcast_to(np.asarray(series), value.shape)[month]
    latest, latest_variance = np.zeros((2, int(of_month.max()) + 1 if month.size else 0))
    # The first points of all series together, then their second ones, and so on.
    place = pd.Series(of_month).groupby(of_month).cumcount().to_numpy()
    order = np.argsort(place, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(place[order])) + 1):
        here, of = month[rows], of_month[rows]
        latest[of] = weight * (value[here] - centre[here]) + (1 - weight) * latest[of]
        latest_variance[of] = weight**2 * error[here] ** 2 + (1 - weight) ** 2 * latest_variance[of]
        average[here], variance[here] = latest[of], latest_variance[of]
    reach = width * np.sqrt(variance)
    signal = np.select([average > reach, average < -reach], [ABOVE, BELOW], WITHIN).astype(object)
    signal[np.isnan(value)] = None
    limits = {"limit_lower": centre - reach, "limit_upper": centre + reach, "signal": signal}
    return pd.DataFrame({"ewma": centre + average} | limits)


def rate_of_change(removed: ArrayLike, exposure: ArrayLike, years: ArrayLike, level: float) -> RateOfChange:
    """Return by what factor a removal rate changes per year.

    Parameters
    ----------
    removed : array_like of int, shape (n,)
        Removals with exposure [items].
    exposure : array_like of float, shape (n,)
        Exposure [shackle-years], or the removals to be expected at baseline rates, which takes out a change of what is
        looked at. Points with 0 are left out.
    years : array_like of float, shape (n,)
        Time of each point [years].
    level : float
        Two-sided level of the limits, between 0 and 1.

    Notes
    -----
    Poisson regression on time with the log of the exposure as offset. Errors are widened by the root of Pearson's X2
    over its degrees of freedom where that exceeds 1, and limits take the t distribution of as many. With under 8
    points or 5 removals there is no estimate.

    References
    ----------
    McCullagh, P. & Nelder, J. A. (1989). Generalized Linear Models, 2nd ed., sections 4.5 and 6.2. Chapman & Hall.

    Examples
    --------
    >>> change = rate_of_change([9, 8, 8, 6, 7, 5, 5, 4], [100] * 8, range(8), level=0.9)
    >>> print(f"{change.ratio_per_year:.2f}, {change.ratio_lower:.2f} to {change.ratio_upper:.2f}")
    0.90, 0.80 to 1.01
    """
    removed, exposure, years = (np.asarray(part, dtype=float) for part in (removed, exposure, years))
    _refuse_impossible_months(removed, exposure)
    has_point = exposure > 0
    removed, exposure, years = removed[has_point], exposure[has_point], years[has_point]
    unknown = RateOfChange(points=removed.size, removed=float(removed.sum()))
    if unknown.points < LEAST_POINTS_FOR_TREND or np.ptp(years) == 0:
        return replace(unknown, note=f"under {LEAST_POINTS_FOR_TREND} points in time, no rate of change")
    if unknown.removed < LEAST_REMOVALS_FOR_TREND:
        return replace(unknown, note=f"under {LEAST_REMOVALS_FOR_TREND} removals, no rate of change")

    design = np.column_stack([np.ones_like(years), years - years.mean()])

    fit = poisson_regression(design, removed, exposure)
    if not fit.is_settled:
        return replace(unknown, note="the search for the best fit did not settle, no rate of change")
    mean = exposure * np.exp(design @ fit.at)
    freedom = removed.size - 2
    dispersion = float(np.sum((removed - mean) ** 2 / mean) / freedom)
    slope, error = float(fit.at[1]), float(np.sqrt(fit.covariance[1, 1] * max(1.0, dispersion)))
    reach = stdtrit(freedom, (1 + level) / 2) * error
    if abs(slope) + reach > LARGEST_LOG_RATIO:
        return replace(unknown, note="removals too unevenly spread over time, no rate of change")
    return replace(
        unknown,
        ratio_per_year=float(np.exp(slope)),
        ratio_lower=float(np.exp(slope - reach)),
        ratio_upper=float(np.exp(slope + reach)),
        slope=slope,
        slope_error=error,
        dispersion=dispersion,
        p_value=float(2 * stdtr(freedom, -abs(slope) / error)),
    )


def false_signal_chances(expected: ArrayLike, widening: ArrayLike = 1.0) -> Floats:
    """Return how often ordinary variation alone makes a signal of each point; their sum is the number to expect.

    Parameters
    ----------
    expected : array_like of float, shape (n,)
        Removals to be expected at each point [items], such as those of one month at every site.
    widening : array_like of float, shape (n,), optional
        Widening of the chart the point is on.

    Returns
    -------
    chances : ndarray of float, shape (n,)
        0 where nothing is expected, since such a point has no limits.

    Notes
    -----
    Exact for the limits of `rate_chart`: whole counts make small points signal less often than 0.0027 in all, and
    normal limits just above 5 expected removals make them signal more often upwards.

    Examples
    --------
    >>> print(f"{false_signal_chances([30.0] * 40).sum():.3f}")
    0.114
    """
    expected, widening = np.broadcast_arrays(np.asarray(expected, float), np.asarray(widening, float))
    is_known = expected > 0
    known, widening = expected[is_known], widening[is_known]
    lower, upper = _limits(known, widening)
    too_high = _ordinary("sf", np.floor(upper), known, widening)
    too_low = _ordinary("cdf", np.ceil(lower) - 1, known, widening)
    chances = np.zeros(expected.shape)
    chances[is_known] = too_high + too_low
    return chances


def adjusted_p_values(p_values: ArrayLike) -> Floats:
    """Return p values adjusted for how many charts were looked at; NaN stays NaN.

    Notes
    -----
    Of the signals kept at an adjusted value of at most q, a share of q at most is false on average (Benjamini &
    Hochberg 1995), as long as charts are independent or rise and fall together.

    References
    ----------
    Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate. Journal of the Royal Statistical
    Society B 57, 289-300.

    Examples
    --------
    >>> adjusted_p_values([0.01, 0.04, 0.5, np.nan]).round(3).tolist()
    [0.03, 0.06, 0.5, nan]
    """
    p_values = np.asarray(p_values, dtype=float)
    adjusted = np.full_like(p_values, np.nan)
    is_known = ~np.isnan(p_values)
    if is_known.any():
        adjusted[is_known] = false_discovery_control(p_values[is_known])
    return adjusted


def _refuse_impossible_months(removed: Floats, shackle_years: Floats) -> None:
    faulty = np.flatnonzero(~((removed >= 0) & (shackle_years >= 0) & ((shackle_years > 0) | (removed == 0))))
    if faulty.size:
        month = faulty[0]
        raise DataFault(
            f"Month {month} has {removed[month]:g} removals in {shackle_years[month]:g} shackle-years, which gives no point. "
            "Leave it out, or give both as 0."
        )


def _count_limits(
    removed: Floats, expected: Floats, widening: Floats
) -> tuple[Floats, Floats, Signals, Floats]:
    at_least, at_most = (
        _ordinary("sf", removed - 1, expected, widening),
        _ordinary("cdf", removed, expected, widening),
    )
    is_normal = expected >= LEAST_EXPECTED_FOR_NORMAL_LIMITS
    lower, upper = _limits(expected, widening)
    is_above = np.where(is_normal, removed > upper, at_least <= TAIL)
    is_below = np.where(is_normal, removed < lower, at_most < TAIL)
    signal = np.select([is_above, is_below], [ABOVE, BELOW], WITHIN)
    return np.maximum(lower, 0), upper, signal, np.minimum(1, 2 * np.minimum(at_least, at_most))


def _limits(expected: Floats, widening: Floats) -> tuple[Floats, Floats]:
    """Return the normal limits of counts; the exact ones, whole numbers, where few are expected."""
    reach = WIDTH * widening * np.sqrt(expected)
    lower, upper = expected - reach, expected + reach
    is_small = expected < LEAST_EXPECTED_FOR_NORMAL_LIMITS
    for limits, probability in ((lower, TAIL), (upper, 1 - TAIL)):
        limits[is_small] = _ordinary("ppf", probability, expected[is_small], widening[is_small])
    return lower, upper


def _ordinary(function: str, at: ArrayLike, expected: Floats, widening: ArrayLike) -> Floats:
    # Counts of the given mean: Poisson, or negative binomial with the widened variance.
    at, expected, widening = np.broadcast_arrays(at, expected, widening)
    found = np.empty(expected.shape)
    plain = widening <= 1
    found[plain] = getattr(poisson, function)(at[plain], expected[plain])
    excess = np.maximum(widening[~plain] ** 2, 1 + 1e-9) - 1
    found[~plain] = getattr(nbinom, function)(at[~plain], expected[~plain] / excess, 1 / (1 + excess))
    return found


def _without_limits(points: pd.DataFrame) -> pd.DataFrame:
    return points.assign(limit_lower=np.nan, limit_upper=np.nan, signal=None, p_value=np.nan)


def _with_limits(
    points: pd.DataFrame,
    lower: Floats,
    upper: Floats,
    signal: Signals,
    p_value: Floats,
    is_limited: NDArray[np.bool_],
) -> pd.DataFrame:
    limits = pd.DataFrame(
        {"limit_lower": lower, "limit_upper": upper, "signal": signal.astype(object), "p_value": p_value}
    )
    has_limits = is_limited & points["value"].notna() & (points["centre"] > 0)
    return points.join(limits.where(has_limits, _without_limits(points)[limits.columns]))
