import pandas as pd
import pytest

from pipelines.tables import compute_tables, read_table


def overdue(con, period="2025-06"):
    compute_tables(con, period)
    return read_table(con, "overdue_inspections")


def test_due_an_interval_after_the_last_look(store_of):
    frame = overdue(
        store_of(("periodic", "2023-06-10", 12, 0), ("periodic", "2024-06-10", 10, 3, {"replaced": 2}))
    )
    assert frame[["last_periodic_on", "due_on"]].iloc[0].tolist() == [
        pd.Timestamp("2024-06-10"),
        pd.Timestamp("2025-06-10"),
    ]
    assert frame[["days_overdue", "quantity"]].iloc[0].tolist() == [20, 9]


def test_still_to_come_is_negative(store_of):
    assert overdue(store_of(("periodic", "2024-07-10", 10, 0)))["days_overdue"].tolist() == [-10]


def test_a_month_too_short_for_the_day_falls_due_on_its_last_day(store_of):
    con = store_of(("periodic", "2025-01-31", 10, 0), register={"current_interval_months": 1})
    assert overdue(con)["due_on"].tolist() == [pd.Timestamp("2025-02-28")]


def test_removals_since_the_last_look_are_subtracted_but_not_those_of_its_day(store_of):
    frame = overdue(
        store_of(
            ("periodic", "2024-06-10", 10, 0),
            ("frequent", "2024-05-01", 1, 1),
            ("frequent", "2024-06-10", 2, 2),
            ("frequent", "2024-08-01", 3, 3),
        )
    )
    assert frame["quantity"].tolist() == [7]


def test_a_day_with_nothing_presented_does_not_put_off_the_due_day(store_of):
    frame = overdue(store_of(("periodic", "2024-06-10", 10, 0), ("periodic", "2025-06-10", 0, 0)))
    assert frame[["days_overdue", "quantity"]].iloc[0].tolist() == [20, 10]


def test_receipts_alone_fall_due_from_their_first_day(store_of):
    frame = overdue(
        store_of(
            ("initial", "2024-06-10", 10, 2),
            ("initial", "2024-09-10", 5, 0),
            ("frequent", "2024-10-01", 1, 1),
        )
    )
    assert frame["last_periodic_on"].isna().all()
    assert frame[["days_overdue", "quantity"]].iloc[0].tolist() == [20, 12]


@pytest.mark.parametrize(
    "lines",
    [
        [("periodic", "2024-06-10", 4, 4)],
        [("periodic", "2024-06-10", 4, 0), ("frequent", "2024-07-01", 9, 9)],
        [("initial", "2024-06-10", 4, 4)],
        [("frequent", "2024-06-10", 4, 0)],
    ],
)
def test_a_group_without_items_in_service_is_left_out(store_of, lines):
    assert overdue(store_of(*lines)).empty


def test_serialised_items_are_pooled_with_the_earliest_due_day(store_of):
    frame = overdue(
        store_of(
            ("periodic", "2024-06-10", 1, 0, {"serial": "N-17"}),
            ("periodic", "2024-09-10", 1, 0, {"serial": "N-18"}),
            ("periodic", "2023-01-10", 1, 1, {"serial": "N-19"}),
            ("initial", "2024-12-10", 1, 0, {"serial": "N-20"}),
        )
    )
    assert frame["last_periodic_on"].tolist() == [pd.Timestamp("2024-06-10")]
    assert frame[["days_overdue", "quantity"]].iloc[0].tolist() == [20, 3]


def test_one_serial_is_one_item_however_often_it_is_written_down(store_of):
    tag = {"serial": "N-17"}
    frame = overdue(store_of(("initial", "2024-06-10", 1, 0, tag), ("initial", "2024-06-11", 1, 0, tag)))
    assert frame["quantity"].tolist() == [1]


def test_a_pool_that_falls_due_by_a_receipt_shows_no_periodic_day(store_of):
    frame = overdue(
        store_of(
            ("periodic", "2024-09-10", 1, 0, {"serial": "N-17"}),
            ("initial", "2024-06-10", 1, 0, {"serial": "N-18"}),
        )
    )
    assert frame["last_periodic_on"].isna().all()
    assert frame["due_on"].tolist() == [pd.Timestamp("2025-06-10")]


TAG, OTHER_TAG = {"serial": "N-17"}, {"serial": "N-18"}
COUNTS = ["days_overdue", "quantity", "unaccounted_for"]


