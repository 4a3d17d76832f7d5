"""The inspection interval to advise for each environment of each site."""

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.intervals import recommend_intervals
from pipelines.models.rates import rates_if_unaccounted
from pipelines.shipped import statement


def interval_recommendations(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `interval_recommendations`, from `removal_rates` and `site_register`."""
    places = con.execute(statement("pipelines.tables", "interval_recommendations.sql")).df()
    targets = risk_targets()
    advice = recommend_intervals(places, targets)
    whole = ["guideline_interval_months", "computed_interval_months", "recommended_interval_months"]
    advice = advice.astype(dict.fromkeys(whole, "Int64"))
    return places.drop(columns="is_above_usual").join([advice, rates_if_unaccounted(places, targets)])
