from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import order_terms
from pipelines.faults import RequestFault
from pipelines.models.forecast import BANDS
from pipelines.models.planning import (
    NO_CURRENCY,
    RECOMMENDED,
    PlanningInputs,
    Scenario,
    make_forecast,
    make_plan,
    order_totals,
    side_by_side,
)

NOW = Scenario(order_terms())
PLACE = {"client": "Brackle Docks", "site": "Sea Wall", "environment": "marine spray"}
CLASSES = ["16 mm", "22 mm", "51 mm"]


def inputs(**changes) -> PlanningInputs:
    """Two sites of one client and one of another with three classes each; prices in two currencies, and one missing."""
    sites = [
        PLACE,
        PLACE | {"site": "North Shed", "environment": "indoor dry"},
        {"client": "Ferrow Mills", "site": "Press Hall", "environment": "furnace heat"},
    ]
    row = {
        "size_band": "up to 19 mm", "pin": "screw pin", "service_class": "normal", "use_frequency": "daily",
        "quantity": 150, "days_since_start": 30, "current_interval_months": 12, "recommended_interval_months": 4,
        "share_found_between": 0.0, "pooled_rate_lower": 8.0, "pooled_rate_upper": 12.0, "is_pooled": True,
    }  # fmt: skip
    fleet = pd.DataFrame([site | {"item_class": name} | row for site in sites for name in CLASSES])
    history = fleet[["client", "site", "environment", "item_class", "size_band", "pin"]].merge(
        pd.DataFrame({"years_ago": [0, 1], "removed": 15, "shackle_years": 150.0}), how="cross"
    )
    stock = fleet[["client", "item_class"]].drop_duplicates(ignore_index=True).assign(
        supplier="S-1", on_hand=5, on_order=0, due_in_days=None, counted_days_ago=0, lead_time_days=30.0,
        lead_time_sd_days=5.0, unit_cost=[10.0, 20.0, None, 10.0, 20.0, 30.0],
        currency=["EUR", "USD", None, "EUR", "EUR", "EUR"], pack_size=1, minimum_order=1, share_rejected=0.0,
        share_pins=0.0, shackle_years=300.0, is_share_of_few=False,
    )  # fmt: skip
    model = pd.DataFrame(
        [("all", "reference levels", 10.0, 8.0, 12.0), ("spread of looks", None, 0.2, None, None)],
        columns=["covariate", "level", "estimate", "estimate_lower", "estimate_upper"],
    )
    gaps = pd.DataFrame({"gap_days": [365, 360], "interval_months": [12, 12]})
    made = PlanningInputs(date(2025, 12, 31), fleet, history, gaps, model, stock, 0.9)
    return replace(made, **changes)


def test_a_plan_for_whom_nothing_is_in_service_has_its_stock_and_no_removals():
    none = inputs()
    plan = make_plan(replace(none, fleet=none.fleet.iloc[:0]), NOW)
    assert plan.forecast.by_group().empty
    assert plan.forecast.year(["client"]).empty
    assert (plan.orders["order_quantity"] == 0).all()
    assert plan.costs.empty
    assert (side_by_side(plan, plan)["to_order"].fillna(0) == 0).all()


def test_what_one_other_client_removed_of_a_class_does_not_show():
    def expected(removed_there):
        history = inputs().history
        is_class, is_own = history["item_class"] == "51 mm", history["client"] == "Brackle Docks"
        history["removed"] = history["removed"].mask(is_class & ~is_own, removed_there)
        of = inputs(history=history[~(is_class & is_own)])
        return (
            make_forecast(of, NOW, "Brackle Docks")
            .sums(["item_class"])
            .groupby("item_class")["expected"]
            .sum()
        )

    few, many = expected(3), expected(90)
    assert many["51 mm"] == pytest.approx(few["51 mm"], rel=0.1)


def test_sums_are_sums_of_draws_and_bands_of_sums_are_narrower():
    forecast = make_forecast(inputs(), NOW)
    keys, samples = forecast.summed(["client"])
    of_brackle = (forecast.groups["client"] == "Brackle Docks").to_numpy()
    assert (samples[0] == forecast.samples[of_brackle].sum(axis=0)).all()
    assert keys["client"].tolist() == ["Brackle Docks", "Ferrow Mills"]
    apart, together = forecast.by_group(), forecast.sums(["client"])
    assert together["expected"].sum() == pytest.approx(apart["expected"].sum())
    # Bands of item classes, added up, are wider than the band of their sum.
    years = [forecast.year(by) for by in (["client", "site", "item_class"], ["client"])]
    widths = [(year["upper_80"] - year["lower_80"]).sum() for year in years]
    assert years[0]["expected"].sum() > 100
    assert widths[1] < 0.8 * widths[0]


