"""What holds for comparisons with others, whatever the counts."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.models.comparisons import (
    adjusted_for_several,
    chance_of_mix,
    compared_with_others,
    ratios_to_others,
)
from pipelines.models.limits import chance_of_rate_ratio, rate_ratio_limits

at_any_pace = settings(deadline=None)
counts = st.integers(0, 400)


def compared(removed, shackle_years):
    """Each unit's removals (a row) in each stratum (a column), with these exposures, beside all others."""
    cells = pd.DataFrame(
        [
            ("C", unit, stratum, items, float(years))
            for unit, row in enumerate(removed)
            for stratum, (items, years) in enumerate(zip(row, shackle_years[unit], strict=True))
        ],
        columns=["client", "unit", "stratum", "removed", "shackle_years"],
    )
    return compared_with_others(cells, ["client"], ["unit"], [["stratum"]], 1.0)


tables = st.integers(2, 5).flatmap(
    lambda strata: st.lists(st.lists(counts, min_size=strata, max_size=strata), min_size=2, max_size=6)
)


@at_any_pace
@given(tables, st.lists(st.floats(1, 1e4), min_size=5, max_size=5))
def test_expected_adds_up_to_observed_over_units_that_share_every_stratum_equally(removed, years):
    found = compared(removed, [years[: len(removed[0])]] * len(removed))
    np.testing.assert_allclose(found["expected_removals"].sum(), np.sum(removed), rtol=1e-9)
    assert found["removed_compared"].sum() == np.sum(removed)


@at_any_pace
@given(tables, st.data())
def test_nobody_differs_from_others_with_the_same_rates(removed, data):
    years = [data.draw(st.lists(st.integers(1, 50), min_size=2, max_size=2)) for _ in removed]
    found = compared([[3 * a, 7 * b] for a, b in years], years)
    np.testing.assert_allclose(found["expected_removals"], found["removed_compared"], rtol=1e-9)
    ratios = ratios_to_others(found, 0.9)
    assert (ratios["chance"] > 0.9).all()
    np.testing.assert_allclose(ratios["ratio"], 1)


@at_any_pace
@given(counts, counts, st.floats(0.01, 100), st.floats(0.5, 0.999))
def test_limits_of_a_ratio_leave_out_1_exactly_where_chance_is_rare(removed, others, exposure_ratio, level):
    lower, upper = rate_ratio_limits([removed], [others], [exposure_ratio], level)
    chance = chance_of_rate_ratio([removed], [others], [exposure_ratio])[0]
    assert 0 <= lower[0] <= upper[0]
    assert 0 <= chance <= 1
    if abs(chance - (1 - level)) > 1e-9:
        assert (chance < 1 - level) == (lower[0] > 1 or upper[0] < 1)


@at_any_pace
@given(st.lists(st.floats(0, 1), min_size=1, max_size=14), st.randoms(use_true_random=False))
def test_adjusting_never_makes_rarer_keeps_the_order_and_does_not_mind_it(chances, random):
    chance = pd.Series(chances)
    family = [pd.Series("A", index=chance.index)]
    adjusted = adjusted_for_several(chance, family)
    assert (adjusted >= chance).all()
    assert adjusted.between(0, 1).all()
    assert adjusted[chance.sort_values(kind="stable").index].is_monotonic_increasing
    shuffled = list(chance.index)
    random.shuffle(shuffled)
    again = adjusted_for_several(chance[shuffled], family)
    np.testing.assert_allclose(again[chance.index], adjusted)


@at_any_pace
@given(st.lists(st.tuples(counts, counts), min_size=1, max_size=14), st.randoms(use_true_random=False))
def test_the_mix_test_minds_neither_order_nor_side_and_empty_classes_say_nothing(classes, random):
    one, other = np.transpose(classes)
    chance = chance_of_mix(one, other)
    assert np.isnan(chance) or 0 <= chance <= 1
    np.testing.assert_allclose(chance_of_mix(other, one), chance)
    np.testing.assert_allclose(chance_of_mix([*one, 0], [*other, 0]), chance)
