from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from pipelines.contracts import order_terms
from pipelines.models.forecast import kind_factors, kind_rates
from pipelines.models.planning import Scenario, make_forecast
from pipelines.tables import compute_tables, read_table
from pipelines.tables.forecast_backtest import forecast_backtest
from pipelines.tables.replacement_forecast import planning_inputs

SHED = {"site": "North Shed"}
WALL = {"site": "Sea Wall", "item_class": "bow 22 mm", "pin": "bolt-type", "nominal_size_mm": 22.0}
YEARLY = [("periodic", f"20{year}-03-05", 400, 40, {"replaced": 40} | SHED) for year in range(20, 26)]
TWICE = [
    ("periodic", f"20{year}-{month}-10", 50, 2, {"replaced": 2} | WALL)
    for year in range(20, 26)
    for month in ("01", "07")
]


def forecasts(con):
    con.execute("update site_register set current_interval_months = 6 where site = 'Sea Wall'").fetchall()
    compute_tables(con)
    return read_table(con, "replacement_forecast"), read_table(con, "forecast_totals")


def test_a_row_for_each_site_class_and_month_and_sums_beside_them(store_of):
    rows, totals = forecasts(store_of(*YEARLY, *TWICE))
    assert rows.groupby(["site", "item_class"]).size().to_dict() == {
        ("North Shed", "bow 16 mm"): 12, ("Sea Wall", "bow 22 mm"): 12,
    }  # fmt: skip
    assert rows["month"].min() == "2025-08"
    assert rows["items_in_service"].unique().tolist() == [400, 50]
    client = totals[totals["site"].isna() & totals["item_class"].isna()]
    assert client["expected"].sum() == pytest.approx(rows["expected"].sum())
    assert len(totals) == 12 * (1 + 2 + 2)
    assert set(rows["basis"]) == {"the place's own looks"}


def test_a_yearly_place_spikes_when_it_falls_due(store_of):
    rows, _ = forecasts(store_of(*YEARLY, *TWICE))
    shed = rows[rows["site"] == "North Shed"].set_index("month")["expected"]
    assert shed["2026-02":"2026-03"].sum() == pytest.approx(shed.sum())
    assert 35 < shed.sum() < 45
    # Two a year of fifty: seldom, but in two months.
    wall = rows[rows["site"] == "Sea Wall"].set_index("month")["expected"]
    assert 3 < wall.sum() < 5


def test_recommended_intervals_stand_beside_the_current_ones(store_of):
    rows, _ = forecasts(store_of(*YEARLY, *TWICE))
    shed = rows[rows["site"] == "North Shed"]
    # At 10 % a year the targets ask for far more looks than one a year.
    assert (shed["expected_at_recommended"] > 0).sum() > 4 > (shed["expected"] > 0).sum()


def test_what_the_inputs_say_of_a_place(store_of):
    frequent = ("frequent", "2025-05-01", 5, 10, {"replaced": 10} | SHED)
    con = store_of(*YEARLY, *TWICE, frequent)
    compute_tables(con)
    inputs = planning_inputs(con, date(2025, 7, 31))
    shed, wall = (inputs.fleet.set_index("site").loc[site] for site in ("North Shed", "Sea Wall"))
    assert shed[["quantity", "days_since_start", "current_interval_months"]].tolist() == [390, 148, 12]
    assert wall[["size_band", "pin"]].tolist() == ["above 19 to 38 mm", "bolt-type"]
    by_year = inputs.history[inputs.history["site"] == "North Shed"].set_index("years_ago")["removed"]
    assert by_year.to_dict() == {0: 40, 1: 40, 2: 40, 3: 40, 4: 40}
    assert sorted(inputs.gaps["gap_days"].unique()) == [181, 182, 184, 365, 366]


def test_removals_found_between_looks_are_a_share_of_all(store_of):
    lines = [
        ("periodic", "2023-01-01", 100, 0),
        ("frequent", "2023-06-01", 1, 1),
        ("periodic", "2024-01-01", 99, 3),
    ]
    con = store_of(*lines)
    compute_tables(con)
    assert planning_inputs(con, date(2024, 1, 31)).fleet["share_found_between"].tolist() == [0.25]


def test_with_too_little_exposure_nothing_is_forecast_and_the_row_says_so(store_of):
    rows, totals = forecasts(store_of(("periodic", "2025-07-01", 3, 0), ("periodic", "2025-07-20", 3, 0)))
    assert rows["expected"].isna().all()
    assert set(rows["basis"]) == {"no exposure to forecast from"}
    assert totals.empty


def test_earlier_forecasts_are_held_against_what_came(store_of):
    con = store_of(*YEARLY, *TWICE)
    compute_tables(con)
    found = forecast_backtest(con, date(2025, 7, 31)).set_index("summed_over")
    # 2 groups or classes, over 12, 9, 6 and 3 months.
    assert found["forecasts"].tolist() == [60, 60, 30]
    # From the origins a year, nine and six months back the look of March 2025 is still to come.
    assert found.loc["all of a client", "observed"] == 3 * 40 + (2 + 2) + (2 + 2) + 2 + 2
    assert abs(found.loc["all of a client", "bias"]) < 0.25
    assert (found["loss_to_last_12"] < 1).all()


def test_records_of_less_than_fifteen_months_are_too_short_to_look_back(store_of):
    lines = [("periodic", "2025-01-01", 100, 0), ("periodic", "2025-12-01", 100, 3)]
    con = store_of(*lines)
    assert forecast_backtest(con, date(2025, 12, 31)).empty


def test_the_table_holds_what_the_model_says(store_of):
    con = store_of(*YEARLY, *TWICE)
    rows, _ = forecasts(con)
    forecast = make_forecast(planning_inputs(con, date(2025, 7, 31)), replace(Scenario(order_terms())))
    assert forecast.by_group()["expected"].tolist() == rows["expected"].tolist()


def test_size_service_and_use_of_the_fitted_model_reach_the_forecast(store_of):
    """What is made four times as likely by size, and twice by use, is so in the factors that a forecast takes."""
    con = store_of(
        *(
            ("periodic", f"20{year}-03-05", 400, removed, {"replaced": removed, "nominal_size_mm": size, "site": site, "item_class": f"{size}"})
            for year in range(20, 26)
            for site, times in (("A", 2), ("B", 1), ("C", 2), ("D", 1), ("E", 2), ("F", 1))
            for size, removed in ((16.0, 4 * times), (22.0, 16 * times))
        )
    )  # fmt: skip
    con.execute(
        "update site_register set service_class = if(site in ('A', 'C', 'E'), 'severe', 'normal'), current_interval_months = 3,"
        " use_frequency = if(site in ('B', 'F'), 'occasional', 'daily')"
    ).fetchall()
    compute_tables(con)
    inputs = planning_inputs(con, date(2025, 3, 31))
    bands = pd.DataFrame({"size_band": ["up to 19 mm", "above 19 to 38 mm"], "pin": None})
    small, large = kind_factors(inputs.model, bands)
    assert large / small == pytest.approx(4, rel=0.1)
    kinds = pd.DataFrame(
        {"environment": "indoor dry", "service_class": ["severe", "normal"], "use_frequency": "daily"}
    )
    severe, normal = kind_rates(inputs.model, kinds, 0.9).mean(axis="columns")
    assert severe / normal == pytest.approx(2, rel=0.2)
