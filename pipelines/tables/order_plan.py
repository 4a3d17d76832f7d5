"""What to order, by when and at what cost."""

import pandas as pd

from pipelines.contracts import load_contract, order_terms
from pipelines.models.planning import Forecast, PlanningInputs, Scenario, make_orders
from pipelines.models.planning import order_totals as totals_of

WHOLE = [
    "on_hand",
    "on_order",
    "items_in_service",
    "demand_over_lead_time",
    "order_quantity",
    "pins_over_lead_time",
    "stock_by_site",
]


def order_plan(inputs: PlanningInputs, forecast: Forecast) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables `order_plan` and `order_totals`, of the demand that was drawn with the current intervals."""
    plan = make_orders(inputs, Scenario(order_terms()), forecast)
    totals = totals_of(plan, forecast)
    return (
        plan[load_contract("order_plan").column_names].astype(dict.fromkeys(WHOLE, "Int64")),
        totals.astype({"order_quantity": "Int64"}),
    )
