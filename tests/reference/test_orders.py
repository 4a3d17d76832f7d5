"""Worked examples of inventory control, and demand over a lead time against its closed form."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import nbinom, norm

from pipelines.contracts import order_terms
from pipelines.models.orders import Demand, choose_order, lead_times, least_count

DRAWS = 40_000
STOCK = pd.Series(
    {"on_hand": 0, "on_order": 0, "due_in_days": 0, "share_rejected": 0.0, "pack_size": 1, "minimum_order": 1}
)
NO_REVIEW = replace(order_terms(), review_days=0)

# Nahmias, Production and Operations Analysis, example 5.1: a newsstand's sales of a weekly computing paper over a year
# (from memory; the figures give the printed mean of 11.73 and standard deviation of 4.74).
NEWSPAPERS = [
    15, 19, 9, 12, 9, 22, 4, 7, 8, 11, 14, 11, 6, 11, 9, 18, 10, 0, 14, 12, 8, 9, 5, 4, 4, 17, 18, 14, 15, 8,
    6, 7, 12, 15, 15, 19, 9, 10, 9, 16, 8, 11, 11, 18, 15, 17, 19, 14, 14, 17, 13, 12,
]  # fmt: skip


def at_once(removed) -> Demand:
    """Demand that all falls on day 1."""
    removed = np.asarray(removed)[None]
    return Demand(np.ones(removed.shape), removed)


def steady(rate_per_day: float, days: int) -> Demand:
    """Poisson demand, day by day."""
    generator = np.random.default_rng(3)
    each_day = np.broadcast_to(np.arange(1.0, days + 1), (DRAWS, days))
    return Demand(each_day.T - 0.5, generator.poisson(rate_per_day, (DRAWS, days)).T)


def test_newsvendor_of_nahmias():
    assert (np.mean(NEWSPAPERS), np.std(NEWSPAPERS, ddof=1)) == pytest.approx((11.73, 4.74), abs=0.005)
    # Bought at 25 cents, sold at 75, taken back at 10: the critical ratio is 0.50 / (0.50 + 0.15) = 0.77 (printed), and
    # the discrete answer of example 5.2 is 15, since F(14) = 0.69 and F(15) = 0.79.
    terms = replace(NO_REVIEW, service_level=0.50 / 0.65)
    chosen = choose_order(at_once(NEWSPAPERS), np.ones(52), STOCK, terms)
    assert chosen.quantity == chosen.demand == 15
    # The normal answer of the same example, 15.18, lies next to it: 11.73 + 0.74 * 4.74, printed with z = 0.74.
    assert 11.73 + norm.ppf(0.77) * 4.74 == pytest.approx(15.2, abs=0.05)


def test_reorder_point_of_nahmias():
    # Example 5.5, mustard with a lead time demand of mean 100 and standard deviation 25: in 98 of 100 cycles without a
    # stock-out the reorder point is 100 + 2.05 * 25 = 151 (from memory).
    generator = np.random.default_rng(5)
    demand = at_once(np.round(generator.normal(100, 25, 400_000)).clip(0).astype(int))
    chosen = choose_order(demand, np.ones(400_000), STOCK, replace(NO_REVIEW, service_level=0.98))
    assert chosen.quantity == pytest.approx(151, abs=1)


def test_demand_over_a_spread_lead_time_has_the_variance_of_the_textbooks():
    # Silver, Pyke & Thomas, Inventory and Production Management in Supply Chains, section 6.9 or so, and Nahmias,
    # section 5.6 (both from memory): mean L d, variance L var(d) + d^2 var(L).
    lead_time = lead_times(40.0, 12.0, DRAWS, np.random.default_rng(4))
    assert (lead_time.mean(), lead_time.std()) == pytest.approx((40, 12), rel=0.02)
    # Taken for whole days, as the demand falls on whole days.
    demand = steady(0.5, 150).until(np.round(lead_time))
    assert demand.mean() == pytest.approx(40 * 0.5, rel=0.02)
    assert demand.var() == pytest.approx(40 * 0.5 + 0.5**2 * 12**2, rel=0.05)


@pytest.mark.parametrize("service_level", [0.5, 0.9, 0.95, 0.99])
def test_poisson_demand_over_a_gamma_lead_time_is_negative_binomial(service_level):
    # Burgin (1975), Operational Research Quarterly 26, 507-525 (from memory); quantiles of scipy.
    lead_time = lead_times(40.0, 12.0, DRAWS, np.random.default_rng(4))
    demand = steady(0.5, 150)
    shape = (40 / 12) ** 2
    exact = nbinom.ppf(service_level, shape, 1 / (1 + 0.5 * 144 / 40))
    chosen = choose_order(demand, np.round(lead_time), STOCK, replace(NO_REVIEW, service_level=service_level))
    assert chosen.quantity == pytest.approx(exact, abs=1)
    assert least_count(demand.until(np.round(lead_time)), service_level) == chosen.quantity


def test_the_review_period_is_covered_as_well():
    # Silver, Pyke & Thomas, (R, S) systems (from memory): the order-up-to level covers the lead time and one review
    # period, here 30 + 60 days of 0.2 a day, a Poisson total of mean 18.
    terms = replace(order_terms(), service_level=0.95, review_days=30)
    chosen = choose_order(steady(0.2, 120), np.full(DRAWS, 60.0), STOCK, terms)
    # R 4.2.2: qpois(0.95, 18) is 25 (recomputed with scipy).
    assert chosen.quantity == pytest.approx(25, abs=1)
