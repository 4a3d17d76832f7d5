import pytest

from pipelines.tables import compute_tables, read_table


def breakdown(con, site="North Shed"):
    compute_tables(con)
    return read_table(con, "reason_breakdown", site=site).set_index("criterion")


def wear(removed):
    return {"reasons": [("wear over limit", removed, removed)]}


def test_in_service_removals_by_primary_criterion(store_of):
    frame = breakdown(
        store_of(
            ("periodic", "2020-01-01", 50, 2, wear(2)),
            ("frequent", "2021-01-01", 3, 3, wear(3)),
            ("initial", "2021-01-01", 30, 4, {"reasons": [("identification missing", 4, 4)]}),
            (
                "periodic",
                "2024-01-01",
                45,
                5,
                {"reasons": [("wear over limit", 4, 4), ("thread damage", 1, 3)]},
            ),
        )
    )
    assert frame["removed"].to_dict() == {
        "identification missing": 0,
        "thread damage": 1,
        "wear over limit": 9,
    }
    assert frame["mentions"].tolist() == [0, 3, 9]
    # The backlog of the first look has no exposure; the removal between the looks has.
    assert frame["removed_at_risk"].tolist() == [0, 1, 7]
    assert frame["tier"].tolist() == ["identification", "pin and fit", "load-bearing"]
    assert frame["share"].isna().all()
    assert frame["rate_note"].str.startswith("under 20 removals, no shares").all()


def test_rates_of_the_criteria_add_up_to_the_removal_rate(store_of):
    con = store_of(
        ("periodic", "2020-01-01", 50, 0),
        (
            "periodic",
            "2024-01-01",
            50,
            25,
            {"reasons": [("wear over limit", 15, 20), ("heat damage", 10, 10)]},
        ),
    )
    frame = breakdown(con)
    rate = read_table(con, "interval_recommendations")["rate_per_100_shackle_years"].iloc[0]
    assert frame["per_100_shackle_years"].sum() == pytest.approx(rate)
    assert frame["share"].to_dict() == {"heat damage": 0.4, "wear over limit": 0.6}
    assert (frame["share_lower"] < frame["share"]).all()


def test_criteria_that_an_exporter_never_ticked_are_absent_and_those_it_did_are_0(store_of):
    elsewhere = {"site": "Sea Wall"}
    other_log = {"site": "Sea Wall", "source": "other-log", "reasons": [("heat damage", 1, 1)]}
    con = store_of(
        ("periodic", "2024-01-01", 50, 2, wear(2)),
        ("periodic", "2024-01-01", 50, 1, elsewhere | {"reasons": [("thread damage", 1, 1)]}),
        ("periodic", "2024-01-02", 50, 1, other_log),
    )
    assert breakdown(con)["removed"].to_dict() == {"thread damage": 0, "wear over limit": 2}
    assert breakdown(con, "Sea Wall")["removed"].to_dict() == {
        "heat damage": 1,
        "thread damage": 1,
        "wear over limit": 0,
    }


def test_change_against_the_year_before_goes_by_the_month_of_the_look(store_of):
    row = breakdown(
        store_of(
            ("periodic", "2022-06-30", 100, 0),
            ("frequent", "2022-07-01", 3, 3, wear(3)),
            ("periodic", "2024-02-29", 97, 0),
            ("frequent", "2024-03-01", 7, 7, wear(7)),
            ("periodic", "2025-02-28", 90, 0),
        )
    ).loc["wear over limit"]
    # The last 12 months are March 2024 to February 2025; the look of 29 February belongs to the 12 before.
    last_years = (90 * 365 + 7 * 1) / 365.25
    prior_years = (97 * 609 + 3 * 1) / 365.25
    assert row["rate_last_12_months"] == pytest.approx(100 * 7 / last_years)
    assert row["rate_prior_12_months"] == pytest.approx(100 * 3 / prior_years)
    assert row["change_vs_prior_year"] == pytest.approx(100 * (7 / last_years - 3 / prior_years))


def test_a_serialised_item_removed_between_looks_has_its_reason_counted_at_risk(store_of):
    gone, other = {"serial": "N-17"}, {"serial": "N-18"}
    frame = breakdown(
        store_of(
            ("periodic", "2020-01-01", 1, 0, gone),
            ("periodic", "2020-01-01", 1, 0, other),
            ("frequent", "2021-01-01", 1, 1, gone | wear(1)),
            ("periodic", "2024-01-01", 1, 0, other),
        )
    )
    assert frame["removed_at_risk"].tolist() == [1]


def test_a_reason_counts_at_risk_where_the_gap_of_a_moved_item_was_closed(store_of):
    tag = {"serial": "N-17"}
    con = store_of(
        ("periodic", "2020-01-01", 1, 0, tag),
        ("frequent", "2021-01-01", 1, 1, tag | wear(1)),
        ("periodic", "2024-01-01", 1, 1, tag | {"site": "Sea Wall", "reasons": [("heat damage", 1, 1)]}),
    )
    at_first, then = (
        breakdown(con, site)[["removed", "removed_at_risk"]] for site in ("North Shed", "Sea Wall")
    )
    assert at_first.loc["wear over limit"].tolist() == [1, 0]
    assert then.loc["wear over limit"].tolist() == [0, 1]
    assert then.loc["heat damage"].tolist() == [1, 1]
