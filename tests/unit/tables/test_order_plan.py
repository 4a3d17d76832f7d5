import pandas as pd
import pytest

from pipelines.tables import compute_tables, read_table

RECEIVED = ("initial", "2024-02-01", 200, 20, {"supplier": "S-1"})
FEW = ("initial", "2024-02-02", 10, 5, {"supplier": "S-2"})
LOOKS = [("periodic", f"202{year}-03-05", 400, 40, {"replaced": 40}) for year in range(6)]
STOCK = {
    "client": "Brackle Docks", "gear_family": "shackle", "body": "bow", "pin": "screw pin", "nominal_size_mm": 16.0,
    "item_class": "bow 16 mm", "counted_on": "2025-03-31", "on_hand": 3, "on_order": 0, "lead_time_days": 330.0,
    "lead_time_sd_days": 0.0, "unit_cost": 12.5, "currency": "EUR", "pack_size": 10, "minimum_order": 10,
    "supplier": "S-1",
}  # fmt: skip


@pytest.fixture
def plan(store_of):
    """A function that takes lines and rows of the stock register and returns the tables of orders, totals and rejects."""

    def make(lines, *stock):
        con = store_of(*lines)
        if stock:
            frame = pd.DataFrame(stock)
            frame["counted_on"] = pd.to_datetime(frame["counted_on"])
            con.append("stock_register", frame, by_name=True)
        compute_tables(con)
        return tuple(read_table(con, name) for name in ("order_plan", "order_totals", "supplier_rejects"))

    return make


def test_a_yearly_look_inside_the_lead_time_is_ordered_for(plan):
    orders, totals, _ = plan([*LOOKS, RECEIVED], STOCK)
    (row,) = orders.to_dict("records")
    # The next look, in March 2026, falls just before an order of today and one review period are over.
    assert 30 < row["demand_expected"] < 50
    assert row["demand_over_lead_time"] > row["demand_expected"]
    assert row["order_quantity"] % 10 == 0
    assert row["order_quantity"] >= (row["demand_over_lead_time"] - 3) / 0.9
    assert row["order_on"] >= pd.Timestamp("2025-03-31")
    assert row["share_rejected"] == 0.1
    assert row["plan_note"] is None
    assert totals[["currency", "to_order", "order_cost"]].to_numpy().tolist() == [
        ["EUR", 1, row["order_quantity"] * 12.5]
    ]


REFUSED = ("initial", "2024-02-03", 60, 60, {"supplier": "S-9"})


def test_a_supplier_with_few_goods_is_charged_only_what_is_sure_and_none_of_what_others_had_refused(plan):
    orders, _, rejects = plan([*LOOKS, RECEIVED, FEW, REFUSED], STOCK | {"supplier": "S-2"})
    # Clopper & Pearson (1934): with 5 of 10 refused, at 90 %, the lower limit is 22.2 %; scipy binomtest(5, 10).
    assert orders["share_rejected"].tolist() == [pytest.approx(0.2224, abs=5e-5)]
    assert "few goods of its supplier looked at on receipt" in orders["plan_note"].iloc[0]
    assert "find another supplier" not in orders["plan_note"].iloc[0]
    assert rejects[["supplier", "received", "rejected", "share_rejected"]].to_numpy().tolist() == [
        ["S-1", 200, 20, 0.1], ["S-2", 10, 5, 0.5], ["S-9", 60, 60, 1.0],
    ]  # fmt: skip
    assert (rejects["share_rejected_lower"] < rejects["share_rejected"]).all()
    assert (rejects["share_rejected_upper"] >= rejects["share_rejected"]).all()


@pytest.mark.parametrize("supplier", ["S-7", None])
def test_a_supplier_of_whom_nothing_is_known_is_charged_nothing(plan, supplier):
    orders, _, _ = plan([*LOOKS, REFUSED], STOCK | {"supplier": supplier})
    assert orders["share_rejected"].isna().all()
    assert orders["order_quantity"].iloc[0] < 100
    assert orders["plan_note"].tolist() == [
        "no goods of its supplier looked at on receipt, so none are taken to be refused"
    ]


def test_a_supplier_is_advised_against_for_rejects_of_its_own(plan):
    orders, _, _ = plan([*LOOKS, REFUSED], STOCK | {"supplier": "S-9"})
    assert orders["share_rejected"].tolist() == [1.0]
    assert orders["plan_note"].str.endswith("find another supplier").all()


def test_no_register_at_all_is_said_in_every_line(plan):
    orders, totals, _ = plan(LOOKS)
    assert orders["on_hand"].isna().all()
    assert orders["plan_note"].tolist() == [
        "not in the stock register: counted as nothing in stock, usual lead time taken; no price, so no cost; "
        "no goods of its supplier looked at on receipt, so none are taken to be refused"
    ]
    assert totals["order_cost"].isna().all()
    assert totals["currency"].tolist() == ["not stated"]


def test_a_class_in_stock_and_not_in_service_keeps_its_line(plan):
    orders, _, _ = plan([*LOOKS, RECEIVED], STOCK, STOCK | {"item_class": "bow 51 mm"})
    other = orders.set_index("item_class").loc["bow 51 mm"]
    assert other[["items_in_service", "on_hand", "order_quantity"]].tolist() == [0, 3, 0]
    assert other["plan_note"].startswith("in the stock register, but none in service")


def test_stock_of_a_client_without_lines_is_left_out(plan):
    orders, _, _ = plan([*LOOKS, RECEIVED], STOCK, STOCK | {"client": "Nobody Yet"})
    assert orders["client"].tolist() == ["Brackle Docks"]


def test_pins_come_apart_where_the_log_says_a_matching_one_was_fitted(plan):
    fitted = [(*look[:4], look[4] | {"disposition": "Matching pin fitted on site"}) for look in LOOKS]
    other = [(*look[:4], look[4] | {"disposition": "scrapped; pin kept for parts"}) for look in LOOKS]
    whole, _, _ = plan([*other, RECEIVED], STOCK)
    pins, _, _ = plan([*fitted, RECEIVED], STOCK)
    assert whole[["pins_over_lead_time"]].to_numpy().tolist() == [[0]]
    assert pins[["order_quantity", "demand_over_lead_time"]].to_numpy().tolist() == [[0, 0]]
    assert pins["pins_over_lead_time"].tolist() == whole["demand_over_lead_time"].tolist()


def test_a_stock_register_where_nothing_is_in_service_is_shown_and_nothing_is_ordered(plan):
    orders, totals, _ = plan([("frequent", f"2025-0{month}-10", 40, 0) for month in range(1, 7)], STOCK)
    assert orders[["items_in_service", "on_hand", "order_quantity"]].to_numpy().tolist() == [[0, 3, 0]]
    assert orders["plan_note"].str.startswith("in the stock register, but none in service").all()
    assert totals[["item_classes", "to_order", "order_quantity"]].to_numpy().tolist() == [[1, 0, 0]]
