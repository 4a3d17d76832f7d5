"""How inspections are kept up at each site, beside what they find."""

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules
from pipelines.shipped import statement


def site_practice(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `site_practice`, from `exposures` and the tables of rates, reasons, intervals and due days."""
    grace = {"grace_days": benchmark_rules().grace_days}
    return con.execute(statement("pipelines.tables", "site_practice.sql"), grace).df()
