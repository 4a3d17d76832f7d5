from datetime import date

import pandas as pd
import pytest

from pipelines.contracts import load_contract, order_terms
from pipelines.faults import RequestFault
from pipelines.tables import TABLES, compute_tables, read_table
from pipelines.tables.replacement_forecast import planning_inputs

LINES = [
    ("initial", "2024-02-09", 10, 0),
    ("initial", "2025-02-12", 5, 1, {"supplier": "S-1"}),
    ("periodic", "2024-02-10", 10, 0),
    ("periodic", "2025-02-10", 10, 1),
    ("periodic", "2025-04-10", 9, 0),
]
NEW_CLIENT = {"client": "Ferrow Mills", "site": "Press Hall"}
STOCK = {
    "gear_family": "shackle", "body": "bow", "pin": "screw pin", "nominal_size_mm": 16.0, "item_class": "bow 16 mm",
    "counted_on": pd.Timestamp("2024-11-30"), "on_hand": 3, "on_order": 0, "lead_time_days": 30.0,
    "lead_time_sd_days": 5.0, "unit_cost": 12.5, "currency": "EUR", "pack_size": 10, "minimum_order": 10,
    "supplier": "S-0",
}  # fmt: skip


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


def test_the_tables_of_an_earlier_month_are_those_of_a_store_that_never_had_the_later_lines(store_of):
    pin = {"disposition": f"scrap, {order_terms().matching_pin_phrases[0]}"}
    inspectors = ("K3", "K8", None)
    early, later = [], []
    for number, month in enumerate(pd.period_range("2022-01", "2025-12", freq="M")):
        lines = early if str(month) <= "2024-12" else later
        for site, class_ in (("North Shed", "bow 16 mm"), ("Sea Wall", "bow 22 mm")):
            more = {"site": site, "item_class": class_, "inspector": inspectors[number % 3], "source": "log"}
            removed = number % 4 + (3 if lines is later else 0)
            lines.append(("periodic", f"{month}-10", 60, removed, more | {"replaced": removed}))
            lines.append(("initial", f"{month}-05", 20, number % 3, more | {"supplier": f"S-{number // 36}"}))
            lines.append(("frequent", f"{month}-20", 60, 1, more | (pin if lines is later else {})))
    later.append(("periodic", "2025-03-10", 30, 2, {"item_class": "bow 51 mm", "serial": None}))
    later.append(("periodic", "2025-06-10", 30, 2, NEW_CLIENT))
    whole, cut = store_of(*early, *later), store_of(*early)
    cut.execute(
        "insert into site_register by name select $client as client, $site as site, 'indoor dry' as environment,"
        " 'normal' as service_class, 12 as current_interval_months",
        NEW_CLIENT,
    )
    for con in (whole, cut):
        for client in ("Brackle Docks", NEW_CLIENT["client"]):
            con.append("stock_register", pd.DataFrame([STOCK | {"client": client}]), by_name=True)
        compute_tables(con, "2024-12")
    for name in TABLES:
        pd.testing.assert_frame_equal(read_table(whole, name), read_table(cut, name), obj=name)
    assert len(read_table(whole, "order_plan")) == 2


def test_a_year_of_looks_is_of_twelve_months(store_of):
    days = ("2021-12-10", "2022-12-10", "2023-12-10", "2024-01-10", "2024-12-10")
    con = store_of(*(("periodic", day, 10, 0) for day in days))
    compute_tables(con, "2024-12")
    history = planning_inputs(con, date(2024, 12, 31)).history
    # The first look opens the clock. Those of January and December 2024 are in the last 12 months.
    years = history.set_index("years_ago")["shackle_years"]
    assert years.index.tolist() == [0, 1, 2]
    assert years.tolist() == pytest.approx([10 * 366 / 365.25, 10 * 365 / 365.25, 10 * 365 / 365.25])
