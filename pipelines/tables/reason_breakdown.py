"""In-service removals by their primary removal criterion: the cells behind the tables, and those of each place."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.hazard import PLACE
from pipelines.models.rates import joined_notes
from pipelines.models.reasons import changes_by_criterion, rates_by_criterion, shares_with_limits
from pipelines.shipped import statement


def reason_cells(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Return removals and exposure of the lines up to `as_of`, the last day of a month, by place, pin and criterion.

    Reads the sums of the lines and reasons, `removal_criteria` and `exposures`. A criterion that nobody at a place
    could have ticked has no row there.
    """
    return con.execute(statement("pipelines.tables", "reason_cells.sql"), {"as_of": as_of}).df()


def reason_breakdown(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the table `reason_breakdown`, from the rows of `reason_cells`."""
    criteria = cells.drop(columns="pin").groupby([*PLACE, "criterion", "tier"], as_index=False).sum()
    shares = shares_with_limits(criteria, PLACE, risk_targets())
    rates = rates_by_criterion(criteria, risk_targets())
    changes = changes_by_criterion(criteria, PLACE, risk_targets())
    notes = joined_notes(*(frame.pop(name) for frame, name in ((shares, "share_note"), (rates, "rate_note"))))
    return criteria.join([shares, rates, changes]).assign(rate_note=notes)
