"""Rates held against what came after them: each forecast is made from the looks before its day alone."""

import numpy as np
import pandas as pd
from scipy.stats import norm

from pipelines.models.hazard import PLACE, HazardFit, fit_hazard

DRAWS = 4000
SEED = 20260930


def backtest_rates(
    looks: pd.DataFrame, covariates: list[str], origins: list[pd.Timestamp], months: int, level: float
) -> pd.DataFrame:
    """Return what rates known on a day gave to expect of the months after it, beside what was removed in them.

    Parameters
    ----------
    looks : DataFrame
        As for `fit_hazard`, with `inspected_on` as days.
    covariates : list of str
        As for `fit_hazard`.
    origins : list of Timestamp
        Days on which a forecast is made, from the looks up to that day.
    months : int
        Length of a forecast [months].
    level : float
        Level of the prediction range, between 0 and 1.

    Returns
    -------
    DataFrame
        One row per origin and place that has a rate then and a look in the months after: `origin_on`, `client`,
        `site`, `environment`, `removed` [items], `removed_expected` [items], `removed_lower`, `removed_upper` (the
        prediction range), `removed_expected_alone` [items], what the place's own looks alone gave to expect.

    Notes
    -----
    The exposure of the months after is taken as it came, so that only the rates are put to the test. The prediction
    range holds the doubt about the rate, the spread between looks and the count's own chance, by draws with a fixed
    seed. A range of whole counts covers at least its level, often more where few removals are expected.
    """
    if looks.empty:
        return pd.DataFrame()
    inspected_on = pd.to_datetime(looks["inspected_on"])
    random = np.random.default_rng(SEED)
    rows = []
    for origin in origins:
        before = looks[inspected_on <= origin]
        after = looks[(inspected_on > origin) & (inspected_on <= last_day_ahead(origin, months))]
        if before.empty or after.empty:
            continue
        fit = fit_hazard(before, covariates, level, (1 + level) / 2)
        rows.append(_held_against(fit, before, after, level, random).assign(origin_on=origin))
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()


def last_day_ahead(origin: pd.Timestamp, months: int) -> pd.Timestamp:
    """Return the last day of so many months after a day; after the end of a month they end with a month.

    >>> print(last_day_ahead(pd.Timestamp("2026-02-28"), 3).date(), last_day_ahead(pd.Timestamp("2026-03-15"), 3).date())
    2026-05-31 2026-06-15
    """
    day = pd.Timedelta(days=1)
    return origin + day + pd.DateOffset(months=months) - day


def _held_against(
    fit: HazardFit, before: pd.DataFrame, after: pd.DataFrame, level: float, random: np.random.Generator
) -> pd.DataFrame:
    known = fit.rates[fit.rates["rate_upper"].notna() & (fit.rates["rate"] > 0)]
    known = known.drop(columns=["removed", "inspected"])
    looks_after = after.groupby(PLACE, observed=True)["inspected_on"].nunique().rename("looks_after")
    sums = _sums(after).join(looks_after).join(_sums(before), rsuffix="_before")
    places = known.merge(sums, on=PLACE)
    doubt = np.log(places["rate_upper"] / places["rate_lower"].clip(lower=1e-9)) / (
        2 * norm.ppf((1 + level) / 2)
    )
    look_sd = fit.look_spread.look_sd if fit.look_spread else 0.0
    spread = look_sd / np.sqrt(places["looks_after"])
    size = (DRAWS, len(places))
    log_rate = np.log(places["rate"].to_numpy() / 100) + doubt.to_numpy() * random.standard_normal(size)
    # The mean of the looks to come, drawn so that on average it is that of the rate.
    of_looks = spread.to_numpy() * random.standard_normal(size) - spread.to_numpy() ** 2 / 2
    counts = random.poisson(places["exposure"].to_numpy() * np.exp(log_rate + of_looks))
    lower, upper = np.quantile(counts, [(1 - level) / 2, (1 + level) / 2], axis=0, method="inverted_cdf")
    return places[[*PLACE, "removed"]].assign(
        removed_expected=places["rate"] / 100 * places["exposure"],
        removed_lower=lower.astype(int),
        removed_upper=upper.astype(int),
        removed_expected_alone=places["removed_before"] / places["exposure_before"] * places["exposure"],
    )


def _sums(looks: pd.DataFrame) -> pd.DataFrame:
    """Return the removals and the exposure [shackle-years] of each place."""
    # Half the time of a removed item, as in the actuarial rate.
    exposure = looks["gap_years"] * (looks["inspected"] - looks["removed"] / 2)
    return looks.assign(exposure=exposure).groupby(PLACE, observed=True)[["removed", "exposure"]].sum()
