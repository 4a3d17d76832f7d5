import pandas as pd
import pytest

from pipelines.models.interval_advice import HELD_BACK, LENGTHEN
from pipelines.tables import compute_tables, read_table

LOOKS = [
    ("periodic", "2020-01-01", 40, 1),
    ("frequent", "2021-01-01", 1, 1),
    ("periodic", "2024-01-01", 38, 2),
]


def advice(con):
    compute_tables(con)
    return read_table(con, "interval_recommendations").iloc[0]


def test_the_whole_history_of_a_place(store_of):
    row = advice(store_of(*LOOKS))
    assert row[["inspected", "removed", "removed_at_risk"]].tolist() == [78, 3, 3]
    assert row["shackle_years"] == pytest.approx(4 * 38 * (1 - 2 / 76) + 366 / 365.25)
    # No criterion is stated, so all three removals count as load-bearing as well: at most 5.1 per 100 a year.
    assert row["load_bearing_at_risk"] == 3
    assert row["computed_interval_months"] == row["recommended_interval_months"] == 4
    assert row["items_in_service"] == 36
    assert row["outcome"] == "shorten"
    assert row["guideline_interval_months"] == 12


def test_the_site_register_sets_the_outer_limits(store_of):
    row = advice(store_of(*LOOKS, register={"site_rule_months": 4, "legal_limit_months": 6}))
    assert row[["guideline_interval_months", "recommended_interval_months"]].tolist() == [4, 4]
    assert row["binding_rule"] == "site rule"


def test_a_place_with_receipts_only_keeps_its_guideline(store_of):
    row = advice(store_of(("initial", "2024-01-01", 40, 1)))
    assert row[["inspected", "removed_at_risk", "recommended_interval_months"]].tolist() == [0, 0, 12]
    assert row["outcome"] == "too little experience, guideline kept"
    assert row["rate_note"].startswith("no periodic inspection")


@pytest.mark.parametrize(("last_removed", "outcome"), [(1, LENGTHEN), (40, HELD_BACK)])
def test_a_place_whose_latest_rate_is_above_its_usual_range_is_not_lengthened(
    store_of, last_removed, outcome
):
    days = [str(day)[:10] for day in pd.date_range("2022-01-01", periods=36, freq="MS")]
    lines = [("periodic", day, 3000, 1, {"replaced": 1}) for day in days]
    lines[-1] = ("periodic", days[-1], 3000, last_removed, {"replaced": last_removed})
    con = store_of(*lines, register={"current_interval_months": 1})
    compute_tables(con)
    assert read_table(con, "interval_recommendations")["outcome"].tolist() == [outcome]


@pytest.mark.parametrize(
    ("register", "is_said", "items"),
    [({}, True, 20), ({"visit_days": 2}, False, 40), ({"visit_days": 1}, False, 20)],
)
def test_looks_on_days_in_a_row_are_asked_about_until_the_register_says_what_they_are(
    store_of, register, is_said, items
):
    halves = [
        ("periodic", f"20{year}-05-{day}", 20, 1, {"replaced": 1})
        for year in range(22, 26)
        for day in (10, 11)
    ]
    con = store_of(*halves, register=register)
    compute_tables(con)
    (row,) = read_table(con, "interval_recommendations").to_dict("records")
    assert ("write visit_days" in str(row["rate_note"])) is is_said
    assert row["shackle_years"] == pytest.approx(3 * items, rel=0.05)
    assert row["items_in_service"] == items
