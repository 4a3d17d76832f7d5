"""The buyer's sentences on frames whose answer is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines import wording_orders as wording
from pipelines.contracts import order_terms
from pipelines.models.forecast import KIND, POOLED
from pipelines.models.orders import OVERDUE_ORDER
from pipelines.models.planning import Forecast, Plan, Scenario

TERMS = replace(order_terms(), service_level=0.95, review_days=30)
MONTHS = [f"2026-{month:02}" for month in range(1, 13)]


def orders(**columns) -> pd.DataFrame:
    """Two item classes of one client: one to be ordered at once, one with enough."""
    frame = pd.DataFrame(
        {
            "client": "Brackle Docks",
            "item_class": ["bow shackle, screw pin, 16 mm", "chain shackle, bolt-type, 22 mm"],
            "items_in_service": [500, 80],
            "on_hand": [5, 90],
            "on_order": [0, 7],
            "demand_over_lead_time": [40, 20],
            "stock_by_site": [50, 25],
            "order_quantity": [30, 0],
            "order_on": pd.to_datetime(["2025-12-31", "2026-08-01"]),
            "risk_of_running_out": [0.9, 0.01],
            "risk_before_delivery": [0.7, 0.0],
            "unit_cost": [10.0, 20.0],
            "currency": "EUR",
            "order_cost": [300.0, 0.0],
            "plan_note": None,
        }
    )
    return frame.assign(**columns)


def totals(**columns) -> pd.DataFrame:
    row = {"client": "Brackle Docks", "currency": "EUR", "order_cost": 300.0}
    costs = {"cost_per_month": 123.4, "cost_per_month_lower": 90.0, "cost_per_month_upper": 150.6}
    return pd.DataFrame([row | costs | columns])


def forecast(**columns) -> Forecast:
    """One client, one class at a place: 5 or 15 removals in February in each draw, nothing else."""
    fleet = pd.DataFrame(
        {
            "client": "Brackle Docks", "site": "Sea Wall", "environment": "marine spray", "item_class": "16 mm",
            "quantity": [100], "days_since_start": 20, "interval_months": 3, "basis": POOLED, "is_asked_for": True,
        }
    ).assign(**columns)  # fmt: skip
    groups = fleet[["client", "site", "item_class"]].assign(items_in_service=100, has_rate=True)
    samples = np.zeros((1, 12, 10), dtype=np.uint8)
    samples[0, 1] = [5] * 5 + [15] * 5
    return Forecast(MONTHS, fleet, None, [], groups, samples)


def plan(**columns) -> Plan:
    return Plan(Scenario(TERMS), forecast(), orders(**columns), totals(), pd.DataFrame())


def test_what_to_order_by_when_at_what_cost():
    assert wording.order_finding(orders(), totals(), TERMS) == (
        "Brackle Docks should order 30 shackles of 1 item class out of 2, for EUR 300; the first by 31 December 2025."
    )


def test_two_currencies_and_what_has_no_price_are_said():
    both = pd.concat([totals(), totals(currency="USD", order_cost=1234.5)])
    due = orders(order_quantity=[30, 12], unit_cost=[10.0, None])
    assert wording.order_finding(due, both, TERMS) == (
        "Brackle Docks should order 42 shackles of 2 item classes out of 2, for EUR 300 and USD 1,234, without the "
        "1 item class that has no price; the first by 31 December 2025."
    )


def test_nothing_to_order_is_said_with_what_it_means():
    assert wording.order_finding(orders(order_quantity=0), totals(), TERMS).replace("\xa0", " ") == (
        "Brackle Docks need not order now: in all 2 item classes the stock lasts until the next order arrives in at least "
        "95 % of cases."
    )


def test_no_forecast_is_no_order():
    nothing = orders(order_quantity=None, risk_of_running_out=None, risk_before_delivery=None)
    assert wording.order_finding(nothing, totals(), TERMS) == (
        "For Brackle Docks nothing can be forecast yet, so no order is computed. It takes a second periodic inspection."
    )
    assert wording.risk_finding(nothing) == "Without a forecast the risk of running out is unknown."


def test_the_risk_of_ordering_nothing():
    assert wording.risk_finding(orders()).startswith(
        "If nothing is ordered, 1 item class is more likely than not to run out before an order placed at the next review "
        "arrives. In 1 of them even an order placed today would probably come too late"
    )
    assert wording.risk_finding(orders(risk_of_running_out=0.2)).replace("\xa0", " ") == (
        "If nothing is ordered, no item class is more likely than not to run out; the highest risk is 20 %."
    )


def test_a_risk_that_rests_on_an_order_past_its_day_is_said_to():
    late = f"no price, so no cost; {OVERDUE_ORDER}: without it the risk of running out is 99 %"
    resting = " For 1 item class the risk rests on an order that is past its day: the remarks say what it is if that never comes."
    assert wording.risk_finding(orders(plan_note=[None, late])).endswith(resting)
    assert wording.risk_finding(orders(plan_note=[None, late], risk_of_running_out=0.2)).endswith(
        f"20\xa0%.{resting}"
    )


def test_the_most_urgent_lines_name_class_quantity_day_cost_and_risk():
    assert wording.most_urgent(plan().to_order()) == [
        "Bow, screw pin, 16 mm: 30 by 31 December 2025 (EUR 300); without it, 90\xa0% risk of running out."
    ]
    unpriced = plan(order_cost=[None, None]).to_order()
    assert "(" not in wording.most_urgent(unpriced)[0]
    assert wording.most_urgent_opening(unpriced) == "Most urgent at Brackle Docks:"


def test_in_brief_has_order_risk_and_cost_in_one():
    (said,) = wording.in_brief(plan())
    assert "should order 30 shackles" in said
    assert "If nothing is ordered" in said
    assert said.endswith(
        "costs about EUR 123 a month over the next 12 months, with 80\xa0% probability 90 to 151."
    )
    assert wording.headline(plan()) == wording.order_finding(orders(), totals(), TERMS)


def test_one_site_has_no_orders_and_its_forecast():
    site = replace(plan(), orders=orders().iloc[:0], totals=totals().iloc[:0])
    no_plan, told = wording.in_brief(site)
    assert no_plan.startswith("Stock is held for a client as a whole")
    assert told.startswith("Sea Wall can expect about 10 removals over the next 12 months")
    assert wording.headline(site) == told


def test_removals_to_come_name_the_band_and_the_month_with_most():
    (names,) = wording.scopes(forecast())
    assert names == {"client": "Brackle Docks", "site": "Sea Wall"}
    assert wording.forecast_finding(forecast(), {"client": "Brackle Docks"}).replace("\xa0", " ") == (
        "Brackle Docks can expect about 10 removals over the next 12 months, with 80 % probability 5 to 15; the most in "
        "February 2026, about 10."
    )


def test_an_overdue_inspection_is_said_where_it_makes_the_first_month_the_highest():
    late = forecast(days_since_start=200)
    late.samples[0, 0] = 50
    assert "the most in January 2026, about 50, in which 1 overdue inspection is taken to be held." in (
        wording.forecast_finding(late, {"client": "Brackle Docks"})
    )
    nobody = replace(late, groups=late.groups.assign(has_rate=False))
    assert wording.forecast_finding(nobody, {"client": "Brackle Docks"}) == (
        "Nothing can be forecast for Brackle Docks yet: there is under one shackle-year of exposure to learn from."
    )


def test_stock_against_demand_and_one_stock_against_many():
    assert wording.stock_finding(orders(), TERMS).replace("\xa0", " ") == (
        "At Brackle Docks stock and orders fall short in 1 of 2 item classes of the demand to be met in 95 % of cases."
    )
    assert wording.stock_finding(orders(order_quantity=0), TERMS) == (
        "At Brackle Docks no stock is too low for the demand it should meet."
    )
    assert wording.pooling_finding(orders()).replace("\xa0", " ") == (
        "One stock for all sites of Brackle Docks needs 60 shackles to last as surely as 75 in stocks at each site: 20 % fewer."
    )
    assert "as many as a stock at each site" in wording.pooling_finding(orders(stock_by_site=[40, 20]))
    assert wording.stock_in_words(orders(on_hand=[None, 90])).startswith(
        "Chart of stock against demand, the highest risk first: Bow, screw pin, 16 mm: an unknown number in stock and 0 on "
        "order against a demand of 40; Chain,"
    )


def test_what_was_changed_is_named():
    same = wording.what_if_finding(plan(), plan())
    assert same == "Nothing is changed: both lines below are the plan as things stand."
    terms = replace(TERMS, service_level=0.9, review_days=7, price_factor=1.2, lead_time_factor=0.5)
    changed = replace(plan(), scenario=Scenario(terms, "recommended", -0.1, "Sea Wall"))
    assert wording.what_if_finding(plan(), changed).replace("\xa0", " ") == (
        "What if: the recommended inspection intervals, a service level of 90 %, a review every 7 days, prices 20 % higher, "
        "lead times 50 % lower, a fleet that shrinks by 10 % a year and a new site like Sea Wall. The other line is the plan "
        "as things stand."
    )


@pytest.mark.parametrize(
    ("rejected", "ending"),
    [([2, 2, 20], "More than the client's other suppliers, and by more than chance explains: S-3 with 10\xa0%."),
     ([2, 2, 3], "no supplier stands out.")],
)  # fmt: skip
def test_a_supplier_that_stands_out_is_named(rejected, ending):
    goods = pd.DataFrame(
        {"client": "Brackle Docks", "supplier": ["S-1", "S-2", "S-3"], "received": 200, "rejected": rejected}
    )
    shares = goods["rejected"] / 200
    goods = goods.assign(share_rejected=shares, share_rejected_lower=shares * 0.6)
    assert wording.rejects_finding(goods).endswith(ending)


def test_one_supplier_alone_stands_out_from_nobody():
    goods = pd.DataFrame({"client": ["Brackle Docks"], "supplier": "S-9", "received": 60, "rejected": 60})
    assert wording.rejects_finding(goods.assign(share_rejected=1.0, share_rejected_lower=0.95)) == (
        "Of 60 items looked at on receipt 60 were refused, 100\xa0%; there is no second supplier to compare with."
    )


def test_no_goods_received_and_a_site_of_its_own():
    assert wording.rejects_finding(pd.DataFrame()).startswith("No receiving inspection is recorded")
    assert "the whole client" in wording.rejects_finding(pd.DataFrame(), site="Sea Wall")
    assert "the whole client" in wording.backtest_finding(pd.DataFrame(), site="Sea Wall")[0]


def backtest(**columns):
    row = {
        "client": "Brackle Docks", "summed_over": "item class of a client", "forecasts": 40, "inside_80": 0.79,
        "bias": 0.144, "loss_to_last_year": 0.63, "loss_to_last_12": 0.48,
    }  # fmt: skip
    return pd.DataFrame([row | columns])


def test_how_earlier_forecasts_held():
    assert [words.replace("\xa0", " ") for words in wording.backtest_finding(backtest())] == [
        "At Brackle Docks, forecasts made from what was known 3 to 12 months ago expected 14 % more removals than came; 79 % of "
        "monthly counts by item class fell inside the 80 % band. The loss was 63 % of that of the same month of the year before "
        "and 48 % of that of the mean of the 12 months before; under 100 % the forecast is the better one."
    ]
    assert "expected about as many removals as came" in wording.backtest_finding(backtest(bias=-0.01))[0]
    assert "expected 10\xa0% fewer removals" in wording.backtest_finding(backtest(bias=-0.1))[0]
    none_came = backtest(bias=None, loss_to_last_year=None, loss_to_last_12=None)
    assert wording.backtest_finding(none_came)[0].endswith("fell inside the 80\xa0% band.")
    assert "too short" in wording.backtest_finding(pd.DataFrame())[0]


def test_what_the_rates_rest_on():
    assert wording.basis_finding(forecast()).startswith("All rates come from the model of all looks")
    assert wording.basis_finding(forecast(basis=KIND)) == (
        "For 100\xa0% of the items the rate does not come from the model of all looks but from: no history at the place, rate of "
        "its kind."
    )


def test_assumptions_state_the_terms():
    said = " ".join(wording.assumptions(TERMS))
    for figure in ("30 days later", "95\xa0%", "50 goods", "45 days"):
        assert figure in said
