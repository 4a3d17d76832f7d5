import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import risk_targets
from pipelines.models.strictness import strictness_of_inspectors


def cells(*rows, client="Brackle Docks"):
    columns = ["inspector", "site", "quarter", "removed", "shackle_years"]
    frame = pd.DataFrame(rows, columns=columns).assign(client=client, environment="indoor dry")
    return frame.assign(looks=1, inspected=100)


def strictness(*rows):
    return strictness_of_inspectors(cells(*rows), risk_targets()).set_index("inspector")


def test_a_person_is_compared_with_others_at_the_same_place_and_time():
    # K3 is given the harsh site, K8 and K9 share the mild one with K3; all are alike where they meet.
    table = strictness(
        ("K3", "Harsh", "2025-01", 90, 300.0),
        ("K8", "Harsh", "2025-01", 30, 100.0),
        ("K8", "Mild", "2025-01", 12, 400.0),
        ("K9", "Mild", "2025-01", 15, 500.0),
    )
    assert table["expected_removals"].tolist() == pytest.approx([90, 42, 15])
    assert table["strictness"].tolist() == pytest.approx([1, 1, 1])
    assert not table["is_difference_beyond_chance"].any()
    assert table["shrunken_strictness"].tolist() == pytest.approx([1, 1, 1])
    assert table["strictness_note"].isna().all()


def test_a_place_that_turns_bad_makes_nobody_strict():
    # K3 looked mostly before, K8 mostly after the rate went up threefold.
    table = strictness(
        ("K3", "A", "2025-01", 40, 400.0),
        ("K8", "A", "2025-01", 10, 100.0),
        ("K3", "A", "2025-04", 30, 100.0),
        ("K8", "A", "2025-04", 120, 400.0),
    )
    assert table["strictness"].tolist() == pytest.approx([1, 1])


def test_a_strict_person_is_told_from_the_others():
    table = strictness(
        ("K3", "A", "2025-01", 60, 500.0),
        ("K8", "A", "2025-01", 28, 500.0),
        ("K9", "A", "2025-01", 32, 500.0),
    )
    assert table.loc["K3", "strictness"] == 2
    assert table["difference_chance"].idxmin() == "K3"
    assert table.loc["K3", "is_difference_beyond_chance"]
    mean = np.average(table["strictness"], weights=table["expected_removals"])
    assert mean < table.loc["K3", "shrunken_strictness"] < 2


def test_nobody_is_compared_where_nobody_else_looks():
    table = strictness(("K3", "A", "2025-01", 60, 500.0), ("K8", "B", "2025-01", 28, 500.0))
    assert table["strictness_note"].tolist() == ["nobody else looked at the same places"] * 2
    assert (
        table[["strictness", "strictness_lower", "difference_chance", "shrunken_strictness"]]
        .isna()
        .all(axis=None)
    )
    assert table["shackle_years"].tolist() == [500, 500]


def test_with_under_one_removal_expected_there_is_no_strictness_and_with_two_persons_no_shrunken_one():
    thin = strictness(("K3", "A", "2025-01", 3, 2.0), ("K8", "A", "2025-01", 4, 500.0))
    assert thin["strictness_note"].tolist() == [
        "under 1 removal expected",
        "fewer than 3 persons to compare, no shrunken ratio",
    ]
    assert thin["strictness"].isna().tolist() == [True, False]


def test_without_any_look_the_table_is_empty():
    assert strictness_of_inspectors(
        cells().astype({"removed": int, "shackle_years": float}), risk_targets()
    ).empty
