"""How strict each designated person of a client is, and which signals came when they took over a place."""

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.strictness import strictness_of_inspectors
from pipelines.shipped import statement

COUNTS = ["months_leading", "takeovers", "signals", "signals_at_takeover"]


def inspector_strictness(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `inspector_strictness`.

    Reads the sums of the lines, `gap_days`, `gaps` and, for the signals, `removal_rates`. A person whose looks were all first looks
    has no row: they opened clocks and closed no gap.
    """
    cells = con.execute(statement("pipelines.tables", "inspector_strictness.sql")).df()
    takeovers = con.execute(statement("pipelines.tables", "inspector_takeovers.sql")).df()
    table = strictness_of_inspectors(cells, risk_targets())
    table = table.merge(takeovers, on=["client", "inspector"], how="left")
    return table.assign(**table[COUNTS].fillna(0).astype(int))
