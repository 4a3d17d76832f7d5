"""Goods rejected at the receiving inspection, by site, supplier and month."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.limits import exact_share_limits
from pipelines.shipped import statement


def receiving_rejects(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `receiving_rejects` of the lines up to `as_of`; reads their sums."""
    goods = con.execute(statement("pipelines.tables", "receiving_rejects.sql"), {"as_of": as_of}).df()
    return with_share_rejected(goods)


def with_share_rejected(goods: pd.DataFrame) -> pd.DataFrame:
    """Return goods, with `received` and `rejected` [items], beside the share rejected and its exact limits."""
    lower, upper = exact_share_limits(goods["rejected"], goods["received"], risk_targets().rate_limits_level)
    return goods.assign(
        share_rejected=goods["rejected"] / goods["received"],
        share_rejected_lower=lower,
        share_rejected_upper=upper,
    )
