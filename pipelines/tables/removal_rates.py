"""Removal rates of each environment of each site, month by month."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.rates import charted_rates, rates_if_unaccounted
from pipelines.shipped import statement


def removal_rates(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `removal_rates` of the lines up to `as_of`, the last day of a month; reads their sums and `exposures`."""
    months = con.execute(statement("pipelines.tables", "removal_rates.sql"), {"as_of": as_of}).df()
    targets = risk_targets()
    charted = charted_rates(months, ["client", "site", "environment"], targets)
    return months.join([charted, rates_if_unaccounted(months, targets)])
