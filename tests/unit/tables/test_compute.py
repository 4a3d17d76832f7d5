from datetime import date

import pandas as pd
import pytest

from pipelines.contracts import load_contract
from pipelines.faults import RequestFault
from pipelines.tables import TABLES, compute_tables, read_table

LINES = [
    ("initial", "2024-02-09", 10, 0),
    ("initial", "2025-02-12", 5, 1, {"supplier": "S-1"}),
    ("periodic", "2024-02-10", 10, 0),
    ("periodic", "2025-02-10", 10, 1),
    ("periodic", "2025-04-10", 9, 0),
]


def test_the_period_is_the_month_of_the_latest_line(store_of):
    con = store_of(*LINES)
    compute_tables(con)
    assert con.execute("select period, as_of, computed_for_load from table_state").fetchall() == [
        ("2025-04", date(2025, 4, 30), 2)
    ]


def test_lines_after_the_period_are_left_out(store_of):
    con = store_of(*LINES)
    compute_tables(con, "2025-02")
    assert con.execute("select period, as_of, computed_for_load from table_state").fetchall() == [
        ("2025-02", date(2025, 2, 28), 2)
    ]
    assert read_table(con, "removal_rates")["month"].tolist() == ["2024-02", "2025-02"]
    assert read_table(con, "overdue_inspections")["due_on"].dt.year.tolist() == [2026]


@pytest.mark.parametrize("name", TABLES)
def test_a_table_has_the_columns_of_its_contract(store_of, name):
    # A second site, with removals enough to compare the first one with.
    elsewhere = [(kind, day, 100, 5 * removed, {"site": "South Shed"}) for kind, day, _, removed, *_ in LINES]
    con = store_of(*LINES, *elsewhere)
    compute_tables(con)
    contract = load_contract(name)
    described = con.execute(f"describe {name}").fetchall()
    assert [(row[0], row[1].lower()) for row in described] == [
        (column.name, column.physical_type) for column in contract.columns
    ]
    frame = read_table(con, name)
    # The last quarters have no look that an earlier rate could be held against.
    assert len(frame) > 0 or name == "rate_backtest"
    for column in contract.columns:
        assert not (column.is_required and frame[column.name].isna().any()), column.name


def test_computing_again_changes_nothing(store_of):
    con = store_of(*LINES)
    compute_tables(con)
    before = [read_table(con, name) for name in TABLES]
    compute_tables(con)
    assert all(read_table(con, name).equals(frame) for name, frame in zip(TABLES, before, strict=True))


def test_a_store_without_lines_has_empty_tables(store_of):
    con = store_of()
    compute_tables(con)
    assert [len(read_table(con, name)) for name in TABLES] == [0] * len(TABLES)
    assert con.execute("select period, as_of, computed_for_load from table_state").fetchall() == [
        (None, None, 2)
    ]


def test_the_callers_transaction_holds(store_of):
    con = store_of(*LINES)
    con.begin()
    compute_tables(con)
    con.rollback()
    assert con.execute(
        "select count(*) from duckdb_tables() where table_name = 'removal_rates'"
    ).fetchall() == [(0,)]


@pytest.mark.parametrize("period", ["2025-13", "2025-6", "June", "2025-06-30"])
def test_a_period_that_is_no_month_is_refused(store_of, period):
    with pytest.raises(RequestFault) as fault:
        compute_tables(store_of(*LINES), period)
    assert str(fault.value) == f'"{period}" is not a month. Write it as YYYY-MM, such as 2025-06.'


def test_a_month_that_has_not_begun_is_refused(store_of):
    now = pd.Period(date.today(), freq="M")
    compute_tables(store_of(*LINES), str(now))
    with pytest.raises(RequestFault) as fault:
        compute_tables(store_of(*LINES), str(now + 1))
    assert str(fault.value) == f"{now + 1} has not begun. Choose a month up to {now}."


def test_a_period_before_the_first_line_is_refused(store_of):
    with pytest.raises(RequestFault) as fault:
        compute_tables(store_of(*LINES), "2024-01")
    assert str(fault.value) == "No inspection line lies in 2024-01 or before. Choose a month from 2024-02 on."
