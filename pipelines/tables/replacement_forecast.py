"""Removals to come: for each item class of a site, and summed over sites and classes."""

from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import load_contract, order_terms, risk_targets
from pipelines.exposure import make_views
from pipelines.models.forecast import BANDS
from pipelines.models.planning import (
    RECOMMENDED,
    Forecast,
    PlanningInputs,
    Scenario,
    make_forecast,
)
from pipelines.shipped import statement
from pipelines.tables.item_kinds import make_item_kinds

# Each row of `forecast_totals` adds up all groups that are alike in these.
SUMS: list[list[str]] = [["client"], ["client", "item_class"], ["client", "site"]]


def planning_inputs(con: duckdb.DuckDBPyConnection, as_of: date) -> PlanningInputs:
    """Return what a plan is made from, as it stands on `as_of`.

    Reads `exposures`, the sums of the lines, the registers, and the tables `overdue_inspections`, `pooled_rates`,
    `hazard_model`, `interval_recommendations` and `supplier_rejects`.
    """
    terms = order_terms()

    def frame(name: str, **values: object) -> pd.DataFrame:
        return con.execute(statement("pipelines.tables", f"{name}.sql"), values).df()

    make_views(con)
    make_item_kinds(con)
    return PlanningInputs(
        as_of=as_of,
        fleet=frame("replacement_forecast", as_of=as_of),
        history=frame("forecast_history", as_of=as_of),
        gaps=frame("look_gaps"),
        model=con.execute("select * from hazard_model").df(),
        stock=frame(
            "order_plan",
            as_of=as_of,
            phrases=terms.matching_pin_phrases,
            least_received=terms.least_received_for_share,
        ),
        limits_level=risk_targets().rate_limits_level,
    )


def replacement_forecast(inputs: PlanningInputs) -> tuple[pd.DataFrame, pd.DataFrame, Forecast]:
    """Return the tables `replacement_forecast` and `forecast_totals`, and the draws with the current intervals."""
    now = make_forecast(inputs, Scenario(order_terms()))
    advised = make_forecast(inputs, Scenario(order_terms(), intervals=RECOMMENDED), like=now)
    rows = _side_by_side(now.by_group(), advised.by_group())
    totals = pd.concat(
        [_side_by_side(now.sums(by), advised.sums(by)) for by in SUMS], ignore_index=True
    ).reindex(columns=load_contract("forecast_totals").column_names)
    return _whole(rows), _whole(totals), now


def _side_by_side(now: pd.DataFrame, advised: pd.DataFrame) -> pd.DataFrame:
    return now.join(advised[BANDS].add_suffix(f"_at_{RECOMMENDED}"))


def _whole(frame: pd.DataFrame) -> pd.DataFrame:
    ends = [name for name in frame.columns if name.startswith(("lower_", "upper_"))]
    ordered = frame.sort_values(
        ["client", "site", "month", "item_class"], na_position="first", kind="stable", ignore_index=True
    )
    return ordered.astype(dict.fromkeys(ends, "Int64"))
