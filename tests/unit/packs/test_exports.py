import json
from datetime import date

import duckdb
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from pipelines.faults import RequestFault
from pipelines.packs.exports import write_table, write_workbook
from pipelines.wording import CAUTIONS

RATES = pd.DataFrame(
    {
        "client": ["=HYPERLINK(1)", "Ferrow Mills"],
        "site": ["-Sea Wall", None],
        "inspected": pd.array([1200, None], dtype="Int64"),
        "rate_upper": [-1.25, None],
        "needs_sign_off": [True, False],
        "due_on": pd.to_datetime(["2026-03-05", None]),
    }
)


def test_csv_keeps_figures_and_disarms_formulas_in_texts(tmp_path):
    write_table(RATES, "csv", tmp_path / "new" / "rates.csv")
    assert (tmp_path / "new" / "rates.csv").read_bytes().decode() == (
        "client,site,inspected,rate_upper,needs_sign_off,due_on\n"
        "'=HYPERLINK(1),'-Sea Wall,1200,-1.25,True,2026-03-05\n"
        "Ferrow Mills,,,,False,\n"
    )


def test_json_has_texts_as_they_are_and_nothing_for_what_is_missing(capsys):
    write_table(RATES, "json", None)
    first, second = json.loads(capsys.readouterr().out)
    assert first == {
        "client": "=HYPERLINK(1)", "site": "-Sea Wall", "inspected": 1200, "rate_upper": -1.25,
        "needs_sign_off": True, "due_on": "2026-03-05",
    }  # fmt: skip
    assert (second["site"], second["inspected"], second["rate_upper"], second["due_on"]) == (
        None,
        None,
        None,
        None,
    )


def test_parquet_goes_to_a_file_and_not_to_a_terminal(tmp_path):
    write_table(RATES, "parquet", tmp_path / "rates.parquet")
    with duckdb.connect() as con:
        assert con.read_parquet(str(tmp_path / "rates.parquet")).fetchall()[0][2] == 1200
    with pytest.raises(RequestFault) as fault:
        write_table(RATES, "parquet", None)
    assert (
        str(fault.value) == "A Parquet file cannot be shown on a terminal. Say where to write it with --out."
    )


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(
        RequestFault, match=r"file/rates\.csv cannot be written: .* Choose another place with --out\."
    ):
        write_table(RATES, "csv", tmp_path / "file" / "rates.csv")


@pytest.fixture
def book(tmp_path):
    path = tmp_path / "tables.xlsx"
    write_workbook(
        path,
        {"interval_recommendations": RATES.drop(columns="due_on")},
        ["Shackles", "For all"],
        date(2026, 2, 28),
    )
    return CalamineWorkbook.from_path(str(path))


def test_a_workbook_has_headings_in_words_and_no_live_formula(book):
    head, first, second = book.get_sheet_by_name("Intervals").to_python()
    assert head == [
        "Client",
        "Site",
        "Inspected",
        "Rate, upper limit [per 100 shackle-years]",
        "Sign-off needed",
    ]
    assert first == ["=HYPERLINK(1)", "-Sea Wall", 1200.0, -1.25, "yes"]
    assert second == ["Ferrow Mills", "", "", "", "no"]


def test_a_workbook_explains_every_column_and_carries_the_cautions(book):
    notes = book.get_sheet_by_name("Column notes").to_python()
    assert notes[0] == ["Sheet", "Heading", "Unit", "Meaning", "Column in the CSV file"]
    assert notes[4][:3] == ["Intervals", "Rate, upper limit", "per 100 shackle-years"]
    assert "one-sided 95 %" in notes[4][3]
    about = [row[0] for row in book.get_sheet_by_name("About").to_python()]
    assert about[:2] == ["Shackles", "For all"]
    assert set(CAUTIONS) <= set(about)


def test_the_same_tables_give_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        write_workbook(tmp_path / name, {"removal_rates": RATES}, ["Shackles"], date(2026, 2, 28))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
