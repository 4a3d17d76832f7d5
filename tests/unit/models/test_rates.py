from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import risk_targets
from pipelines.models.rates import (
    charted_rates,
    control_limits,
    joined_notes,
    rates_if_unaccounted,
    rates_with_limits,
)

TARGETS = replace(risk_targets(), least_months_for_limits=3)


def months(removed: list[int], shackle_years: list[float], site: str = "North Shed") -> pd.DataFrame:
    cells = pd.DataFrame({"site": site, "removed_at_risk": removed, "shackle_years": shackle_years})
    return cells.assign(inspected=50, removed=cells["removed_at_risk"])


def test_rate_per_100_shackle_years():
    rates = rates_with_limits(months([15, 0], [400.0, 100.0]), TARGETS)
    assert rates["removed_per_100_shackle_years"].tolist() == [3.75, 0.0]
    # Garwood (1936): 15 removals have 9.25 and 23.10 as limits at 90 %, none have 0 and 3.00 (from memory).
    assert rates["rate_lower"].tolist() == [pytest.approx(9.25 / 4, abs=0.00125), 0.0]
    assert rates["rate_upper"].tolist() == [
        pytest.approx(23.10 / 4, abs=0.00125),
        pytest.approx(3.00, abs=0.005),
    ]
    assert rates["rate_note"].isna().all()


def test_limits_widen_about_the_same_rate_where_only_a_share_of_the_exposure_counts():
    cells = pd.DataFrame({"inspected": 100, "removed_at_risk": [40, 40, 0], "shackle_years": 400.0})
    whole, half, none = rates_with_limits(cells.assign(look_weight=[1.0, 0.5, 0.5]), TARGETS).itertuples()
    assert list(whole[1:4]) == rates_with_limits(cells, TARGETS).loc[0].tolist()[:3]
    assert half.removed_per_100_shackle_years == whole.removed_per_100_shackle_years == 10
    # 20 of 200: Garwood limits at 90 % are 13.25 and 29.06 removals (tables of Poisson limits, from memory).
    assert [half.rate_lower, half.rate_upper] == pytest.approx([13.25 / 2, 29.06 / 2], abs=0.01)
    # The rule of three at 95 %, of half the exposure.
    assert none.rate_upper == pytest.approx(2.9957 / 2, abs=1e-3)
    assert none.rate_lower == 0


def test_an_empty_rate_says_why():
    cells = pd.DataFrame(
        {"inspected": [0, 40, 3, 2], "removed_at_risk": [0, 0, 1, 1], "shackle_years": [0.0, 0.0, 0.99, 1.0]}
    )
    rates = rates_with_limits(cells, TARGETS)
    assert rates["removed_per_100_shackle_years"].isna().tolist() == [True, True, True, False]
    assert rates["rate_note"].tolist() == [
        "no periodic inspection",
        "first looks only, no exposure yet",
        "under 1 shackle-year of exposure",
        None,
    ]


def test_the_centre_pools_the_first_months_that_have_a_rate():
    cells = months([4, 9, 4, 4, 90, 0], [100.0, 0.5, 200.0, 100.0, 100.0, 0.0])
    limits = control_limits(cells.join(rates_with_limits(cells, TARGETS)), ["site"], TARGETS)
    # 12 in 400; the second month has no rate, the fifth comes too late, the last has no exposure.
    assert limits["centre"].tolist() == pytest.approx([3.0] * 5 + [np.nan], nan_ok=True)
    assert limits["signal"].tolist() == ["within", None, "within", "within", "above", None]
    assert limits["limit_upper"].isna().tolist() == [False, True, False, False, False, True]


def test_a_slow_rise_shows_as_drift_before_any_month_leaves_its_limits():
    # 10 expected a month, at most 19.5; half as many again for six months move the average by 3.7, where 3.2 is the limit.
    targets = replace(TARGETS, least_months_for_limits=20)
    chart = charted_rates(months([10] * 20 + [15] * 6, [100.0] * 26), ["site"], targets)
    assert set(chart["signal"]) == {"within"}
    assert chart["drift_signal"].tolist() == ["within"] * 24 + ["above"] * 2
    assert chart["smoothed_rate"].iloc[-1] == pytest.approx(10 + 5 * (1 - 0.8**6))


def test_too_few_months_have_no_limits():
    chart = charted_rates(months([4, 4], [100.0, 0.5]), ["site"], TARGETS)
    assert chart["centre"].isna().all()
    assert chart["signal"].isna().all()
    assert chart["rate_note"].tolist() == [
        "fewer than 3 months with a rate, no control limits",
        "under 1 shackle-year of exposure; fewer than 3 months with a rate, no control limits",
    ]


def test_a_baseline_without_removals_flags_nothing():
    chart = charted_rates(months([0, 0, 0, 1], [10.0] * 4), ["site"], TARGETS)
    assert chart["centre"].tolist() == [0.0] * 4
    assert chart["signal"].isna().all()
    assert set(chart["rate_note"]) == {"nothing removed in the baseline months, no control limits"}


def test_each_series_has_its_own_centre_also_the_one_without_a_site():
    cells = pd.concat(
        [months([1, 2, 3], [100.0] * 3, site=None), months([4, 5, 6], [100.0] * 3)], ignore_index=True
    )
    chart = charted_rates(cells, ["site"], TARGETS)
    assert chart["centre"].tolist() == [2.0] * 3 + [5.0] * 3


def test_the_share_of_a_month_without_inspections_is_empty():
    cells = months([1, 0], [100.0, 0.0]).assign(inspected=[50, 0])
    assert charted_rates(cells, ["site"], TARGETS)["removed_per_100_inspected"].tolist() == [
        2.0,
        pytest.approx(np.nan, nan_ok=True),
    ]


def test_notes_are_joined_and_empty_where_all_are():
    assert joined_notes(pd.Series(["a", None, ""]), pd.Series(["b", "c", None])).tolist() == [
        "a; b",
        "c",
        None,
    ]


def test_items_unaccounted_for_give_a_lower_and_an_upper_case():
    # 2 of 10 items missed a look after 4 years; of the 8 presented none, or 2, were removed.
    cells = pd.DataFrame({"removed_at_risk": [0, 2], "unaccounted_for": 2, "shackle_years": [32.0, 28.0]})
    bounds = rates_if_unaccounted(cells.assign(shackle_years_unaccounted_for=8.0), TARGETS)
    assert bounds["rate_if_unaccounted_fit"].tolist() == [0, 100 * 2 / 36]
    assert bounds["rate_if_unaccounted_removed"].tolist() == [100 * 2 / 36, 100 * 4 / 32]


def test_with_nothing_unaccounted_for_both_cases_are_the_rate_and_without_a_rate_there_is_none():
    cells = months([15, 1], [400.0, 0.5]).assign(unaccounted_for=0, shackle_years_unaccounted_for=0.0)
    rate = rates_with_limits(cells, TARGETS)["removed_per_100_shackle_years"]
    bounds = rates_if_unaccounted(cells, TARGETS)
    assert all(bounds[case].equals(rate.rename(case)) for case in bounds)
    assert bounds.iloc[1].isna().all()
