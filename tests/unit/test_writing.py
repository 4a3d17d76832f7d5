"""Numbers and days as languages write them.

The marks and orders are those of the Unicode Common Locale Data Repository (cldr.unicode.org, charts "Number Symbols"
and "Date formats: medium"), of which the library carries a copy.
"""

from datetime import date

import altair as alt
import pandas as pd
import pytest

from pipelines.charts import Figure
from pipelines.charts.theme import BLUE, GREYS, ORANGE
from pipelines.packs.headings import heading
from pipelines.packs.showing import cell_text
from pipelines.settings import CARRIED_IN, carry
from pipelines.wording import counted, day_in_words, figure, percent
from pipelines.writing import number_marks, significant, written, written_day

THIN, NO_BREAK = "\N{NARROW NO-BREAK SPACE}", "\N{NO-BREAK SPACE}"


@pytest.fixture(autouse=True)
def _forgotten(monkeypatch):
    monkeypatch.setenv(CARRIED_IN, "{}")


@pytest.mark.parametrize(
    ("language", "number", "day", "in_words"),
    [
        ("plain", "1,234,567.9", "2026-09-03", "3 September 2026"),
        ("en-GB", "1,234,567.9", "3 Sept 2026", "3 September 2026"),
        ("en-US", "1,234,567.9", "Sep 3, 2026", "September 3, 2026"),
        ("de-DE", "1.234.567,9", "03.09.2026", "3 September 2026"),
        ("fr-FR", f"1{THIN}234{THIN}567,9", "3 sept. 2026", "3 September 2026"),
        ("sv-SE", f"1{NO_BREAK}234{NO_BREAK}567,9", "3 sep. 2026", "3 September 2026"),
        ("en-IN", "12,34,567.9", "3 Sept 2026", "3 September 2026"),
    ],
)
def test_numbers_and_days_are_written_as_the_language_does(language, number, day, in_words):
    carry(language=language)
    assert written(1234567.89, 1) == number
    assert written_day(date(2026, 9, 3)) == day
    assert day_in_words(date(2026, 9, 3)) == in_words


def test_sentences_cells_and_charts_write_the_same_numbers():
    carry(language="de-DE")
    assert (figure(3.26), figure(1234.5), figure(0.02)) == (
        "3,3",
        "1.234",
        "unter 0,1".replace("unter", "under"),
    )
    assert percent(0.0459) == f"4,6{NO_BREAK}%"
    assert counted(1230, "shackle") == "1.230 shackles"
    assert significant(0.1234, 2) == "0,12"
    assert cell_text(1234, heading("inspected")) == "1.234"
    assert cell_text(0.0459, heading("share_found_at_current")) == "4,6"
    assert cell_text(pd.Timestamp("2026-09-03"), heading("due_on")) == "03.09.2026"
    assert (number_marks()["decimal"], number_marks()["thousands"]) == (",", ".")
    assert ">2.000,5<" in drawn()


def test_the_palette_for_printers_changes_the_colours_one_for_one():
    coloured = drawn()
    carry(palette="grey")
    greyed = drawn()
    assert BLUE in coloured
    assert ORANGE in coloured
    assert greyed == coloured.replace(BLUE, GREYS[BLUE]).replace(ORANGE, GREYS[ORANGE])
    assert len(set(GREYS.values())) == len(GREYS)
    assert all(grey[1:3] == grey[3:5] == grey[5:7] for grey in GREYS.values())


def drawn():
    frame = pd.DataFrame({"x": [1000.5, 2000.5], "colour": [BLUE, ORANGE]})
    axis = alt.Axis(values=[2000.5], format=",.1f")
    chart = (
        alt.Chart(frame).mark_bar().encode(x=alt.X("x:Q", axis=axis), color=alt.Color("colour:N", scale=None))
    )
    return Figure(chart, "finding", "alternative").svg()
