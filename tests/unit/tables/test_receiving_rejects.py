import pytest

from pipelines.tables import compute_tables, read_table


def rejects(con):
    compute_tables(con)
    return read_table(con, "receiving_rejects")


def test_goods_of_a_month_by_supplier(store_of):
    frame = rejects(
        store_of(
            ("initial", "2025-05-03", 12, 3, {"supplier": "S-32"}),
            ("initial", "2025-05-28", 8, 1, {"supplier": "S-32", "item_class": "chain 25 mm"}),
            ("initial", "2025-05-03", 30, 0, {"supplier": "S-11"}),
            ("initial", "2025-06-02", 5, 5),
        )
    )
    counts = ["supplier", "month", "received", "rejected", "share_rejected"]
    assert frame[counts].to_numpy().tolist() == [
        ["S-11", "2025-05", 30, 0, 0.0],
        ["S-32", "2025-05", 20, 4, 0.2],
        ["not stated", "2025-06", 5, 5, 1.0],
    ]
    # 4 in 20 at 90 %: 0.0714 to 0.4010 (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1, from memory).
    limits = frame[["share_rejected_lower", "share_rejected_upper"]]
    assert limits.iloc[1].tolist() == pytest.approx([0.0714, 0.4010], abs=5e-5)
    assert (limits.iloc[0, 0], limits.iloc[2, 1]) == (0, 1)


def test_inspections_in_service_and_empty_deliveries_are_no_goods_received(store_of):
    frame = rejects(
        store_of(
            ("periodic", "2025-05-03", 12, 3),
            ("frequent", "2025-05-03", 2, 2),
            ("initial", "2025-05-03", 0, 0),
        )
    )
    assert frame.empty
