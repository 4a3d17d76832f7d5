"""Shrunken ratios and comparisons with others, against published figures and by a second road."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pipelines.contracts import risk_targets
from pipelines.models.comparisons import compared_with_others, ratios_to_others
from pipelines.models.strictness import strictness_of_inspectors

CHECKS = Path(__file__).parents[1] / "data" / "checks"


def test_strictness_agrees_with_a_regression_on_place_quarter_and_person():
    # McCullagh & Nelder (1989), Generalized Linear Models, section 6.3.2: rates as a log-linear model with an offset.
    rng = np.random.default_rng(3)
    truth = {"K3": 1.3, "K8": 0.8, "K9": 1.0}
    rows = [
        (
            person,
            f"site {site}",
            quarter,
            rng.uniform(200, 800),
            (0.03 + 0.05 * site) * (1 + quarter) * strict,
        )
        for person, strict in truth.items()
        for site in range(4)
        for quarter in range(5)
    ]
    cells = pd.DataFrame(rows, columns=["inspector", "site", "quarter", "shackle_years", "rate"])
    cells["removed"] = rng.poisson(cells["rate"] * cells["shackle_years"])
    table = strictness_of_inspectors(
        cells.assign(client="C", environment="E", looks=1, inspected=1), risk_targets()
    ).set_index("inspector")

    stratum = cells["site"] + cells["quarter"].astype(str)
    design = pd.get_dummies(stratum).join(pd.get_dummies(cells["inspector"])[["K8", "K9"]]).astype(float)
    fit = sm.GLM(
        cells["removed"], design, family=sm.families.Poisson(), offset=np.log(cells["shackle_years"])
    ).fit()
    effects = np.exp(pd.Series({"K3": 0.0, "K8": fit.params["K8"], "K9": fit.params["K9"]}))
    # The regression has each person beside all, the table beside the others: their mix of exposure makes the mean.
    years = cells.groupby("inspector")["shackle_years"].sum()
    for person in truth:
        others = [other for other in truth if other != person]
        beside = effects[person] / np.average(effects[others], weights=years[others])
        assert table.loc[person, "strictness"] == pytest.approx(beside, rel=0.05)
    assert table.loc["K3", "is_difference_beyond_chance"]


def test_expected_removals_of_the_published_standardisation():
    # epitools::ageadjust.indirect 0.5.10.1, its own example (after Selvin), in R 4.2.2: 11 strata, 85556.89 expected.
    strata = pd.read_csv(CHECKS / "indirect_standardisation.csv")
    known = json.loads((CHECKS / "indirect_standardisation.json").read_text(encoding="utf-8"))["expected"]
    own = strata[["stratum", "removed", "shackle_years"]].assign(unit="own")
    others = strata[["stratum"]].assign(
        removed=strata["reference_removed"], shackle_years=strata["reference_shackle_years"], unit="others"
    )
    cells = pd.concat([own, others]).assign(client="C")
    found = compared_with_others(cells, ["client"], ["unit"], [["stratum"]], 1.0)
    ratio = found.join(ratios_to_others(found, 0.95)).set_index("unit").loc["own"]
    assert ratio["removed_compared"] == known["observed"]
    assert ratio["expected_removals"] == pytest.approx(known["expected"], rel=1e-10)
    assert ratio["ratio"] == pytest.approx(known["ratio"], rel=1e-10)
    # The published limits take the reference as known; ours allow for its own chance, and so lie outside them.
    assert ratio["ratio_lower"] < known["exact_95"][0]
    assert ratio["ratio_upper"] > known["exact_95"][1]


def test_limits_of_a_standardised_ratio_cover_the_truth():
    # Own study: three strata of unlike size, 400 draws of a ratio of 1.5; 90 % limits from an effective count.
    rng = np.random.default_rng(11)
    years, rates = np.array([40.0, 150.0, 400.0]), np.array([0.3, 0.1, 0.02])
    others_years = np.array([200.0, 90.0, 500.0])
    names = pd.MultiIndex.from_product(
        [range(400), ["own", "others"], range(3)], names=["draw", "unit", "stratum"]
    )
    cells = names.to_frame(index=False)
    is_own = cells["unit"] == "own"
    cells["shackle_years"] = np.where(is_own, years[cells["stratum"]], others_years[cells["stratum"]])
    cells["removed"] = rng.poisson(
        cells["shackle_years"] * rates[cells["stratum"]] * np.where(is_own, 1.5, 1.0)
    )
    found = compared_with_others(cells, ["draw"], ["unit"], [["stratum"]], 1.0)
    ratios = found.join(ratios_to_others(found, 0.9)).query("unit == 'own'")
    covered = ((ratios["ratio_lower"] <= 1.5) & (ratios["ratio_upper"] >= 1.5)).mean()
    # The error of a share of 0.9 in 400 draws is 0.015; exact limits cover a little more than they say.
    assert 0.87 <= covered <= 0.97
