import numpy as np
import pandas as pd
import pytest

from pipelines.models.forecast import (
    BANDS,
    FLEET,
    KIND,
    NONE,
    OWN,
    POOLED,
    Calendar,
    bands,
    forecast_rates,
    kind_factors,
    kind_rates,
    observed_slips,
    removed_by_month,
    simulate_removals,
)

MONTH_ENDS = np.arange(1, 13) * 30.5
MODEL = pd.DataFrame(
    [
        ("all", "reference levels", 8.0, 6.0, 10.0),
        ("environment", "marine spray", 2.0, 1.5, 2.6),
        ("environment", "indoor dry", 1.0, None, None),
        ("size band", "above 38 mm", 0.5, 0.4, 0.6),
        ("pin", "bolt-type", 0.8, 0.7, 0.9),
        ("service class", "severe", 1.5, 1.5, 1.5),
        ("use frequency", "occasional", 0.5, 0.5, 0.5),
        ("spread of places", None, 0.3, None, None),
    ],
    columns=["covariate", "level", "estimate", "estimate_lower", "estimate_upper"],
)


def fleet(**columns) -> pd.DataFrame:
    """One class in service at the Sea Wall, looked at yearly, last time ten months ago."""
    row = {
        "client": "Brackle Docks",
        "site": "Sea Wall",
        "environment": "marine spray",
        "item_class": "16 mm",
        "kind_factor": 1.0,
        "quantity": 100,
        "days_since_start": 310,
        "interval_months": 12,
        "share_found_between": 0.0,
    }
    widest = max((len(value) for value in columns.values() if isinstance(value, list)), default=1)
    return pd.DataFrame(row | columns, index=range(widest))


def history(**columns) -> pd.DataFrame:
    """The same class, 100 shackle-years in the last 12 months and 100 in those before, 10 removed in each."""
    row = {name: fleet()[name].iloc[0] for name in ("client", "site", "environment", "item_class")}
    return pd.DataFrame(
        row | {"kind_factor": 1.0, "years_ago": [0, 1], "removed": 10, "shackle_years": 100.0} | columns
    )


def places(of: pd.DataFrame, **columns) -> pd.DataFrame:
    known = {
        "pooled_rate_lower": 8.0, "pooled_rate_upper": 12.0, "kind_rate_lower": 5.0, "kind_rate_upper": 20.0,
        "is_pooled": True,
    }  # fmt: skip
    names = of[["client", "site", "environment"]].drop_duplicates()
    return names.assign(**known | columns)


def expected_by_month(of: pd.DataFrame, calendar: Calendar | None = None) -> list[float]:
    """Removals expected of all rows together in each month."""
    rates = forecast_rates(of, history(), places(of), 0.9)
    rounds = simulate_removals(of, rates, calendar or Calendar())
    samples = removed_by_month(rounds, MONTH_ENDS, np.zeros(len(of), dtype=int), of["quantity"].to_numpy())
    return samples.mean(axis=2)[0].tolist()


@pytest.mark.parametrize(
    ("known", "past", "basis", "rate"),
    [
        ({}, {}, POOLED, 0.099),
        ({"is_pooled": False}, {}, OWN, 20.5 / 200),
        ({"is_pooled": False}, {"shackle_years": 0.2, "removed": 0}, KIND, 0.108),
        ({"is_pooled": False, "kind_rate_lower": None}, {"site": "North Shed"}, FLEET, 20.5 / 200),
        ({"is_pooled": False, "kind_rate_lower": None}, {"shackle_years": 0.2, "removed": 0}, NONE, 0.0),
    ],
)
def test_what_a_rate_rests_on(known, past, basis, rate):
    rates = forecast_rates(fleet(), history(**past), places(fleet(), **known), 0.9)
    assert rates.basis.tolist() == [basis]
    assert rates.of_place.mean[0] == pytest.approx(rate, abs=0.001)
    assert rates.has_rate.tolist() == [basis != NONE]


def test_places_without_history_or_kind_all_take_the_rate_of_the_fleet():
    three = fleet(site=["Yard 0", "Yard 1", "Yard 2"])
    known = places(three, is_pooled=False, kind_rate_lower=None)
    rates = forecast_rates(three, history(), known, 0.9)
    assert rates.basis.tolist() == [FLEET] * 3
    assert rates.of_place.mean.tolist() == pytest.approx([20.5 / 200] * 3)


