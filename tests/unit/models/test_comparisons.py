import numpy as np
import pandas as pd
import pytest

from pipelines.models.comparisons import (
    adjusted_for_several,
    chance_of_mix,
    compared_with_others,
    ratios_to_others,
)


def test_each_family_is_adjusted_on_its_own_and_what_was_not_compared_is_in_none():
    chance = pd.Series([0.02, 0.02, np.nan, 0.5])
    place = pd.Series(["A", "B", "A", "A"])
    np.testing.assert_allclose(adjusted_for_several(chance, [place]), [0.04, 0.02, np.nan, 0.5])


def test_the_rarest_classes_of_a_mix_are_pooled_until_they_can_be_compared():
    # 3 and 1, 2 and 4 are pooled into 5 and 5, which still expects 5 in either year.
    pooled = chance_of_mix([25, 15], [25, 15])
    assert chance_of_mix([20, 15, 3, 2], [20, 15, 1, 4]) == pytest.approx(1.0)
    assert pooled == 1.0
    assert chance_of_mix([40, 0, 0], [0, 40, 0]) < 1e-15


@pytest.mark.parametrize(("one", "other"), [([30], [20]), ([0, 0], [20, 20]), ([39, 1], [40, 0]), ([5], [0])])
def test_a_mix_without_two_classes_to_compare_has_no_chance(one, other):
    assert np.isnan(chance_of_mix(one, other))


def cells(*rows):
    return pd.DataFrame(rows, columns=["client", "person", "place", "month", "removed", "shackle_years"])


def compared(*rows, strata):
    return compared_with_others(cells(*rows), ["client"], ["person"], strata, 1.0).set_index("person")


def test_each_unit_is_compared_with_all_others_in_the_same_stratum():
    found = compared(
        ("C", "K3", "A", 1, 6, 10.0),
        ("C", "K8", "A", 1, 4, 20.0),
        ("C", "K9", "A", 1, 2, 10.0),
        strata=[["place"]],
    )
    # The others of K3 have 6 removals in 30 shackle-years, those of K8 8 in 20.
    assert found["expected_removals"].to_dict() == {"K3": 2.0, "K8": 8.0, "K9": pytest.approx(10 / 3)}
    assert found.loc["K3", ["others_removed", "exposure_ratio"]].tolist() == [6, pytest.approx(1 / 3)]
    ratios = ratios_to_others(found.reset_index(), 0.9)
    assert ratios["ratio"].tolist() == [3.0, 0.5, pytest.approx(0.6)]
    assert (ratios["ratio_lower"] < ratios["ratio"]).all()
    assert (ratios["ratio"] < ratios["ratio_upper"]).all()


def test_clients_never_meet():
    found = compared(("C", "K3", "A", 1, 6, 10.0), ("D", "K8", "A", 1, 4, 20.0), strata=[["place"]])
    assert found["shackle_years_compared"].tolist() == [0, 0]
    assert ratios_to_others(found.reset_index(), 0.9).isna().all(axis=None)


def test_where_the_others_have_too_little_a_coarser_stratum_stands_in():
    rows = [("C", "K3", "A", 1, 6, 10.0), ("C", "K8", "A", 1, 1, 0.5), ("C", "K8", "A", 2, 4, 19.5)]
    found = compared(*rows, strata=[["place", "month"], ["place"]])
    # K3 beside all that K8 did at the place; K8's first month beside K3's, its second beside K3's whole.
    assert found.loc["K3", "expected_removals"] == 10 / 20 * 5
    assert found.loc["K8", "expected_removals"] == pytest.approx(0.5 / 10 * 6 + 19.5 / 10 * 6)
    assert compared(*rows, strata=[["place", "month"]]).loc["K8", "shackle_years_compared"] == 0.5


def test_a_unit_that_is_alone_somewhere_is_compared_elsewhere_only():
    rows = [("C", "K3", "A", 1, 6, 10.0), ("C", "K8", "A", 1, 4, 20.0), ("C", "K8", "B", 1, 90, 10.0)]
    found = compared(*rows, strata=[["place"]])
    assert found.loc["K8", ["removed_compared", "shackle_years_compared"]].tolist() == [4, 20]


def test_others_without_any_removal_leave_no_ratio_but_a_lower_limit():
    found = compared(("C", "K3", "A", 1, 6, 10.0), ("C", "K8", "A", 1, 0, 20.0), strata=[["place"]])
    ratios = ratios_to_others(found.reset_index(), 0.9).assign(person=found.index).set_index("person")
    assert ratios.loc["K3", ["ratio", "ratio_upper"]].isna().all()
    # All 6 in a third of the exposure: beyond (1/3)^6, and 6 removals over 0.5 / (1 - 0.5) at the limit.
    assert ratios.loc["K3", "chance"] == pytest.approx(2 * (1 / 3) ** 6)
    assert ratios.loc["K3", "ratio_lower"] == pytest.approx(2 * 0.05 ** (1 / 6) / (1 - 0.05 ** (1 / 6)))
    assert ratios.loc["K8", ["ratio", "ratio_lower"]].tolist() == [0, 0]


def test_a_unit_without_exposure_is_not_compared():
    found = compared(("C", "K3", "A", 1, 0, 0.0), ("C", "K8", "A", 1, 4, 20.0), strata=[["place"]])
    assert ratios_to_others(found.reset_index(), 0.9).isna().all(axis=None)
