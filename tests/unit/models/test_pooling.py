import numpy as np
import pytest

from pipelines.models.pooling import (
    NO_SPREAD,
    gammas_of_counts,
    gammas_of_limits,
    ratios,
    spread_of_ratios,
)


def test_ratios_that_stray_by_chance_only_have_no_spread():
    expected = np.full(400, 8.0)
    assert spread_of_ratios(np.random.default_rng(2).binomial(16, 0.5, 400), expected) == NO_SPREAD


def test_the_spread_of_drawn_ratios_is_found_again():
    generator = np.random.default_rng(7)
    expected = generator.uniform(1, 30, 2000)
    observed = generator.poisson(expected * generator.gamma(5, 1 / 5, 2000))
    assert spread_of_ratios(observed, expected) == pytest.approx(5, rel=0.1)


@pytest.mark.parametrize("cells", [0, 1])
def test_fewer_than_two_cells_say_nothing_of_spread(cells):
    assert spread_of_ratios([9] * cells + [4], [3.0] * cells + [0.0]) == NO_SPREAD


def test_a_cell_without_history_is_like_the_others_and_as_uncertain_as_they_stray():
    known = ratios([0], [0.0], shape=4.0)
    assert (known.mean[0], known.shape[0] * known.scale[0] ** 2) == (1.0, 0.25)


def test_nothing_removed_still_leaves_a_rate():
    # Jeffreys: half a removal over the exposure.
    assert gammas_of_counts([0], [50.0]).mean.tolist() == [0.01]


def test_limits_that_meet_leave_next_to_no_doubt():
    known = gammas_of_limits([5.0], [5.0], level=0.9)
    assert known.mean[0] == pytest.approx(5.0, rel=1e-5)
    assert known.shape[0] > 9e5
