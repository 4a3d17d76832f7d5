"""Published control charts and trends, and a second road to each."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import nbinom, norm, poisson

from pipelines.models.trend import (
    adjusted_p_values,
    drift_chart,
    false_signal_chances,
    laney_sigma,
    rate_chart,
    rate_of_change,
)

CHECKS = Path(__file__).parents[1] / "data" / "checks"
# 1.128 is Laney's rounding of 2/sqrt(pi); sigma_z is inversely proportional to it.
ROUNDED = 1.128 / (2 / np.sqrt(np.pi))


def case(name):
    figures = pd.read_csv(CHECKS / f"{name}.csv")
    return figures, json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["expected"]


def test_c_chart_of_wafers():
    # NIST/SEMATECH e-Handbook, 6.3.3.1 (from memory; the sum of 400 gives the printed 16, 4 and 28). A c chart is a u
    # chart of equal exposure: here 100 shackle-years each.
    wafers, expected = case("c_chart_wafers")
    chart = rate_chart(wafers["events"], [100.0] * 25, least_points=20)
    reach = (chart.points["limit_upper"] - chart.points["centre"]) / chart.widening[0]
    assert chart.points["centre"].unique().tolist() == [expected["centre"]]
    assert (16 + reach).unique().tolist() == pytest.approx([expected["limit_upper"]], rel=1e-9)
    assert (16 - reach).unique().tolist() == pytest.approx([expected["limit_lower"]], rel=1e-9)
    assert wafers["sample"][chart.points["value"] > 16 + reach].tolist() == [expected["outside"]]


def test_the_widening_of_baptisms():
    # Arbuthnot (1710); Laney (2002), Quality Engineering 14, 531-537. R 4.2.2, ten digits. A p' chart is a p chart that
    # is widened so.
    baptisms, expected = case("laney_baptisms")
    share = baptisms["removed"] / baptisms["inspected"]
    centre = baptisms["removed"].sum() / baptisms["inspected"].sum()
    error = np.sqrt(centre * (1 - centre) / baptisms["inspected"])
    one = np.zeros(len(baptisms), dtype=int)
    (sigma_z,) = laney_sigma(((share - centre) / error).to_numpy(), one, 1)
    assert sigma_z == pytest.approx(expected["sigma_z_unrounded_constant"], abs=1e-8)
    assert sigma_z / ROUNDED == pytest.approx(expected["sigma_z"], abs=1e-8)
    # The published limits are those of the rounded constant.
    reach = 3 * error * sigma_z / ROUNDED
    for side, limit in (("limit_lower", centre - reach), ("limit_upper", centre + reach)):
        assert limit.tolist() == pytest.approx(baptisms[side].tolist(), abs=1e-8)
    assert ((share - centre).abs() > reach).tolist() == baptisms["outside_p_prime"].tolist()


def test_u_chart_with_unequal_exposure():
    # Own numbers, R 4.2.2; Montgomery, Introduction to Statistical Quality Control. sigma_z is below 1 on purpose.
    months, expected = case("u_chart_unequal_exposure")
    chart = rate_chart(months["removed"], months["shackle_years"], least_points=10)
    assert chart.sigma_z[0] / ROUNDED == pytest.approx(expected["sigma_z"], abs=1e-8)
    assert chart.widening[0] == 1
    points = chart.points
    assert (points["centre"] / 100).tolist() == pytest.approx([expected["centre"]] * 18, abs=1e-8)
    is_normal = expected["centre"] * months["shackle_years"] >= 5
    normal = points[is_normal]
    assert (normal["limit_upper"] / 100).tolist() == pytest.approx(
        months.loc[is_normal, "limit_upper_u"].tolist(), abs=1e-8
    )
    assert (normal["limit_lower"] == 0).all()
    assert months["month"][points["signal"] == "above"].tolist() == [12]


def test_small_months_have_exact_limits_of_the_poisson_distribution():
    # R 4.2.2: qpois(c(0.00135, 0.99865), expected), by scipy.
    months, expected = case("u_chart_unequal_exposure")
    months = months[expected["centre"] * months["shackle_years"] < 5]
    chart = rate_chart(months["removed"], months["shackle_years"], least_points=1).points
    counts = chart["centre"] * months["shackle_years"].to_numpy() / 100
    scale = 100 / months["shackle_years"].to_numpy()
    np.testing.assert_allclose(chart["limit_lower"], poisson.ppf(0.00135, counts) * scale, rtol=1e-12)
    np.testing.assert_allclose(chart["limit_upper"], poisson.ppf(0.99865, counts) * scale, rtol=1e-12)


def test_ewma_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 6.3.2.4 (from memory): printed to two digits; time-dependent limits by R 4.2.2.
    samples, expected = case("ewma_nist")
    chart = drift_chart(
        samples["value"], expected["target"], expected["standard_deviation"], weight=expected["lambda"]
    )
    assert chart["ewma"].tolist() == pytest.approx(samples["ewma"].tolist(), abs=1e-9)
    assert chart["ewma"].tolist() == pytest.approx(samples["printed_ewma"].tolist(), abs=0.005)
    assert chart["limit_lower"].tolist() == pytest.approx(samples["limit_lower_exact"].tolist(), abs=1e-9)
    assert chart["limit_upper"].tolist() == pytest.approx(samples["limit_upper_exact"].tolist(), abs=1e-9)
    assert chart["limit_upper"].iloc[-1] == pytest.approx(expected["printed_limit_upper"], abs=5e-4)


def test_ewma_with_unequal_exposure():
    # Own numbers, R 4.2.2.
    months, expected = case("u_chart_unequal_exposure")
    error = np.sqrt(expected["centre"] / months["shackle_years"])
    chart = drift_chart(months["rate"], expected["centre"], error, weight=expected["ewma_lambda"])
    assert chart["ewma"].tolist() == pytest.approx(expected["ewma"], abs=1e-8)
    assert chart["limit_lower"].tolist() == pytest.approx(expected["ewma_limit_lower"], abs=1e-8)
    assert chart["limit_upper"].tolist() == pytest.approx(expected["ewma_limit_upper"], abs=1e-8)


def test_ewma_as_one_weighted_sum():
    # Second road: no recursion, but the weights and their squares written out.
    generator = np.random.default_rng(4)
    value, error = generator.normal(5, 1, 12), generator.uniform(0.5, 3, 12)
    weights = np.tril(0.2 * 0.8 ** (np.arange(12)[:, None] - np.arange(12)))
    chart = drift_chart(value, 5.0, error)
    assert chart["ewma"].tolist() == pytest.approx((5 + weights @ (value - 5)).tolist())
    assert (chart["limit_upper"] - 5).tolist() == pytest.approx((3 * np.sqrt(weights**2 @ error**2)).tolist())


def test_coal_mining_disasters():
    # Jarrett (1979), Biometrika 66, 191-193; R 4.2.2: glm(events ~ year, quasipoisson), limits by the t distribution.
    years, expected = case("coal_disasters_by_year")
    change = rate_of_change(years["events"], np.ones(len(years)), years["year"], level=0.95)
    assert change.removed == expected["events"]
    assert change.slope == pytest.approx(expected["slope"], rel=1e-6)
    assert change.slope_error == pytest.approx(expected["slope_se_quasi"], rel=1e-6)
    assert change.dispersion == pytest.approx(expected["dispersion_pearson"], rel=1e-6)
    per_10_years = np.array([change.ratio_per_year, change.ratio_lower, change.ratio_upper]) ** 10
    published = [expected["rate_ratio_per_10_years"], *expected["rate_ratio_per_10_years_95_quasi"]]
    assert per_10_years.tolist() == pytest.approx(published, rel=1e-6)


def test_a_trend_with_unequal_exposure_by_glm():
    generator = np.random.default_rng(8)
    exposure, years = generator.uniform(5, 200, 30), np.arange(30) / 12
    removed = generator.poisson(exposure * 0.08 * np.exp(0.3 * years))
    change = rate_of_change(removed, exposure, years, level=0.9)
    design = sm.add_constant(years)
    fit = sm.GLM(removed, design, sm.families.Poisson(), offset=np.log(exposure)).fit(scale="X2")
    assert change.slope == pytest.approx(fit.params[1], rel=1e-6)
    assert change.dispersion == pytest.approx(fit.pearson_chi2 / 28, rel=1e-6)
    error = fit.bse[1] * np.sqrt(max(1, change.dispersion) / fit.scale)
    assert change.slope_error == pytest.approx(error, rel=1e-6)


@pytest.mark.parametrize("swing", [0, 5])
def test_exact_limits_leave_their_tail(swing):
    # Inverted: at the limits the tails are at most 0.00135, one count further in they are more.
    expected = np.array([0.02, 0.4, 1.7, 4.9])
    baseline = np.tile([10 - swing, 10 + swing], 30)
    chart = rate_chart(
        np.append(baseline, [0, 0, 0, 0]),
        np.full(64, 100.0),
        least_points=20,
        expected=np.append(np.full(60, 10.0), expected),
        is_baseline=np.arange(64) < 60,
    )
    assert (chart.widening[0] > 1) == (swing > 0)
    upper = chart.points["limit_upper"].to_numpy()[60:]
    ratio = chart.widening[0] ** 2
    counts = poisson(expected) if ratio == 1 else nbinom(expected / (ratio - 1), 1 / ratio)
    assert (counts.sf(upper) <= 0.00135).all()
    assert (counts.sf(upper - 1) > 0.00135).all()
    assert ratio == 1 or counts.var() == pytest.approx(ratio * expected)


def test_false_signals_of_forty_charts():
    # Forty charts of three standard errors: one false signal in nine months or so, 1 / (40 * 0.0027). At a million
    # expected removals a count is all but normal.
    assert false_signal_chances([1e6] * 40).sum() == pytest.approx(40 * 2 * norm.sf(3), rel=0.01)
    assert 1 / false_signal_chances([1e6] * 40).sum() == pytest.approx(9.26, rel=0.01)


@pytest.mark.parametrize("expected", [0.3, 3.0, 6.0, 40.0])
@pytest.mark.parametrize("widening", [1.0, 1.5])
def test_false_signals_are_counted_as_the_chart_flags_them(expected, widening):
    # Every count a month can have, flagged one by one, each with its probability.
    counts = np.arange(400)
    ratio = widening**2
    law = poisson(expected) if widening == 1 else nbinom(expected / (ratio - 1), 1 / ratio)
    is_wide = expected >= 5
    reach = 3 * widening * np.sqrt(expected)
    if is_wide:
        flagged = (counts > expected + reach) | (counts < expected - reach)
    else:
        flagged = (law.sf(counts - 1) <= 0.00135) | (law.cdf(counts) < 0.00135)
    assert false_signal_chances([expected], widening)[0] == pytest.approx(
        law.pmf(counts)[flagged].sum(), abs=1e-9
    )


def test_adjusted_p_values_of_benjamini_and_hochberg():
    # Benjamini & Hochberg (1995), section 3.2: fifteen p values, of which the procedure at 0.05 keeps four.
    published = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    published += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    adjusted = adjusted_p_values(published)
    assert np.sum(adjusted <= 0.05) == 4
    # Second road: step up by hand.
    by_hand = [
        min(15 * p / rank for rank, p in enumerate(published, 1) if rank >= own) for own in range(1, 16)
    ]
    assert adjusted.tolist() == pytest.approx(by_hand)


def test_rates_of_change_cover_as_stated():
    # 1 000 simulated years of months whose rate varies beyond chance: the standard error of the coverage is 1 point.
    held = []
    for seed in range(1000):
        generator = np.random.default_rng(seed)
        exposure, years = generator.uniform(20, 200, 24), np.arange(24) / 12
        at_month = generator.gamma(4, 1 / 4, 24)
        removed = generator.poisson(exposure * 0.05 * 1.2**years * at_month)
        change = rate_of_change(removed, exposure, years, level=0.9)
        held.append(change.ratio_lower < 1.2 < change.ratio_upper)
    assert 0.87 < np.mean(held) < 0.93


def test_charts_seldom_signal_where_nothing_happens():
    # 200 charts of 36 months, after a baseline of 24: false signals as expected, but for the doubt about the centre.
    signals, expected_signals = 0, 0.0
    for seed in range(200):
        generator = np.random.default_rng(seed)
        exposure = generator.uniform(10, 300, 60)
        removed = generator.poisson(0.05 * exposure)
        is_baseline = np.arange(60) < 24
        points = rate_chart(removed, exposure, least_points=20, is_baseline=is_baseline).points[24:]
        signals += (points["signal"] != "within").sum()
        expected_signals += false_signal_chances(0.05 * exposure[24:]).sum()
    assert signals < 1.5 * expected_signals + 3 * np.sqrt(expected_signals)
