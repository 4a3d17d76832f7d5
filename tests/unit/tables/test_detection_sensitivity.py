import pytest

from pipelines.tables import compute_tables, read_table


def test_a_missed_share_raises_the_share_in_service(store_of):
    days = [f"{year}-01-01" for year in range(2016, 2025)]
    con = store_of(*[("periodic", day, 500, 25 if day > "2016" else 0, {"replaced": 25}) for day in days])
    compute_tables(con)
    frame = read_table(con, "detection_sensitivity")
    assert frame["detection"].tolist() == [1.0, 0.9, 0.8]
    assert frame["rate_factor"].iloc[0] == 1
    # 25 of 500 at each look: 5 % found, 5.13 per 100 a year if nothing is missed.
    assert frame["rate_if_missed"].iloc[0] == pytest.approx(5.13, abs=0.05)
    assert frame["rate_if_missed"].is_monotonic_increasing
    # Besides the rate, what a look leaves behind counts: (1 - d)/d of the found, twice as much as is on average there.
    by_rate_alone = frame["rate_if_missed"] / frame["rate_if_missed"].iloc[0]
    more = frame["in_service_if_missed"] / frame["in_service_if_missed"].iloc[0] / by_rate_alone
    assert more.tolist() == pytest.approx([1, 1 + 2 / 9, 1.5], abs=0.02)


def test_a_store_without_a_second_look_has_no_row(store_of):
    con = store_of(("periodic", "2024-01-01", 10, 1))
    compute_tables(con)
    assert read_table(con, "detection_sensitivity").empty


def test_a_place_with_everything_removed_has_no_rate_and_says_why(store_of):
    con = store_of(("periodic", "2024-01-10", 30, 0), ("periodic", "2024-07-10", 30, 30))
    compute_tables(con)
    frame = read_table(con, "detection_sensitivity")
    assert frame[["rate_if_missed", "rate_factor", "in_service_if_missed"]].isna().all(axis=None)
    assert frame["rate_note"].tolist() == ["so much was removed that no rate is too high to agree"] * 3
