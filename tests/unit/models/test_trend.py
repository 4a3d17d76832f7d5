import numpy as np
import pandas as pd
import pytest

from pipelines.faults import DataFault
from pipelines.models.trend import (
    adjusted_p_values,
    drift_chart,
    false_signal_chances,
    rate_chart,
    rate_of_change,
)

LIMITS = ["limit_lower", "limit_upper", "signal", "p_value"]


def test_the_limits_of_a_rate_are_three_standard_errors_from_the_centre():
    chart = rate_chart([30, 20, 40, 10], [300.0, 200.0, 400.0, 100.0], least_points=4)
    first = chart.points.loc[0]
    # 10 per 100 shackle-years, 30 expected: 30 - and + 3 sqrt(30), over 300.
    assert first[["value", "centre"]].tolist() == [10, 10]
    assert first["limit_lower"] == pytest.approx((30 - 3 * np.sqrt(30)) / 3)
    assert first["limit_upper"] == pytest.approx((30 + 3 * np.sqrt(30)) / 3)
    assert chart.points["signal"].tolist() == ["within"] * 4
    # Too few points to say whether they lie further apart than chance puts them.
    assert np.isnan(chart.sigma_z[0])
    assert chart.widening.tolist() == [1]


def test_a_month_without_exposure_has_no_point():
    chart = rate_chart([3, 0, 4], [100.0, 0.0, 100.0], least_points=2)
    assert chart.points.loc[1].isna().all()
    assert chart.points.loc[[0, 2]].notna().all(axis=None)


def test_too_few_points_have_a_centre_but_no_limits():
    chart = rate_chart([3, 4], [100.0, 100.0], least_points=3)
    assert chart.points["centre"].tolist() == pytest.approx([3.5, 3.5])
    assert chart.points[LIMITS].isna().all(axis=None)


def test_a_baseline_without_removals_has_no_limits():
    chart = rate_chart([0, 0, 0, 5], [100.0] * 4, least_points=3, is_baseline=[True, True, True, False])
    assert chart.points[LIMITS].isna().all(axis=None)


def test_only_the_baseline_sets_the_centre():
    chart = rate_chart([10, 10, 10, 60], [100.0] * 4, least_points=3, is_baseline=[True, True, True, False])
    assert chart.points["centre"].tolist() == [10] * 4
    assert chart.points["signal"].tolist() == ["within", "within", "within", "above"]
    assert chart.points["p_value"].iloc[-1] < 1e-20


def test_a_low_month_signals_below():
    chart = rate_chart([40, 40, 40, 10], [100.0] * 4, least_points=3, is_baseline=[True, True, True, False])
    assert chart.points["signal"].iloc[-1] == "below"


def test_months_that_swing_widen_the_limits():
    swinging = [10, 40, 8, 45, 12, 38, 9, 41, 11, 44]
    chart = rate_chart(swinging, [100.0] * 10, least_points=10)
    centre = np.mean(swinging)
    z = (np.array(swinging) - centre) / np.sqrt(centre)
    sigma_z = np.abs(np.diff(z)).mean() * np.sqrt(np.pi) / 2
    assert chart.sigma_z.tolist() == chart.widening.tolist() == pytest.approx([sigma_z])
    assert chart.points["limit_upper"][0] == pytest.approx(centre + 3 * sigma_z * np.sqrt(centre))


def test_calm_months_do_not_narrow_the_limits():
    chart = rate_chart([25, 26] * 10, [100.0] * 20, least_points=10)
    assert chart.sigma_z[0] < 0.5
    assert chart.widening.tolist() == [1]
    assert chart.points["limit_upper"][0] == pytest.approx(25.5 + 3 * np.sqrt(25.5))


def test_a_month_of_other_places_is_no_signal_if_it_was_expected():
    # Indoors 2, at sea 20 per 100 shackle-years; only the last month looked at the sea.
    removed, exposure = [2, 2, 2, 20], [100.0] * 4
    is_baseline = [True, True, True, False]
    pooled = rate_chart(removed, exposure, least_points=3, is_baseline=is_baseline)
    mixed = rate_chart(removed, exposure, least_points=3, is_baseline=is_baseline, expected=[2, 2, 2, 20])
    assert pooled.points["signal"].iloc[-1] == "above"
    assert mixed.points["signal"].iloc[-1] == "within"
    assert mixed.points["centre"].tolist() == [2, 2, 2, 20]
    assert mixed.points["limit_upper"].iloc[-1] == pytest.approx(20 + 3 * np.sqrt(20))


