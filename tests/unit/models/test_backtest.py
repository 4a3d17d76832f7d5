import numpy as np
import pandas as pd
import pytest

from pipelines.models.backtest import backtest_rates

YEARS = pd.to_datetime([f"{year}-01-01" for year in range(2015, 2025)])


def looks(rate, sites=8, inspected=400, seed=1):
    """Yearly looks of 400 at each of some sites, with removals drawn at a rate per item and year that may change."""
    random = np.random.default_rng(seed)
    rows = [
        {
            "client": "Brackle Docks", "site": f"Yard {site}", "environment": "indoor dry", "inspected_on": day,
            "gap_years": 1.0, "inspected": inspected, "removed": random.binomial(inspected, 1 - np.exp(-rate(day))),
        }
        for site in range(sites)
        for day in YEARS
    ]  # fmt: skip
    return pd.DataFrame(rows)


ORIGINS = [pd.Timestamp("2021-06-30"), pd.Timestamp("2022-06-30"), pd.Timestamp("2023-06-30")]


def test_a_steady_rate_is_foretold():
    held = backtest_rates(looks(lambda day: 0.05, sites=12), ["environment"], ORIGINS, 12, 0.9)
    assert len(held) == 36
    assert held["removed"].between(held["removed_lower"], held["removed_upper"]).mean() >= 0.85
    assert held["removed"].sum() / held["removed_expected"].sum() == pytest.approx(1, abs=0.08)
    assert (held["removed_lower"] <= held["removed_upper"]).all()
    in_order = held.sort_values(["origin_on", "client", "site", "environment"], ignore_index=True)
    pd.testing.assert_frame_equal(held, in_order)


def test_a_forecast_knows_nothing_of_what_came_after_it():
    worse = backtest_rates(
        looks(lambda day: 0.05 if day < ORIGINS[-1] else 0.20), ["environment"], ORIGINS[-1:], 12, 0.9
    )
    # 0.05 a year finds 4.9 % of 400 after a year.
    assert worse["removed_expected"].mean() == pytest.approx(19.5, rel=0.1)
    assert (worse["removed"] > worse["removed_upper"]).mean() > 0.9


def test_the_same_looks_give_the_same_ranges():
    once, again = (
        backtest_rates(looks(lambda day: 0.05), ["environment"], ORIGINS, 12, 0.9) for _ in range(2)
    )
    pd.testing.assert_frame_equal(once, again)


def test_a_day_before_every_look_gives_no_forecast():
    assert backtest_rates(
        looks(lambda day: 0.05), ["environment"], [pd.Timestamp("2010-01-01")], 12, 0.9
    ).empty
