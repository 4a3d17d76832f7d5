import json
import re

import pandas as pd
import pytest

from pipelines.charts import Figure, removal_trend_chart
from pipelines.charts.theme import BLUISH_GREEN, VERMILLION


def rows_drawn(chart):
    """The rows that the chart carries, of all its parts together."""
    return [row for rows in chart.to_dict()["datasets"].values() for row in rows]


def test_months_are_sent_as_text_in_order(trend):
    spec = removal_trend_chart(trend.iloc[::-1]).to_dict()
    (scale,) = {json.dumps(part["encoding"]["x"]["scale"]) for part in spec["vconcat"] if "encoding" in part}
    assert json.loads(scale) == {"domain": ["2025-10", "2025-11", "2025-12", "2026-01", "2026-02"]}
    assert {part["encoding"]["x"]["type"] for part in spec["vconcat"] if "encoding" in part} == {"ordinal"}


def test_only_what_is_drawn_goes_into_the_page(trend):
    chart = removal_trend_chart(trend.assign(secret="Ferrow Mills"))
    assert "Ferrow Mills" not in chart.to_json()
    assert "Brackle Docks" not in chart.to_json()


def test_a_month_without_a_rate_keeps_its_counts_and_has_no_mark(trend):
    rows = rows_drawn(removal_trend_chart(trend))
    assert [row["month"] for row in rows if "rate" in row] == ["2025-11", "2025-12", "2026-01", "2026-02"]
    assert [row["inspected"] for row in rows if "inspected" in row and "rate" not in row] == [
        0,
        200,
        400,
        800,
        20,
    ]


def test_signals_have_shapes_and_colours_of_their_own(trend):
    svg = Figure(removal_trend_chart(trend), "", "").svg()
    for words in (
        "above the usual range",
        "below the usual range",
        "within the usual range",
        "no usual range yet",
    ):
        assert f">{words}<" in svg
    for colour in (VERMILLION, BLUISH_GREEN):
        assert colour.lower() in svg.lower()
    marks = removal_trend_chart(trend).to_dict()["vconcat"][0]["layer"][-1]["encoding"]
    assert marks["shape"]["scale"]["range"] == ["triangle-up", "triangle-down", "circle", "square"]
    assert marks["shape"]["scale"]["domain"] == marks["color"]["scale"]["domain"]


def test_the_size_of_a_mark_is_its_exposure(trend):
    size = removal_trend_chart(trend).to_dict()["vconcat"][0]["layer"][-1]["encoding"]["size"]
    assert size["field"] == "shackle_years"
    assert size["scale"]["range"][0] < size["scale"]["range"][1]


def test_one_thin_month_does_not_flatten_the_others(trend):
    top = removal_trend_chart(trend).to_dict()["vconcat"][0]["layer"][0]["encoding"]["y"]["scale"]["domain"][
        1
    ]
    assert 50 < top < 237


def test_the_key_says_where_something_leaves_the_drawing(trend):
    cut = "What leaves the drawing at its top goes on."
    assert removal_trend_chart(trend).to_dict()["title"][-1] == cut
    whole = trend.assign(rate_upper=trend["removed_per_100_shackle_years"], limit_upper=0.0)
    assert cut not in removal_trend_chart(whole).to_dict()["title"]


def test_a_place_without_any_rate_is_drawn_all_the_same(trend):
    svg = Figure(removal_trend_chart(trend.head(1)), "", "").svg()
    assert "Removals per 100 shackle-years" in svg
    assert "Shackles inspected" in svg


def test_a_long_history_is_labelled_by_the_year(trend):
    months = [f"{year}-{month:02d}" for year in range(2018, 2026) for month in range(1, 13)]
    long = trend.iloc[[1] * len(months)].assign(month=months)
    svg = Figure(removal_trend_chart(long), "", "").svg()
    assert ">2019<" in svg
    assert ">Apr<" not in svg


def test_months_without_any_rate_have_a_drawing_of_the_usual_size(trend):
    sizes = {
        re.search(
            r'width="([^"]+)" height="([^"]+)"', Figure(removal_trend_chart(rows), "", "").svg()
        ).groups()
        for rows in (trend.head(1), trend.tail(1))
    }
    assert len(sizes) == 1
    assert all(float(side) < 1000 for size in sizes for side in size)


@pytest.mark.parametrize(("most", "marks"), [(0, ["0", "1"]), (1, ["0", "1"]), (2, ["0", "1", "2"])])
def test_an_axis_of_few_items_counts_whole_ones(trend, most, marks):
    svg = Figure(removal_trend_chart(trend.head(1).assign(inspected=most, removed=most)), "", "").svg()
    axis = svg[svg.index("concat_2_group") :]
    assert re.findall(r">(\d)</text>", axis) == marks


def test_a_month_alone_has_a_bar_and_not_a_wall(trend):
    def widths(rows):
        parts = removal_trend_chart(rows).to_dict()["vconcat"]
        return {json.dumps(part["mark"]["width"]) for part in parts if "mark" in part}

    assert widths(trend.tail(1)) == {"60"}
    months = [str(month) for month in pd.period_range("2024-07", periods=20, freq="M")]
    assert widths(pd.concat([trend] * 4).assign(month=months)) == {'{"band": 0.62}'}
