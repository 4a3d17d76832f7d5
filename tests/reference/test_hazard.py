"""Published fits of grouped hazards, and a second road to each."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.integrate import quad
from scipy.optimize import approx_fprime, brentq
from scipy.stats import binom, halfnorm, norm

from pipelines.models.grouped_likelihood import (
    Cells,
    integrated_likelihood,
    likely_spreads,
    place_quantiles,
)
from pipelines.models.hazard import fit_hazard, gap_exponent

CHECKS = Path(__file__).parents[1] / "data" / "checks"


def expected_figures(case):
    return json.loads((CHECKS / f"{case}.json").read_text(encoding="utf-8"))["expected"]


def glm(looks, design):
    shares = looks["removed"] / looks["inspected"]
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    return sm.GLM(
        shares, design, family=family, offset=np.log(looks["gap_years"]), var_weights=looks["inspected"]
    )


@pytest.fixture
def ten_cells():
    return pd.read_csv(CHECKS / "cloglog_ten_cells.csv")


@pytest.fixture
def twelve_sites():
    return pd.read_csv(CHECKS / "grouped_log_12_sites.csv")


def fitted(looks, covariates=("environment",), **options):
    """The fit of a case, each row of which is a look of its own."""
    looks = looks.assign(client="Brackle Docks", inspected_on=range(len(looks)))
    return fit_hazard(looks, list(covariates), limits_level=0.9, upper_level=0.95, **options)


def one_rate(looks):
    return fitted(looks.assign(site="all", environment="all"), (), is_look_spread_allowed=False)


def test_one_rate_for_ten_cells(ten_cells):
    # R 4.2.2: glm(cbind(removed, inspected - removed) ~ 1, binomial("cloglog"), offset = log(gap_years))
    expected = expected_figures("cloglog_ten_cells")["common_rate"]
    fit = one_rate(ten_cells)
    assert fit.coefficients["factor"][0] == pytest.approx(expected["rate_per_100_shackle_years"], rel=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-9)
    # Errors are from observed information, R's from expected information.
    assert fit.coefficients["standard_error"][0] == pytest.approx(expected["log_rate_se"], rel=0.01)


def test_two_environments_of_ten_cells(ten_cells):
    # R 4.2.2: the same with ~ environment.
    expected = expected_figures("cloglog_ten_cells")["by_environment"]
    fit = fitted(ten_cells.assign(site="all"))
    assert fit.references == {"environment": expected["reference"]}
    assert list(fit.coefficients["estimate"]) == pytest.approx(
        [expected["log_rate"], expected["log_ratio_indoor"]], abs=1e-6
    )
    assert list(fit.coefficients["standard_error"]) == pytest.approx(expected["se"], rel=0.01)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-9)
    assert fit.look_spread.dispersion == pytest.approx(expected["pearson_dispersion"], rel=1e-6)


def test_two_environments_of_ten_cells_by_glm(ten_cells):
    fit = fitted(ten_cells.assign(site="all"))
    design = np.column_stack([np.ones(10), ten_cells["environment"] == "indoor"]).astype(float)
    model = glm(ten_cells, design)
    estimate = model.fit().params
    assert list(fit.coefficients["estimate"]) == pytest.approx(list(estimate), abs=1e-6)
    information = -model.hessian(np.asarray(estimate), scale=1.0, observed=True)
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(information), rtol=1e-6)


def test_exponent_of_the_gap_of_ten_cells(ten_cells):
    # R 4.2.2: log(gap_years) as a covariate beside environment; deviance difference against the offset.
    expected = expected_figures("cloglog_ten_cells")["gap_exponent"]
    exponent = gap_exponent(fitted(ten_cells.assign(site="all")))
    assert exponent.estimate == pytest.approx(expected["estimate"], abs=1e-6)
    assert exponent.standard_error == pytest.approx(expected["se"], rel=0.01)
    assert exponent.likelihood_ratio == pytest.approx(expected["likelihood_ratio_against_1"], rel=1e-6)


def test_three_tubes():
    # FDA Bacteriological Analytical Manual, Appendix 2: most probable number per gram of three tubes each at 0.1, 0.01
    # and 0.001 g, printed to two digits (from memory); the ten digits are R 4.2.2 optimize() on the same likelihood.
    outcomes = pd.read_csv(CHECKS / "grouped_rate_mpn_3_tubes.csv")
    gaps = np.array([0.1, 0.01, 0.001])
    for outcome in outcomes.itertuples(index=False):
        positive = np.array(outcome[:3])
        looks = pd.DataFrame({"gap_years": gaps, "inspected": 3, "removed": positive})
        rate = one_rate(looks).coefficients["factor"][0] / 100
        # optimize() stops up to 5e-6 short.
        assert rate == pytest.approx(outcome.rate, rel=1e-5)
        assert float(f"{rate:.2g}") == pytest.approx(outcome.printed_rate, rel=0.02)
        # Second road: the score is 0 there.
        score = brentq(
            lambda rate, p=positive: np.sum(p * gaps / np.expm1(rate * gaps) - (3 - p) * gaps), 1e-3, 5e3
        )
        assert rate == pytest.approx(score, rel=1e-7)


def test_turbine_parts_as_grouped_looks():
    # Nelson (1982), Applied Life Data Analysis, p. 415; R 4.2.2 glm with cloglog link and offset log(gap).
    parts = pd.read_csv(CHECKS / "turbine_parts_cracks.csv")
    expected = expected_figures("turbine_parts_cracks")
    at_risk = parts["parts"][::-1].cumsum()[::-1]
    looks = pd.DataFrame(
        {
            "gap_years": parts["upper_months"] - parts["lower_months"],
            "inspected": at_risk,
            "removed": parts["parts"],
        }
    ).dropna()
    fit = one_rate(looks)
    grouped = expected["same_exponential_by_cloglog_glm"]
    assert fit.coefficients["estimate"][0] == pytest.approx(grouped["log_rate"], abs=1e-6)
    assert fit.coefficients["standard_error"][0] == pytest.approx(
        expected["exponential"]["log_scale_se"], rel=1e-6
    )


def test_twelve_sites_by_quadrature(twelve_sites):
    # 60-point adaptive Gauss-Hermite quadrature (own code), equal to lme4's fit below to its printed digits.
    expected = expected_figures("grouped_log_12_sites_quadrature")
    fit = fitted(twelve_sites, is_look_spread_allowed=False)
    rate, contrast = fit.coefficients["estimate"]
    # R's reference is indoor, ours the environment with the most removals.
    assert [rate + contrast, -contrast] == pytest.approx(expected["fixed"], abs=1e-6)
    indoor = np.array([1.0, 1.0])
    error = np.sqrt([indoor @ fit.covariance @ indoor, fit.covariance[1, 1]])
    assert list(error) == pytest.approx(expected["fixed_se"], rel=1e-6)
    assert fit.effect_sd == pytest.approx(expected["site_sd"], rel=1e-6)
    assert fit.log_effect_sd_error == pytest.approx(expected["log_site_sd_se"], rel=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], abs=1e-6)
    modes = np.array([expected["site_mode_and_sd"][site] for site in fit.effects["site"]])
    np.testing.assert_allclose(fit.effects[["effect", "effect_error"]], modes, atol=1e-6)


def test_twelve_sites_by_glmer(twelve_sites):
    # R 4.2.2, lme4 1.1-31: glmer(..., family = binomial("cloglog"), offset = log(gap_years), nAGQ = 25); lme4 stops
    # its search about 1e-4 short, and takes the modes' errors from its own working weights.
    expected = expected_figures("grouped_log_12_sites")["nagq_25"]
    fit = fitted(twelve_sites, is_look_spread_allowed=False)
    rate, contrast = fit.coefficients["estimate"]
    assert [rate + contrast, -contrast] == pytest.approx(list(expected["fixed"].values()), abs=1e-3)
    assert fit.effect_sd == pytest.approx(expected["site_sd"], abs=1e-3)
    modes = [expected["site_mode"][site] for site in fit.effects["site"]]
    errors = [expected["site_mode_sd"][site] for site in fit.effects["site"]]
    assert list(fit.effects["effect"]) == pytest.approx(modes, abs=2e-3)
    assert list(fit.effects["effect_error"]) == pytest.approx(errors, abs=2e-3)


def test_twelve_sites_hold_their_truth(twelve_sites):
    # The log was simulated: indoor 6 per 100 shackle-years, coastal 2.5 times as much, site sd 0.5.
    truth = expected_figures("grouped_log_12_sites")["truth"]
    fit = fitted(twelve_sites)
    indoor = fit.coefficients.iloc[1]
    assert indoor["factor_lower"] < np.exp(-truth["log_ratio_coastal"]) < indoor["factor_upper"]
    assert fit.effect_sd == pytest.approx(truth["site_sd"], abs=0.2)


@pytest.fixture
def five_sites():
    """Cells of five sites with one or two gaps each, one of them without removals."""
    gap_years = np.array([0.25, 1.0, 0.5, 0.25, 1.0, 1.0, 0.25])
    inspected = np.array([40, 30, 20, 60, 5, 80, 80])
    removed = np.array([1, 4, 0, 3, 1, 2, 1])
    site = np.array([0, 0, 1, 2, 3, 4, 4])
    return Cells(
        design=np.ones((7, 1)),
        log_gap=np.log(gap_years),
        removed=removed.astype(float),
        kept=(inspected - removed).astype(float),
        exposure=inspected * gap_years,
        unit=site,
        place=site,
    )


def integral_of_site(cells, site, log_rate, site_sd):
    own = cells.unit == site
    gap, removed, kept = np.exp(cells.log_gap[own]), cells.removed[own], cells.kept[own]

    def integrand(effect):
        share = -np.expm1(-gap * np.exp(log_rate + effect))
        return np.prod(share**removed * (1 - share) ** kept) * norm.pdf(effect, scale=site_sd)

    reach = 9 * site_sd
    return quad(integrand, -reach, reach, points=[0.0], epsabs=0, epsrel=1e-11, limit=200)[0]


@pytest.mark.parametrize("site_sd", [0.05, 0.5, 1.5])
@pytest.mark.parametrize("log_rate", [-3.5, -2.0])
def test_integral_over_site_effects_by_brute_force(five_sites, log_rate, site_sd):
    by_site = [integral_of_site(five_sites, site, log_rate, site_sd) for site in range(5)]
    value = integrated_likelihood(five_sites, np.array([log_rate]), np.log(site_sd))[0]
    # 21 points leave 1e-6 where effects are wide and a site has no removals.
    assert value == pytest.approx(np.sum(np.log(by_site)), abs=1e-8 if site_sd < 1 else 1e-5)


def test_derivatives_of_the_integral_by_differences(five_sites):
    def value(theta):
        return integrated_likelihood(five_sites, theta[:1], theta[1])[0]

    def slope(theta):
        return integrated_likelihood(five_sites, theta[:1], theta[1])[1]

    theta = np.array([-2.4, np.log(0.6)])
    _, gradient, hessian = integrated_likelihood(five_sites, theta[:1], theta[1])
    np.testing.assert_allclose(gradient, approx_fprime(theta, value, 1e-6), atol=1e-4)
    np.testing.assert_allclose(hessian, approx_fprime(theta, slope, 1e-6), atol=1e-4)


def test_limits_of_five_sites_by_brute_force(five_sites):
    # The posterior on a grid: a flat prior of the rate, a half-normal one of the site sd. Ours replaces what the other
    # sites say by a normal for each site sd, which with only four others leaves 2 %.
    log_rates, site_sds = np.linspace(-7, 0.5, 46), np.linspace(0.02, 3, 30)
    integrals = np.array(
        [
            [[integral_of_site_fast(five_sites, site, rate, sd) for rate in log_rates] for sd in site_sds]
            for site in range(5)
        ]
    )
    spreads = likely_spreads(five_sites, np.array([-2.5]))
    lower, upper = place_quantiles(five_sites, spreads, [0.05, 0.95])
    points = np.linspace(-9, 2, 1500)
    for site in range(5):
        others = np.prod(np.delete(integrals, site, axis=0), axis=0)
        weight = others * halfnorm.pdf(site_sds)[:, None] * np.exp(log_rates)
        prior = sum(weight[row] @ norm.pdf(points, log_rates[:, None], sd) for row, sd in enumerate(site_sds))
        own = five_sites.unit == site
        share = -np.expm1(-np.exp(five_sites.log_gap[own][:, None] + points))
        inspected = (five_sites.removed + five_sites.kept)[own]
        density = prior * np.prod(
            binom.pmf(five_sites.removed[own][:, None], inspected[:, None], share), axis=0
        )
        below = np.cumsum(density) / density.sum()
        exact_lower, exact_upper = np.interp([0.05, 0.95], below, points)
        assert upper[site] == pytest.approx(exact_upper, abs=0.03)
        assert lower[site] == pytest.approx(exact_lower, abs=0.03)


def integral_of_site_fast(cells, site, log_rate, site_sd):
    own = cells.unit == site
    effects = np.linspace(-6, 6, 121)
    share = -np.expm1(-np.exp(cells.log_gap[own][:, None] + log_rate + site_sd * effects))
    inspected = (cells.removed + cells.kept)[own]
    likelihood = np.prod(binom.pmf(cells.removed[own][:, None], inspected[:, None], share), axis=0)
    return np.sum(likelihood * norm.pdf(effects)) * (effects[1] - effects[0])
