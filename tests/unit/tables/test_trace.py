"""The lines behind a figure add up to it, whatever the table, and everything else behind it is shown beside them."""

from datetime import date

import pandas as pd
import pytest

from pipelines.contracts import load_contract
from pipelines.faults import RequestFault
from pipelines.intake.rereading import READABLE
from pipelines.tables import TABLES, compute_tables, read_table
from pipelines.tables.compute import compute_rates
from pipelines.tables.trace import BEHIND, LEARNT_ELSEWHERE, SPREAD_LEARNT_ELSEWHERE, remark_on, trace_lines

NOTHING_IN_QUARANTINE = pd.DataFrame(columns=[*READABLE, "file", "detail", "raw"], dtype="object")
AS_OF = date(2026, 3, 31)


def traced(con, name, quarantined=NOTHING_IN_QUARANTINE, **where):
    return trace_lines(con, name, where, quarantined, AS_OF)


@pytest.fixture(scope="module")
def kept(store_of):
    con = store_of(
        ("periodic", "2024-02-10", 10, 1),
        ("frequent", "2024-05-01", 10, 2),
        ("periodic", "2025-02-10", 7, 3, {"reasons": [("wear over limit", 2, 2), ("thread damage", 1, 3)]}),
        ("initial", "2025-02-10", 5, 1, {"supplier": "S9"}),
        ("periodic", "2026-03-10", 9, 0),
    )
    compute_tables(con)
    return con


@pytest.fixture
def con(kept):
    """The store with its tables computed; what a test changes in it is undone."""
    kept.begin()
    yield kept
    kept.rollback()


def test_a_removal_between_looks_is_behind_the_month_of_the_look_that_closed_its_gap(con):
    february = traced(con, "removal_rates", site="North Shed", month="2025-02")
    columns = ["row", "standing", "counts_in", "removed", "removed_at_risk"]
    assert february[columns].fillna(-1).to_numpy().tolist() == [
        [2, "current", "rate", 2, 2],
        [3, "current", "counts and rate", 3, 3],
        [4, "current", "counts and rate", 1, -1],
    ]
    assert {str(day.date()) for day in february["closed_on"]} == {"2025-02-10"}
    assert {str(day.date()) for day in february["previous_on"]} == {"2024-02-10"}


def test_a_removal_of_an_item_that_moved_stands_in_the_rate_of_the_place_that_closed_its_gap(store_of):
    tag = {"serial": "N-17"}
    con = store_of(
        ("periodic", "2024-02-10", 1, 0, tag),
        ("frequent", "2024-05-01", 1, 1, tag),
        ("periodic", "2025-02-10", 1, 0, tag | {"site": "Sea Wall"}),
    )
    compute_rates(con, AS_OF)
    columns = ["row", "counts_in", "removed_at_risk"]
    there = traced(con, "removal_rates", site="Sea Wall", month="2025-02")
    assert there[columns].to_numpy().tolist() == [[2, "rate", 1], [3, "counts and rate", 0]]
    (here,) = traced(con, "removal_rates", site="North Shed", month="2024-05").to_dict("records")
    assert (here["row"], here["counts_in"], pd.isna(here["removed_at_risk"])) == (2, "counts", True)


def test_every_result_table_can_be_traced_but_those_of_the_whole_fleet():
    assert set(TABLES) - set(BEHIND) == {"hazard_model"}
    for name, behind in BEHIND.items():
        assert set(behind.keys) == set(load_contract(name).key or behind.keys)
        assert set(behind.keys) <= set(load_contract(name).column_names)


def test_one_criterion_has_the_lines_that_state_it(con):
    lines = traced(con, "reason_breakdown", criterion="thread damage")
    assert lines[["row", "counts_in", "removed_on_criterion", "mentions", "removed_at_risk", "reasons"]].to_numpy().tolist() == [
        [3, "counts and rate", 1, 3, 1, "thread damage x3; wear over limit x2"]
    ]  # fmt: skip


