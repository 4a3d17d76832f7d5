import numpy as np
import pytest

from pipelines.faults import DataFault
from pipelines.models.ageing import EARLY, UNKNOWN, fit_weibull, npmle, share_still_fit


def test_few_removals_tell_nothing():
    fit = fit_weibull([0, 1, 2, 3, 4], [1, 2, 3, 4, np.inf], level=0.9)
    assert fit.words == UNKNOWN
    assert (fit.items, fit.removed, fit.shape, fit.p_value) == (5, 4, None, None)


def test_removals_that_all_fall_in_one_interval_tell_no_shape():
    # Nothing goes before age 3, everything by age 4: the likelihood rises with the shape for ever.
    fit = fit_weibull([3] * 10, [4] * 10, level=0.9)
    assert fit.words == UNKNOWN


def test_a_rate_that_falls_with_age_is_no_ageing():
    fit = fit_weibull([0, 1, 2, 4, 8], [1, 2, 4, 8, np.inf], level=0.9, items=[40, 4, 4, 4, 48])
    assert fit.shape < 1
    assert fit.words == EARLY


def test_two_intervals_have_a_closed_form():
    # Gone by 1: 20 in 100, by 2: 60 in 100. -log S = (t/scale)^shape goes through both.
    fit = fit_weibull([0, 1, 2], [1, 2, np.inf], level=0.9, items=[20, 40, 40])
    shape = np.log2(np.log(0.4) / np.log(0.8))
    assert fit.shape == pytest.approx(shape)
    assert fit.scale == pytest.approx((-np.log(0.8)) ** (-1 / shape))
    assert fit.shape_lower < fit.shape < fit.shape_upper
    assert fit.aic_difference == pytest.approx(fit.likelihood_ratio - 2)


def test_late_entry_is_not_taken_for_a_long_life():
    # Ten items came in at age 5 and were fit at 6; nobody knows how many of their like had gone before.
    lower, upper = [0, 1, 2, 3, 5], [1, 2, 3, np.inf, np.inf]
    items = [5, 5, 5, 10, 10]
    seen_from_new = fit_weibull(lower, upper, level=0.9, items=items)
    came_late = fit_weibull(lower, upper, level=0.9, items=items, entered=[0, 0, 0, 0, 5])
    without = fit_weibull(lower[:4], upper[:4], level=0.9, items=items[:4])
    assert came_late.scale == pytest.approx(without.scale)
    assert seen_from_new.scale > came_late.scale


def test_intervals_that_touch_do_not_meet():
    intervals = npmle([0, 6], [6, 12]).intervals
    assert intervals[["lower", "upper", "mass"]].to_numpy() == pytest.approx(
        np.array([[0, 6, 0.5], [6, 12, 0.5]])
    )


def test_items_that_share_a_row_count_each():
    together = npmle([0, 1, 0], [1, 2, 2], items=[3, 1, 2]).intervals
    apart = npmle([0, 0, 0, 1, 0, 0], [1, 1, 1, 2, 2, 2]).intervals
    assert together["mass"].tolist() == pytest.approx(apart["mass"].tolist(), abs=1e-6)


def test_all_fit_at_their_last_look():
    estimate = npmle([3, 5], [np.inf, np.nan])
    assert estimate.intervals.to_numpy().tolist() == [[5, np.inf, 1, 0]]


def test_the_share_still_fit_counts_what_may_lie_on_either_side():
    # 2 of 4 went between 1 and 3, the others are fit at 5.
    estimate = npmle([1, 1, 5, 5], [3, 3, np.inf, np.inf])
    assert [share_still_fit(estimate, age) for age in (0.5, 2, 3, 4)] == pytest.approx([1, 1, 0.5, 0.5])


@pytest.mark.parametrize(("lower", "upper", "entered"), [(3, 3, 0), (3, 4, 3.5), (3, 4, -1)])
def test_an_impossible_life_is_refused(lower, upper, entered):
    with pytest.raises(DataFault) as fault:
        fit_weibull([0, lower], [1, upper], level=0.9, entered=[0, entered])
    assert str(fault.value) == (
        f"Item 1 came under observation at {entered} and went between {lower} and {upper}, which cannot be. Correct its"
        " dates, or leave it out."
    )
