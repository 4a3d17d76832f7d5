"""What holds for limits and intervals of any cells."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contracts import risk_targets
from pipelines.models.interval_advice import recommend_intervals
from pipelines.models.limits import (
    exact_rate_limits,
    exact_share_limits,
    simultaneous_share_limits,
)
from pipelines.models.rates import charted_rates

at_any_pace = settings(deadline=None)
removals = st.integers(0, 5000)
exposures = st.floats(0.01, 1e5)
levels = st.floats(0.5, 0.999)


@at_any_pace
@given(removals, exposures, st.floats(0.01, 100), levels)
def test_k_times_the_exposure_gives_a_kth_of_the_limits(removed, shackle_years, k, level):
    once = np.array(exact_rate_limits([removed], [shackle_years], level))
    np.testing.assert_allclose(
        np.array(exact_rate_limits([removed], [k * shackle_years], level)), once / k, rtol=1e-12
    )


@at_any_pace
@given(removals, exposures, levels)
def test_rate_limits_are_in_order_around_the_rate(removed, shackle_years, level):
    lower, upper = exact_rate_limits([removed], [shackle_years], level)
    assert 0 <= lower[0] <= 100 * removed / shackle_years < upper[0]


@at_any_pace
@given(st.lists(st.integers(0, 500), min_size=1, max_size=14).filter(any), levels)
def test_share_limits_are_in_order_around_the_shares(counts, level):
    counts, total = np.array(counts), sum(counts)
    for lower, upper in (
        simultaneous_share_limits(counts, total, len(counts), level),
        exact_share_limits(counts, np.full(len(counts), total), level),
    ):
        assert (lower >= 0).all()
        assert (lower <= counts / total).all()
        assert (counts / total <= upper).all()
        assert (upper <= 1).all()


months = st.lists(
    st.tuples(st.sampled_from("AB"), st.integers(0, 9), st.floats(0, 80)), min_size=1, max_size=60
)


@at_any_pace
@given(months)
def test_an_empty_figure_of_a_chart_says_why(advice_for, rows):
    cells = pd.DataFrame(rows, columns=["site", "removed_at_risk", "shackle_years"])
    cells = cells.assign(inspected=10, removed=cells["removed_at_risk"])
    chart = charted_rates(cells, ["site"], risk_targets())
    figures = chart[
        ["removed_per_100_shackle_years", "rate_lower", "rate_upper", "centre", "limit_lower", "limit_upper"]
    ]
    is_empty = figures.isna().any(axis="columns")
    assert (is_empty == chart["rate_note"].notna()).all()
    assert (figures.fillna(0) >= 0).all(axis=None)
    assert (chart["signal"].notna() == chart["limit_upper"].notna()).all()


@pytest.fixture(scope="module")
def advice_for(with_exact_rates):
    return lambda frame: recommend_intervals(with_exact_rates(frame, risk_targets()), risk_targets())


places = st.fixed_dictionaries(
    {
        "inspected": st.just(100),
        "removed_at_risk": st.integers(0, 300),
        "shackle_years": st.floats(0, 5000),
        "service_class": st.sampled_from(["normal", "severe", "special"]),
        "current_interval_months": st.integers(1, 60),
        "legal_limit_months": st.sampled_from([np.nan, 6.0, 14.0]),
        "site_rule_months": st.sampled_from([np.nan, 1.0, 9.0]),
        "is_above_usual": st.booleans(),
        "has_close_looks": st.booleans(),
        "load_bearing_at_risk": st.integers(0, 100),
        "items_in_service": st.integers(0, 1000),
    }
)


@at_any_pace
@given(st.lists(places, min_size=1, max_size=8))
def test_advice_keeps_to_the_guideline_and_lengthens_only_with_a_sign_off(advice_for, rows):
    frame = pd.DataFrame(rows)
    advice = advice_for(frame)
    assert (advice["recommended_interval_months"] >= 1).all()
    assert (advice["recommended_interval_months"] <= advice["guideline_interval_months"]).all()
    assert (
        advice["guideline_interval_months"]
        <= frame[["legal_limit_months", "site_rule_months"]].min(axis=1).fillna(12)
    ).all()
    longer = advice["recommended_interval_months"] > frame["current_interval_months"]
    assert advice.loc[longer, "needs_sign_off"].all()
    thin = frame["shackle_years"] < advice["least_shackle_years"]
    assert not longer[thin | frame["is_above_usual"]].any()
    assert (advice["computed_interval_months"].isna() == thin).all()


@at_any_pace
@given(st.lists(places, min_size=2, max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_places_does_not_matter(advice_for, rows, random):
    frame = pd.DataFrame(rows)
    order = list(range(len(frame)))
    random.shuffle(order)
    shuffled = advice_for(frame.loc[order])
    pd.testing.assert_frame_equal(shuffled.sort_index(), advice_for(frame))


@at_any_pace
@given(places, st.integers(1, 50))
def test_more_removals_never_give_a_longer_computed_interval(advice_for, place, more):
    frame = pd.DataFrame([place, place | {"removed_at_risk": place["removed_at_risk"] + more}])
    fewer, more_removed = advice_for(frame)["computed_interval_months"]
    assert not more_removed > fewer
