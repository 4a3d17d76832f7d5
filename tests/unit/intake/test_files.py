from pathlib import Path

import duckdb
import pytest

from pipelines.contracts import load_contract
from pipelines.contracts.checking import run_rules
from pipelines.faults import DataFault, RequestFault
from pipelines.intake import check_files

HABITS = Path(__file__).parents[2] / "data" / "habits"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "is empty: it holds no header and no rows"),
        ("A,B\n1,2\n", "no source profile fits its header (A, B)"),
    ],
)
def test_a_file_that_is_no_log_is_refused(store, tmp_path, content, sentence):
    path = tmp_path / "odd.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(DataFault) as caught:
        store.load(path)
    assert sentence in str(caught.value)
    assert store.ask("select count(*) from loads") == [(0,)]


def test_a_header_without_rows_is_refused(store, write_log):
    path = write_log()
    with pytest.raises(DataFault, match="has a header and no rows"):
        store.load(path)


def test_a_missing_file_is_named(store, tmp_path):
    with pytest.raises(RequestFault, match=r"There is no file .*none\.csv"):
        store.load(tmp_path / "none.csv")


def test_a_file_of_an_unknown_kind_is_refused(store, tmp_path):
    path = tmp_path / "log.pdf"
    path.write_text("x", encoding="utf-8")
    with pytest.raises(DataFault, match=r"files ending in \.pdf cannot be read"):
        store.load(path)


def test_a_store_without_a_register_asks_for_one(store, write_log, line):
    store.register.write_text(store.register.read_text().splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(DataFault, match=r"register\.csv has a header and no rows"):
        store.load(write_log(line()))


def test_check_loads_nothing_and_names_each_row(store, write_log, line, days):
    log = write_log(*days(4), line(Seen="?"))
    ((account, rows),) = check_files([log], None, [store.register], store.profile_path)
    assert account.rows_quarantined == 1
    assert [(row["row"], row["rule"]) for row in rows] == [(5, "unreadable_quantity")]
    assert store.ask("select count(*) from loads") == [(0,)]


def test_check_without_a_register_does_not_ask_for_sites(store, write_log, line):
    log = write_log(line(Place="Anywhere"))
    ((account, _),) = check_files([log], None, [], store.profile_path)
    assert account.rows_accepted == 1


def test_a_missing_sheet_is_named_with_those_that_are_there(store):
    profile = store.profile_path.read_text(encoding="utf-8")
    assert '{kind: csv, delimiter: ","}' in profile
    store.profile_path.write_text(
        profile.replace('{kind: csv, delimiter: ","}', "{kind: xlsx, sheet: Checks}"), encoding="utf-8"
    )
    with pytest.raises(DataFault) as caught:
        store.load(HABITS / "several_sheets.xlsx")
    assert str(caught.value).startswith(
        'several_sheets.xlsx: no source profile fits. The profile "brackle-log" reads the sheet "Checks"; the sheets of the'
        ' workbook are "Cover", "North Shed", "Sea Wall", "Sheet4". Draft one with: '
    )


def test_a_row_that_stood_for_two_lines_would_stop_the_file():
    con = duckdb.connect()
    con.execute("create table line_rows as select 1 as row, 1 as line_row union all select 2, 1")
    con.execute("create table batch as select 1 as row")
    (rule,) = [rule for rule in load_contract("inspection_line").rules if rule.name == "rows_stand_once"]
    (before,) = run_rules(con, "batch", [rule])
    con.execute("insert into batch values (1)")
    (after,) = run_rules(con, "batch", [rule])
    assert (rule.severity, before.passed, after.passed) == ("stop", True, False)