def test_what_an_order_without_a_price_costs_is_not_nothing():
    plan = make_plan(inputs(), NOW)
    orders = plan.orders[plan.orders["client"] == "Brackle Docks"]
    # Of the three classes one has no price, one a price in no currency, one all of it; none of these two is ordered.
    given = orders.assign(
        order_quantity=[0, 0, 200], unit_cost=[10.0, 50.0, None], currency=["EUR", None, "EUR"]
    )
    given["order_cost"] = given["order_quantity"] * given["unit_cost"]
    totals = order_totals(given, plan.forecast).set_index("currency")
    assert totals.loc["EUR", ["to_order", "to_order_without_price", "order_cost"]].tolist() == [0, 0, 0.0]
    unpriced = totals.loc[NO_CURRENCY]
    assert unpriced[["to_order", "to_order_without_price", "order_quantity"]].tolist() == [1, 1, 200]
    assert np.isnan(unpriced["order_cost"])
    # Where the class without a currency is ordered too, the sum is of that, and one class is said to be left out of it.
    both = given.assign(order_quantity=[0, 7, 200], order_cost=[0.0, 350.0, None])
    totals = order_totals(both, plan.forecast).set_index("currency").loc[NO_CURRENCY]
    assert totals[["to_order", "to_order_without_price", "order_cost"]].tolist() == [2, 1, 350.0]


def test_months_are_those_after_the_records():
    assert make_forecast(inputs(), NOW).months == [f"2026-{month:02}" for month in range(1, 13)]


def test_one_client_or_site_is_told_as_in_the_whole():
    whole = make_forecast(inputs(), NOW).by_group()
    for asked in ({"client": "Ferrow Mills"}, {"site": "Sea Wall"}):
        ((column, value),) = asked.items()
        one = make_forecast(inputs(), NOW, **asked).by_group()
        pd.testing.assert_frame_equal(one, whole[whole[column] == value].reset_index(drop=True))
    plan, one = make_plan(inputs(), NOW), make_plan(inputs(), NOW, client="Ferrow Mills")
    pd.testing.assert_frame_equal(one.orders, plan.orders[3:].reset_index(drop=True), check_dtype=False)


def test_a_site_has_a_forecast_and_no_orders():
    plan = make_plan(inputs(), NOW, site="Sea Wall")
    assert [len(frame) for frame in (plan.orders, plan.totals, plan.costs, plan.to_order())] == [0, 0, 0, 0]
    assert set(plan.forecast.groups["site"]) == {"Sea Wall"}


def test_currencies_are_never_added_and_what_has_no_price_is_counted_apart():
    plan = make_plan(inputs(), NOW)
    totals = plan.totals.set_index(["client", "currency"])
    assert sorted(totals.index) == [
        ("Brackle Docks", "EUR"), ("Brackle Docks", "USD"), ("Brackle Docks", NO_CURRENCY), ("Ferrow Mills", "EUR"),
    ]  # fmt: skip
    assert totals["item_classes"].tolist() == [1, 1, 1, 3]
    assert totals.loc[("Brackle Docks", NO_CURRENCY), ["order_cost", "cost_per_month"]].isna().all()
    orders = plan.orders[plan.orders["client"] == "Ferrow Mills"]
    assert totals.loc[("Ferrow Mills", "EUR"), "order_cost"] == orders["order_cost"].sum()
    mean = totals.loc[("Ferrow Mills", "EUR"), "cost_per_month"]
    assert mean == pytest.approx(plan.costs[plan.costs["client"] == "Ferrow Mills"]["cost_expected"].mean())
    assert mean == pytest.approx(orders["cost_per_month"].sum(), rel=0.05)
    # The band of the sum is narrower than the sum of the bands.
    width = totals["cost_per_month_upper"] - totals["cost_per_month_lower"]
    assert (
        width["Ferrow Mills", "EUR"] < (orders["cost_per_month_upper"] - orders["cost_per_month_lower"]).sum()
    )


