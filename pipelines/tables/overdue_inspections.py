"""When the next periodic inspection of each item class in service falls due, and for how long it has been."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.shipped import statement


def overdue_inspections(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `overdue_inspections` as it stands on `as_of`, from `current_lines` and `site_register`."""
    return con.execute(statement("pipelines.tables", "overdue_inspections.sql"), {"as_of": as_of}).df()