def test_a_superseded_line_stands_beside_the_one_that_replaced_it(con):
    con.execute("update counted_lines set superseded_by = 2, removed = 4 where row = 3").fetchall()
    con.execute("update loads set file = 'later.csv' where load_id = 2").fetchall()
    con.execute(
        "insert into counted_lines by name select * replace (20 as row, 5 as removed, null as superseded_by) from counted_lines where row = 3"
    ).fetchall()
    compute_rates(con, AS_OF)
    lines = traced(con, "removal_rates", month="2025-02").set_index("row")
    assert lines.loc[3, ["standing", "removed", "detail"]].tolist() == [
        "superseded",
        4,
        "Superseded by later.csv.",
    ]
    assert pd.isna(lines.loc[3, "counts_in"])
    assert lines.loc[20, ["standing", "removed"]].tolist() == ["current", 5]


IN_QUARANTINE = {
    "client": "Brackle Docks", "site": "North Shed", "environment": "indoor dry", "item_class": "bow 16 mm",
    "inspected_on": date(2025, 2, 11), "inspection_type": "periodic", "file_sha256": "f", "file": "log.csv",
    "detail": "Mend it.", "raw": "{}", "criteria": "thread damage; not stated",
}  # fmt: skip


@pytest.mark.parametrize(
    ("unlike", "standing"),
    [
        ({}, "in quarantine"),
        ({"site": None}, "in quarantine, perhaps of this figure"),
        ({"inspected_on": None}, "in quarantine, perhaps of this figure"),
        ({"client": None}, "in quarantine, perhaps of this figure"),
        ({"inspected_on": None, "site": None, "environment": None}, None),  # nothing but the client is left
        ({"site": "Sea Wall"}, None),
        ({"inspected_on": date(2025, 3, 1)}, None),
    ],
)
def test_a_row_in_quarantine_is_listed_unless_what_can_be_read_of_it_speaks_against(con, unlike, standing):
    row = pd.DataFrame(
        [IN_QUARANTINE | {"row": 9} | unlike], columns=NOTHING_IN_QUARANTINE.columns, dtype="object"
    )
    asked = {"client": "Brackle Docks", "site": "North Shed", "environment": "indoor dry", "month": "2025-02"}
    lines = traced(con, "removal_rates", row, **asked)
    found = lines[lines["row"] == 9]
    assert found["standing"].tolist() == ([standing] if standing else [])
    assert (found["detail"] == "Mend it.").all()
    assert found["counts_in"].isna().all()


def test_a_row_in_quarantine_is_behind_the_criterion_it_states(con):
    row = pd.DataFrame([IN_QUARANTINE | {"row": 9}], columns=NOTHING_IN_QUARANTINE.columns, dtype="object")
    assert 9 in set(traced(con, "reason_breakdown", row, criterion="thread damage")["row"])
    assert 9 not in set(traced(con, "reason_breakdown", row, criterion="wear over limit")["row"])


def test_further_records_of_a_line_and_flags_are_shown(con):
    con.execute("insert into gathered_rows values ('f', 30, 3)").fetchall()
    con.execute("insert into line_flags values ('f', 3, 'odd', 'An odd line.')").fetchall()
    lines = traced(con, "removal_rates", month="2025-02").set_index("row")
    assert lines.loc[30, "standing"] == "part of row 3"
    assert pd.isna(lines.loc[30, "quantity"])
    assert lines.loc[3, "detail"] == "An odd line."


def test_what_is_in_service_rests_on_the_last_look_and_what_went_since(store_of):
    con = store_of(
        ("periodic", "2025-02-10", 10, 1),
        ("frequent", "2026-02-10", 10, 2),  # before the look of its day
        ("periodic", "2026-02-10", 8, 1),
        ("frequent", "2026-03-01", 7, 3),
        ("initial", "2026-03-02", 5, 0, {"serial": "N-17"}),
    )
    compute_tables(con)
    (due,) = read_table(con, "overdue_inspections").to_dict("records")
    lines = traced(con, "overdue_inspections", item_class="bow 16 mm")
    assert lines["row"].tolist() == [3, 4, 5]
    assert lines["counts_in"].unique().tolist() == ["in service"]
    assert due["quantity"] == (8 - 1) - 3 + 1


