import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, binomtest, chi2

from pipelines.contracts import risk_targets
from pipelines.models.comparisons import chance_of_common_change, chance_of_mix
from pipelines.models.reasons import (
    changes_at_the_same_places,
    changes_by_criterion,
    criteria_by_environment,
    rates_by_criterion,
    shares_with_limits,
)


def test_shares_of_each_place_with_enough_removals():
    criteria = pd.DataFrame({"site": ["A", "A", "B", "B"], "removed": [15, 5, 19, 0]})
    shares = shares_with_limits(criteria, ["site"], risk_targets())
    assert shares["share"].tolist()[:2] == [0.75, 0.25]
    # Two classes at 90 % together are one binomial share each at 95 %: Wilson's limits of 15 in 20, 0.531 to 0.888.
    assert shares.loc[0, "share_lower"] == pytest.approx(0.531, abs=0.0005)
    assert shares.loc[0, "share_upper"] == pytest.approx(0.888, abs=0.0005)
    assert shares.loc[2:, ["share", "share_lower", "share_upper"]].isna().all(axis=None)
    assert shares["share_note"].fillna("").tolist() == ["", "", *["under 20 removals, no shares"] * 2]


def test_criteria_with_the_same_count_are_classes_of_their_own():
    criteria = pd.DataFrame({"site": "A", "removed": [10, 10]})
    shares = shares_with_limits(criteria, ["site"], risk_targets())
    # Wilson's limits of 10 in 20 at 95 %: 0.299 to 0.701.
    assert shares.loc[0, ["share_lower", "share_upper"]].tolist() == pytest.approx([0.299, 0.701], abs=0.0005)


def test_rates_of_the_whole_history_and_of_two_years():
    criteria = pd.DataFrame(
        {
            "removed_at_risk": [12, 12, 0],
            "removed_last_12_months": [6, 6, 0],
            "removed_prior_12_months": [4, 4, 0],
            "shackle_years": [400.0, 400.0, 0.0],
            "shackle_years_last_12_months": [150.0, 150.0, 0.0],
            "shackle_years_prior_12_months": [200.0, 0.9, 0.0],
        }
    )
    rates = rates_by_criterion(criteria, risk_targets())
    assert rates["per_100_shackle_years"].tolist()[:2] == [3.0, 3.0]
    assert rates["rate_last_12_months"].tolist()[:2] == [4.0, 4.0]
    assert rates.loc[0, "rate_prior_12_months"] == 2.0
    assert rates.loc[0, "change_vs_prior_year"] == 2.0
    assert rates.loc[1:, "change_vs_prior_year"].isna().all()
    assert rates["rate_note"].fillna("").tolist() == [
        "",
        "under 1 shackle-year of exposure in the 12 months before the last 12",
        "under 1 shackle-year of exposure; under 1 shackle-year of exposure in the last 12 months; "
        "under 1 shackle-year of exposure in the 12 months before the last 12",
    ]


def two_years(last, prior, last_years=500.0, prior_years=500.0):
    frame = pd.DataFrame({"site": "A", "removed_last_12_months": last, "removed_prior_12_months": prior})
    return frame.assign(shackle_years_last_12_months=last_years, shackle_years_prior_12_months=prior_years)


def test_a_criterion_that_doubled_is_told_from_those_that_did_not():
    changes = changes_by_criterion(two_years([60, 20, 0], [30, 22, 0]), ["site"], risk_targets())
    assert changes["is_change_beyond_chance"].tolist()[:2] == [True, False]
    # 60 of 90 at one half, twice the smaller tail and two criteria compared: 2 * 2 * 0.00103 (binomial tail).
    assert changes.loc[0, "change_chance"] == pytest.approx(4 * 0.00103, rel=0.01)
    # Nothing removed for it in either year: nothing to compare, and no member of the family.
    assert changes.loc[2, ["change_chance", "is_change_beyond_chance"]].isna().all()


def test_twice_the_removals_in_twice_the_exposure_is_no_change():
    changes = changes_by_criterion(two_years([60, 40], [30, 20], 1000.0), ["site"], risk_targets())
    assert not changes["is_change_beyond_chance"].any()
    assert (changes["mix_chance"] == 1).all()


def test_the_mix_changes_where_one_criterion_takes_the_place_of_another():
    changes = changes_by_criterion(two_years([40, 10], [10, 40]), ["site"], risk_targets())
    assert changes["is_mix_change_beyond_chance"].tolist() == [True, True]
    more_of_all = changes_by_criterion(two_years([80, 80], [40, 40]), ["site"], risk_targets())
    assert more_of_all["is_change_beyond_chance"].tolist() == [True, True]
    assert not more_of_all["is_mix_change_beyond_chance"].any()


def test_thin_years_are_not_compared():
    thin = changes_by_criterion(two_years([60, 20], [10, 9]), ["site"], risk_targets())
    assert thin["change_chance"].notna().all()
    assert thin[["mix_chance", "is_mix_change_beyond_chance"]].isna().all(axis=None)
    unexposed = changes_by_criterion(two_years([60], [30], prior_years=0.5), ["site"], risk_targets())
    assert unexposed[["change_chance", "is_change_beyond_chance"]].isna().all(axis=None)


def places(*rows):
    """Rows of two criteria at each place: exposure last year and before, and removals of each criterion in either year."""
    return pd.DataFrame(
        [
            {
                "client": "Brackle Docks", "site": site, "environment": "indoor dry", "criterion": criterion,
                "shackle_years_last_12_months": last_years, "shackle_years_prior_12_months": prior_years,
                "removed_last_12_months": last, "removed_prior_12_months": prior,
            }
            for site, (last_years, prior_years), *counts in rows
            for criterion, (last, prior) in zip(["heat damage", "deformed"], counts, strict=True)
        ]
    )  # fmt: skip


