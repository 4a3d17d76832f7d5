"""One function, one chart, from one result table; a `Figure` shows it below its finding."""

from pipelines.charts.benchmark import caterpillar_chart, funnel_chart, parts_chart
from pipelines.charts.figure import Figure
from pipelines.charts.intake import intake_chart
from pipelines.charts.orders import forecast_chart, stock_chart
from pipelines.charts.places import environment_rates_chart, interval_chart
from pipelines.charts.removal_trend import removal_trend_chart

__all__ = [
    "Figure",
    "caterpillar_chart",
    "environment_rates_chart",
    "forecast_chart",
    "funnel_chart",
    "intake_chart",
    "interval_chart",
    "parts_chart",
    "removal_trend_chart",
    "stock_chart",
]
