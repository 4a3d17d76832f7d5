"""How the forecast would have done at earlier months of the same store, beside two plain rivals."""

from datetime import date

import duckdb
import numpy as np
import pandas as pd

from pipelines.contracts import order_terms
from pipelines.models.forecast_scores import rival_pinball, scored, summary
from pipelines.models.planning import GROUP, Forecast, Scenario, make_forecast
from pipelines.shipped import statement
from pipelines.tables.compute import compute_rates, last_day
from pipelines.tables.replacement_forecast import planning_inputs

# How many months before the end of the records each forecast starts; each is held against all months since.
ORIGINS = (12, 9, 6, 3)
# What is added up, and how a report calls it.
SUMS = {
    "item class at a site": GROUP,
    "item class of a client": ["client", "item_class"],
    "all of a client": ["client"],
}
LEAST_HISTORY_MONTHS = 12  # before an origin, so that both rivals have a year to speak of


def forecast_backtest(con: duckdb.DuckDBPyConnection, as_of: date, client: str = "") -> pd.DataFrame:
    """Return how forecasts from earlier months held, one row for each client and each way of adding up.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        A store of one's own: its tables are computed anew for each earlier month, and stay those of the last one.
    as_of : date
        The last day of the records, the last of a month.
    client : str
        Tell of this client only; '' for all.

    Returns
    -------
    DataFrame
        `client`, `summed_over`, and the columns of `forecast_scores.summary`. No rows where the records are too short.
    """
    removals = con.execute(statement("pipelines.tables", "removals_by_month.sql"), {"as_of": as_of}).df()
    (first,) = con.execute("select strftime(min(inspected_on), '%Y-%m') from current_lines").fetchall()[0]
    last = pd.Period(as_of, freq="M")
    scores = []
    for months in ORIGINS:
        origin = last - months
        if first is None or origin - LEAST_HISTORY_MONTHS < pd.Period(first, freq="M"):
            continue
        compute_rates(con, last_day(str(origin)))
        forecast = make_forecast(planning_inputs(con, last_day(str(origin))), Scenario(order_terms()), client)
        scores += [
            held_against(forecast, removals, by, months).assign(summed_over=words)
            for words, by in SUMS.items()
        ]
    if not scores:
        return pd.DataFrame(columns=["client", "summed_over"])
    return summary(pd.concat(scores, ignore_index=True), ["client", "summed_over"])


def held_against(forecast: Forecast, removals: pd.DataFrame, by: list[str], months: int) -> pd.DataFrame:
    """Return the scores of the first months of a forecast, summed over all that is alike in `by`.

    Takes the removals of each `client`, `site`, `item_class` and `month`, before and after the forecast was made. Of
    them those count that the forecast speaks of: a class that came into service later is nobody's fault.

    Parameters
    ----------
    forecast : Forecast
        Made before the months it is held against.
    removals : DataFrame
        Rows of `client`, `site`, `item_class`, `month` and `removed` [items], before and after that.
    by : list of str
        Columns whose combinations are told apart.
    months : int
        How many of the months of the forecast count, from its first on.
    """
    keys, samples = forecast.summed(by)
    spoken_of = removals.merge(forecast.groups.loc[forecast.groups["has_rate"], GROUP], on=GROUP)
    counts = spoken_of.pivot_table(index=by, columns="month", values="removed", aggfunc="sum", fill_value=0)
    names = keys[by[0]] if len(by) == 1 else pd.MultiIndex.from_frame(keys)
    ahead = forecast.months[:months]
    before = [str(pd.Period(month, freq="M") - 12) for month in forecast.months]
    counts = counts.reindex(index=pd.Index(names), columns=[*before, *forecast.months], fill_value=0)
    observed, year_before = counts[ahead].to_numpy(), counts[before].to_numpy()
    scores = scored(samples[:, :months].reshape(-1, samples.shape[2]), observed.ravel())
    mean = np.repeat(year_before.mean(axis=1), len(ahead))
    return scores.assign(
        client=np.repeat(keys["client"].to_numpy(), len(ahead)),
        pinball_last_year=rival_pinball(year_before[:, :months].ravel(), observed.ravel()),
        pinball_last_12=rival_pinball(mean, observed.ravel()),
    )
