"""Order lines that can be worked by hand: few draws, few looks, and every gap that a stock register may have."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import order_terms
from pipelines.models.forecast import Round
from pipelines.models.orders import (
    BEYOND_EVERYTHING,
    BEYOND_HORIZON,
    COMES_TOO_LATE,
    FEW_RECEIPTS,
    NEARLY_ALL_REJECTED,
    NO_DUE_DAY,
    NO_FORECAST,
    NO_HISTORY,
    NO_PRICE,
    NO_RECEIPTS,
    NOT_COUNTED,
    NOT_IN_SERVICE,
    NOT_REGISTERED,
    OVERDUE_ORDER,
    Demand,
    horizon_days,
    lead_times,
    plan_orders,
)

# Ten draws of one look on day 20, with 1 to 10 removals, and one on day 200 with 5.
REMOVED = np.array([np.arange(1, 11), np.full(10, 5)])
DAYS = np.repeat([[20.0], [200.0]], 10, axis=1)
TERMS = replace(order_terms(), service_level=0.9, review_days=30)
ROW = {
    "client": "Brackle Docks", "item_class": "bow 16 mm", "supplier": "S-1", "on_hand": 2, "on_order": 0,
    "due_in_days": None, "counted_days_ago": 0, "lead_time_days": 10.0, "lead_time_sd_days": 0.0, "unit_cost": 20.0,
    "currency": "EUR", "pack_size": 1, "minimum_order": 1, "share_rejected": 0.0, "share_pins": 0.0,
    "shackle_years": 100.0, "is_share_of_few": False,
}  # fmt: skip


def fleet(**columns):
    row = {"client": "Brackle Docks", "site": "Sea Wall", "item_class": "bow 16 mm", "quantity": 50}
    return pd.DataFrame([row | {"has_rate": True} | columns])


def plan(terms=TERMS, of=None, **columns) -> pd.Series:
    """The order plan of one item class."""
    of = fleet() if of is None else of
    rounds = [Round(np.array([0]), 6, DAYS, REMOVED[:, :, None])]
    return plan_orders(of, rounds, pd.DataFrame([ROW | columns]), terms, draws=10, seed=1).iloc[0]


def test_the_quantity_lasts_until_the_next_order_arrives():
    # Until day 40 one look: in 9 of 10 draws at most 9 are removed; 2 are there.
    row = plan()
    assert row[["items_in_service", "demand_expected", "demand_over_lead_time"]].tolist() == [50, 5.5, 9]
    assert row[["order_quantity", "order_cost"]].tolist() == [7, 140.0]
    # Eight draws take more than the 2 in stock; on the day the order would arrive nobody has looked yet.
    assert row[["risk_of_running_out", "risk_before_delivery"]].tolist() == [0.8, 0.0]
    # Ordered on day 10, the goods arrive on day 20.
    assert row["order_on"] == 10
    assert row["plan_note"] is None


def test_enough_stock_needs_no_order_but_has_a_day_for_the_next():
    row = plan(on_hand=9)
    assert row["order_quantity"] == 0
    # In 9 of 10 draws 9 last beyond day 20; on day 200 five more go, in 6 of 10 draws too many.
    assert row["risk_of_running_out"] == 0.1
    assert row["order_on"] == 190
    assert plan(on_hand=1000)["order_on"] is None or np.isnan(plan(on_hand=1000)["order_on"])


def test_nothing_in_stock_is_ordered_for_at_once():
    row = plan(on_hand=0, lead_time_days=25.0)
    assert row[["order_quantity", "order_on", "risk_of_running_out", "risk_before_delivery"]].tolist() == [
        9,
        0,
        1,
        1,
    ]


@pytest.mark.parametrize(
    ("pack_size", "minimum_order", "quantity"), [(5, 1, 10), (5, 20, 20), (1, 7, 7), (3, 7, 9)]
)
def test_packs_and_minimum_orders(pack_size, minimum_order, quantity):
    assert plan(pack_size=pack_size, minimum_order=minimum_order)["order_quantity"] == quantity


def test_what_is_refused_is_ordered_on_top():
    row = plan(share_rejected=0.3)
    assert row["order_quantity"] == 10  # 7 / 0.7
    assert row["cost_per_month"] == pytest.approx((5.5 + 5) * 20 / 0.7 / 12)


def test_where_everything_was_refused_the_plan_stays_finite_and_the_share_is_shown_as_it_is():
    row = plan(share_rejected=1.0)
    assert row["order_quantity"] == 70  # 7 / 0.1
    assert row["share_rejected"] == 1.0


def test_goods_on_order_count_without_what_will_be_refused():
    assert plan(on_order=4, due_in_days=15)["order_quantity"] == 3
    assert plan(on_order=4, due_in_days=15, share_rejected=0.5)["order_quantity"] == 10  # (9 - 2 - 2) / 0.5


def test_an_order_on_its_way_that_comes_too_late():
    # Due after the look on day 20, in time for the quantity: it counts, but it does not help on day 20.
    row = plan(on_order=7, due_in_days=30)
    assert row[["order_quantity", "risk_of_running_out"]].tolist() == [0, 0.8]
    assert row["plan_note"] == COMES_TOO_LATE
    # Due after all that is planned for.
    row = plan(on_order=7, due_in_days=60)
    assert row["order_quantity"] == 7
    assert row["plan_note"] == NOT_COUNTED


def test_a_minimum_order_of_less_than_a_year_or_that_nobody_needs_to_buy_is_not_remarked_upon():
    assert plan(minimum_order=10)["plan_note"] is None
    assert plan(minimum_order=200, on_hand=9)["plan_note"] is None


@pytest.mark.parametrize(
    ("columns", "remark"),
    [
        ({"unit_cost": None}, NO_PRICE),
        ({"shackle_years": 0.0}, NO_HISTORY),
        ({"share_rejected": None}, NO_RECEIPTS),
        ({"share_rejected": 1.0}, NEARLY_ALL_REJECTED),
        ({"is_share_of_few": True}, FEW_RECEIPTS),
        ({"lead_time_days": 400.0}, BEYOND_HORIZON),
        ({"lead_time_days": 4000.0}, BEYOND_EVERYTHING),
        # Of ten draws of 1 to 10 removals, eight take more than the 2 that are there; with 3 more it would be five.
        ({"on_order": 3, "due_in_days": -5}, f"{OVERDUE_ORDER}: without it the risk of running out is 80 %"),
        (
            {"on_hand": 0, "on_order": 3, "due_in_days": -61},
            f"{OVERDUE_ORDER}: without it the risk of running out is 100 %",
        ),
        # 10.5 a year are removed on average: 5.5 on day 20 and 5 on day 200.
        ({"minimum_order": 200}, "the least that is sold is about 19.0 years of removals"),
        (
            {"minimum_order": 200, "share_rejected": 0.5},
            "the least that is sold is about 9.5 years of removals",
        ),
        ({"pack_size": 15}, "the least that is sold is about 1.4 years of removals"),
        ({"on_order": 3}, NO_DUE_DAY),
        ({"counted_days_ago": 90}, "stock counted 90 days ago"),
        ({"counted_days_ago": -12}, "stock counted 12 days after the month"),
    ],
)
def test_every_gap_is_said_and_an_order_computed_all_the_same(columns, remark):
    row = plan(**columns)
    assert row["plan_note"] == remark
    assert row["order_quantity"] > 0
    assert pd.isna(row["order_cost"]) == (remark == NO_PRICE)


def test_an_item_class_that_the_register_does_not_know():
    unknown = dict.fromkeys(
        ("supplier", "on_hand", "on_order", "counted_days_ago", "lead_time_days", "lead_time_sd_days", "unit_cost",
         "currency", "pack_size", "minimum_order")
    )  # fmt: skip
    row = plan(**unknown)
    assert pd.isna(row["on_hand"])
    assert row["lead_time_days"] == TERMS.lead_time_days_unless_stated
    assert row["order_quantity"] == 9
    assert row["plan_note"] == f"{NOT_REGISTERED}; {NO_PRICE}"


def test_an_item_class_that_is_not_in_service():
    row = plan(of=fleet(item_class="another"))
    assert row[["items_in_service", "order_quantity"]].tolist() == [0, 0]
    assert row[["demand_expected", "risk_of_running_out"]].isna().all()
    assert row["plan_note"] == NOT_IN_SERVICE


def test_without_a_forecast_there_is_no_quantity_rather_than_none_to_order():
    row = plan(of=fleet(has_rate=False))
    assert row[["order_quantity", "demand_over_lead_time", "order_cost", "cost_per_month"]].isna().all()
    assert row["plan_note"] == NO_FORECAST


def test_matching_pins_are_planned_for_beside_whole_shackles():
    assert plan()["pins_over_lead_time"] == 0
    row = plan(share_pins=1.0)
    assert row[["demand_over_lead_time", "order_quantity", "pins_over_lead_time"]].tolist() == [0, 0, 9]


def test_stocks_at_each_site_need_more_than_one_for_all():
    both = pd.concat([fleet(), fleet(site="North Shed")], ignore_index=True)
    rounds = [
        Round(np.array([0]), 6, DAYS, REMOVED[:, :, None]),
        Round(np.array([1]), 6, DAYS, REMOVED[:, ::-1, None]),
    ]
    row = plan_orders(both, rounds, pd.DataFrame([ROW]), TERMS, draws=10, seed=1).iloc[0]
    # Where one site loses many the other loses few: 11 together in each draw, 9 and 9 apart.
    assert row[["demand_over_lead_time", "stock_by_site"]].tolist() == [11, 18]


def test_what_if_prices_and_lead_times_change():
    dearer = plan(replace(TERMS, price_factor=1.5, lead_time_factor=2.5))
    assert dearer[["unit_cost", "lead_time_days"]].tolist() == [30.0, 25.0]
    assert dearer["risk_before_delivery"] == 0.8


def test_long_lead_times_lengthen_what_is_drawn_up_to_three_years():
    stock = pd.DataFrame([ROW])
    assert horizon_days(stock, TERMS) == 366
    assert horizon_days(stock.assign(lead_time_days=400.0, lead_time_sd_days=10.0), TERMS) == 480
    assert horizon_days(stock.assign(lead_time_days=9000.0), TERMS) == 3 * 366
    assert horizon_days(stock.iloc[:0], TERMS) == 366


def test_a_lead_time_without_spread_is_fixed():
    generator = np.random.default_rng(1)
    assert lead_times(30.0, 0.0, 3, generator).tolist() == [30.0] * 3
    assert lead_times(0.0, 5.0, 3, generator).tolist() == [0.0] * 3


def test_what_comes_on_the_day_of_a_removal_is_there_in_time():
    demand = Demand(days=np.array([[5.0]]), removed=np.array([[3]]))
    until = np.array([30.0])
    assert not demand.runs_out(until, stock=1, coming=2, due_in_days=5).any()
    assert demand.runs_out(until, stock=1, coming=2, due_in_days=6).all()
    assert demand.runs_out(until, stock=1, coming=1, due_in_days=5).all()
