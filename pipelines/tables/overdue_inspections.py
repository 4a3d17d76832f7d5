"""When the next periodic inspection of each item class in service falls due, and for how long it has been."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.shipped import statement


def overdue_inspections(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `overdue_inspections` as it stands on `as_of`, from `standing_groups`, `gaps` and `site_register`.

    An item stands at the place where it was last seen. Those that `exposures` counts as unaccounted for at their last
    look, or at the one they missed, are neither in the quantity nor do they set the due day.
    """
    return con.execute(statement("pipelines.tables", "overdue_inspections.sql"), {"as_of": as_of}).df()
