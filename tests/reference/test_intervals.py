"""Published figures of inspection intervals, and brute force beside them."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import gammaincc, lambertw

from pipelines.contracts import Target, risk_targets
from pipelines.models.interval_advice import ANY, LOAD_BEARING, recommend_intervals
from pipelines.models.intervals import (
    least_shackle_years,
    longest_months,
    removals_per_item_in_service,
    shackle_years_to_settle,
    share_found,
    share_in_service,
    whole_months,
)

NAMES_OF_MAXIMUM = {
    12: {"maximum": "guideline for normal service"},
    6: {"maximum": "6 months, the longest the standard allows"},
}
CURRENT = 12  # months between looks where one is advised
CHECKS = Path(__file__).parents[1] / "data" / "checks"


def test_average_share_in_service():
    # Mean unavailability with a perfect test: IEC 61508-6, Annex B, without its approximation; R 4.2.2, twelve digits.
    cases = pd.read_csv(CHECKS / "average_unavailability.csv")
    rate, months = 100 * cases["rate_per_year"], 12 * cases["interval_years"]
    np.testing.assert_allclose(share_in_service(rate, months), cases["exact"], rtol=2e-11)
    np.testing.assert_allclose(share_found(rate, months), cases["share_found"], rtol=2e-11)
    assert (share_in_service(rate, months) <= cases["approximation"]).all()


def test_average_share_in_service_is_the_mean_of_the_share_over_the_interval():
    for rate, months in [(0.03, 1), (5.0, 12), (400.0, 60)]:
        mean = quad(lambda t, rate=rate: float(share_found(rate, t)), 0, months)[0] / months
        assert share_in_service(rate, months) == pytest.approx(mean, rel=1e-8)


@pytest.mark.parametrize("target", [1e-9, 1e-6, 0.001, 0.025, 0.5, 0.9])
def test_root_of_the_share_in_service(target):
    x = removals_per_item_in_service(target)
    assert share_in_service(100 * x, 12) == pytest.approx(target, rel=1e-9)
    if target >= 0.001:
        # Closed form with Lambert's W; below this it loses digits.
        c = 1 - target
        assert x == pytest.approx((1 / c + lambertw(-math.exp(-1 / c) / c)).real, rel=1e-9)


@pytest.fixture(scope="module")
def cases() -> pd.DataFrame:
    return pd.read_csv(CHECKS / "interval_cases.expected.csv")


def test_longest_months_of_bisection(cases):
    # Bisection on the definitions at 40 digits (mpmath), twelve digits printed.
    for case in cases.itertuples():
        found, in_service = longest_months(
            case.rate_upper_per_100, case.target_share_found, case.target_share_in_service
        )
        assert found == pytest.approx(case.months_share_found, rel=1e-10)
        assert in_service == pytest.approx(case.months_share_in_service, rel=1e-10)


def test_recommendations_of_bisection(cases, recommendation):
    for case in cases.itertuples():
        targets = replace(
            risk_targets(),
            confidence_level=case.level,
            targets=dict.fromkeys(
                (ANY, LOAD_BEARING), Target(case.target_share_found, case.target_share_in_service)
            ),
            outer_limit_months=case.maximum_months,
        )
        advice = recommendation(case.removed, case.shackle_years, targets)
        least = max(
            least_shackle_years(
                case.maximum_months, case.level, case.target_share_found, case.target_share_in_service
            )
        )
        if case.shackle_years < least:
            assert pd.isna(advice["computed_interval_months"])
            assert advice["recommended_interval_months"] == case.maximum_months
            kept = "too little experience, guideline kept"
            assert advice["outcome"] == ("shorten" if case.maximum_months < CURRENT else kept)
            continue
        assert advice["recommended_interval_months"] == case.longest_whole_months
        assert advice["share_found_at_recommended"] == pytest.approx(case.share_found_at_it, rel=1e-10)
        assert advice["share_in_service_at_recommended"] == pytest.approx(
            case.share_in_service_at_it, rel=1e-10
        )
        assert advice["binding_rule"] == NAMES_OF_MAXIMUM[case.maximum_months].get(
            case.binding_rule, case.binding_rule
        )


@pytest.fixture
def recommendation(with_exact_rates):
    def of(removed: int, shackle_years: float, targets) -> pd.Series:
        place = {
            "inspected": 100,
            "removed_at_risk": removed,
            "shackle_years": shackle_years,
            "service_class": "normal",
            "current_interval_months": CURRENT,
            "legal_limit_months": np.nan,
            "site_rule_months": np.nan,
            "is_above_usual": False,
            "has_close_looks": False,
            "load_bearing_at_risk": 0,
            "items_in_service": 100,
        }
        places = pd.DataFrame([place])
        return recommend_intervals(with_exact_rates(places, targets), targets).iloc[0]

    return of


@pytest.mark.parametrize("rate", [0.7, 5.17, 13.0, 34.7, 90.0])
def test_longest_whole_months_by_trying_each_month(rate):
    def meets(months: int) -> bool:
        x = rate / 100 * months / 12
        return 1 - math.exp(-x) <= 0.05 and 1 - (1 - math.exp(-x)) / x <= 0.025

    tried = max((months for months in range(1, 200) if meets(months)), default=0)
    assert whole_months(np.minimum(*longest_months(rate, 0.05, 0.025))) == tried


def test_twelve_months_do_not_become_eleven():
    # The rate at which 12 months give exactly 5 %, a last digit high.
    rate = -100 * math.log1p(-0.05) * (1 + 1e-15)
    assert whole_months(longest_months(rate, 0.05, 0.5)[0]) == 12


def test_least_exposure_for_a_guideline():
    # R 4.2.2: qchisq(level, 2) / 2 * guideline / 12 / x, x at the target; ten digits printed.
    for row in pd.read_csv(CHECKS / "least_exposure_for_guideline.csv").itertuples():
        found, in_service = least_shackle_years(
            row.guideline_months, row.level, row.target_share_found, row.target_share_in_service
        )
        assert [found, in_service] == pytest.approx(
            [row.shackle_years_for_found, row.shackle_years_for_in_service], rel=1e-9
        )


def test_least_exposure_is_where_no_removal_just_supports_the_guideline(recommendation):
    targets = risk_targets()
    least = max(least_shackle_years(12, 0.95, 0.02, 0.01))  # of the strictest targets, the load-bearing ones
    assert recommendation(0, least * (1 + 1e-12), targets)["computed_interval_months"] == 12
    assert pd.isna(recommendation(0, least * 0.999, targets)["computed_interval_months"])


@pytest.mark.parametrize("rate", [0.5, 2.0, 4.9])
def test_the_exposure_that_would_settle_an_interval_by_the_gamma_integral(rate):
    # P(at most r removals | mean m) = Q(r + 1, m), DLMF 8.4.10 (from memory): at the limit it is the level's complement.
    exposure = float(shackle_years_to_settle(rate, 12, 0.95, 0.05, 0.025))
    most = removals_per_item_in_service(0.025)
    assert gammaincc(rate / 100 * exposure + 1, most * exposure) == pytest.approx(0.05, rel=1e-9)
