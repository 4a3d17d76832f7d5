"""How often limits hold the rate that a simulated fleet really had, and how often tests speak where nothing is amiss.

The fleets are those of tests/benchmarks/coverage_study.py, a few of them; `pytest -m slow` takes a thousand of each kind.
"""

import numpy as np
import pandas as pd
import pytest

from pipelines.models.hazard import fit_hazard, gap_exponent
from tests.benchmarks.coverage_study import KINDS, fleet, table

ALIKE, _, BY_PLACE, BY_SITE, LOOKS_DIFFER, _ = KINDS


def fitted(looks, covariates=(), **options):
    return fit_hazard(looks, list(covariates), limits_level=0.9, upper_level=0.95, **options)


@pytest.fixture(scope="module")
def alike_fleets():
    # About 900 places; the standard error of a coverage of 90 % is 1 percentage point, of a fifth of them 2.3.
    return table(ALIKE, range(30))


def test_limits_cover_as_stated(alike_fleets):
    assert alike_fleets["model 90 %"].between(0.84, 0.96).all()
    assert alike_fleets.loc["all", "model upper 95 %"] > 0.935


def test_exact_limits_cover_at_least_as_stated(alike_fleets):
    assert alike_fleets.loc["all", "exact 90 %"] > 0.9
    assert alike_fleets.loc["nothing removed", "exact 90 %"] > 0.97


def test_advised_intervals_are_seldom_too_long(alike_fleets):
    assert (alike_fleets["too long"] < 0.05).all()


def test_borrowing_narrows_the_limits_of_thin_places_most(alike_fleets):
    ratio = alike_fleets["exact upper / model upper"]
    assert ratio["nothing removed"] > 2 > 1.2 > ratio["20 or more removed"] > 0.95


def holding(kind, seeds, **options):
    """The share of limits that hold the truth, with the options of the fit."""
    held = []
    for seed in seeds:
        looks, places = fleet(np.random.default_rng(seed), kind)
        limits = places.merge(
            fit_hazard(looks, ["environment"], 0.9, 0.95, **options).rates,
            on=["client", "site", "environment"],
        )
        held.append(limits["true_rate"].between(limits["rate_lower"], limits["rate_upper"]))
    return pd.concat(held).mean()


def test_looks_that_differ_need_their_weights():
    # The same fleets twice: with the spread between looks, and as if it were chance.
    assert holding(LOOKS_DIFFER, range(12)) > 0.86
    assert holding(LOOKS_DIFFER, range(12), is_look_spread_allowed=False) < 0.84


def test_environments_that_differ_by_site_need_effects_of_their_own():
    assert holding(BY_PLACE, range(12)) > 0.86
    assert holding(BY_SITE, range(12), effect_of=list(BY_SITE.effect_of)) < 0.84


def test_a_steady_hazard_is_seldom_called_otherwise():
    p_values = []
    for seed in range(25):
        looks, _ = fleet(np.random.default_rng(seed), ALIKE)
        p_values.append(gap_exponent(fitted(looks, ["environment"])).p_value)
    # Binomial(25, 0.05) exceeds 5 once in 800 times.
    assert np.sum(np.array(p_values) < 0.05) <= 5


@pytest.mark.slow
@pytest.mark.parametrize("kind", [ALIKE, BY_PLACE], ids=lambda kind: kind.name)
def test_limits_cover_as_stated_in_a_thousand_fleets(kind):
    shares = table(kind, range(1000))
    print(shares.round(3).to_string())
    assert 0.87 < shares.loc["all", "model 90 %"] < 0.93
    assert 0.87 < shares.loc["5 shackles", "model 90 %"] < 0.93
    assert shares.loc["all", "exact 90 %"] >= 0.9
    assert (shares["too long"] < 0.05).all()


@pytest.mark.parametrize("rate", [0.02, 1.0])
def test_alike_looks_are_seldom_called_unlike(rate):
    # Also where a third of the items goes at each look, and their scatter is well below that of a Poisson count.
    p_values = []
    for seed in range(40):
        generator = np.random.default_rng(seed)
        gap_years, inspected = generator.choice([0.25, 0.5], 96), generator.choice([20, 60], 4)
        p_values.append(fitted(simulated(generator, gap_years, inspected, rate)).look_spread.p_value)
    # 5 % are due, and at low rates up to 7 %; Binomial(40, 0.07) exceeds 8 once in 500 times. Half of the p values
    # are due below 0.5, fewer at low rates, where the statistic is skewed.
    assert np.sum(np.array(p_values) < 0.05) <= 8
    assert 0.2 < np.mean(np.array(p_values) < 0.5) < 0.65


def test_the_spread_between_looks_is_found():
    generator = np.random.default_rng(3)
    gap_years, inspected = generator.choice([0.08, 0.25], 8000), generator.choice([5, 50, 150], 200)
    at_look = np.exp(generator.normal(0, 0.4, 8000))
    spread = fitted(simulated(generator, gap_years, inspected, 0.08 * at_look)).look_spread
    # The relative standard deviation of exp(N(0, 0.4)).
    assert spread.look_sd == pytest.approx(np.sqrt(np.expm1(0.4**2)), abs=0.05)
    assert spread.p_value < 1e-6


def simulated(generator, gap_years, inspected, rate):
    """Looks at places of one kind, as many at each, a place with each of the `inspected`."""
    site = np.repeat(np.arange(inspected.size), gap_years.size // inspected.size)
    removed = generator.binomial(inspected[site], -np.expm1(-rate * gap_years))
    seen = {"gap_years": gap_years, "inspected": inspected[site], "removed": removed}
    looks = pd.DataFrame({"client": "one", "site": site, "environment": "indoor dry"} | seen)
    return looks.assign(inspected_on=range(len(looks)))