def test_a_plan_with_recommended_intervals_finds_sooner():
    advised = make_forecast(inputs(), replace(NOW, intervals=RECOMMENDED)).sums(["client"])
    now = make_forecast(inputs(), NOW).sums(["client"])
    first_half = now["month"] < "2026-07"
    assert now.loc[first_half, "expected"].sum() == 0
    assert advised.loc[first_half, "expected"].sum() > 20


def test_a_forecast_like_another_is_what_it_would_be_alone():
    fleet = inputs().fleet
    unchanged = fleet["site"] == "Press Hall"
    fleet["recommended_interval_months"] = fleet["recommended_interval_months"].mask(unchanged, 12)
    of, scenario = inputs(fleet=fleet), replace(NOW, intervals=RECOMMENDED)
    now, alone = make_forecast(of, NOW), make_forecast(of, scenario)
    like = make_forecast(of, scenario, like=now)
    assert [both[0] is both[1] for both in zip(like.rounds, now.rounds, strict=True)] == [False, False, True]
    pd.testing.assert_frame_equal(like.by_group(), alone.by_group())


def test_a_new_site_adds_its_like_and_leaves_the_others_alone():
    now, added = (
        make_plan(inputs(), scenario) for scenario in (NOW, replace(NOW, added_site_like="Sea Wall"))
    )
    new = added.forecast.by_group().query("site == 'new site like Sea Wall'")
    assert len(new) == 36
    assert new["expected"].sum() == pytest.approx(
        now.forecast.by_group().query("site == 'Sea Wall'")["expected"].sum(), rel=0.25
    )
    others = added.forecast.by_group().query("site != 'new site like Sea Wall'")[BANDS]
    assert (others.to_numpy() == now.forecast.by_group()[BANDS].to_numpy()).all()
    basis = added.forecast.fleet.loc[added.forecast.fleet["site"].str.startswith("new"), "basis"]
    assert set(basis) == {"no history at the place, rate of its kind"}


def test_two_plans_side_by_side():
    both = side_by_side(make_plan(inputs(), NOW), make_plan(inputs(), replace(NOW, fleet_growth=0.5)))
    ferrow = both[both["client"] == "Ferrow Mills"]
    assert ferrow["scenario"].tolist() == ["as things stand", "what if"]
    assert ferrow["removals_expected"].iloc[1] > 1.2 * ferrow["removals_expected"].iloc[0]
    assert (both["removals_lower"] <= both["removals_upper"]).all()


def test_no_history_anywhere_is_no_forecast():
    thin = inputs(
        history=inputs().history.assign(shackle_years=0.01, removed=0),
        model=inputs().model.iloc[:0],
        fleet=inputs().fleet.assign(is_pooled=False),
    )
    plan = make_plan(thin, NOW)
    assert plan.forecast.by_group()[BANDS].isna().all().all()
    assert plan.forecast.sums(["client"]).empty
    assert plan.orders["order_quantity"].isna().all()
    assert plan.totals["cost_per_month"].isna().all()
    assert plan.costs.empty


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"intervals": "monthly"}, 'There are no "monthly" intervals. Write current or recommended.'),
        (
            {"added_site_like": "Nowhere"},
            'There is no site "Nowhere" in service that another could be like. Sites: North Shed, Press Hall, Sea Wall.',
        ),
    ],
)
def test_what_cannot_be_asked_is_said(change, sentence):
    with pytest.raises(RequestFault) as fault:
        make_plan(inputs(), replace(NOW, **change))
    assert str(fault.value) == sentence


def test_a_client_adds_a_site_like_its_own_and_hears_of_nobody_elses():
    with pytest.raises(RequestFault) as fault:
        make_plan(inputs(), replace(NOW, added_site_like="Press Hall"), client="Brackle Docks")
    assert str(fault.value) == (
        'There is no site "Press Hall" in service that another could be like. Sites: North Shed, Sea Wall.'
    )
    with pytest.raises(RequestFault, match=r"Sites: none\.$"):
        make_plan(inputs(), replace(NOW, added_site_like="Sea Wall"), client="Nobody")


def test_the_same_seed_gives_the_same_plan():
    first, again = (make_plan(inputs(), NOW).forecast.samples for _ in range(2))
    assert np.array_equal(first, again)
