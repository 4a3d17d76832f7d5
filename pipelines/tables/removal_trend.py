"""The monthly removal trend of each client and each site, months without inspections included."""

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.rates import charted_rates
from pipelines.shipped import statement


def removal_trend(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `removal_trend`, summed up from `removal_rates`; the site is empty in rows of a client."""
    targets = risk_targets()
    months = con.execute(
        statement("pipelines.tables", "removal_trend.sql"),
        {
            "baseline_months": targets.least_months_for_limits,
            "least_exposure": targets.least_shackle_years_for_a_rate,
        },
    ).df()
    charted = charted_rates(months, ["client", "site"], targets)
    return months.drop(columns="expected_removals").join(charted)