def test_a_tag_that_missed_its_look_is_unaccounted_for_and_not_overdue(store_of):
    lines = [("periodic", "2023-02-10", 1, 0, TAG), ("periodic", "2023-02-10", 1, 0, OTHER_TAG)]
    lines += [("periodic", "2024-02-12", 1, 0, OTHER_TAG), ("periodic", "2025-02-12", 1, 0, OTHER_TAG)]
    row = overdue(store_of(*lines)).iloc[0]
    assert row["due_on"] == pd.Timestamp("2026-02-12")
    assert row[COUNTS].tolist() == [-227, 1, 1]
    # Before that look it was simply still to come.
    assert overdue(store_of(*lines), "2024-01").iloc[0][COUNTS].tolist() == [-10, 2, 0]


def test_a_tag_past_its_day_stays_overdue_while_its_class_is_not_looked_at(store_of):
    con = store_of(("periodic", "2023-06-10", 1, 0, TAG), ("periodic", "2024-06-09", 1, 0, OTHER_TAG))
    assert overdue(con).iloc[0][COUNTS].tolist() == [385, 2, 0]


def test_a_class_of_which_every_tag_is_unaccounted_for_has_no_due_day(store_of):
    lines = [("periodic", "2023-06-10", 1, 0, TAG), ("periodic", "2024-06-12", 1, 1, OTHER_TAG)]
    row = overdue(store_of(*lines)).iloc[0]
    assert row[["last_periodic_on", "due_on", "days_overdue"]].isna().all()
    assert row[["quantity", "unaccounted_for"]].tolist() == [0, 1]


def test_of_items_counted_by_quantity_those_missing_at_the_last_look_are_shown(store_of):
    lines = [("periodic", "2023-06-10", 12, 0), ("periodic", "2024-06-10", 9, 0)]
    assert overdue(store_of(*lines)).iloc[0][COUNTS].tolist() == [20, 9, 3]
    found_again = [*lines, ("periodic", "2025-06-10", 12, 0)]
    assert overdue(store_of(*found_again)).iloc[0][COUNTS].tolist() == [-345, 12, 0]


def test_a_tag_falls_due_where_it_was_last_seen(store_of):
    seen = ("frequent", "2024-01-10", 1, 0, TAG | {"site": "Sea Wall"})
    frame = overdue(store_of(("periodic", "2023-06-10", 1, 0, TAG), seen))
    assert frame[["site", "days_overdue", "quantity"]].to_numpy().tolist() == [["Sea Wall", 385, 1]]


@pytest.mark.parametrize("column", ["legal_limit_months", "site_rule_months"])
def test_the_shortest_of_plan_law_and_site_rule_is_in_force(store_of, column):
    con = store_of(("periodic", "2024-06-10", 10, 0), register={column: 6})
    assert overdue(con)[["interval_in_force_months", "due_on"]].iloc[0].tolist() == [
        6,
        pd.Timestamp("2024-12-10"),
    ]


def test_a_longer_limit_does_not_put_off_the_day(store_of):
    con = store_of(("periodic", "2024-06-10", 10, 0), register={"legal_limit_months": 24})
    assert overdue(con)["interval_in_force_months"].tolist() == [12]


def test_all_days_of_a_visit_tell_what_is_in_service(store_of):
    halves = [
        ("periodic", "2024-06-09", 20, 2),
        ("periodic", "2024-06-10", 20, 0),
        ("frequent", "2024-08-01", 1, 1),
    ]
    frame = overdue(store_of(*halves, register={"visit_days": 2}))
    assert frame[["last_periodic_on", "quantity"]].iloc[0].tolist() == [pd.Timestamp("2024-06-10"), 37]


def test_nothing_is_in_service_at_a_closed_place_unless_it_was_seen_there_since(store_of):
    looks = [("periodic", "2024-06-10", 10, 0), ("periodic", "2025-03-01", 10, 0)]
    for closed_on, quantities in (
        ("2025-03-01", []),
        ("2025-06-30", []),
        ("2025-07-01", [10]),
        ("2025-02-28", [10]),
    ):
        con = store_of(*looks, register={"closed_on": pd.Timestamp(closed_on)})
        assert overdue(con)["quantity"].tolist() == quantities
    # A month before the closing is reported as it was.
    assert overdue(store_of(*looks, register={"closed_on": pd.Timestamp("2025-06-30")}), "2025-05")[
        "quantity"
    ].tolist() == [10]
