"""How good forecasts were: whether bands hold as often as they claim, and how far off they are beside plain rivals."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import poisson

from pipelines.models.forecast import LEVELS
from pipelines.models.limits import Floats

QUANTILES = [0.025, 0.1, 0.5, 0.9, 0.975]
LAST_YEAR, LAST_12 = "same month of the year before", "mean of the 12 months before"


def scored(samples: NDArray, observed: NDArray) -> pd.DataFrame:
    """Return how each of n forecasts did against what came.

    Parameters
    ----------
    samples : ndarray, shape (n, draws)
        Draws of each count [items].
    observed : ndarray, shape (n,)
        What came [items].

    Returns
    -------
    DataFrame, one row for each of n
        `inside_80`, `inside_95`: what share of the observed count lies inside the band. Bands of counts end on whole
        items and so cover more than they claim; a count on the edge is therefore shared out between inside and outside
        as the draws share it out, so that forecasts that are right score their level on average. `pinball`: the mean
        pinball loss of the quantiles `QUANTILES` [items]. `expected`, `observed` [items].

    References
    ----------
    Czado, C., Gneiting, T. & Held, L. (2009). Predictive model assessment for count data. Biometrics 65, 1254-1261
    (from memory), for sharing out.
    """
    below, reached = (
        compare(samples, observed[:, None]).mean(axis=1) for compare in (np.less, np.less_equal)
    )
    scores = {f"inside_{level}": _share_inside(below, reached, level / 100) for level in LEVELS}
    quantiles = np.quantile(samples, QUANTILES, axis=1, method="inverted_cdf")
    return pd.DataFrame(
        scores
        | {
            "pinball": pinball(quantiles, observed),
            "expected": samples.mean(axis=1, dtype=float),
            "observed": observed,
        }
    )


def pinball(quantiles: Floats, observed: NDArray) -> Floats:
    """Return the mean pinball loss of quantiles at the levels `QUANTILES`, shape (levels, n) [items].

    References
    ----------
    Koenker, R. & Bassett, G. (1978). Regression quantiles. Econometrica 46, 33-50 (from memory).

    Examples
    --------
    >>> print(pinball(np.array([[1.0], [2.0], [3.0], [4.0], [5.0]]), np.array([3.0])))
    [0.06]
    """
    level = np.array(QUANTILES)[:, None]
    above = np.asarray(observed) - quantiles
    return np.where(above >= 0, level * above, (level - 1) * above).mean(axis=0)


def rival_pinball(point: NDArray, observed: NDArray) -> Floats:
    """Return the pinball loss of a plain rival that says one count, with Poisson quantiles about it [items].

    A rival that says its one count for every quantile would lose by more; this is the stronger of the two.
    """
    quantiles = poisson.ppf(np.array(QUANTILES)[:, None], np.asarray(point, dtype=float))
    return pinball(quantiles, observed)


def summary(scores: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return coverage, bias and loss of the forecasts that are alike in `by`.

    Parameters
    ----------
    scores : DataFrame
        Rows of `scored` with the columns of `by`, and `pinball_last_year`, `pinball_last_12` of the rivals.
    by : list of str
        Columns whose combinations are told apart.

    Returns
    -------
    DataFrame
        `forecasts` (their number), `inside_80`, `inside_95` [share], `bias` [share of what came, empty where nothing
        did], and `loss_to_last_year`, `loss_to_last_12`: the loss as a share of the rival's, below 1 where the
        forecast is better, empty where the rival made none.
    """
    sums = scores.groupby(by, as_index=False, sort=False).agg(
        forecasts=("observed", "size"),
        inside_80=("inside_80", "mean"),
        inside_95=("inside_95", "mean"),
        expected=("expected", "sum"),
        observed=("observed", "sum"),
        pinball=("pinball", "sum"),
        last_year=("pinball_last_year", "sum"),
        last_12=("pinball_last_12", "sum"),
    )
    came = sums["observed"].where(sums["observed"] > 0)
    return sums.assign(
        bias=sums["expected"] / came - 1,
        loss_to_last_year=sums["pinball"] / sums["last_year"].where(sums["last_year"] > 0),
        loss_to_last_12=sums["pinball"] / sums["last_12"].where(sums["last_12"] > 0),
    ).drop(columns=["pinball", "last_year", "last_12"])


def _share_inside(below: Floats, reached: Floats, level: float) -> Floats:
    lower, upper = (1 - level) / 2, (1 + level) / 2
    inside = np.clip(np.minimum(reached, upper) - np.maximum(below, lower), 0, None)
    width = reached - below
    is_between = (below >= lower) & (below <= upper)
    return np.where(width > 0, inside / np.where(width > 0, width, 1.0), is_between.astype(float))