def at_the_same_places(*rows):
    changes = changes_at_the_same_places(places(*rows), ["client"], risk_targets())
    return changes.set_index("criterion")


def test_a_place_that_is_looked_at_more_is_no_change_of_reasons():
    """The furnace has twice the exposure, the yard half of it, and each has the rates of the year before."""
    rows = [("Furnace", (2000.0, 1000.0), (80, 40), (20, 10)), ("Yard", (1000.0, 2000.0), (5, 10), (50, 100))]
    changes = at_the_same_places(*rows)
    assert changes["rate_last_same_places"].to_dict() == changes["rate_prior_same_places"].to_dict()
    assert changes.loc["heat damage", "rate_last_same_places"] == pytest.approx(100 * 85 / 3000)
    assert not changes[["is_change_beyond_chance", "is_mix_change_beyond_chance"]].any(axis=None)
    # Added up over both, heat damage went from 50 to 85 and the mix changed.
    both = (
        places(*rows)
        .drop(columns=["site", "environment"])
        .groupby(["client", "criterion"], as_index=False)
        .sum()
    )
    crude = changes_by_criterion(both, ["client"], risk_targets())
    assert crude[["is_change_beyond_chance", "is_mix_change_beyond_chance"]].any(axis=None)


def test_what_changed_at_each_place_is_a_change():
    changes = at_the_same_places(
        ("Furnace", (1000.0, 1000.0), (60, 30), (20, 22)), ("Yard", (2000.0, 2000.0), (24, 12), (90, 95))
    )
    assert changes["is_change_beyond_chance"].to_dict() == {"heat damage": True, "deformed": False}
    # The exposures are alike, so that both places are one binomial share: 84 of 126 at one half, for two criteria.
    assert changes.loc["heat damage", "change_chance"] == pytest.approx(2 * binomtest(84, 126).pvalue)
    assert changes["is_mix_change_beyond_chance"].all()


def test_a_place_of_one_year_only_is_compared_with_nothing():
    rows = [("Furnace", (1000.0, 1000.0), (40, 40), (20, 20)), ("Yard", (2000.0, 0.0), (500, 0), (3, 0))]
    changes = at_the_same_places(*rows)
    assert changes["rate_last_same_places"].to_dict() == {"heat damage": 4.0, "deformed": 2.0}
    assert not changes["is_change_beyond_chance"].any()
    alone = at_the_same_places(rows[1])
    assert alone.drop(columns="client").isna().all(axis=None)


def test_strata_are_folded_together_exactly():
    last, prior, ratio = np.array([7, 2]), np.array([3, 4]), np.array([0.5, 3.0])
    ways = [
        (one + two, binom.pmf(one, 10, 1 / 3) * binom.pmf(two, 6, 3 / 4))
        for one in range(11)
        for two in range(7)
    ]
    tails = [
        sum(chance for total, chance in ways if (total >= 9) is is_upper or total == 9)
        for is_upper in (True, False)
    ]
    assert chance_of_common_change(last, prior, ratio) == pytest.approx(2 * min(tails))


def test_a_mix_of_strata_adds_up_their_statistics():
    # 30 and 10 against 20 and 20: 16/3 with 1 degree of freedom; twice that with 2.
    assert chance_of_mix([[30, 10]] * 2, [[20, 20]] * 2) == pytest.approx(chi2.sf(32 / 3, 2))


def environments(*rows):
    columns = ["site", "environment", "pin", "criterion", "removed", "shackle_years"]
    cells = pd.DataFrame(rows, columns=columns).assign(client="Brackle Docks", tier="pin and fit")
    table = criteria_by_environment(cells.assign(removed_at_risk=cells["removed"]), risk_targets())
    return table.set_index(["environment", "criterion"])


def test_an_environment_is_compared_with_the_others_pin_by_pin():
    table = environments(
        ("A", "marine spray", "bolt-type", "cotter missing or damaged", 30, 100.0),
        ("A", "marine spray", "screw pin", "cotter missing or damaged", 0, 900.0),
        ("A", "indoor dry", "bolt-type", "cotter missing or damaged", 90, 300.0),
        ("B", "cold store", "screw pin", "cotter missing or damaged", 0, 500.0),
    )
    row = table.loc["marine spray", "cotter missing or damaged"]
    # 30 per 100 of bolt-type shackle-years there and elsewhere: alike, though the rate over all pins is not.
    assert row[["removed", "shackle_years", "per_100_shackle_years"]].tolist() == [30, 1000, 3]
    assert row[["expected_removals", "times_others"]].tolist() == [30, 1]
    assert not row["is_difference_beyond_chance"]
    assert table.loc["indoor dry", "cotter missing or damaged"]["per_100_shackle_years"] == 30


def test_an_environment_without_others_says_so():
    table = environments(("A", "marine spray", "screw pin", "wear over limit", 9, 100.0))
    row = table.iloc[0]
    assert row["rate_note"] == "no other environment to compare with"
    assert row[["times_others", "difference_chance"]].isna().all()
    assert row[["removed_compared", "expected_removals"]].tolist() == [0, 0]


def test_a_criterion_that_only_one_environment_has_is_beyond_chance_without_a_ratio():
    table = environments(
        ("A", "furnace heat", "screw pin", "heat damage", 40, 100.0),
        ("A", "indoor dry", "screw pin", "heat damage", 0, 100.0),
    )
    row = table.loc["furnace heat", "heat damage"]
    assert row["rate_note"] == "none removed for it in other environments"
    assert row["is_difference_beyond_chance"]
    assert row["times_others_lower"] > 10
