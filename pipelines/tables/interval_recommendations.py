"""The inspection interval to advise for each environment of each site."""

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.interval_advice import recommend_intervals
from pipelines.models.rates import rates_if_unaccounted
from pipelines.shipped import statement

WHOLE_MONTHS = [
    "guideline_interval_months",
    "computed_interval_months",
    "recommended_interval_months",
    "usual_step_months",
]


def interval_recommendations(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `interval_recommendations`, from the tables of rates, pooled rates, reasons and inspections due."""
    places = con.execute(statement("pipelines.tables", "interval_recommendations.sql")).df()
    targets = risk_targets()
    advice = recommend_intervals(places, targets).astype(dict.fromkeys(WHOLE_MONTHS, "Int64"))
    return places.join([advice, rates_if_unaccounted(places, targets)])
