"""Removals at frequent inspections of a month, and which of them no look has followed."""

from datetime import date

import pytest

from pipelines.tables import compute_tables
from pipelines.tables.removals_between import removals_between

CRACKED = {"reasons": [("cracked or broken", 3, 3), ("thread damage", 1, 2)]}
COLUMNS = ["site", "criterion", "tier", "removed", "removed_since_look"]


@pytest.fixture
def found(store_of):
    def rows(period, as_of, **of):
        con = store_of(
            ("periodic", "2024-01-10", 60, 0),
            ("frequent", "2024-06-30", 9, 1),
            ("frequent", "2024-07-02", 5, 4, CRACKED),
            ("frequent", "2024-07-20", 5, 1, CRACKED | {"reasons": [("cracked or broken", 1, 1)]}),
            ("frequent", "2024-07-05", 8, 0),
            ("initial", "2024-07-06", 8, 2),
            ("frequent", "2024-07-31", 2, 1, {"site": "Sea Wall"}),
            ("periodic", "2024-07-15", 55, 2),
        )
        compute_tables(con, period)
        return removals_between(con, as_of, **of)[COLUMNS].to_numpy().tolist()

    return rows


def test_removals_of_a_month_are_told_by_criterion_with_those_that_no_look_has_followed(found):
    assert found("2024-07", date(2024, 7, 31)) == [
        ["North Shed", "cracked or broken", "load-bearing", 4, 1],
        ["North Shed", "thread damage", "pin and fit", 1, 0],
        ["Sea Wall", "not stated", "not stated", 1, 1],
    ]


def test_a_look_that_comes_after_the_month_is_not_known_yet(found):
    assert found("2024-06", date(2024, 6, 30)) == [["North Shed", "not stated", "not stated", 1, 1]]
    assert found("2024-08", date(2024, 8, 31)) == []


def test_those_of_one_client_or_site_are_told_without_others(found):
    july = "2024-07", date(2024, 7, 31)
    assert [row[0] for row in found(*july, site="Sea Wall")] == ["Sea Wall"]
    assert found(*july, client="Ferrow Lifting") == []
