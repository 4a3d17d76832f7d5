"""The names of the result tables, in the order in which a pack shows them."""

TABLES = (
    "removal_rates",
    "removal_trend",
    "rate_changes",
    "reason_breakdown",
    "reasons_by_environment",
    "pooled_rates",
    "hazard_model",
    "interval_recommendations",
    "detection_sensitivity",
    "rate_backtest",
    "overdue_inspections",
    "replacement_forecast",
    "forecast_totals",
    "order_plan",
    "order_totals",
    "supplier_rejects",
    "receiving_rejects",
    "inspector_strictness",
    "site_benchmark",
    "site_benchmark_parts",
    "site_practice",
)
# Of these a row tells of all clients together.
FLEET_TABLES = ("hazard_model",)
