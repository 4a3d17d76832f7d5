import re

import altair as alt
import pandas as pd
import pytest

from pipelines.charts import Figure


@pytest.fixture
def chart():
    rows = pd.DataFrame({"a": [1, 2, 30], "b": [2, 1, 3]})
    return (
        alt.Chart(rows).mark_point(clip=True).encode(x=alt.X("a:Q", scale=alt.Scale(domain=[0, 3])), y="b:Q")
    )


def test_the_drawing_says_in_words_what_it_shows(chart):
    html = Figure(chart, 'Up <again> & "again"', "Rates <rise> & fall")._repr_html_()
    assert "<figcaption>Up &lt;again&gt; &amp; &quot;again&quot;</figcaption>" in html
    assert '<svg role="img" aria-label="Rates &lt;rise&gt; &amp; fall"' in html


def test_the_key_stands_above_the_drawing_as_text_that_a_narrow_page_wraps(chart):
    figure = Figure(chart.properties(title=["Bar: <usual> range.", "Dot: rate."]), "Up again", "Rates rise")
    above, drawing = figure._repr_html_().split('<div class="drawing"')
    assert above.endswith('<p class="note">Bar: &lt;usual&gt; range. Dot: rate.</p>')
    assert "usual" not in drawing
    assert 'class="note"' not in Figure(chart, "", "")._repr_html_()


def test_the_drawing_names_no_address(chart):
    assert "http" not in Figure(chart, "", "").svg()


def test_two_drawings_on_a_page_do_not_share_names(chart):
    first = Figure(chart, "", "").svg()
    second = Figure(chart.properties(width=99), "", "").svg()
    names = [set(re.findall(r'\bid="([^"]+)"', svg)) for svg in (first, second)]
    assert names[0]
    assert names[0].isdisjoint(names[1])
    assert set(re.findall(r"url\(#([^)]+)\)", first)) <= names[0]


def test_the_same_chart_gives_the_same_bytes(chart):
    assert Figure(chart, "a", "b")._repr_html_() == Figure(chart, "a", "b")._repr_html_()


def test_a_chart_with_its_latest_month_at_the_right_opens_there(chart):
    assert 'class="drawing from-right"' in Figure(chart, "", "", opens_at_right=True)._repr_html_()
    assert 'class="drawing"' in Figure(chart, "", "")._repr_html_()


def test_a_described_mark_tells_what_it_is_to_whoever_points_at_it(chart):
    rows = pd.DataFrame({"a": [1, 2], "said": ['5 < 6 & "so"', "two"]})
    drawn = alt.Chart(rows).mark_point(aria=True).encode(x="a:Q", description="said:N")
    assert re.findall("<title>(.*?)</title></path>", Figure(drawn, "", "").svg()) == [
        "5 &lt; 6 &amp; &quot;so&quot;",
        "two",
    ]


@pytest.mark.parametrize("sign", ["\x07", "\x1b", "\ufffe"])
def test_a_name_that_no_drawing_can_hold_shows_a_sign_instead(sign):
    rows = pd.DataFrame({"a": [f"Red{sign}Yard"], "b": [1]})
    drawing = Figure(alt.Chart(rows).mark_point().encode(x="a:N", y="b:Q"), "", "").svg()
    assert "Red\ufffdYard" in drawing
    assert sign not in drawing
