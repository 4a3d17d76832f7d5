import numpy as np
import pandas as pd
import pytest

from pipelines.models.detection import (
    detection_sensitivity,
    rate_if_looks_miss,
    share_in_service_if_looks_miss,
)
from pipelines.models.hazard import fit_hazard, gap_exponent
from pipelines.models.intervals import share_in_service


def history(removed, gap_years=1.0, inspected=1000, joined=0):
    return pd.DataFrame(
        {"group": "A", "gap_years": gap_years, "inspected": inspected, "removed": removed, "joined": joined}
    )


def test_perfect_looks_give_the_plain_rate():
    assert rate_if_looks_miss(history([95, 95]), ["group"], 1.0) == pytest.approx(
        -100 * np.log(1 - 0.095), rel=1e-6
    )


def test_one_look_after_a_sound_start_finds_only_its_share():
    # d (1 - exp(-rate)) = 0.08 at d = 0.8.
    assert rate_if_looks_miss(history([80]), ["group"], 0.8) == pytest.approx(-100 * np.log(0.9), rel=1e-6)


def test_what_a_look_missed_is_found_at_the_next():
    # rate 0.2, d 0.5, by hand: q = 0.18127; first look finds q/2; the second has q of the sound and all that was left.
    q = -np.expm1(-0.2)
    left = 0.5 * q / (1 - 0.5 * q)
    second = 0.5 * (1 - (1 - left) * (1 - q))
    looks = history([q / 2 * 1e6, second * 1e6], inspected=1e6)
    assert rate_if_looks_miss(looks, ["group"], 0.5) == pytest.approx(20, rel=1e-6)


def test_in_balance_misses_leave_the_rate_as_it_was():
    # After 60 looks at a steady gap the start no longer matters: found is q whatever is missed.
    long = history([95] * 60)
    assert rate_if_looks_miss(long, ["group"], 0.8) / rate_if_looks_miss(
        long, ["group"], 1.0
    ) == pytest.approx(1, abs=0.01)


def test_joiners_are_sound():
    # Everyone at the second look is new, so it too finds only its share.
    looks = history([80, 80], joined=[0, 1000])
    assert rate_if_looks_miss(looks, ["group"], 0.8) == pytest.approx(-100 * np.log(0.9), rel=1e-6)


@pytest.mark.parametrize(
    ("removed", "detection"),
    [
        ([1000], 1.0),
        ([1000, 1000], 0.8),
        ([800], 0.8),
        ([900], 0.8),
    ],  # found is never above d at a first look
)
def test_no_rate_is_given_where_none_is_too_high_to_agree(removed, detection):
    assert np.isnan(rate_if_looks_miss(history(removed), ["group"], detection))


def test_an_empty_rate_says_why_and_leaves_others_as_they_are():
    looks = pd.concat([history([900]).assign(site="X"), history([1000]).assign(site="Y", group="B")])
    table = detection_sensitivity(looks, ["site"], ["group"])
    assert table["rate"].isna().tolist() == [False, True, True, True, True, True]
    assert table["rate"].iloc[0] == pytest.approx(-100 * np.log(0.1))
    assert table["factor"].isna().equals(table["rate"].isna())
    assert (
        table["rate_note"].dropna().tolist() == ["so much was removed that no rate is too high to agree"] * 5
    )
    assert table["rate_note"].isna().tolist() == [True] + [False] * 5


def test_the_sensitivity_shows_three_detections_for_each_place():
    looks = pd.concat([history([80]).assign(site="X"), history([0]).assign(site="Y", group="B")])
    table = detection_sensitivity(looks, ["site"], ["group"])
    assert table[["site", "detection"]].to_numpy().tolist() == [
        [site, detection] for site in "XY" for detection in (1.0, 0.9, 0.8)
    ]
    assert table["factor"].tolist() == pytest.approx([1, 1.11644, 1.26359, 1, 1, 1], abs=1e-5)
    assert table["rate"].tolist()[3:] == [0, 0, 0]


def test_the_share_in_service_is_that_of_perfect_looks_where_nothing_is_missed():
    rates, months = np.array([0.1, 5.0, 50.0]), np.array([1, 12, 12])
    assert share_in_service_if_looks_miss(rates, months, 1.0) == pytest.approx(
        share_in_service(rates, months), abs=1e-9
    )


def test_the_share_in_service_rises_by_the_missed_over_the_found():
    x = 0.001
    rise = share_in_service_if_looks_miss(100 * x, 12, 0.8) - share_in_service_if_looks_miss(100 * x, 12, 1.0)
    assert rise == pytest.approx(0.2 / 0.8 * x, rel=0.01)


def test_nothing_is_rejectable_at_no_rate_and_everything_at_a_great_one():
    assert share_in_service_if_looks_miss([0.0, 1e4], 12, 0.8).tolist() == [0, 1]


def test_a_simulated_site_has_the_derived_shares_in_balance():
    generator = np.random.default_rng(5)
    rate, gap, detection, items = 0.3, 0.5, 0.7, 200_000
    rejectable_since = np.full(items, np.inf)  # years before the coming look
    found, in_service = [], []
    for look in range(30):
        sound = np.isinf(rejectable_since)
        onset = generator.exponential(1 / rate, items)
        time_rejectable = np.where(sound, np.maximum(gap - onset, 0), gap)
        rejectable = ~sound | (onset < gap)
        is_found = rejectable & (generator.random(items) < detection)
        if look >= 20:
            found.append(is_found.mean())
            in_service.append(time_rejectable.mean() / gap)
        # Removed items are not replaced: the simulation keeps the population that was not found.
        keep = ~is_found
        state = rejectable[keep]
        rejectable_since = np.where(generator.choice(state, items), 0.0, np.inf)
    assert np.mean(found) == pytest.approx(-np.expm1(-rate * gap), abs=0.002)
    derived = share_in_service_if_looks_miss(100 * rate, 12 * gap, detection)
    assert np.mean(in_service) == pytest.approx(derived, abs=0.002)


def test_missed_defects_pull_the_exponent_of_unlike_gaps_below_one():
    # Gaps of one and eleven months in turn: the short gap after a long one finds what the long one left.
    rate, detection, left, rows = 0.2, 0.6, 0.0, []
    for gap in [1 / 12, 11 / 12] * 10:
        rejectable = 1 - (1 - left) * np.exp(-rate * gap)
        rows.append(
            {
                "site": "A",
                "gap_years": gap,
                "inspected": 5000,
                "removed": round(5000 * detection * rejectable),
            }
        )
        left = (1 - detection) * rejectable / (1 - detection * rejectable)
    sites = [pd.DataFrame(rows).assign(site=site, inspected_on=range(20)) for site in "ABCDE"]
    looks = pd.concat(sites).assign(client="Brackle Docks", environment="marine spray")
    exponent = gap_exponent(fit_hazard(looks, [], limits_level=0.9, upper_level=0.95))
    assert exponent.estimate < 0.8
    assert exponent.p_value < 1e-6
