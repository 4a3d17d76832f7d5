import pytest

from pipelines.tables import compute_tables, read_table


def practice(con):
    compute_tables(con)
    (row,) = read_table(con, "site_practice").to_dict("records")
    return row


def test_each_measure_comes_with_the_counts_it_is_made_of(store_of):
    stated = {"reasons": [("not stated", 1, 1), ("cracked or broken", 3, 3)]}
    other = {"item_class": "bow 25 mm"}
    row = practice(
        store_of(
            ("periodic", "2024-01-01", 20, 0),
            ("periodic", "2025-01-10", 18, 4, stated),  # nine days late, two items missing
            ("periodic", "2026-02-20", 14, 0),  # forty-one days late
            ("initial", "2025-03-01", 40, 2, other),
            ("periodic", "2025-02-01", 38, 0, other),
        )
    )
    assert [row["looks"], row["looks_on_time"], row["share_on_time"]] == [2, 1, 0.5]
    assert [row["items_expected"], row["items_unaccounted_for"]] == [34, 2]
    assert row["share_unaccounted_for"] == pytest.approx(2 / 34)
    assert [row["in_service"], row["overdue"]] == [52, 38]
    assert row["share_overdue"] == pytest.approx(38 / 52)
    assert [row["removals"], row["not_stated"], row["share_not_stated"]] == [4, 1, 0.25]
    assert [row["received"], row["rejected"], row["share_rejected"]] == [40, 2, 0.05]
    assert [row["places"], row["places_over_guideline"]] == [1, 0]


def test_an_interval_beyond_the_guideline_is_counted(store_of):
    row = practice(store_of(("periodic", "2024-01-01", 20, 0), register={"service_class": "severe"}))
    assert row["places_over_guideline"] == 1


def test_a_measure_without_anything_to_measure_is_empty(store_of):
    row = practice(store_of(("initial", "2024-01-01", 20, 0)))
    assert row["looks"] == 0
    for measure in ("share_on_time", "share_not_stated", "share_unaccounted_for"):
        assert row[measure] != row[measure], measure
    assert row["share_rejected"] == 0
