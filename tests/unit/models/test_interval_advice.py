from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import risk_targets
from pipelines.models.interval_advice import guideline_intervals, recommend_intervals

TARGETS = risk_targets()
DEFAULTS = {
    "inspected": 500,
    "removed_at_risk": 3,
    "load_bearing_at_risk": 0,
    "shackle_years": 150.0,
    "service_class": "normal",
    "current_interval_months": 12,
    "legal_limit_months": np.nan,
    "site_rule_months": np.nan,
    "is_above_usual": False,
    "has_close_looks": False,
    "items_in_service": 100,
}


@pytest.fixture
def advice(with_exact_rates):
    """A function that returns the advice for one place; what a test says of the highest rates comes before the records."""

    def of(**place) -> pd.Series:
        places = with_exact_rates(pd.DataFrame([DEFAULTS | place]), TARGETS).assign(**place)
        return recommend_intervals(places, TARGETS).iloc[0]

    return of


def test_the_upper_limit_sets_a_shorter_interval(advice):
    # 3 removals in 150 shackle-years: at most 5.17 per 100 a year, 2.5 % in service after 11.8 months.
    row = advice()
    assert row["rate_upper"] == pytest.approx(5.169104, abs=1e-6)
    assert row["computed_interval_months"] == row["recommended_interval_months"] == 11
    assert row["binding_rule"] == "share in service"
    assert row["outcome"] == "shorten"
    assert not row["needs_sign_off"]
    assert row["share_found_at_current"] == pytest.approx(1 - np.exp(-0.05169104))


def test_the_same_interval_is_kept(advice):
    row = advice(current_interval_months=11)
    assert (row["outcome"], row["needs_sign_off"]) == ("keep", False)


def test_a_longer_interval_needs_a_sign_off(advice):
    row = advice(current_interval_months=6)
    assert row["recommended_interval_months"] == 11
    assert (row["outcome"], row["needs_sign_off"]) == ("may lengthen, sign-off needed", True)


def test_good_experience_never_goes_beyond_the_guideline(advice):
    row = advice(removed_at_risk=0, shackle_years=5000.0, service_class="severe", current_interval_months=3)
    assert row["computed_interval_months"] > 12
    assert row["recommended_interval_months"] == 3
    assert row["binding_rule"] == "guideline for severe service"
    assert row["outcome"] == "keep"


def test_too_little_experience_keeps_the_guideline_and_computes_nothing(advice):
    row = advice(removed_at_risk=0, shackle_years=148.7)  # 148.79 shackle-years could support 12 months
    assert pd.isna(row["computed_interval_months"])
    assert row["recommended_interval_months"] == 12
    assert row["outcome"] == "too little experience, guideline kept"
    assert row["rate_note"] == "too little experience to compute an interval"
    assert not row["needs_sign_off"]


def test_too_little_experience_that_is_bad_asks_for_a_qualified_person(advice):
    # 10 removals in 30 shackle-years: at least 18 per 100 a year, so above 16 % found rejectable after 12 months.
    row = advice(removed_at_risk=10, shackle_years=30.0)
    assert row["recommended_interval_months"] == 12
    assert row["outcome"] == "too little experience, guideline kept"
    assert row["needs_sign_off"]
    assert row["rate_note"] == (
        "too little experience to compute an interval; "
        "yet even the lower rate limit breaks a target, a qualified person should look"
    )


def test_without_a_rate_the_guideline_is_kept_and_no_share_is_given(advice):
    row = advice(inspected=0, removed_at_risk=0, shackle_years=0.0)
    assert row["recommended_interval_months"] == 12
    assert pd.isna(row["share_found_at_current"])
    assert row["rate_note"] == "no periodic inspection; too little experience to compute an interval"


def test_too_little_experience_never_lengthens(advice):
    row = advice(removed_at_risk=0, shackle_years=5.0, current_interval_months=6)
    assert row["recommended_interval_months"] == 6
    assert row["outcome"] == "too little experience, guideline kept"
    assert row["binding_rule"] == "current interval, until there is more experience"
    assert not row["needs_sign_off"]


def test_too_little_experience_is_no_excuse_for_more_than_the_guideline(advice):
    row = advice(removed_at_risk=0, shackle_years=5.0, service_class="severe")
    assert row["recommended_interval_months"] == 3
    assert row["binding_rule"] == "guideline for severe service"
    assert row["outcome"] == "shorten"


def test_nothing_is_lengthened_while_the_latest_rate_is_above_its_usual_range(advice):
    row = advice(current_interval_months=6, is_above_usual=True)
    assert row["computed_interval_months"] == 11
    assert row["recommended_interval_months"] == 6
    assert row["outcome"] == "latest rate above its usual range, not lengthened"
    assert row["binding_rule"] == "current interval, while the latest rate is above its usual range"
    assert not row["needs_sign_off"]


def test_a_rate_above_its_usual_range_shortens_as_any_other(advice):
    assert advice(is_above_usual=True)["outcome"] == "shorten"


def test_where_no_month_meets_the_targets_one_month_is_advised(advice):
    row = advice(removed_at_risk=180, shackle_years=200.0)  # at most 102 per 100 a year
    assert row["computed_interval_months"] == 0
    assert row["recommended_interval_months"] == 1
    assert row["outcome"] == "no interval in the list meets the targets"
    assert row["needs_sign_off"]


