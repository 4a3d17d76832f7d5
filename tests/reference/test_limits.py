"""Published limits of rates and shares, and a second road to each."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, chi2, poisson
from statsmodels.stats import rates as two_rates
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import multinomial_proportions_confint, proportion_confint
from statsmodels.stats.rates import confint_poisson

from pipelines.contracts import risk_targets
from pipelines.models.comparisons import adjusted_for_several, chance_of_mix
from pipelines.models.limits import (
    chance_of_rate_ratio,
    exact_rate_limits,
    exact_share_limits,
    rate_ratio_limits,
    simultaneous_share_limits,
)
from pipelines.models.rates import charted_rates

CHECKS = Path(__file__).parents[1] / "data" / "checks"


def test_rate_limits_of_poisson_test():
    # R 4.2.2: poisson.test(removed, shackle_years, conf.level = level)$conf.int * 100; ten digits printed.
    cells = pd.read_csv(CHECKS / "removal_rate_limits.csv")
    for cell in cells.itertuples():
        lower, upper = exact_rate_limits([cell.removed], [cell.shackle_years], cell.level)
        assert [lower[0], upper[0]] == pytest.approx([cell.lower, cell.upper], rel=1e-9)


def test_count_limits_of_garwood():
    # Garwood (1936), Biometrika 28, 437-442, recomputed with R 4.2.2 poisson.test; one-sided rows give the upper end.
    counts = pd.read_csv(CHECKS / "poisson_exact_limits.csv")
    for row in counts.itertuples():
        level = row.level if row.sides == "two" else 2 * row.level - 1
        lower, upper = exact_rate_limits([row.removed], [100.0], level)
        assert upper[0] == pytest.approx(row.upper, rel=1e-9)
        if row.sides == "two":
            assert lower[0] == pytest.approx(row.lower, rel=1e-9)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_rate_limits_are_where_the_exact_test_turns(level):
    removed = np.array([0, 1, 2, 15, 300])
    lower, upper = (limit / 100 for limit in exact_rate_limits(removed, np.ones(5), level))
    tail = (1 - level) / 2
    assert poisson.cdf(removed, upper) == pytest.approx(tail)
    assert poisson.sf(removed[1:] - 1, lower[1:]) == pytest.approx(tail)
    assert lower[0] == 0
    np.testing.assert_allclose((lower, upper), confint_poisson(removed, 1, "exact-c", 1 - level), rtol=1e-9)


def test_share_limits_of_binom_test():
    # R 4.2.2: binom.test(removed, inspected, conf.level = level)$conf.int; ten digits printed.
    cells = pd.read_csv(CHECKS / "binomial_exact_limits.csv")
    for cell in cells.itertuples():
        lower, upper = exact_share_limits([cell.removed], [cell.inspected], cell.level)
        assert [lower[0], upper[0]] == pytest.approx([cell.lower, cell.upper], rel=1e-9)


def test_share_limits_are_where_the_exact_test_turns():
    removed, inspected = np.array([0, 1, 9, 20]), np.array([20, 20, 20, 20])
    lower, upper = exact_share_limits(removed, inspected, 0.9)
    assert binom.cdf(removed[:3], inspected[:3], upper[:3]) == pytest.approx(0.05)
    assert binom.sf(removed[1:] - 1, inspected[1:], lower[1:]) == pytest.approx(0.05)
    np.testing.assert_allclose((lower, upper), proportion_confint(removed, inspected, 0.1, "beta"), rtol=1e-9)


@pytest.fixture(scope="module")
def shares() -> dict:
    return json.loads((CHECKS / "multinomial_shares.json").read_text(encoding="utf-8"))["expected"]


@pytest.mark.parametrize("case", ["published", "invented", "two_classes"])
def test_simultaneous_share_limits_of_goodman(shares, case):
    counts, level = np.array(shares[case]["counts"]), shares[case]["level"]
    limits = np.column_stack(simultaneous_share_limits(counts, counts.sum(), len(counts), level))
    # R 4.2.2, twelve digits printed.
    np.testing.assert_allclose(limits, shares[case]["goodman"], atol=1e-9)
    known = multinomial_proportions_confint(counts, 1 - level, "goodman")
    np.testing.assert_allclose(limits, np.clip(known, 0, 1), atol=1e-12)


def test_simultaneous_share_limits_meet_the_printed_digits(shares):
    # Sison & Glaz (1995), JASA 90, 366-369: three digits printed.
    counts = np.array(shares["published"]["counts"])
    limits = np.column_stack(simultaneous_share_limits(counts, counts.sum(), len(counts), 0.95))
    np.testing.assert_allclose(limits, shares["published"]["goodman_printed"], atol=0.0005)


def test_simultaneous_share_limits_are_where_the_score_test_turns():
    counts = np.array([41, 33, 0, 6])
    for limit in simultaneous_share_limits(counts, 80, 4, 0.9):
        inside = limit > 0
        score = 80 * (counts / 80 - limit)[inside] ** 2 / (limit * (1 - limit))[inside]
        assert score == pytest.approx(chi2.ppf(1 - 0.1 / 4, 1))


def test_the_table_of_months_shows_the_u_chart():
    # Own numbers, R 4.2.2: sum(removed) / sum(shackle_years), rates per shackle-year.
    months = pd.read_csv(CHECKS / "u_chart_unequal_exposure.csv")
    known = json.loads((CHECKS / "u_chart_unequal_exposure.json").read_text(encoding="utf-8"))["expected"]
    cells = months[["removed", "shackle_years"]].assign(
        removed_at_risk=months["removed"], inspected=100, site="S"
    )
    chart = charted_rates(cells, ["site"], replace(risk_targets(), least_months_for_limits=18))

    np.testing.assert_allclose(chart["centre"], 100 * known["centre"], rtol=1e-9)
    np.testing.assert_allclose(chart["removed_per_100_shackle_years"], 100 * months["rate"], rtol=1e-9)
    # Month 12 lies above the u chart's line of three standard errors.
    assert list(months.index[months["rate"] > months["limit_upper_u"]]) == [11]
    assert chart["signal"].tolist() == ["within"] * 11 + ["above"] + ["within"] * 6


def test_ratio_limits_of_poisson_test():
    # The example on the help page of R's poisson.test, after Ederer & Mantel (1974): 0.8584264 to 4.2772659.
    lower, upper = rate_ratio_limits([11], [6 + 8 + 7], [800 / (1083 + 1050 + 878)], 0.95)
    assert [lower[0], upper[0]] == pytest.approx([0.8584264, 4.2772659], abs=5e-8)


@pytest.mark.parametrize(
    ("removed", "others", "ratio"), [(11, 21, 800 / 3011), (0, 9, 2.0), (7, 0, 0.5), (3, 3, 1)]
)
def test_chance_of_a_ratio_is_twice_the_smaller_tail_and_matches_the_limits(removed, others, ratio):
    tails = [
        two_rates.test_poisson_2indep(
            removed, ratio, others, 1.0, method="exact-cond", alternative=side
        ).pvalue
        for side in ("larger", "smaller")
    ]
    chance = chance_of_rate_ratio([removed], [others], [ratio])[0]
    assert chance == pytest.approx(min(1, 2 * min(tails)), rel=1e-9)
    for limit in rate_ratio_limits([removed], [others], [ratio], 1 - 0.04):
        if 0 < limit[0] < np.inf:
            # Were the true ratio at the limit, so great a one would have the probability left out.
            assert chance_of_rate_ratio([removed], [others], [ratio * limit[0]])[0] == pytest.approx(0.04)


def test_several_comparisons_are_adjusted_as_by_holm():
    # Holm (1979): R 4.2.2's p.adjust(method = "holm") and statsmodels share this rule.
    chance = pd.Series([0.01, 0.04, 0.03, 0.005, 0.04, 1.0])
    adjusted = adjusted_for_several(chance, [pd.Series("A", index=chance.index)])
    np.testing.assert_allclose(adjusted, multipletests(chance, method="holm")[1], rtol=1e-12)


def test_mix_of_the_party_table():
    # Agresti (2007), An Introduction to Categorical Data Analysis, p. 39, on the help page of R's chisq.test:
    # X-squared = 30.07, df = 2, p-value = 2.954e-07.
    one, other = np.array([762, 327, 468]), np.array([484, 239, 477])
    assert chance_of_mix(one, other) == pytest.approx(2.954e-07, abs=5e-11)
    expected = np.outer([one.sum(), other.sum()], one + other) / (one + other).sum()
    statistic = ((np.array([one, other]) - expected) ** 2 / expected).sum()
    assert chance_of_mix(one, other) == pytest.approx(chi2.sf(statistic, 2), rel=1e-12)
