"""What holds for grouped hazards of any fleet."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import xlog1py, xlogy

from pipelines.models.detection import (
    FASTEST_RATE,
    RATE_STEPS,
    SLOWEST_RATE,
    detection_sensitivity,
    rate_if_looks_miss,
    share_in_service_if_looks_miss,
)
from pipelines.models.grouped_likelihood import Cells, cell_log_likelihood, integrated_likelihood
from pipelines.models.hazard import EVERYTHING_REMOVED, fit_hazard

a_few = settings(deadline=None, max_examples=25)
PLACE = ["site", "environment"]
CELLS = ("design", "log_gap", "removed", "kept", "exposure")
LIMITS = ["rate", "rate_lower", "rate_upper", "rate_upper_one_sided"]


@st.composite
def fleets(draw):
    sites = draw(st.integers(5, 9))
    rows = []
    for site in range(sites):
        for _ in range(draw(st.integers(1, 4))):
            environment = draw(st.sampled_from(["indoor dry", "marine spray"]))
            inspected = draw(st.integers(1, 80))
            removed = draw(st.integers(0, max(1, inspected // 4)))
            gap_years = draw(st.sampled_from([1 / 12, 0.25, 0.5, 1.0, 1.5]))
            rows.append((f"site {site}", environment, gap_years, inspected, removed))
    return pd.DataFrame(rows, columns=["site", "environment", "gap_years", "inspected", "removed"])


def fitted(looks):
    looks = looks.assign(client="Brackle Docks", inspected_on=range(len(looks)))
    return fit_hazard(looks, ["environment"], limits_level=0.9, upper_level=0.95)


@a_few
@given(fleets(), st.sampled_from([0.5, 2.0, 7.0]))
def test_k_times_the_gaps_give_a_kth_of_the_rates(looks, k):
    once, longer = fitted(looks), fitted(looks.assign(gap_years=k * looks["gap_years"]))
    np.testing.assert_allclose(longer.rates[LIMITS] * k, once.rates[LIMITS], rtol=1e-4, atol=1e-9)
    assert (longer.effect_sd is None) == (once.effect_sd is None)


@a_few
@given(fleets(), st.randoms(use_true_random=False))
def test_the_order_and_the_names_of_sites_do_not_matter(looks, random):
    names = looks["site"].unique().tolist()
    random.shuffle(names)
    new_names = dict(zip(looks["site"].unique(), names, strict=True))
    shuffled = looks.sample(frac=1, random_state=random.randrange(1000)).assign(
        site=lambda rows: rows["site"].map(new_names)
    )
    rates, again = fitted(looks).rates, fitted(shuffled).rates
    rates = rates.assign(site=rates["site"].map(new_names)).sort_values(PLACE, ignore_index=True)
    np.testing.assert_allclose(again[LIMITS], rates[LIMITS], rtol=1e-4, atol=1e-9)
    assert again["basis"].tolist() == rates["basis"].tolist()


@a_few
@given(fleets())
def test_no_rate_is_without_limits_or_a_reason(looks):
    rates = fitted(looks).rates
    has_rate = rates["rate"].notna()
    assert (rates.loc[has_rate, "rate_lower"] <= rates.loc[has_rate, "rate"]).all()
    assert (rates.loc[has_rate, "rate"] <= rates.loc[has_rate, "rate_upper"]).all()
    assert (rates["rate_lower"] >= 0).all()
    assert (rates.loc[has_rate, "rate_upper"] > 0).all()
    assert (rates.loc[~has_rate, "basis"] == EVERYTHING_REMOVED).all()
    is_pooled = rates["is_pooled"]
    assert (rates.loc[is_pooled, "rate_lower"] > 0).all()
    assert np.isfinite(rates.loc[is_pooled, LIMITS].to_numpy()).all()
    assert len(rates) == len(looks[PLACE].drop_duplicates())


@a_few
@given(st.integers(1, 20), st.integers(1, 8))
def test_less_exposure_is_pulled_further_to_the_fleet(removed, parts):
    # Two sites at three times the fleet's rate, of which one has a part of the other's exposure.
    others = [
        (f"site {site}", "indoor dry", 1.0, 400, expected)
        for site, expected in enumerate([8, 14, 20, 26, 31, 12])
    ]
    full = ("full", "indoor dry", 1.0, 20 * removed * parts, 3 * removed * parts)
    part = ("part", "indoor dry", 1.0, 20 * removed, 3 * removed)
    columns = ["site", "environment", "gap_years", "inspected", "removed"]
    rates = fitted(pd.DataFrame([*others, full, part], columns=columns)).rates.set_index("site")["rate"]
    own = -100 * np.log(1 - 3 / 20)
    assert rates["part"] <= rates["full"] * (1 + 1e-9) < own * (1 + 1e-9)


@a_few
@given(fleets(), st.floats(0.3, 1.0), st.sampled_from([0.5, 3.0]))
def test_k_times_the_gaps_give_a_kth_of_the_rate_whatever_is_missed(looks, detection, k):
    looks = looks.assign(joined=0, removed=looks["removed"].clip(upper=looks["inspected"] // 4))
    once = rate_if_looks_miss(looks, ["site"], detection)
    longer = rate_if_looks_miss(looks.assign(gap_years=k * looks["gap_years"]), ["site"], detection)
    np.testing.assert_allclose(k * longer, once, rtol=1e-5)


@st.composite
def cells_of_units(draw):
    """Cells of a few units with one or two places each, and a log rate for each of their kinds."""
    row = st.tuples(
        st.integers(0, 3), st.integers(0, 1), st.integers(0, 1), st.floats(0.05, 3.0), st.integers(0, 9)
    )
    unit, place, level, gap, removed = np.array(sorted(draw(st.lists(row, min_size=1, max_size=15)))).T
    return Cells(
        design=np.column_stack([np.ones(len(unit)), level]),
        log_gap=np.log(gap),
        removed=removed / 2,
        kept=np.arange(len(unit)) + 0.5,
        exposure=gap,
        unit=np.unique(unit, return_inverse=True)[1],
        place=np.unique(2 * unit + place, return_inverse=True)[1],
    )


@a_few
@given(cells_of_units(), st.floats(-9, 3), st.floats(-2, 2), st.floats(-3, 3))
def test_the_likelihood_of_a_unit_is_the_sum_over_its_cells_whatever_its_hazards(cells, rate, ratio, effect):
    coefficients = np.array([rate, ratio])
    log_hazard = cells.design @ coefficients + effect + cells.log_gap
    by_cell = cell_log_likelihood(log_hazard, cells.removed, cells.kept)
    for groups, number in (
        (cells.units(cells.design_of_kind @ coefficients), cells.unit),
        (cells.places(cells.design_of_kind @ coefficients), cells.place),
    ):
        together = groups.log_likelihood(np.full(number[-1] + 1, effect))
        for sums, parts in zip(together, by_cell, strict=True):
            size = np.bincount(number, np.abs(parts)).max()
            np.testing.assert_allclose(sums, np.bincount(number, parts), rtol=1e-11, atol=1e-11 * size)


@a_few
@given(cells_of_units(), st.floats(-6, 2), st.floats(0.1, 1.5))
def test_units_add_up_and_know_nothing_of_one_another(cells, rate, effect_sd):
    coefficients = np.array([rate, 0.5])
    together = integrated_likelihood(cells, coefficients, np.log(effect_sd))
    alone = [
        integrated_likelihood(
            Cells(
                *(getattr(cells, name)[cells.unit == unit] for name in CELLS),
                unit=np.zeros(np.sum(cells.unit == unit), dtype=int),
                place=cells.place[cells.unit == unit] - cells.place[cells.unit == unit][0],
            ),
            coefficients,
            np.log(effect_sd),
        )
        for unit in range(cells.unit[-1] + 1)
    ]
    for whole, parts in zip(together, zip(*alone, strict=True), strict=True):
        np.testing.assert_allclose(whole, sum(parts), rtol=1e-8, atol=1e-8)


@st.composite
def histories(draw):
    """Looks of a few groups at a few places, from nothing to everything removed, some of them joined by others."""
    look = st.tuples(st.integers(0, 1), st.integers(0, 3), st.floats(0.1, 3.0), st.integers(1, 30))
    shares = st.tuples(st.floats(0, 1), st.sampled_from([0.0, 0.0, 0.5]))
    rows = draw(st.lists(st.tuples(look, shares), min_size=1, max_size=12))
    return pd.DataFrame(
        [
            (place, f"{place} {group}", gap, inspected, round(removed * inspected), int(joined * inspected))
            for (place, group, gap, inspected), (removed, joined) in rows
        ],
        columns=["site", "group", "gap_years", "inspected", "removed", "joined"],
    )


@a_few
@given(histories())
def test_a_place_has_the_rate_it_would_have_alone_whatever_is_missed(looks):
    together = detection_sensitivity(looks, ["site"], ["group"]).set_index(["site", "detection"])["rate"]
    for (site, detection), rate in together.items():
        alone = rate_if_looks_miss(looks[looks["site"] == site], ["group"], detection)
        assert rate == pytest.approx(alone, rel=1e-9, nan_ok=True)


def log_likelihood_of_history(looks, rate, detection):
    """The two states of an item followed look by look, for one rate per item and year."""
    left, total = 0.0, 0.0
    for look in looks.itertuples():
        rejectable = 1 - (1 - left * (1 - look.joined / look.inspected)) * np.exp(-rate * look.gap_years)
        found = detection * rejectable
        total += xlogy(look.removed, found) + xlog1py(look.inspected - look.removed, -found)
        left = (rejectable - found) / (1 - found) if found < 1 else 0.0
    return total


@a_few
@given(histories(), st.sampled_from([1.0, 0.9, 0.5]))
def test_no_rate_is_likelier_than_the_one_found_whatever_is_missed(looks, detection):
    looks = looks.assign(removed=np.minimum(looks["removed"], looks["inspected"] - 1).clip(lower=0))

    def value(rate):
        return sum(log_likelihood_of_history(own, rate, detection) for _, own in looks.groupby("group"))

    found = rate_if_looks_miss(looks, ["group"], detection) / 100
    steps = np.geomspace(SLOWEST_RATE, FASTEST_RATE, RATE_STEPS)
    if steps[0] < found < steps[-1]:
        assert value(found) >= max(value(rate) for rate in steps) - 1e-9


@a_few
@given(st.integers(1, 200), st.floats(0.3, 1.0), st.integers(2, 6))
def test_equal_gaps_after_a_sound_start_hide_at_most_what_the_first_look_misses(removed, detection, looks):
    history = {"group": 1, "gap_years": 0.5, "inspected": 1000, "removed": removed, "joined": 0}
    looks = pd.DataFrame([history] * looks)
    rates = [rate_if_looks_miss(looks, ["group"], share) for share in (1.0, detection)]
    first_look_only = np.log1p(-removed / 1000 / detection) / np.log1p(-removed / 1000)
    assert rates[0] * (1 - 1e-6) <= rates[1] <= rates[0] * first_look_only * (1 + 1e-6)


@settings(deadline=None)
@given(st.floats(0.001, 500), st.floats(1, 24), st.floats(0.3, 1.0))
def test_the_share_in_service_is_a_share_and_falls_with_detection(rate, months, detection):
    share, perfect = share_in_service_if_looks_miss(rate, months, [detection, 1.0])
    assert 0 <= perfect <= share <= 1