def test_a_slow_drift_signals_where_single_points_do_not():
    value = np.array([10.0] * 5 + [11.5] * 15)
    chart = drift_chart(value, centre=10.0, error=1.0)
    assert (np.abs(value - 10) < 3).all()
    assert chart["signal"].tolist()[:5] == ["within"] * 5
    assert chart["signal"].iloc[-1] == "above"


def test_a_drift_chart_passes_over_months_without_a_point():
    gap, without = drift_chart([12.0, np.nan, 11.0], 10.0, 1.0), drift_chart([12.0, 11.0], 10.0, 1.0)
    assert gap.loc[1].isna().all()
    pd.testing.assert_frame_equal(gap.loc[[0, 2]].reset_index(drop=True), without)


def test_a_drift_chart_starts_with_narrow_limits():
    chart = drift_chart([10.0] * 50, centre=10.0, error=1.0, weight=0.2)
    reach = chart["limit_upper"] - 10
    assert reach.iloc[0] == pytest.approx(3 * 0.2)
    assert reach.iloc[-1] == pytest.approx(3 * np.sqrt(0.2 / 1.8))


def test_a_rate_that_grows_by_a_fifth_each_year():
    years = np.arange(8.0)
    change = rate_of_change(10_000 * 1.2**years, np.full(8, 1000.0), years, level=0.9)
    assert change.ratio_per_year == pytest.approx(1.2)
    assert change.ratio_lower < 1.2 < change.ratio_upper
    assert change.p_value < 1e-6
    assert change.dispersion < 1e-6


def test_months_that_swing_widen_the_rate_of_change():
    exposure, years = np.full(12, 100.0), np.arange(12) / 12
    calm = rate_of_change([20] * 12, exposure, years, level=0.9)
    swinging = rate_of_change([5, 35] * 6, exposure, years, level=0.9)
    assert swinging.dispersion > 5
    assert swinging.slope_error == pytest.approx(calm.slope_error * np.sqrt(swinging.dispersion), rel=0.1)


@pytest.mark.parametrize(
    ("removed", "exposure", "note"),
    [
        ([2] * 7, [10.0] * 7, "under 8 points in time, no rate of change"),
        ([2] * 7 + [0, 0], [10.0] * 7 + [0.0, 0.0], "under 8 points in time, no rate of change"),
        ([4, 0, 0, 0, 0, 0, 0, 0], [10.0] * 8, "under 5 removals, no rate of change"),
    ],
)
def test_too_little_gives_no_rate_of_change(removed, exposure, note):
    change = rate_of_change(removed, exposure, range(len(removed)), level=0.9)
    assert change.note == note
    assert change.ratio_per_year is None


def test_all_points_at_one_time_give_no_rate_of_change():
    assert rate_of_change([5] * 9, [10.0] * 9, [1.0] * 9, level=0.9).ratio_per_year is None


def test_adjusted_p_values_of_nothing():
    assert adjusted_p_values([]).tolist() == []
    assert np.isnan(adjusted_p_values([np.nan, np.nan])).all()


def test_points_that_expect_nothing_give_no_false_signals():
    assert false_signal_chances([0.0, 0.0]).tolist() == [0, 0]


@pytest.mark.parametrize(
    ("chart", "message"),
    [
        (
            lambda: rate_chart([1], [0.0], least_points=1),
            "Month 0 has 1 removals in 0 shackle-years, which gives no point. Leave it out, or give both as 0.",
        ),
        (
            lambda: rate_chart([-1], [5.0], least_points=1),
            "Month 0 has -1 removals in 5 shackle-years, which gives no point. Leave it out, or give both as 0.",
        ),
    ],
)
def test_an_impossible_month_is_refused(chart, message):
    with pytest.raises(DataFault) as fault:
        chart()
    assert str(fault.value) == message
