import numpy as np
import pytest

from pipelines.models.intervals import (
    least_shackle_years,
    shackle_years_to_settle,
    share_found,
    share_in_service,
)


def test_shares_at_no_rate_and_at_a_tiny_one():
    assert share_found(0.0, 12) == 0
    assert share_in_service(0.0, 12) == 0
    assert share_in_service(1e-8, 12) == pytest.approx(5e-11, rel=1e-9)


def test_the_series_and_the_closed_form_meet():
    # 0.1 per 100 a year over 12 months is x = 0.001, where one takes over from the other.
    below, above = share_in_service(0.1 * (1 - 1e-12), 12), share_in_service(0.1, 12)
    assert below == pytest.approx(above, rel=1e-11)


def test_without_removals_the_least_exposure_settles_an_interval():
    least = np.maximum(*least_shackle_years([3, 12], 0.95, 0.05, 0.025))
    assert shackle_years_to_settle(0.0, [3, 12], 0.95, 0.05, 0.025) == pytest.approx(least, rel=1e-12)


def test_the_nearer_the_rate_to_the_target_the_more_exposure_it_takes():
    needed = shackle_years_to_settle([0.0, 1.0, 3.0, 5.0, 5.2], 12, 0.95, 0.05, 0.025)
    assert (np.diff(needed[:4]) > 0).all()
    assert np.isnan(needed[4])  # 5.17 per 100 a year is the most that 2.5 % in service allows
