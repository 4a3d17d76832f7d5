"""The monthly removal trend of each client and each site, months without inspections included."""

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.rates import charted_rates
from pipelines.shipped import statement


def removal_trend(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `removal_trend`, summed up from `removal_rates`; the site is empty in rows of a client."""
    months = con.execute(statement("pipelines.tables", "removal_trend.sql")).df()
    return months.join(charted_rates(months, ["client", "site"], risk_targets()))
