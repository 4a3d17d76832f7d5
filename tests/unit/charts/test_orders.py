import pandas as pd
import pytest

from pipelines.charts import Figure, forecast_chart, stock_chart

MONTHS = [f"2026-{month:02}" for month in range(10, 13)] + [f"2027-{month:02}" for month in range(1, 10)]


@pytest.fixture
def totals():
    """Twelve months of one client, with a spike in the second."""
    ends = {"lower_80": 1, "upper_80": 6, "lower_95": 0, "upper_95": 9}
    frame = pd.DataFrame({"client": "Brackle Docks", "month": MONTHS, "expected": 3.0} | ends)
    frame.loc[1, ["expected", "upper_80", "upper_95"]] = [40.0, 50, 55]
    return frame.assign(expected_at_recommended=5.0).astype(dict.fromkeys(ends, "Int64"))


@pytest.fixture
def orders():
    """Three item classes: to be ordered, enough, and without a forecast."""
    return pd.DataFrame(
        {
            "item_class": [f"bow shackle, screw pin, {size} mm" for size in (16, 22, 51)],
            "on_hand": [5, 90, None],
            "on_order": [7, 0, None],
            "demand_over_lead_time": [40, 20, None],
            "order_quantity": [28, 0, None],
            "risk_of_running_out": [0.93, 0.001, None],
        }
    )


def axis_of(chart):
    return chart.to_dict()["layer"][0]["encoding"]["y"]


def test_months_come_in_order_with_the_year_where_it_begins(totals):
    chart = forecast_chart(totals.sample(frac=1, random_state=1))
    x = chart.to_dict()["layer"][0]["encoding"]["x"]
    assert x["scale"]["domain"] == MONTHS
    assert "'2026-10': 'Oct|2026'" in x["axis"]["labelExpr"]
    assert "'2027-01': 'Jan|2027'" in x["axis"]["labelExpr"]
    assert "'2027-02': 'Feb'" in x["axis"]["labelExpr"]


def test_the_axis_of_removals_has_room_for_the_widest_band_and_starts_at_nothing(totals):
    assert axis_of(forecast_chart(totals))["scale"]["domain"] == [0, 55]
    nothing = totals.assign(**dict.fromkeys(totals.columns[2:], 0))
    assert axis_of(forecast_chart(nothing))["scale"]["domain"] == [0, 1]


def test_current_and_recommended_intervals_differ_by_shape_and_colour(totals):
    svg = Figure(forecast_chart(totals), "", "").svg()
    assert "intervals as they are" in svg
    assert "intervals as recommended" in svg
    marks = forecast_chart(totals).to_dict()["layer"][-1]["encoding"]
    assert marks["shape"]["scale"]["range"] == ["circle", "diamond"]


def test_the_class_most_likely_to_run_out_comes_first_and_says_what_to_order(orders):
    chart = stock_chart(orders.iloc[::-1])
    assert axis_of(chart)["scale"]["domain"] == ["bow, screw pin, 16 mm", "bow, screw pin, 22 mm"]
    svg = Figure(chart, "", "").svg()
    for words in ("order 28, risk 93 %", "no order, risk under 1 %", "in stock", "on order"):
        assert words in svg
    assert "51 mm" not in svg


def test_a_plan_without_a_forecast_draws_nothing_and_does_not_fall_over(orders):
    assert "<svg" in Figure(stock_chart(orders.tail(1)), "", "").svg()


def test_only_so_many_classes_as_can_be_read(orders):
    many = pd.concat([orders.head(1).assign(item_class=f"class {number}") for number in range(50)])
    assert len(axis_of(stock_chart(many))["scale"]["domain"]) == 20
