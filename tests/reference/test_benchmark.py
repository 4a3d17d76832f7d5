"""Published comparisons of sites, and a second road to each."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import binom, chi2, gamma, norm, poisson

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark import compared_sites, site_references
from pipelines.models.benchmark.funnel import (
    Spread,
    flags,
    funnel_limits,
    measured_spread,
    tail_probabilities,
)
from pipelines.models.benchmark.ranking import fitted_prior, shrunken_ratios

CHECKS = Path(__file__).parents[1] / "data" / "checks"
LIKE = {"service_class": "normal", "use_frequency": "daily", "size_band": "all", "pin": "screw pin"}


def expected_of(case: str) -> dict:
    return json.loads((CHECKS / f"{case}.json").read_text(encoding="utf-8"))["expected"]


# Expected removals ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two_populations() -> pd.DataFrame:
    strata = pd.read_csv(CHECKS / "indirect_standardisation.csv")
    environment = "stratum " + strata["stratum"].astype(str)
    study = {"observed": strata["removed"], "shackle_years": strata["shackle_years"]}
    rest = {"observed": strata["reference_removed"], "shackle_years": strata["reference_shackle_years"]}
    populations = [
        pd.DataFrame(
            {"client": site, "site": site, "environment": environment, "inspected": 1, **LIKE, **sums}
        )
        for site, sums in (("study", study), ("reference", rest))
    ]
    return pd.concat(populations, ignore_index=True)


def test_a_ratio_is_that_of_indirect_standardisation(two_populations):
    # epitools 0.5.10.1: ageadjust.indirect on its own example; R 4.2.2: poisson.test for the limits.
    published = expected_of("indirect_standardisation")
    references = list(site_references(two_populations, benchmark_rules()))
    sites = compared_sites(references, benchmark_rules()).set_index("site")
    study = sites.loc["study"]
    assert study["is_left_out"]
    assert study["observed"] == published["observed"]
    assert study["expected"] == pytest.approx(published["expected"], rel=1e-8)
    assert study["ratio"] == pytest.approx(published["ratio"], abs=1e-8)
    assert study[["ratio_lower", "ratio_upper"]].tolist() == pytest.approx(published["exact_95"], abs=1e-8)


def test_the_uncertainty_of_what_is_expected_is_that_of_the_reference_counts(two_populations):
    references = {each.site: each for each in site_references(two_populations, benchmark_rules())}
    # Second road: expected is a sum of exposures times rates, and a rate has variance count / exposure squared.
    strata = pd.read_csv(CHECKS / "indirect_standardisation.csv")
    weight = strata["shackle_years"] / strata["reference_shackle_years"]
    expected = (weight * strata["reference_removed"]).sum()
    variance = (weight**2 * strata["reference_removed"]).sum()
    assert references["study"].expected == pytest.approx(expected, rel=1e-8)
    assert references["study"].relative_variance == pytest.approx(variance / expected**2, rel=1e-6)


@pytest.fixture(scope="module")
def ships() -> pd.DataFrame:
    cases = pd.read_csv(CHECKS / "ship_damage_incidents.csv")
    names = {
        "type": "environment",
        "year": "service_class",
        "period": "pin",
        "service": "shackle_years",
        "incidents": "observed",
    }
    cases = cases.rename(columns=names).assign(use_frequency="daily", size_band="all", inspected=1)
    cases[["service_class", "pin"]] = cases[["service_class", "pin"]].astype(str)
    return cases.assign(client="one", site=np.where(np.arange(len(cases)) % 2, "odd", "even"))


def test_expected_counts_are_those_of_the_ship_damage_model(ships):
    # McCullagh & Nelder (1989), section 6.3.2; R 4.2.2: glm(incidents ~ type + year + period + offset(log(service)), poisson).
    published = expected_of("ship_damage_incidents")
    rules = replace(benchmark_rules(), largest_share_of_its_reference=1.0)
    reference = next(site_references(ships, rules)).reference
    effect = published["coefficients"]
    log_rate = effect["(Intercept)"] + sum(
        reference[factor].map(lambda level, kind=kind: effect.get(kind + level, 0.0))
        for kind, factor in (("type", "environment"), ("year", "service_class"), ("period", "pin"))
    )
    assert reference["expected"].to_numpy() == pytest.approx(
        np.exp(log_rate) * reference["shackle_years"], rel=1e-6
    )
    assert reference["expected"].sum() == pytest.approx(ships["observed"].sum(), rel=1e-9)
    # Second road: the likelihood equations of a Poisson model say that each level's expected counts add up to what was seen.
    for factor in ("environment", "service_class", "pin"):
        sums = reference.groupby(factor)[["observed", "expected"]].sum()
        assert sums["expected"].to_numpy() == pytest.approx(sums["observed"].to_numpy(), rel=1e-7)
    observed, expected = reference["observed"], reference["expected"]
    dispersion = ((observed - expected) ** 2 / expected).sum() / published["df_residual"]
    assert dispersion == pytest.approx(published["pearson_dispersion"], abs=1e-6)


# Funnel limits ----------------------------------------------------------------------------------------------------------


def test_funnel_limits_of_spiegelhalter():
    # Spiegelhalter (2005), Stat. Med. 24, 1185-1202, interpolated exact limits; R 4.2.2 qpois, ten digits printed.
    cases = pd.read_csv(CHECKS / "funnel_limits_poisson.csv")
    for tail, name in ((0.025, "95"), (0.001, "998")):
        lower, upper = funnel_limits(cases["expected"], tail)
        assert lower == pytest.approx(cases[f"lower_{name}"].to_numpy(), rel=1e-8, abs=1e-9)
        assert upper == pytest.approx(cases[f"upper_{name}"].to_numpy(), rel=1e-8)


@pytest.mark.parametrize("expected", [0.7, 4.0, 33.3])
def test_a_funnel_limit_lies_between_the_counts_on_either_side_of_its_probability(expected):
    # Second road: the count limits themselves, found by adding up probabilities one count at a time.
    for tail in (0.025, 0.001):
        for probability, limit in zip((tail, 1 - tail), funnel_limits([expected], tail), strict=True):
            up_to = np.cumsum(poisson.pmf(np.arange(200), expected))
            count = int(np.argmax(up_to >= probability))
            assert max(0, count - 1) <= limit[0] * expected <= count


def test_flags_of_the_count_limits(two_populations):
    # R 4.2.2 qpois: a count is outside where it is below the lower count limit or above the upper one.
    cases = pd.read_csv(CHECKS / "funnel_limits_poisson.csv")
    for case in cases.itertuples():
        counts = np.arange(0, 2 * case.count_upper_95 + 3)
        few, many = tail_probabilities(counts, np.full(len(counts), case.expected))
        flagged = flags(few, many, 0.025, 0.001)
        outside = (counts < case.count_lower_95) | (counts > case.count_upper_95)
        assert ((flagged != "within") == outside).all()


def test_sites_like_the_others_are_flagged_as_often_as_published():
    # Seaton & Manktelow (2012), BMC Med. Res. Methodol. 12:98: medians over expected counts of 1, 1.01, ... 50.
    published = expected_of("funnel_flag_probability")["computed"]
    expected = np.arange(100, 5001) / 100
    flagged = {"above": np.zeros(len(expected)), "below": np.zeros(len(expected))}
    for count in range(200):
        few, many = tail_probabilities(np.full(len(expected), count), expected)
        found = flags(few, many, 0.025, 0.001)
        probability = poisson.pmf(count, expected)
        for side, sum_ in flagged.items():
            sum_ += np.where([str(flag).endswith(side) for flag in found], probability, 0)
    for side, name in (("above", "upper"), ("below", "lower")):
        median, least, most = published[name]["count_limits"]
        assert np.median(flagged[side]) == pytest.approx(median, abs=1e-6)
        assert [flagged[side].min(), flagged[side].max()] == pytest.approx([least, most], abs=1e-6)


def test_with_many_removals_the_limits_are_the_published_normal_ones():
    # Spiegelhalter (2005): 1 ± z sqrt(phi / E) and 1 ± z sqrt(1 / E + tau2).
    expected = np.array([2e4, 1e5])
    for spread, variance in (
        (Spread("multiplicative", 4.0, 0.0), 4 / expected),
        (Spread("additive", 4.0, 1e-4), 1 / expected + 1e-4),
    ):
        lower, upper = funnel_limits(expected, 0.025, spread.extra_variance(expected))
        reach = norm.isf(0.025) * np.sqrt(variance)
        assert upper - 1 == pytest.approx(reach, rel=0.02)
        assert 1 - lower == pytest.approx(reach, rel=0.02)


def test_the_tail_allows_for_an_uncertain_reference_as_the_exact_test_of_two_counts_does():
    # Exact test of two Poisson counts (Przyborowski & Wilenski 1940, Biometrika 31, 313-323, from memory): given the sum,
    # a site's count is binomial. The tail is that of a reference with one removal fewer, so that it errs to the side
    # of the flag by less than one removal elsewhere.
    site_years, reference_years, removed_elsewhere = 120.0, 400.0, 60
    expected = removed_elsewhere * site_years / reference_years
    share = site_years / (site_years + reference_years)
    for observed in (5, 18, 30, 36):
        _, many = tail_probabilities([observed], [expected], 1 / removed_elsewhere)
        assert many[0] == pytest.approx(
            binom.sf(observed - 1, observed + removed_elsewhere - 1, share), rel=1e-9
        )


# Spread of the sites ------------------------------------------------------------------------------------------------------


def test_spread_of_54_hospitals():
    # Method: Spiegelhalter (2005). Data: COUNT::medpar. R 4.2.2, ratio scale, quantiles of type 7.
    published = expected_of("funnel_overdispersion")["raw_ratio"]
    cases = pd.read_csv(CHECKS / "funnel_overdispersion.csv")
    found = measured_spread(cases["observed"], cases["expected"], tail=0.05, winsorised_share=0.1)
    assert found.phi == pytest.approx(published["phi_winsorised"], abs=1e-6)
    assert found.tau2 == pytest.approx(published["tau2"], abs=1e-6)
    plain = measured_spread(cases["observed"], cases["expected"], tail=0.05, winsorised_share=0.0)
    assert plain.phi == pytest.approx(published["phi_plain"], abs=1e-6)
    # Second road: z drawn in by sorting and replacing, not by clipping; and which kind, by the two likelihoods written out.
    observed, expected = cases["observed"].to_numpy(float), cases["expected"].to_numpy()
    z = np.sort((observed - expected) / np.sqrt(expected))
    low, high = np.percentile(z, [10, 90])
    z[z < low], z[z > high] = low, high
    assert found.phi == pytest.approx((z**2).mean(), rel=1e-12)
    ratio = observed / expected

    def log_likelihood(variance):
        return -0.5 * np.sum(np.log(variance) + (ratio - 1) ** 2 / variance)

    gain = log_likelihood(found.phi / expected) - log_likelihood(1 / expected + found.tau2)
    assert found.kind == ("multiplicative" if gain > 1 else "additive")


# Shrunken ratios ---------------------------------------------------------------------------------------------------------


def test_shrunken_ratios_of_the_auckland_areas():
    # Marshall (1991), Appl. Statist. 40, 283-294; R 4.2.2, MASS 7.3.58.2: glm.nb(observed ~ offset(log(expected))).
    published = expected_of("shrunken_ratios_auckland")
    cases = pd.read_csv(CHECKS / "shrunken_ratios_auckland.csv")
    prior = fitted_prior(cases["observed"], cases["expected"])
    assert prior.shape == pytest.approx(published["gamma_shape_theta"], rel=1e-4)
    assert prior.mean == pytest.approx(published["gamma_mean"], abs=1e-5)
    ratio, lower, upper = shrunken_ratios(cases["observed"], cases["expected"], prior, 0.95)
    assert ratio == pytest.approx(cases["gamma_poisson_ratio"].to_numpy(), abs=1e-5)
    # Second road: the limits where the posterior, written out and added up on a grid, has its tails.
    grid = np.linspace(1e-4, 4, 40_001)
    for area in (0, 15, 80):
        seen, awaited = cases["observed"][area], cases["expected"][area]
        log_density = poisson.logpmf(seen, awaited * grid) + gamma.logpdf(
            grid, prior.shape, scale=prior.mean / prior.shape
        )
        share = np.cumsum(np.exp(log_density - log_density.max()))
        share /= share[-1]
        found = np.interp([0.025, 0.975], share, grid)
        assert [lower[area], upper[area]] == pytest.approx(found, abs=2e-4)


def test_the_fitted_spread_is_where_the_likelihood_is_highest():
    # Second road to glm.nb: statsmodels' negative-binomial regression on a constant.
    cases = pd.read_csv(CHECKS / "shrunken_ratios_auckland.csv")
    observed, expected = cases["observed"].to_numpy(), cases["expected"].to_numpy()
    model = sm.NegativeBinomial(observed, np.ones(len(observed)), offset=np.log(expected))
    best = model.fit(method="bfgs", gtol=1e-8, disp=False)
    prior = fitted_prior(observed, expected)
    assert [prior.mean, prior.shape] == pytest.approx([np.exp(best.params[0]), 1 / best.params[1]], rel=1e-4)
    assert best.llf == pytest.approx(expected_of("shrunken_ratios_auckland")["loglik"], abs=1e-5)


def test_what_a_reference_expects_is_what_statsmodels_fits():
    cells = pd.DataFrame(
        [("A", f"Yard {site}", env, pin) for site in range(8) for env in "xyz" for pin in ("bolt", "screw")],
        columns=["client", "site", "environment", "pin"],
    ).assign(service_class="general", use_frequency="weekly", size_band="small", inspected=500)
    random = np.random.default_rng(5)
    cells["shackle_years"] = random.uniform(50, 150, len(cells))
    cells["observed"] = random.poisson(0.1 * cells["shackle_years"])
    fleet = next(site_references(cells, benchmark_rules())).reference
    design = sm.add_constant(pd.get_dummies(fleet[["environment", "pin"]], drop_first=True).astype(float))
    exposure = np.log(fleet["shackle_years"])
    fit = sm.GLM(fleet["observed"], design, family=sm.families.Poisson(), offset=exposure).fit(tol=1e-12)
    assert fleet["expected"].to_numpy() == pytest.approx(fit.fittedvalues.to_numpy(), rel=1e-7)


def test_ratio_limits_are_garwood_over_expected(two_populations):
    # Garwood (1936), Biometrika 28, 437-442, as a closed form.
    references = list(site_references(two_populations, benchmark_rules()))
    for row in compared_sites(references, benchmark_rules()).itertuples():
        lower = chi2.ppf(0.025, 2 * row.observed) / 2 / row.expected
        upper = chi2.ppf(0.975, 2 * row.observed + 2) / 2 / row.expected
        assert [row.ratio_lower, row.ratio_upper] == pytest.approx([lower, upper], rel=1e-12)