def test_special_service_without_a_site_rule_keeps_its_interval(advice):
    row = advice(service_class="special", current_interval_months=9)
    assert row["recommended_interval_months"] == 9
    assert row["computed_interval_months"] == 11
    assert row["outcome"] == "qualified person to set"
    assert row["binding_rule"] == "current interval, until a qualified person sets one"
    assert row["needs_sign_off"]


def test_special_service_is_held_to_the_outer_limits_all_the_same(advice):
    row = advice(service_class="special", current_interval_months=24, legal_limit_months=6)
    assert row["recommended_interval_months"] == 6
    assert row["binding_rule"] == "legal limit"


def test_special_service_with_a_site_rule_is_like_any_other(advice):
    row = advice(service_class="special", current_interval_months=6, site_rule_months=6)
    assert row["recommended_interval_months"] == 6
    assert (row["binding_rule"], row["outcome"]) == ("site rule", "keep")


@pytest.mark.parametrize(
    ("place", "months", "rule"),
    [
        ({}, 12, "guideline for normal service"),
        ({"service_class": "severe"}, 3, "guideline for severe service"),
        ({"service_class": "special"}, 12, "12 months, the longest the standard allows"),
        ({"legal_limit_months": 6}, 6, "legal limit"),
        ({"legal_limit_months": 6, "site_rule_months": 4}, 4, "site rule"),
        ({"service_class": "severe", "legal_limit_months": 6}, 3, "guideline for severe service"),
        ({"legal_limit_months": 12}, 12, "legal limit"),
        ({"legal_limit_months": 24, "site_rule_months": 36}, 12, "guideline for normal service"),
    ],
)
def test_the_shortest_outer_limit_holds(place, months, rule):
    # 12 months at most, 12 in normal and 3 in severe service: ASME B30.26-2010, 26-1.8.3; 6 months: LOLER 1998 reg. 9(3)(a).
    guideline = guideline_intervals(pd.DataFrame([DEFAULTS | place]), TARGETS).iloc[0]
    assert (guideline["months"], guideline["rule"]) == (months, rule)


def test_load_bearing_removals_have_stricter_targets(advice):
    # 3 load-bearing removals in 150 shackle-years: the same upper limit, 5.17 per 100 a year, against 1 % in service.
    row = advice(load_bearing_at_risk=3)
    assert row["computed_interval_months"] == 4
    assert row["binding_rule"] == "share in service, load-bearing criteria"
    assert row["load_bearing_in_service_at_recommended"] == pytest.approx(0.05169104 * 4 / 12 / 2, rel=0.01)
    assert row["usual_step_months"] == 4


def test_a_thin_place_that_borrows_may_be_shortened_and_never_lengthened(advice):
    borrows = {
        "removed_at_risk": 0,
        "shackle_years": 5.0,
        "is_pooled": True,
        "highest_load_bearing_rate": 1.0,
    }
    assert advice(**borrows, highest_rate=20.0)[["outcome", "recommended_interval_months"]].tolist() == [
        "shorten",
        3,
    ]
    longer = advice(**borrows, highest_rate=2.0, current_interval_months=6)
    assert longer[["outcome", "recommended_interval_months"]].tolist() == [
        "too little experience, guideline kept",
        6,
    ]
    assert advice(**borrows, highest_rate=2.0)["outcome"] == "keep"


def test_hours_follow_the_interval(advice):
    # 100 items, 3 minutes each: 5 hours a look.
    row = advice(current_interval_months=6)
    assert row["hours_a_year_at_current"] == pytest.approx(10)
    assert row["hours_a_year_at_recommended"] == pytest.approx(5 * 12 / 11)


def test_the_exposure_that_would_settle_the_guideline(advice):
    assert advice(removed_at_risk=0, shackle_years=20.0)["shackle_years_to_settle"] == pytest.approx(
        148.79, abs=0.01
    )
    assert np.isnan(advice(removed_at_risk=10, shackle_years=30.0)["shackle_years_to_settle"])
    assert np.isnan(advice(removed_at_risk=0, shackle_years=5000.0)["shackle_years_to_settle"])


@pytest.mark.parametrize(("months", "step"), [(1, 1), (2, 2), (5, 3), (12, 12)])
def test_below_the_shortest_of_the_users_own_steps_the_recommended_interval_is_the_step(
    with_exact_rates, months, step
):
    targets = replace(TARGETS, usual_steps_months=[3, 6, 12])
    place = DEFAULTS | {"site_rule_months": months, "removed_at_risk": 0, "shackle_years": 5000.0}
    row = recommend_intervals(with_exact_rates(pd.DataFrame([place]), targets), targets).iloc[0]
    assert row[["recommended_interval_months", "usual_step_months"]].tolist() == [months, step]


@pytest.mark.parametrize(("months", "step"), [(1, 1), (5, 4), (11, 6), (12, 12)])
def test_the_usual_step_is_never_longer(advice, months, step):
    assert (
        advice(site_rule_months=months, removed_at_risk=0, shackle_years=5000.0)["usual_step_months"] == step
    )
