"""Drawn removals against negative-binomial predictions, and a horizon against its months."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma, nbinom

from pipelines.models.forecast import Calendar, Rates, bands, removed_by_month, simulate_removals
from pipelines.models.pooling import Gammas, gammas_of_counts, gammas_of_limits, ratios, spread_of_ratios

CHECKS = Path(__file__).parents[1] / "data" / "checks"
DRAWS = 20_000
# Three standard errors of a share of the draws.
NEARLY = 3 * 0.5 / np.sqrt(DRAWS)
# So many items at so low a rate are removed one by one, as Poisson counts are.
MANY = 100_000
ALIKE = Gammas(np.array([1e12]), np.array([1e-12]))


def draws_of(rate: Gammas, future: float, looks: int = 1) -> np.ndarray:
    """Removals of one group over so many shackle-years, month by month: looks every month, nothing but chance beside."""
    items = round(future / looks * 12 * MANY)
    fleet = pd.DataFrame(
        {
            "client": "Brackle Docks",
            "site": "Sea Wall",
            "environment": "marine spray",
            "quantity": [items],
            "days_since_start": 0,
            "interval_months": 1,
            "share_found_between": 0.0,
        }
    )
    rates = Rates(
        places=["Sea Wall"],
        classes=["bow 16 mm"],
        place=np.array([0]),
        item_class=np.array([0]),
        factor=np.array([1 / MANY]),
        of_place=rate,
        of_year=ALIKE,
        of_class=ALIKE,
        of_row=ALIKE,
        basis=pd.Series(["the test's own"]),
    )
    month = 365.25 / 12
    rounds = simulate_removals(fleet, rates, Calendar(), horizon_days=int(looks * month + 1), draws=DRAWS)
    ends = month * np.arange(1, looks + 1) + 1
    return removed_by_month(rounds, ends, np.array([0]), fleet["quantity"].to_numpy())[0]


def test_predictions_of_r_s_negative_binomial():
    # R 4.2.2: qnbinom(p, prior_shape + removed, mu = ...), Gelman et al., Bayesian Data Analysis.
    for _, case in pd.read_csv(CHECKS / "gamma_poisson_forecast.csv").iterrows():
        rate = gammas_of_counts([case.removed], [case.shackle_years])
        if case.prior_shackle_years:
            # A prior of a mean rate is a ratio to it.
            mean = case.prior_shape / case.prior_shackle_years
            ratio = ratios([case.removed], [case.shackle_years * mean], case.prior_shape)
            rate = Gammas(ratio.shape, ratio.scale * mean)
        drawn = draws_of(rate, case.future_shackle_years).sum(axis=0)
        error = 4 * np.sqrt(case.variance / DRAWS)
        assert drawn.mean() == pytest.approx(case.expected, abs=error)
        # Where next to nothing is removed a handful of draws makes the whole variance.
        seldom = 5 / np.sqrt(case.expected * DRAWS)
        assert drawn.var() == pytest.approx(case.variance, rel=0.1 + seldom)
        assert (drawn == 0).mean() == pytest.approx(case.none_needed, abs=NEARLY)
        for share in (0.025, 0.1, 0.5, 0.9, 0.95, 0.975):
            quantile = case[f"quantile_{share}"]
            assert (drawn <= quantile).mean() >= share - NEARLY
            assert (drawn < quantile).mean() < share + NEARLY


def test_a_horizon_is_not_its_months_added_up():
    case = json.loads((CHECKS / "lead_time_total.json").read_text())["expected"]
    drawn = draws_of(gammas_of_counts([case["removed"]], [case["shackle_years"]]), 32.0, looks=4)
    total = np.sort(drawn.sum(axis=0))
    assert total[int(0.95 * DRAWS)] == case["total_q95"]
    assert total[DRAWS // 2] == case["total_q50"]
    months = np.sort(drawn, axis=1)[:, int(0.95 * DRAWS)]
    assert months.tolist() == [case["month_q95"]] * 4
    assert months.sum() == case["sum_of_month_q95"] > case["total_q95"] > case["poisson_plugged_in_q95"]


def test_bands_are_quantiles_of_the_negative_binomial():
    drawn = draws_of(gammas_of_counts([15], [120.0]), 60.0)
    found = bands(drawn).iloc[0]
    exact = nbinom(15.5, 120 / 180)
    assert found["expected"] == pytest.approx(exact.mean(), abs=4 * exact.std() / np.sqrt(DRAWS))
    ends = found[["lower_95", "lower_80", "upper_80", "upper_95"]]
    assert ends.tolist() == pytest.approx(exact.ppf([0.025, 0.1, 0.9, 0.975]).tolist(), abs=0)


@pytest.mark.parametrize("limits", [(2.0, 9.0), (8.0, 12.0), (0.05, 0.9)])
def test_a_gamma_of_limits_gives_the_limits_back(limits):
    # Far out the log of a gamma variable leans to the left, so the limits come back to within a few per cent.
    found = gammas_of_limits([limits[0]], [limits[1]], level=0.9)
    back = gamma.ppf([0.05, 0.95], found.shape, scale=found.scale)
    width = np.log(limits[1] / limits[0])
    assert np.log(back) == pytest.approx(np.log(limits), abs=0.2 * width)
    assert np.diff(np.log(back))[0] == pytest.approx(width, rel=0.05)


def test_the_spread_of_areas_in_auckland():
    # Marshall (1991), Applied Statistics 40, 283-294, data set `auckland` of R package spData: 167 areas.
    # R 4.2.2: MASS::glm.nb(observed ~ 1 + offset(log(expected)))$theta.
    case = json.loads((CHECKS / "shrunken_ratios_auckland.json").read_text())["expected"]
    areas = pd.read_csv(CHECKS / "shrunken_ratios_auckland.csv")
    expected = areas["expected"] * case["gamma_mean"]
    shape = spread_of_ratios(areas["observed"], expected)
    assert shape == pytest.approx(case["gamma_shape_theta"], rel=1e-4)
    shrunken = case["gamma_mean"] * ratios(areas["observed"], expected, shape).mean
    assert shrunken == pytest.approx(areas["gamma_poisson_ratio"].to_numpy(), abs=1e-5)
