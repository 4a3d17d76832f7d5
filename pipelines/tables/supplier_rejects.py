"""Goods rejected at the receiving inspection, by supplier."""

import duckdb
import pandas as pd

from pipelines.shipped import statement
from pipelines.tables.receiving_rejects import with_share_rejected


def supplier_rejects(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `supplier_rejects`, summed up from `receiving_rejects`."""
    return with_share_rejected(con.execute(statement("pipelines.tables", "supplier_rejects.sql")).df())
