"""Rows are read again: those in quarantine as far as they go, those of a file as the file has them."""

import datetime
import json

import pandas as pd
import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.intake.corrections import open_rows, write_corrections
from pipelines.intake.rereading import cells_of_files, quarantined_lines
from pipelines.sources import read_profile
from pipelines.store import open_store


@pytest.fixture
def profiles(profile_path):
    return [read_profile(profile_path)]


def test_what_can_be_read_of_a_row_in_quarantine_is_read(store, write_log, line, days, profiles):
    log = write_log(
        *days(25),
        line(Seen="12 ea"),
        line(Place="South Shed"),
        line(Size="big"),
        line(Day="someday", Load="heavy", Why="odd pin"),
        'North Shed,indoor dry,"bow',
    )
    store.load(log)
    with open_store(store.path) as con:
        rows, unread = quarantined_lines(con, profiles)
    assert unread == {}
    rows = rows.set_index("row")
    known = {"client": "Brackle Docks", "site": "North Shed", "environment": "indoor dry", "inspection_type": "periodic",
             "item_class": "bow shackle, screw pin, 16 mm, 2.95 t, carbon", "quantity": 25, "removed": 3,
             "inspected_on": datetime.date(2026, 3, 2), "criteria": "identification missing; pin not matching",
             "file": "log.csv"}  # fmt: skip
    for row, differs in {
        26: {"quantity": None},
        27: {"site": None},
        28: {"item_class": None},
        29: {"item_class": None, "inspected_on": None, "criteria": "pin not matching"},
    }.items():
        found = rows.loc[row, list(known)].to_dict()
        assert {
            name: None if pd.isna(value) else value for name, value in found.items()
        } == known | differs, row
    # Nothing but what the profile fixes is known of a record that cannot be split.
    unsplit = rows.loc[30]
    assert unsplit[["site", "environment", "item_class", "inspected_on", "quantity"]].isna().all()
    assert unsplit["client"] == "Brackle Docks"
    assert "cannot be split" in unsplit["detail"]
    assert "(whole record)" in json.loads(unsplit["raw"])


def test_corrected_rows_and_rows_of_an_unknown_profile_are_left_out(store, write_log, line, days):
    store.load(write_log(*days(9), line(Seen="12 ea"), line(Seen="13 ea")))
    with open_store(store.path, read_only=False) as con:
        con.execute("update quarantine set corrected_by = 1 where row = 10").fetchall()
        rows, unread = quarantined_lines(con, [])
    assert rows.empty
    assert unread == {"brackle-log": 1}


def test_cells_are_those_of_the_file_not_those_of_the_line(store, write_log, line, days, profiles):
    log = write_log(*days(2), line(Size='"5/8"""', Day="2026-01-30"))
    (account,) = store.load(log)
    wanted = pd.DataFrame({"file_sha256": account.file_sha256, "row": [3]})
    with open_store(store.path) as con:
        (found,) = cells_of_files(con, [log], profiles, wanted).to_dict("records")
    assert found["row"] == 3
    cells = json.loads(found["raw"])
    assert (cells["Size"], cells["Day"], cells["Look"], cells["Tag"]) == (
        '5/8"',
        "2026-01-30",
        "yearly",
        None,
    )


def test_a_file_that_was_not_loaded_or_cannot_be_read_again_is_refused(
    store, write_log, line, days, profiles, tmp_path
):
    log = write_log(*days(9), line(Seen="12 ea"))
    store.load(log)
    other = write_log(*days(3), name="log2.csv")
    wanted = pd.DataFrame({"file_sha256": ["x"], "row": [1]})
    with open_store(store.path) as con:
        with pytest.raises(DataFault) as fault:
            cells_of_files(con, [other], profiles, wanted)
        assert str(fault.value) == (
            "log2.csv is not, to the byte, a file that was loaded into this store. Give the export as it was loaded."
        )
        with pytest.raises(RequestFault) as lacking:
            cells_of_files(con, [log], [], wanted)
        assert str(lacking.value) == (
            'log.csv was loaded with the source profile "brackle-log". Give it with --source.'
        )
        write_corrections(open_rows(con), tmp_path / "corrected.xlsx")
    store.load(tmp_path / "corrected.xlsx")
    with open_store(store.path) as con, pytest.raises(RequestFault) as corrections:
        cells_of_files(con, [tmp_path / "corrected.xlsx"], profiles, wanted)
    assert str(corrections.value) == (
        "corrected.xlsx is a workbook of corrected rows. Give the export that the rows came from."
    )