def test_a_row_without_a_rate_is_left_out_rather_than_drawn_as_nothing():
    known = places(fleet(), is_pooled=False, kind_rate_lower=None)
    rates = forecast_rates(fleet(), history(shackle_years=0.2, removed=0), known, 0.9)
    assert simulate_removals(fleet(), rates, Calendar()) == []


def test_a_new_item_class_is_taken_like_its_size_and_pin():
    both = fleet(item_class=["16 mm", "51 mm"], kind_factor=[1.0, 0.5])
    rates = forecast_rates(both, history(), places(both), 0.9)
    assert (rates.factor * rates.of_row.mean).tolist() == pytest.approx([1.0, 0.5], abs=0.02)


def test_a_class_that_goes_faster_than_its_like_keeps_some_of_it():
    classes = ["a", "b", "c", "d", "e", "f"]
    both = fleet(item_class=classes)
    past = pd.concat(
        [
            history(item_class=name, removed=removed)
            for name, removed in zip(classes, (40, 9, 11, 10, 8, 12), strict=True)
        ]
    )
    rates = forecast_rates(both, past, places(both, pooled_rate_lower=14.0, pooled_rate_upper=16.0), 0.9)
    ratio = rates.of_class.mean[rates.item_class] * rates.of_row.mean
    assert 2 < ratio[0] < 2.7
    assert (ratio[1:] < 1).all()


def test_a_class_that_only_one_other_client_has_does_not_tell_of_it():
    clients = ["Brackle Docks", "Brackle Docks", "Gannet Rigs"]
    both = fleet(client=clients, item_class=["16 mm", "51 mm", "51 mm"])

    def ratio(removed_there, alone):
        common = [history(client=client, item_class="16 mm") for client in ("Brackle Docks", "Gannet Rigs")]
        there = history(client="Gannet Rigs", item_class="51 mm", removed=removed_there)
        rates = forecast_rates(both, pd.concat([*common, there]), places(both), 0.9, alone)
        return rates.of_class.mean[rates.item_class][1]

    assert ratio(40, None) > 1.5 * ratio(1, None)
    own = pd.MultiIndex.from_tuples([("Brackle Docks", "51 mm")])
    assert ratio(40, own) == ratio(1, own) == 1.0


def test_a_place_that_turned_bad_last_year_stays_so_as_far_as_years_differ():
    names = [f"Yard {number}" for number in range(8)]
    many = fleet(site=names)
    past = pd.concat([history(site=name, removed=[30 if name == "Yard 0" else 10, 10]) for name in names])
    rates = forecast_rates(many, past, places(many), 0.9)
    assert 1.2 < rates.of_year.mean[0] < 3
    assert rates.of_year.mean[1:] == pytest.approx(1.0, abs=0.2)


def test_a_yearly_look_makes_a_yearly_spike():
    # Due in 55 days, in the second month, so that the whole year's removals fall into one month.
    months = expected_by_month(fleet())
    assert months[1] == pytest.approx(100 * -np.expm1(-0.1), rel=0.06)
    assert sum(months) == months[1]


def test_monthly_looks_spread_the_same_removals_over_the_year():
    months = expected_by_month(fleet(interval_months=1, days_since_start=0))
    assert sum(months) == pytest.approx(10, rel=0.06)
    assert max(months) < 1.5


def test_an_overdue_inspection_is_held_in_the_first_month_with_all_that_has_gathered():
    months = expected_by_month(fleet(days_since_start=700))
    assert months[0] == pytest.approx(100 * -np.expm1(-0.1 * 715 / 365.25), rel=0.06)
    assert sum(months[1:11]) == 0


def test_what_daily_looks_find_is_found_before_the_look():
    months = expected_by_month(fleet(share_found_between=0.5, days_since_start=0, interval_months=6))
    whole = expected_by_month(fleet(days_since_start=0, interval_months=6))
    assert sum(months) == pytest.approx(sum(whole), rel=0.1)
    assert sum(month > 0 for month in months) == 12
    assert sum(month > 0 for month in whole) == 2


