"""Numbers and days as languages write them.

The marks and orders are those of the Unicode Common Locale Data Repository (cldr.unicode.org, charts "Number Symbols"
and "Date formats: medium"), of which the library carries a copy.
"""

from datetime import date

import altair as alt
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from pipelines.charts import Figure
from pipelines.charts.theme import BLUE, GREYS, ORANGE
from pipelines.packs.exports import write_table, write_workbook
from pipelines.packs.headings import heading
from pipelines.packs.showing import Table, cell_text
from pipelines.settings import CARRIED_IN, carry
from pipelines.wording import counted, day_in_words, figure, percent, units_in_words
from pipelines.wording_orders import short_class
from pipelines.writing import number_marks, significant, written, written_day, written_label

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


def test_sizes_and_loads_have_the_decimal_mark_of_the_other_numbers():
    # 4.75 beside 1.154 for a thousand and more could be read as 475.
    carry(language="de-DE")
    assert (
        written_label("chain shackle, round pin, 19 mm, 4.31 t") == "chain shackle, round pin, 19 mm, 4,31 t"
    )
    carry(language="de-DE", units="us")
    assert short_class("bow shackle, screw pin, 19 mm, 4.31 t") == "bow, screw pin, 3/4 in, 4,75 short tons"


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


def test_reports_name_sizes_and_loads_in_the_units_chosen_and_csv_keeps_those_of_the_store(tmp_path):
    label = "bow shackle, screw pin, 16 mm, 2.95 t, carbon"
    shown = "bow shackle, screw pin, 5/8 in, 3.25 short tons, carbon"
    frame = pd.DataFrame({"client": ["Brackle Docks"], "item_class": [label]})
    assert units_in_words() == "Sizes are in mm, rated loads in tonnes (t) of 1,000 kg."
    assert label in Table(frame, ["client", "item_class"], "Orders")._repr_html_()
    carry(units="us")
    assert units_in_words() == "Sizes are nominal inches, rated loads short tons of 2,000 lb."
    assert shown in Table(frame, ["client", "item_class"], "Orders")._repr_html_()
    assert short_class(label) == shown.replace(" shackle", "")
    assert cell_text("above 19 to 38 mm", heading("level", "hazard_model")) == "above 3/4 to 1-1/2 in"
    # What a person wrote stays as it was written.
    assert cell_text("16 mm", heading("raw")) == "16 mm"
    write_workbook(tmp_path / "a.xlsx", {"order_plan": frame}, ["About"], date(2026, 9, 3))
    book = CalamineWorkbook.from_path(str(tmp_path / "a.xlsx"))
    assert book.get_sheet_by_name("Order plan").to_python()[1] == ["Brackle Docks", shown]
    write_table(frame, "csv", tmp_path / "a.csv")
    assert label in (tmp_path / "a.csv").read_text(encoding="utf-8")
