"""By what factor the removal rate of each client, site and place changes per year."""

import duckdb
import numpy as np
import pandas as pd

from pipelines.contracts import load_contract, risk_targets
from pipelines.models.trend import RateOfChange, adjusted_p_values, rate_of_change
from pipelines.shipped import statement

SCOPE = ["client", "site", "environment"]


def rate_changes(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `rate_changes`, from `removal_trend` and `removal_rates`."""
    months = con.execute(statement("pipelines.tables", "rate_changes.sql")).df()
    level = risk_targets().rate_limits_level
    scopes = months[SCOPE].drop_duplicates()  # in the order of the months, which stand scope by scope
    removed, exposure, years = (
        np.split(months[name].to_numpy(dtype=float), scopes.index[1:].to_numpy())
        for name in ("removed_at_risk", "exposure", "years")
    )
    rows = [
        dict(zip(SCOPE, scope, strict=True))
        | _change(rate_of_change(removed[part], exposure[part], years[part], level))
        for part, scope in enumerate(scopes.itertuples(index=False))
    ]
    changes = pd.DataFrame(rows, columns=load_contract("rate_changes").column_names)
    # Clients, sites and places are looked at apart, so each kind is a family of its own.
    families = changes["site"].notna().astype(int) + changes["environment"].notna().astype(int)
    changes["change_p_value_adjusted"] = (
        changes["change_p_value"]
        .astype(float)
        .groupby(families)
        .transform(lambda family: adjusted_p_values(family))
    )
    return changes


def _change(change: RateOfChange) -> dict[str, object]:
    return {
        "months_with_a_rate": change.points,
        "removed_at_risk": int(change.removed),
        "change_per_year": change.ratio_per_year,
        "change_per_year_lower": change.ratio_lower,
        "change_per_year_upper": change.ratio_upper,
        "change_p_value": change.p_value,
        "change_note": change.note,
    }
