"""What holds for control charts and trends of any months."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.models.trend import (
    adjusted_p_values,
    drift_chart,
    false_signal_chances,
    rate_chart,
    rate_of_change,
)

at_any_pace = settings(deadline=None)


@st.composite
def months(draw, least=2):
    """Removals and exposure of up to 30 months, some without exposure."""
    size = draw(st.integers(least, 30))
    exposure = draw(st.lists(st.sampled_from([0.0, 0.5, 8.0, 90.0, 1000.0]), min_size=size, max_size=size))
    removed = draw(st.lists(st.integers(0, 60), min_size=size, max_size=size))
    exposure = np.array(exposure)
    return np.where(exposure > 0, removed, 0), exposure


@at_any_pace
@given(months(), st.sampled_from([0.1, 3.0]))
def test_k_times_the_exposure_gives_a_kth_of_every_rate(series, k):
    removed, exposure = series
    once = rate_chart(removed, exposure, least_points=2)
    more = rate_chart(removed, k * exposure, least_points=2)
    columns = ["value", "centre", "limit_lower", "limit_upper"]
    np.testing.assert_allclose(
        k * more.points[columns].astype(float), once.points[columns].astype(float), rtol=1e-9, atol=1e-9
    )
    assert more.points["signal"].tolist() == once.points["signal"].tolist()


@at_any_pace
@given(months())
def test_limits_hold_the_centre_and_signals_lie_outside(series):
    removed, exposure = series
    chart = rate_chart(removed, exposure, least_points=2)
    points = chart.points.dropna()
    assert chart.widening[0] >= 1
    assert (points["limit_lower"] >= 0).all()
    assert (points["limit_lower"] <= points["centre"]).all()
    assert ((points["value"] > points["limit_upper"] + 1e-9) == (points["signal"] == "above")).all()
    assert ((points["value"] < points["limit_lower"] - 1e-9) == (points["signal"] == "below")).all()
    assert points["p_value"].between(0, 1).all()
    assert chart.points.loc[exposure == 0, "signal"].isna().all()
    # All months with exposure have limits, or none has.
    assert len(points) in (0, np.sum(exposure > 0))


@at_any_pace
@given(
    st.lists(st.floats(-5, 5), min_size=1, max_size=20),
    st.floats(0.05, 1.0),
    st.floats(-100, 100),
)
def test_a_drift_chart_moves_with_its_series(value, weight, shift):
    chart = drift_chart(value, 0.0, 1.0, weight)
    moved = drift_chart(np.array(value) + shift, shift, 1.0, weight)
    for column in ("ewma", "limit_lower", "limit_upper"):
        np.testing.assert_allclose(moved[column], chart[column] + shift, atol=1e-9)
    assert (chart["ewma"].abs() <= np.abs(value).max() + 1e-12).all()


@at_any_pace
@given(months(least=8), st.floats(0.6, 0.99))
def test_time_turned_round_inverts_the_rate_of_change(series, level):
    removed, exposure = series
    years = np.arange(len(removed)) / 12
    forward = rate_of_change(removed, exposure, years, level)
    backward = rate_of_change(removed, exposure, -years, level)
    assert forward.note == backward.note
    if forward.note is None:
        assert 0 < forward.ratio_lower <= forward.ratio_per_year <= forward.ratio_upper
        np.testing.assert_allclose(backward.slope, -forward.slope, rtol=1e-5, atol=1e-7)


@at_any_pace
@given(st.lists(st.floats(0.01, 500), min_size=1, max_size=10), st.sampled_from([1.0, 1.4, 3.0]))
def test_a_false_signal_is_rare_and_does_not_depend_on_other_charts(expected, widening):
    chances = false_signal_chances(expected, widening)
    assert (chances >= 0).all()
    assert (chances <= 0.06).all()
    one_by_one = [false_signal_chances([mean], widening)[0] for mean in expected]
    np.testing.assert_allclose(chances, one_by_one)


@at_any_pace
@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusting_raises_p_values_and_keeps_their_order(p_values):
    adjusted = adjusted_p_values(p_values)
    assert (adjusted >= np.array(p_values) - 1e-12).all()
    assert (adjusted <= 1).all()
    assert (np.diff(adjusted[np.argsort(p_values)]) >= -1e-12).all()
