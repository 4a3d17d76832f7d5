"""What frequent inspections of a month took out of service, which no rate counts before the look that follows."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.exposure import make_views
from pipelines.shipped import statement


def removals_between(
    con: duckdb.DuckDBPyConnection, as_of: date, client: str = "", site: str = ""
) -> pd.DataFrame:
    """Return the removals between looks in the month that ends with `as_of`, by item class, place and criterion.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store with the tables of that month; a read-only connection will do.
    as_of : date
        The last day of the month.
    client, site : str
        Those of this client or site only; '' for all.

    Returns
    -------
    DataFrame
        `client`, `site`, `environment`, `item_class`, `criterion`, `tier`, `removed`, and `removed_since_look`, those that
        no look at their class and place has followed yet [items].
    """
    make_views(con)
    return con.execute(
        statement("pipelines.tables", "removals_between.sql"),
        {"first_on": as_of.replace(day=1), "as_of": as_of, "client": client, "site": site},
    ).df()
