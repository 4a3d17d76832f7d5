import numpy as np
import pytest

from pipelines.faults import DataFault
from pipelines.models.limits import (
    exact_rate_limits,
    exact_share_limits,
    simultaneous_share_limits,
)


def test_no_removals_have_lower_limit_0_and_the_rule_of_three_above():
    lower, upper = exact_rate_limits([0], [100.0], level=0.90)
    assert lower[0] == 0
    assert upper[0] == pytest.approx(-np.log(0.05))  # 3.00 per 100 shackle-years, the one-sided 95 % limit


@pytest.mark.parametrize(("removed", "shackle_years"), [(-1, 5.0), (2, 0.0), (2, -1.0), (2, np.nan)])
def test_a_cell_without_a_rate_is_refused(removed, shackle_years):
    with pytest.raises(DataFault) as fault:
        exact_rate_limits([1, removed], [4.0, shackle_years], level=0.90)
    assert str(fault.value) == (
        f"Cell 1 has {removed} removals in {shackle_years:g} shackle-years, which gives no rate. "
        "Leave out cells without exposure."
    )


def test_share_limits_end_at_0_and_1():
    lower, upper = exact_share_limits([0, 4], [4, 4], level=0.90)
    assert lower[0] == 0
    assert upper[1] == 1
    assert upper[0] == pytest.approx(1 - 0.05 ** (1 / 4))
    assert lower[1] == pytest.approx(0.05 ** (1 / 4))


@pytest.mark.parametrize(("removed", "inspected"), [(0, 0), (5, 4), (-1, 4)])
def test_a_cell_without_a_share_is_refused(removed, inspected):
    with pytest.raises(DataFault) as fault:
        exact_share_limits([removed], [inspected], level=0.90)
    assert str(fault.value) == (
        f"Cell 0 has {removed} removals among {inspected} inspected, which gives no share. "
        "Leave out cells without inspected items."
    )


def test_an_empty_class_has_lower_limit_0_and_upper_above_0():
    lower, upper = simultaneous_share_limits([0, 30], 30, 2, level=0.90)
    assert lower[0] == 0
    assert 0 < upper[0] < 0.2
    assert upper[1] == 1


def test_a_single_class_has_its_share_within_its_limits():
    lower, upper = simultaneous_share_limits([23], 23, 1, level=0.90)
    assert lower[0] < 1
    assert upper[0] == 1


def test_classes_of_different_wholes_do_not_touch_one_another():
    together = simultaneous_share_limits(
        [3, 17, 40, 0, 10], [20, 20, 50, 50, 50], [2, 2, 3, 3, 3], level=0.90
    )
    apart = simultaneous_share_limits([40, 0, 10], 50, 3, level=0.90)
    np.testing.assert_allclose(np.array(together)[:, 2:], apart)