@pytest.mark.parametrize(
    ("name", "where", "sentence"),
    [
        ("removal_rate", {}, 'There is no table "removal_rate". Did you mean removal_rates or removal_trend?'),
        (
            "hazard_model",
            {"covariate": "pin"},
            'The table "hazard_model" tells of all clients together: every look in the store is behind each of its'
            " figures, so no lines can be told apart. Trace a place in pooled_rates.",
        ),
        (
            "quarantine",
            {"row": "7"},
            'The rows of "quarantine" are rows of the log themselves. See them with: rigging-removals quarantine',
        ),
        (
            "removal_rates",
            {"sites": "North Shed"},
            'No row of "removal_rates" can be chosen by "sites". Did you mean site?',
        ),
        (
            "removal_rates",
            {"removed": "3"},
            'No row of "removal_rates" can be chosen by "removed". Choose by client, site, environment, month.',
        ),
        (
            "removal_rates",
            {"site": "north shad"},
            '"removal_rates" has no row in which site is "north shad". Nearest: North Shed.',
        ),
        (
            "removal_rates",
            {"site": "North Shed", "month": "1999"},
            '"removal_rates" has no row with site "North Shed" in which month is "1999". There are: 2024-02, 2024-05,'
            " 2025-02, 2026-03.",
        ),
    ],
)  # fmt: skip
def test_what_is_not_there_is_refused_with_what_is_near(con, name, where, sentence):
    with pytest.raises(RequestFault) as fault:
        traced(con, name, **where)
    assert str(fault.value) == sentence


def test_all_days_of_a_visit_stand_behind_what_is_in_service_and_behind_the_rate(store_of):
    con = store_of(
        ("periodic", "2024-02-09", 5, 0), ("periodic", "2024-02-10", 5, 0),
        ("periodic", "2026-02-09", 5, 1), ("periodic", "2026-02-10", 4, 0),
        register={"visit_days": 2},
    )  # fmt: skip
    compute_tables(con)
    assert traced(con, "overdue_inspections")["row"].tolist() == [3, 4]
    rates = read_table(con, "removal_rates").set_index("month")
    assert rates.loc["2026-02", ["removed_at_risk", "first_look_inspected"]].tolist() == [1, 0]
    reasons = read_table(con, "reason_breakdown")
    assert reasons[["removed", "removed_at_risk"]].to_numpy().tolist() == [[1, 1]]
    assert traced(con, "removal_rates", month="2026-02")["removed_at_risk"].sum() == 1


@pytest.mark.parametrize("name", ["pooled_rates", "interval_recommendations"])
def test_rates_are_said_to_learn_elsewhere_only_where_they_do(con, name):
    def remark(**where):
        return remark_on(con, name, {"site": "North Shed"} | where)

    # One site alone is not pooled, and widened limits of it rest on its own looks.
    assert con.execute("select is_pooled, look_weight < 1 from pooled_rates").fetchall() == [(False, True)]
    assert remark() == remark(environment="indoor dry") == ""
    con.execute("insert into pooled_rates select * replace ('Sea Wall' as site) from pooled_rates").fetchall()
    assert remark() == SPREAD_LEARNT_ELSEWHERE
    con.execute("update pooled_rates set look_weight = 1").fetchall()
    assert remark() == ""
    con.execute("update pooled_rates set is_pooled = true where site = 'Sea Wall'").fetchall()
    assert remark() == ""
    assert remark(site="Sea Wall") == LEARNT_ELSEWHERE


def test_what_else_is_behind_other_tables_does_not_hang_on_the_place(con):
    assert remark_on(con, "order_plan", {}) == LEARNT_ELSEWHERE
    assert remark_on(con, "removal_rates", {}) == ""
