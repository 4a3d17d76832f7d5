import re

import pytest

from pipelines.charts import Figure, environment_rates_chart, interval_chart


def panels(chart):
    """The rows of each client's panel, in the order of its axis."""
    spec = chart.to_dict()
    return {
        part["title"]["text"]: part["layer"][0]["encoding"]["y"]["scale"]["domain"]
        for part in spec["vconcat"]
    }


def test_rates_come_with_the_best_supported_one_first(places):
    thin = places.head(1).assign(
        site="Thin", rate_per_100_shackle_years=50.0, rate_lower=0.1, rate_upper=300.0
    )
    together = places.head(2)._append(thin, ignore_index=True)
    assert panels(environment_rates_chart(together)) == {
        "Brackle Docks": ["Sea Wall, marine spray", "North Shed, indoor dry", "Thin, marine spray"]
    }


def test_each_client_has_a_panel_of_its_own(places):
    assert list(panels(environment_rates_chart(places))) == ["Brackle Docks", "Ferrow Mills"]
    assert list(panels(interval_chart(places))) == ["Brackle Docks", "Ferrow Mills"]


def test_counts_and_missing_rates_are_said_beside_the_marks(places):
    svg = Figure(environment_rates_chart(places), "", "").svg()
    assert ">40 in 400<" in svg
    assert ">no rate: 0 in 0.5<" in svg


def test_intervals_come_with_the_strongest_shortening_first_and_say_the_change(places):
    chart = interval_chart(places)
    assert panels(chart)["Brackle Docks"] == ["Sea Wall, marine spray", "North Shed, indoor dry"]
    svg = Figure(chart, "", "").svg()
    for words in ("12 to 4", "3 to 12, sign-off", "stays 3", "recommended, sign-off needed", "current"):
        assert f">{words}<" in svg


def test_only_what_is_drawn_goes_into_the_page(places):
    for chart in (environment_rates_chart(places), interval_chart(places)):
        assert "share found" not in chart.to_json()


@pytest.mark.parametrize("draw", [environment_rates_chart, interval_chart])
def test_no_place_at_all_is_an_empty_drawing(places, draw):
    assert "<svg" in Figure(draw(places.head(0)), "", "").svg()


@pytest.mark.parametrize("draw", [environment_rates_chart, interval_chart])
def test_a_long_name_is_cut_in_its_middle_so_that_environment_and_number_stay(places, draw):
    long = "Yard of the North-Western Harbour Extension, Lower Store"
    sites = [f"{long} 1", f"{long} 2", "Press Hall"]
    svg = Figure(draw(places.assign(site=sites)), "", "").svg()
    labels = [label for label in re.findall(r">([^<>]+, (?:marine spray|indoor dry|furnace heat))<", svg)]
    assert sorted(labels) == [
        "Press Hall, furnace heat",
        "Yard of the …wer Store 2, indoor dry",
        "Yard of the…er Store 1, marine spray",
    ]