def test_slips_spread_a_look_over_the_months_near_its_day():
    slips = observed_slips(pd.DataFrame({"gap_days": [335, 365, 396] * 4, "interval_months": 12}))
    months = expected_by_month(fleet(days_since_start=288), Calendar(slips))
    assert months[1] > 1
    assert months[2] > 1
    assert sum(months[5:]) == 0


def test_slips_of_an_interval_seen_seldom_are_those_of_all():
    gaps = pd.DataFrame({"gap_days": [30.4375] * 8 + [400, 2000], "interval_months": [1] * 8 + [12, 12]})
    slips = observed_slips(gaps)
    assert slips[1].tolist() == pytest.approx([0.0] * 8)
    # Nobody plans on a gap of five years.
    assert len(slips[12]) == 9
    assert observed_slips(gaps.tail(1)) == {}


def test_a_growing_fleet_loses_more_and_an_item_only_once_a_month():
    assert sum(expected_by_month(fleet(), Calendar(growth=1.0))) > 1.1 * sum(expected_by_month(fleet()))
    rates = forecast_rates(
        fleet(),
        history(site="North Shed"),
        places(fleet(), pooled_rate_lower=4e4, pooled_rate_upper=5e4),
        0.9,
    )
    # Looks a month apart, give or take half of one, so that two now and then fall in one month; each removes everything.
    monthly, uneven = fleet(interval_months=1), Calendar(slips={1: np.array([-0.5, 0.5])})
    rounds = simulate_removals(monthly, rates, uneven)
    samples = removed_by_month(rounds, MONTH_ENDS, np.array([0]), np.array([100]))
    assert samples.max() == 100


def test_looks_that_differ_widen_the_bands_and_leave_the_mean():
    def found(look_sd):
        rates = forecast_rates(fleet(quantity=5000), history(), places(fleet()), 0.9)
        rounds = simulate_removals(fleet(quantity=5000), rates, Calendar(look_sd=look_sd))
        return removed_by_month(rounds, MONTH_ENDS, np.array([0]), np.array([5000]))[0, 1]

    assert found(0.5).std() > 2 * found(0.0).std()
    assert found(0.5).mean() == pytest.approx(found(0.0).mean(), rel=0.06)


def test_the_draws_of_a_place_do_not_hang_on_who_else_is_there():
    both = fleet(site=["Sea Wall", "North Shed"])
    rates = forecast_rates(both, history(), places(both), 0.9)
    everybody = simulate_removals(both, rates, Calendar())
    alone = simulate_removals(both, rates, Calendar(), is_wanted=np.array([True, False]))
    assert len(everybody) == 2
    assert len(alone) == 1
    (same,) = [each for each in everybody if each.rows.tolist() == [0]]
    assert (same.removed == alone[0].removed).all()


def test_bands_take_whole_counts_that_the_draws_reach():
    drawn = np.array([[0.0, 1.0, 1.0, 9.0]])
    assert bands(drawn)[BANDS].to_numpy().tolist() == [[2.75, 0.0, 9.0, 0.0, 9.0]]


def test_the_rate_of_a_kind_is_the_product_of_its_factors():
    kinds = pd.DataFrame(
        {
            "environment": ["marine spray", "cold store", "indoor dry"],
            "service_class": ["normal", "normal", "severe"],
            "use_frequency": ["daily", "daily", "occasional"],
        }
    )
    found = kind_rates(MODEL, kinds, 0.9)
    middle = np.sqrt(found["kind_rate_lower"] * found["kind_rate_upper"])
    assert middle.tolist() == pytest.approx([16.0, 8.0, 6.0])
    # The limits of the base rate, of the factor and of the spread of places together.
    reach = np.sqrt(np.log(10 / 6) ** 2 / 4 + np.log(2.6 / 1.5) ** 2 / 4 + (0.3 * 1.6449) ** 2)
    assert np.log(found["kind_rate_upper"][0] / 16) == pytest.approx(reach, abs=1e-4)
    assert kind_rates(MODEL.iloc[:0], kinds, 0.9).isna().all().all()


def test_size_and_pin_make_a_factor():
    classes = pd.DataFrame({"size_band": ["above 38 mm", "up to 19 mm"], "pin": ["bolt-type", None]})
    assert kind_factors(MODEL, classes).tolist() == [0.4, 1.0]
