"""Goods that receiving inspections refused, by supplier."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.limits import exact_share_limits
from pipelines.shipped import statement


def supplier_rejects(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `supplier_rejects` of the lines up to `as_of`: shares with exact limits [% of goods received]."""
    goods = con.execute(statement("pipelines.tables", "supplier_rejects.sql"), {"as_of": as_of}).df()
    lower, upper = exact_share_limits(goods["rejected"], goods["received"], risk_targets().rate_limits_level)
    return goods.assign(
        share_rejected=goods["rejected"] / goods["received"],
        share_rejected_lower=lower,
        share_rejected_upper=upper,
    )
