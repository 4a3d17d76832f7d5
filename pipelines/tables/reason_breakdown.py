"""In-service removals of each environment of each site by their primary removal criterion."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.rates import joined_notes
from pipelines.models.reasons import rates_by_criterion, shares_with_limits
from pipelines.shipped import statement


def reason_breakdown(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return the table `reason_breakdown` of the lines up to `as_of`, the last day of a month.

    Reads `current_lines`, `current_reasons`, `removal_criteria` and `exposures`.
    """
    criteria = con.execute(statement("pipelines.tables", "reason_breakdown.sql"), {"as_of": as_of}).df()
    shares = shares_with_limits(criteria, ["client", "site", "environment"], risk_targets())
    rates = rates_by_criterion(criteria, risk_targets())
    notes = joined_notes(shares.pop("share_note"), rates.pop("rate_note"))
    return criteria.join([shares, rates]).assign(rate_note=notes)
