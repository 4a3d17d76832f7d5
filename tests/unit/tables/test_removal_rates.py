import pytest

from pipelines.tables import compute_tables, read_table


def rates(con):
    compute_tables(con)
    return read_table(con, "removal_rates").set_index("month")


def test_a_month_counts_each_inspection_type_apart(store_of):
    frame = rates(
        store_of(
            ("periodic", "2020-01-01", 10, 3),
            ("frequent", "2023-05-02", 4, 1),
            ("initial", "2023-05-03", 20, 2),
            ("periodic", "2024-01-01", 6, 2),
        )
    )
    assert frame.index.tolist() == ["2020-01", "2023-05", "2024-01"]
    first, between, last = (row for _, row in frame.iterrows())
    assert first[
        ["inspected", "removed", "first_look_inspected", "first_look_removed", "removed_at_risk"]
    ].tolist() == [10, 3, 10, 3, 0]
    assert between[
        ["inspected", "frequent_inspected", "frequent_removed", "initial_inspected", "initial_removed"]
    ].tolist() == [0, 4, 1, 20, 2]
    # The removal of May 2023 counts with the look that closed its gap.
    assert last[
        ["inspected", "removed", "removed_at_risk", "unaccounted_for", "first_look_inspected"]
    ].tolist() == [6, 2, 3, 0, 0]
    assert last["removed_per_100_inspected"] == pytest.approx(100 * 2 / 6)
    assert last["removed_per_100_shackle_years"] == pytest.approx(100 * 3 / last["shackle_years"])
    assert frame["rate_note"].str.split(";").str[0].tolist() == [
        "first looks only, no exposure yet",
        "no periodic inspection",
        "fewer than 20 months with a rate, no control limits",
    ]


def test_a_month_with_too_little_exposure_has_counts_and_no_rate(store_of):
    row = rates(store_of(("periodic", "2024-01-01", 10, 0), ("periodic", "2024-02-01", 10, 1))).loc["2024-02"]
    assert row["removed_at_risk"] == 1
    assert row["shackle_years"] == pytest.approx(9.5 * 31 / 365.25)
    assert row[["removed_per_100_shackle_years", "rate_lower", "rate_upper"]].isna().all()
    assert row["rate_note"].startswith("under 1 shackle-year of exposure")


def test_twenty_months_with_a_rate_have_control_limits(store_of):
    days = [f"{year}-{month:02}-01" for year in (2023, 2024) for month in range(1, 13)][:22]
    lines = [
        ("periodic", day, 120, 0 if number < 21 else 40, {"replaced": 0}) for number, day in enumerate(days)
    ]
    lines[5] = ("periodic", days[5], 120, 1, {"replaced": 1})
    frame = rates(store_of(*lines))
    assert frame["signal"].tolist() == [None] + ["within"] * 20 + ["above"]
    assert frame["drift_signal"].tolist() == [None] + ["within"] * 20 + ["above"]
    assert frame["false_signal_chance"].iloc[1:].between(0, 0.01).all()
    assert frame["centre"].round(9).nunique() == 1
    baseline = frame.iloc[1:21]
    assert frame["centre"].iloc[1] == pytest.approx(100 * 1 / baseline["shackle_years"].sum())
    assert frame["rate_note"].tolist() == ["first looks only, no exposure yet"] + [None] * 21


def test_places_stay_apart(store_of):
    wet = {"environment": "marine spray"}
    con = store_of(("periodic", "2020-01-01", 10, 0, wet), ("periodic", "2024-01-01", 10, 0))
    assert rates(con)["shackle_years"].tolist() == [0, 0]


def test_items_nobody_presented_have_a_lower_and_an_upper_case(store_of):
    con = store_of(("periodic", "2020-01-01", 10, 0), ("periodic", "2024-01-01", 8, 2))
    row = rates(con).loc["2024-01"]
    assert row[["unaccounted_for", "shackle_years", "shackle_years_unaccounted_for"]].tolist() == [2, 28, 8]
    cases = ["rate_if_unaccounted_fit", "removed_per_100_shackle_years", "rate_if_unaccounted_removed"]
    assert row[cases].tolist() == [100 * 2 / 36, 100 * 2 / 28, 100 * 4 / 32]
    place = read_table(con, "interval_recommendations").iloc[0]
    assert place["unaccounted_for"] == 2
    assert place[[cases[0], "rate_per_100_shackle_years", cases[2]]].tolist() == row[cases].tolist()
