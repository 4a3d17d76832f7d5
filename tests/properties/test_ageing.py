"""What holds for lifetimes between looks, whatever they are."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.models.ageing import UNKNOWN, fit_weibull, npmle

at_any_pace = settings(deadline=None)


@st.composite
def lifetimes(draw):
    """Lower and upper ages and ages at entry of 6 to 20 items."""
    items = draw(st.integers(6, 20))
    lower = np.array(draw(st.lists(st.integers(0, 12), min_size=items, max_size=items)), dtype=float)
    width = draw(st.lists(st.sampled_from([1, 2, 3, 6, np.inf]), min_size=items, max_size=items))
    entered = np.minimum(lower, draw(st.lists(st.integers(0, 3), min_size=items, max_size=items)))
    return lower, lower + np.array(width), entered


@at_any_pace
@given(lifetimes(), st.sampled_from([0.1, 30.0]))
def test_the_unit_of_time_does_not_matter(ages, unit):
    lower, upper, entered = ages
    once = fit_weibull(lower, upper, 0.9, entered)
    scaled = fit_weibull(unit * lower, unit * upper, 0.9, unit * entered)
    assert once.words == scaled.words
    if once.words != UNKNOWN:
        np.testing.assert_allclose([scaled.scale / unit, scaled.shape], [once.scale, once.shape], rtol=1e-5)


@at_any_pace
@given(lifetimes())
def test_a_shape_lies_within_its_limits_and_fits_no_worse_than_a_steady_rate(ages):
    lower, upper, entered = ages
    fit = fit_weibull(lower, upper, 0.9, entered)
    if fit.words != UNKNOWN:
        assert 0 < fit.shape_lower < fit.shape < fit.shape_upper
        assert fit.log_likelihood >= fit.exponential_log_likelihood - 1e-9
        assert 0 <= fit.p_value <= 1


@at_any_pace
@given(lifetimes())
def test_masses_are_shares_and_survival_falls(ages):
    lower, upper, _ = ages
    intervals = npmle(lower, upper).intervals
    assert (intervals["mass"] >= 0).all()
    assert abs(intervals["mass"].sum() - 1) < 1e-9
    assert (intervals["lower"] < intervals["upper"]).all()
    assert intervals["survival"].is_monotonic_decreasing


@at_any_pace
@given(lifetimes(), st.integers(2, 5))
def test_items_that_occur_k_times_weigh_k_times(ages, k):
    lower, upper, entered = ages
    weighed = fit_weibull(lower, upper, 0.9, entered, items=k)
    repeated = fit_weibull(*(np.tile(age, k) for age in (lower, upper)), 0.9, np.tile(entered, k))
    assert weighed.words == repeated.words
    if weighed.words != UNKNOWN:
        np.testing.assert_allclose(
            [weighed.scale, weighed.shape], [repeated.scale, repeated.shape], rtol=1e-6
        )
