"""What the benchmark does with sites that are alone, thin, dominant or alike."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.contracts import benchmark_rules, load_contract
from pipelines.models.benchmark import compared_sites, inspector_strictness, ratio_parts, site_references
from pipelines.models.benchmark.funnel import measured_spread
from pipelines.models.benchmark.ranking import RatioPrior, fitted_prior, ranks

RULES = benchmark_rules()
LIKE = {
    "client": "Brackle Docks",
    "environment": "indoor dry",
    "service_class": "normal",
    "use_frequency": "daily",
    "size_band": "up to 19 mm",
    "pin": "screw pin",
    "inspected": 100,
}


def cells(*rows: dict) -> pd.DataFrame:
    return pd.DataFrame([LIKE | row for row in rows])


def cell(site: str, observed: int, shackle_years: float, **more) -> dict:
    return {"site": site, "observed": observed, "shackle_years": shackle_years, **more}


def compared(*rows: dict) -> pd.DataFrame:
    return compared_sites(list(site_references(cells(*rows), RULES)), RULES).set_index("site")


def test_a_site_is_left_out_of_its_own_reference_where_it_has_much_of_it():
    # Elsewhere 30 removals in 300 shackle-years; the large site has 40 in 200 and would be half of its own reference.
    sites = compared(cell("Large", 40, 200.0), *[cell(f"Small {n}", 1, 10.0) for n in range(30)])
    assert sites.loc["Large", "is_left_out"]
    assert sites.loc["Large", "expected"] == pytest.approx(20.0)
    assert not sites.loc["Small 0", "is_left_out"]
    assert sites.loc["Small 0", "expected"] == pytest.approx(10.0 * 70 / 500)


def test_each_of_many_sites_is_expected_what_its_environments_had_elsewhere():
    rows = [
        cell(f"Yard {number}", number % 4, 10.0 + number, environment=environment)
        for number in range(60)
        for environment in ("indoor dry", "marine spray")[: 1 + number % 2]
    ]
    rows += [cell("Large", 40, 900.0), cell("Alone", 5, 50.0, environment="cold store")]
    sites = compared(*rows)
    lines = cells(*rows)
    assert set(sites.index[sites["is_left_out"]]) == {"Large", "Alone"}
    for site, own in lines.groupby("site"):
        others = lines if not sites.loc[site, "is_left_out"] else lines[lines["site"] != site]
        sums = others.groupby("environment")[["observed", "shackle_years"]].sum()
        rates = own["environment"].map(sums["observed"] / sums["shackle_years"])
        assert sites.loc[site, "expected"] == pytest.approx((rates * own["shackle_years"]).sum(), rel=1e-8)
        assert sites.loc[site, "observed"] == own["observed"][rates.notna()].sum()


def test_expected_removals_follow_the_mix_of_a_site():
    rows = []
    for number in range(12):
        rows += [
            cell(f"Yard {number}", 10, 100.0),
            cell(f"Yard {number}", 60, 100.0, environment="acid pickling"),
        ]
    # A site that works nearly always in acid: twelve times the removals of the indoor ones, and as expected.
    rows += [cell("Acid House", 60, 100.0, environment="acid pickling"), cell("Acid House", 1, 10.0)]
    sites = compared(*rows)
    assert sites.loc["Acid House", "expected"] == pytest.approx(61.0)
    assert set(sites["flag"]) == {"within"}


def test_a_site_alone_in_an_environment_is_not_compared_there():
    sites = compared(
        cell("North Shed", 10, 100.0),
        cell("South Shed", 12, 100.0),
        cell("South Shed", 50, 20.0, environment="furnace heat"),
    )
    assert sites.loc["South Shed", ["observed", "observed_not_compared"]].tolist() == [12, 50]
    assert sites.loc["South Shed", "shackle_years_not_compared"] == 20.0
    assert "not compared, no reference: furnace heat" in sites.loc["South Shed", "benchmark_note"]
    assert sites.loc["South Shed", "expected"] == pytest.approx(10.0)


def test_a_site_without_any_company_has_no_ratio_and_no_flag():
    sites = compared(
        cell("North Shed", 10, 100.0),
        cell("South Shed", 12, 100.0),
        cell("Press Hall", 50, 20.0, environment="furnace heat"),
    )
    alone = sites.loc["Press Hall"]
    assert [alone["observed"], alone["expected"]] == [0, 0]
    assert alone[["ratio", "ratio_lower", "shrunken_ratio", "flag", "rank"]].isna().all()
    assert alone["benchmark_note"].startswith(
        "no other site to compare with; not compared, no reference: furnace heat"
    )
    assert not alone["stands_out"]


def test_companions_with_few_removals_are_no_reference():
    sites = compared(
        cell("Cold One", 30, 100.0, environment="cold store"),
        cell("Cold Two", RULES.least_reference_removals - 1, 100.0, environment="cold store"),
    )
    assert np.isnan(sites.loc["Cold One", "ratio"])
    # The other way round there are removals enough.
    assert sites.loc["Cold Two", "expected"] == pytest.approx(30.0)


def test_a_level_found_nowhere_else_is_taken_from_the_commonest_like():
    sites = compared(
        cell("North Shed", 10, 100.0),
        cell("South Shed", 12, 100.0),
        cell("Odd Shed", 30, 100.0, service_class="special"),
    )
    assert sites.loc["Odd Shed", "expected"] == pytest.approx(11.0)
    assert "its commonest like stands in" in sites.loc["Odd Shed", "benchmark_note"]


def test_levels_that_the_others_cannot_tell_apart_are_not_guessed():
    # Elsewhere acid is always severe and indoor always normal, so that nobody knows what normal service in acid gives.
    others = [
        row
        for n in range(3)
        for row in (
            cell(f"Shed {n}", 10, 100.0),
            cell(f"Shed {n}", 60, 100.0, environment="acid pickling", service_class="severe"),
        )
    ]
    sites = compared(*others, cell("Odd Shed", 30, 100.0, environment="acid pickling"))
    assert sites.loc["Odd Shed", "expected"] == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("odd", "expected"),
    [
        (cell("Quay", 8, 60.0, environment="marine spray"), 60.0 * 10 / 100),
        # The commonest like of a pin that nobody else has is one with removals, however many bolts there are.
        (cell("Den", 60, 900.0, pin="round pin"), 900.0 * 40 / 400),
    ],
)
def test_counts_of_0_elsewhere_do_not_drive_what_is_expected_beyond_all_bounds(odd, expected):
    # The others had bolt-type pins with removals in spray only, and screw pins never there: from no removal of bolts indoors
    # a model of rates that are multiplied would take that the spray does all of it, and without end.
    sites = compared(
        *[cell(f"Yard {n}", 4, 40.0) for n in range(10)],
        *[cell(f"Yard {n}", 0, 50.0, pin="bolt-type") for n in range(10)],
        *[cell(f"Pier {n}", 2, 20.0, environment="marine spray", pin="bolt-type") for n in range(5)],
        odd,
    )
    of_odd = sites.loc[odd["site"]]
    assert of_odd["is_left_out"]
    assert of_odd["expected"] == pytest.approx(expected)
    assert "its commonest like stands in" in of_odd["benchmark_note"]
    assert sites["expected"].max() < 100


def test_a_site_of_whom_little_is_expected_is_shown_and_not_flagged():
    sites = compared(cell("Tiny", 4, 5.0), *[cell(f"Shed {n}", 10, 100.0) for n in range(4)])
    assert sites.loc["Tiny", "ratio"] > 5
    assert pd.isna(sites.loc["Tiny", "flag"])
    assert "under 1 removal expected, not flagged" in sites.loc["Tiny", "benchmark_note"]


def test_few_removals_are_flagged_as_many_are():
    sites = compared(
        cell("Low", 2, 100.0), cell("High", 60, 100.0), *[cell(f"Shed {n}", 20, 100.0) for n in range(12)]
    )
    assert sites.loc[["Low", "High"], "flag"].tolist() == ["far below", "far above"]
    assert sites["stands_out"].sum() == 2
    assert sites["spread"].unique().tolist() == ["none"]
    assert sites.loc["High", "rank"] == 1
    assert sites.loc["Low", "rank"] == 14


def test_no_cell_gives_no_row():
    nothing = cells(cell("North Shed", 1, 1.0)).head(0)
    assert compared_sites(list(site_references(nothing, RULES)), RULES).empty


def test_one_site_alone_is_shown_without_a_ratio():
    assert np.isnan(compared(cell("North Shed", 10, 100.0))["ratio"]).all()


def test_the_comparison_has_the_columns_of_its_contract():
    sites = compared(cell("North Shed", 10, 100.0), cell("South Shed", 12, 100.0)).reset_index()
    assert set(sites.columns) == set(load_contract("site_benchmark").column_names)


def test_a_few_outliers_do_not_pass_for_spread_and_many_do():
    expected = np.full(20, 50.0)
    alike = np.array([43, 57] * 10)
    one_bad = alike.copy()
    one_bad[0] = 100
    unlike = np.array([30, 70] * 10)
    kinds = [measured_spread(seen, expected, 0.05, 0.1).kind for seen in (alike, one_bad, unlike)]
    assert kinds == ["none", "none", "additive"]


def test_spread_that_only_large_counts_show_is_additive_and_spread_everywhere_multiplicative():
    expected = np.repeat([10.0, 1000.0], 12)
    sign = np.tile([1.0, -1.0], 12)
    additive = expected * (1 + 0.25 * sign)
    multiplicative = expected + 3 * np.sqrt(expected) * sign
    assert measured_spread(additive, expected, 0.05, 0.1).kind == "additive"
    assert measured_spread(multiplicative, expected, 0.05, 0.1).kind == "multiplicative"


def test_sites_that_are_alike_are_drawn_all_the_way():
    prior = fitted_prior([10, 11, 9, 10], [10.0, 10.0, 10.0, 10.0])
    found = ranks([10, 11, 9, 10], [10.0] * 4, prior, 0.95, draws=2000, seed=1)
    assert found["rank_lower"].tolist() == [1] * 4
    assert found["rank_upper"].tolist() == [4] * 4
    assert found["probability_highest_tenth"].tolist() == pytest.approx([0.25] * 4, abs=0.05)


def test_ranks_come_out_the_same_each_time_and_are_sure_where_records_are_many():
    prior = RatioPrior(shape=4.0, mean=1.0)
    observed, expected = [20_000, 12, 8, 5_000], [10_000.0, 10.0, 10.0, 10_000.0]
    found, again = (ranks(observed, expected, prior, 0.95, draws=2000, seed=3) for _ in range(2))
    assert found.equals(again)
    assert found["rank"].tolist() == [1, 2, 3, 4]
    assert found.loc[0, ["rank_lower", "rank_upper"]].tolist() == [1, 1]
    assert found.loc[0, "probability_highest_tenth"] > 0.97
    assert found.loc[1, "rank_upper"] - found.loc[1, "rank_lower"] >= 1


def test_without_a_removal_all_sites_are_alike():
    assert fitted_prior([0, 0], [3.0, 5.0]).shape == pytest.approx(1e6)


def test_stricter_rules_flag_less():
    rows = [cell("High", 34, 100.0), *[cell(f"Shed {n}", 20, 100.0) for n in range(12)]]
    references = list(site_references(cells(*rows), RULES))
    lenient = compared_sites(references, RULES).set_index("site")
    strict = compared_sites(references, replace(RULES, funnel_tail=1e-4, far_funnel_tail=1e-6)).set_index(
        "site"
    )
    assert [lenient.loc["High", "flag"], strict.loc["High", "flag"]] == ["above", "within"]


# What the adjustment did -------------------------------------------------------------------------------------------------


def parts_of(*rows: dict, strictness=None) -> pd.DataFrame:
    parts = ratio_parts(list(site_references(cells(*rows), RULES)), strictness or {})
    return parts.pivot(index="site", columns="part", values=["multiplier", "log_contribution"])


MIXED = [
    cell("Acid House", 90, 100.0, environment="acid pickling", inspected=400),
    cell("Acid House", 3, 30.0, inspected=20),
    cell("Both", 50, 90.0, environment="acid pickling", inspected=100),
    cell("Both", 12, 120.0, size_band="over 19 mm", inspected=120),
    cell("Dry", 20, 150.0, inspected=150),
    cell("Dry", 9, 80.0, size_band="over 19 mm", inspected=80),
    cell("Dry", 8, 10.0, environment="acid pickling", size_band="over 19 mm", inspected=90),
]


def test_parts_add_up_to_the_raw_ratio_on_the_log_scale():
    logs = parts_of(*MIXED, strictness={("Brackle Docks", "Both"): 1.3})["log_contribution"]
    assert logs["raw ratio"].to_numpy() == pytest.approx(
        logs.drop(columns="raw ratio").sum(axis=1).to_numpy(), abs=1e-12
    )
    assert logs.loc["Both", "inspector strictness"] == pytest.approx(np.log(1.3))


def test_the_raw_ratio_is_that_of_removals_per_item_inspected():
    factors = parts_of(*MIXED)["multiplier"]
    assert factors.loc["Acid House", "raw ratio"] == pytest.approx((93 / 420) / (99 / 540), rel=1e-6)
    sites = compared(*MIXED)
    assert factors["what remains"].to_numpy() == pytest.approx(sites["ratio"].to_numpy())


def test_one_difference_alone_is_the_whole_of_the_raw_ratio():
    # Twice the interval of the others, and nothing else: twice as many found at each look.
    others = [cell(f"Shed {n}", 10, 100.0, inspected=100) for n in range(3)]
    factors = parts_of(*others, cell("Slow", 20, 200.0, inspected=100))["multiplier"].loc["Slow"]
    assert factors["raw ratio"] == pytest.approx(2.0)
    assert factors["interval"] == pytest.approx(2.0)
    assert factors.drop(["raw ratio", "interval"]).tolist() == pytest.approx([1.0] * 4)


def test_without_a_removal_the_mix_is_told_and_the_ratio_is_not():
    factors = parts_of(*MIXED, cell("Clean", 0, 100.0))["multiplier"].loc["Clean"]
    assert factors[["raw ratio", "what remains"]].isna().all()
    assert factors[["interval", "environment", "item mix"]].notna().all()


def strictness_of(*rows: dict) -> dict:
    looks = cells(*rows)
    return inspector_strictness(looks, list(site_references(looks, RULES)), RULES)


def test_a_strict_inspector_raises_the_sites_he_works_at():
    # Six inspectors from mild to strict take turns alike, but for the strictest, who does half of Strict Yard's looks.
    multipliers = {"a": 0.7, "b": 0.85, "c": 1.0, "d": 1.15, "e": 1.3, "strict": 1.5}
    years = {
        (site, code): 5000.0 if (site, code) == ("Strict Yard", "strict") else 1000.0
        for site in ("Strict Yard", "Second Yard", "Third Yard")
        for code in multipliers
    }
    rows = [
        cell(site, round(0.1 * multipliers[code] * exposure), exposure, inspector=code)
        for (site, code), exposure in years.items()
    ]
    found = strictness_of(*rows)
    strict, second = (found["Brackle Docks", site] for site in ("Strict Yard", "Second Yard"))
    assert strict > 1 > second
    # By hand: mean multiplier of the looks of one yard, over that of the other.
    assert strict / second == pytest.approx((12.5 / 10) / (6.5 / 6), rel=0.02)


def test_nothing_is_said_of_inspectors_who_work_at_one_site_only():
    rows = [cell(site, 10 + n, 100.0, inspector=f"{site} {n}") for site in ("One", "Two") for n in range(4)]
    assert strictness_of(*rows) == {}


def test_nothing_is_said_of_a_handful_of_inspectors_or_of_none():
    named = [cell(site, 10, 100.0, inspector=code) for site in ("One", "Two") for code in "AB"]
    nameless = [cell(site, 10, 100.0, inspector="") for site in ("One", "Two")]
    assert strictness_of(*named) == {}
    assert strictness_of(*nameless) == {}


def test_inspectors_of_two_clients_are_different_people():
    rows = [
        cell("Yard", 30 if code == "A" else 10, 100.0, inspector=code, client=client)
        for client in ("Brackle Docks", "Ferrow Mills")
        for code in "ABCDEF"
    ]
    assert strictness_of(*rows) == {}
