import pandas as pd
import pytest

from pipelines.contracts import risk_targets
from pipelines.models.reasons import rates_by_criterion, shares_with_limits


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
