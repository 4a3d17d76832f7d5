import numpy as np
import pandas as pd
import pytest

from pipelines.faults import DataFault
from pipelines.models.grouped_likelihood import maximum
from pipelines.models.hazard import (
    ALONE,
    EVERYTHING_REMOVED,
    NOTHING_REMOVED,
    fit_hazard,
    gap_exponent,
    grouped_looks,
)
from pipelines.models.limits import exact_rate_limits

PLACE = ["site", "environment"]


def looks_of(*rows):
    columns = ["site", "environment", "gap_years", "inspected", "removed"]
    looks = pd.DataFrame(rows, columns=columns)
    return looks.assign(client="Brackle Docks", inspected_on=range(len(looks)))


@pytest.fixture
def six_sites():
    """Six sites that each saw one indoor look and one at sea; site F saw nothing removed."""
    return looks_of(
        ("A", "indoor dry", 1.0, 100, 4),
        ("A", "marine spray", 0.5, 80, 9),
        ("B", "indoor dry", 1.0, 90, 2),
        ("B", "marine spray", 0.5, 60, 4),
        ("C", "indoor dry", 1.0, 20, 1),
        ("C", "marine spray", 0.5, 50, 2),
        ("D", "indoor dry", 1.0, 60, 7),
        ("D", "marine spray", 0.5, 30, 8),
        ("E", "indoor dry", 1.0, 70, 1),
        ("E", "marine spray", 0.5, 90, 3),
        ("F", "indoor dry", 1.0, 5, 0),
        ("F", "marine spray", 0.5, 5, 0),
    )


def fitted(looks, covariates=("environment",), **options):
    return fit_hazard(looks, list(covariates), limits_level=0.9, upper_level=0.95, **options)


def test_looks_are_taken_from_exposures():
    exposures = pd.DataFrame(
        {
            "previous_on": [None, "2025-01-01", "2025-01-01"],
            "inspected_on": ["2025-01-01", "2026-01-01", "2025-07-02"],
            "inspected": [10, 12, 0],
            "removed": [3, 1, 0],
            "removed_between": [0, 2, 1],
            "days_not_there": [0.0, 7 * 365 / 2, 0.0],
            "is_first_look": [True, False, False],
        },
        index=[4, 5, 6],
    )
    looks = grouped_looks(exposures)
    assert looks[["inspected", "removed"]].to_numpy().tolist() == [[14, 3], [1, 1]]
    assert looks["gap_years"].tolist() == pytest.approx([365 / 365.25 * (1 - 7 / 28), 182 / 365.25])
    assert looks.index.tolist() == [5, 6]
    # All of them came on the day of the look: in service for half a day.
    of_the_day = exposures.iloc[1:2].assign(days_not_there=14 * 365.0)
    assert grouped_looks(of_the_day)["gap_years"].tolist() == [0.5 / 365.25]


def test_a_thin_site_lies_between_its_own_and_the_fleets_rate(six_sites):
    rates = fitted(six_sites).rates.set_index(PLACE)
    thin, full = rates.loc[("F", "marine spray")], rates.loc[("D", "marine spray")]
    assert 0 < thin["rate"] < rates.loc[("A", "marine spray"), "rate"]
    assert 100 * 8 / (0.5 * 26) > full["rate"] > rates.loc[("A", "marine spray"), "rate"]
    assert rates["is_pooled"].all()


def test_limits_bracket_the_rate(six_sites):
    rates = fitted(six_sites).rates
    assert (rates["rate_lower"] > 0).all()
    assert (rates["rate_lower"] < rates["rate"]).all()
    assert (rates["rate"] < rates["rate_upper"]).all()


def test_the_one_sided_limit_has_a_level_of_its_own(six_sites):
    stricter = fit_hazard(six_sites, ["environment"], limits_level=0.9, upper_level=0.975).rates
    as_stated = fitted(six_sites).rates
    assert as_stated["rate_upper_one_sided"].tolist() == as_stated["rate_upper"].tolist()
    assert (stricter["rate_upper_one_sided"] > 1.05 * as_stated["rate_upper_one_sided"]).all()
    on_their_own = six_sites[six_sites["site"].isin(list("ABC"))]
    alone = fit_hazard(on_their_own, ["environment"], limits_level=0.9, upper_level=0.975).rates.loc[0]
    assert alone["rate_upper_one_sided"] == pytest.approx(exact_rate_limits([4], [98.0], level=0.95)[1][0])


def test_the_basis_of_a_rate_is_in_words(six_sites):
    assert set(fitted(six_sites).rates["basis"]) == {"pooled, 12 places of 6 sites"}


def test_limits_bracket_a_rate_that_rests_on_an_sd_of_0():
    # Site C stands out, but six sites in three environments leave so little doubt to spare that the best sd is 0.
    looks = looks_of(
        ("A", "indoor dry", 1.0, 5, 3),
        ("B", "outdoor inland", 1.0, 20, 2),
        ("C", "outdoor inland", 1.0, 5, 4),
        ("D", "marine spray", 1.0, 20, 4),
        ("E", "marine spray", 1.0, 40, 11),
        ("F", "indoor dry", 1.0, 20, 7),
    )
    fit = fitted(looks)
    standing_out = fit.rates.loc[2]
    assert fit.effect_sd == 0
    assert standing_out["rate"] == standing_out["rate_lower"] < standing_out["rate_upper"]


def test_a_likelihood_with_two_tops_gives_the_higher_one():
    # From a site sd of 0 the likelihood falls, to rise again to a higher top near 0.8: C is small and far off.
    looks = looks_of(
        ("A", "indoor dry", 1.0, 100, 9),
        ("B", "indoor dry", 1.0, 400, 20),
        ("C", "outdoor inland", 1.0, 5, 3),
        ("D", "outdoor inland", 1.0, 400, 18),
        ("E", "marine spray", 1.0, 20, 1),
        ("F", "marine spray", 1.0, 5, 0),
    )
    assert 0.5 < fitted(looks).effect_sd < 1.1


def test_a_place_counts_its_looks_and_items(six_sites):
    twice = pd.concat([six_sites, six_sites.assign(inspected_on=range(12, 24))])
    rates = fitted(twice).rates
    assert rates.loc[0, [*PLACE, "looks", "inspected", "removed"]].tolist() == ["A", "indoor dry", 2, 200, 8]


def test_coefficients_are_ratios_to_the_environment_with_most_removals(six_sites):
    fit = fitted(six_sites)
    assert fit.references == {"environment": "marine spray"}
    assert fit.coefficients[["covariate", "level"]].to_numpy().tolist() == [
        ["all", "reference levels"],
        ["environment", "indoor dry"],
    ]
    ratio = fit.coefficients.loc[1]
    assert ratio["factor_lower"] < ratio["factor"] == np.exp(ratio["estimate"]) < ratio["factor_upper"] < 1


def test_alike_sites_have_no_spread():
    looks = looks_of(*[(site, "indoor dry", 1.0, 100, 5) for site in "ABCDEF"])
    fit = fitted(looks)
    assert fit.effect_sd == 0
    assert fit.rates["rate"].tolist() == pytest.approx([-100 * np.log(0.95)] * 6)
    assert (fit.effects[["effect", "effect_error"]] == 0).all(axis=None)
    # That they look alike does not prove them so: limits are wider than those of one rate for all.
    one_rate = fit.coefficients.loc[0]
    assert (fit.rates["rate_upper"] > one_rate["factor_upper"]).all()


def test_fewer_than_five_sites_stand_on_their_own(six_sites):
    fit = fitted(six_sites[six_sites["site"].isin(list("ABCF"))])
    assert fit.effect_sd is None
    assert fit.effects.empty
    assert fit.notes == ("fewer than 5 sites, not pooled: each place stands on its own looks",)
    first = fit.rates.loc[0]
    lower, upper = exact_rate_limits([4], [100 - 4 / 2], level=0.9)
    assert [first["rate"], first["rate_lower"], first["rate_upper"]] == pytest.approx(
        [100 * 4 / 98, lower[0], upper[0]]
    )
    assert first["basis"] == ALONE
    assert fit.rates["basis"].iloc[-1] == NOTHING_REMOVED
    assert fit.coefficients["level"].tolist() == ["reference levels", "indoor dry"]


def test_an_environment_without_removals_gets_an_exact_upper_limit(six_sites):
    cold = looks_of(("A", "cold store", 1.0, 40, 0), ("B", "cold store", 1.0, 10, 0))
    fit = fitted(pd.concat([six_sites, cold]))
    rates = fit.rates.set_index(PLACE)
    of_a = rates.loc[("A", "cold store")]
    # Rule of three: 2.996 over the exposure.
    assert [of_a["rate"], of_a["rate_lower"]] == [0, 0]
    assert of_a["rate_upper"] == pytest.approx(100 * -np.log(0.05) / 40)
    assert of_a["basis"] == NOTHING_REMOVED
    assert "cold store" not in fit.coefficients["level"].tolist()
    assert (
        "places of a kind at which nothing, or everything, was removed stand on their own looks" in fit.notes
    )
    # The others are as if it had not been there.
    pd.testing.assert_frame_equal(
        rates.drop([("A", "cold store"), ("B", "cold store")]), fitted(six_sites).rates.set_index(PLACE)
    )


def test_an_environment_in_which_everything_was_removed_gets_a_lower_limit(six_sites):
    furnace = looks_of(("A", "furnace heat", 0.5, 2, 2), ("A", "furnace heat", 1.0, 1, 1))
    rates = fitted(pd.concat([six_sites, furnace])).rates.set_index(PLACE)
    hot = rates.loc[("A", "furnace heat")]
    assert np.isnan([hot["rate"], hot["rate_upper"]]).all()
    assert hot["basis"] == EVERYTHING_REMOVED
    rate = hot["rate_lower"] / 100
    assert (1 - np.exp(-0.5 * rate)) ** 2 * (1 - np.exp(-rate)) == pytest.approx(0.05)


def test_nothing_removed_anywhere_gives_upper_limits_only(six_sites):
    fit = fitted(six_sites.assign(removed=0))
    assert (fit.rates["basis"] == NOTHING_REMOVED).all()
    assert fit.coefficients.empty
    assert fit.notes[-1] == "nothing removed that a model could learn from, no model"


def test_everything_removed_everywhere_gives_lower_limits_only(six_sites):
    rates = fitted(six_sites.assign(removed=six_sites["inspected"])).rates
    assert (rates["basis"] == EVERYTHING_REMOVED).all()
    assert (rates["rate_lower"] > 0).all()
    assert rates[["rate", "rate_upper"]].isna().all(axis=None)


def test_a_pin_type_without_removals_is_taken_with_the_others(six_sites):
    pins = six_sites.assign(pin="screw pin")
    few = six_sites.iloc[:2].assign(pin="round pin", inspected=3, removed=0)
    fit = fitted(pd.concat([pins, few]), ["environment", "pin"])
    assert fit.notes == ("pin round pin without a removed item is taken with screw pin",)
    assert fit.rates["is_pooled"].all()


def test_a_covariate_that_says_the_same_twice_is_left_out(six_sites):
    service_class = six_sites["environment"].map({"indoor dry": "normal", "marine spray": "severe"})
    fit = fitted(six_sites.assign(service_class=service_class), ["environment", "service_class"])
    assert fit.notes == (
        "service_class normal cannot be told from the other covariates and has no effect of its own",
    )
    pd.testing.assert_frame_equal(fit.rates, fitted(six_sites).rates)


def test_an_empty_covariate_is_a_level_of_its_own(six_sites):
    six_sites["pin"] = ["screw pin", None] * 6
    assert "not stated" in {
        *fitted(six_sites, ["pin"]).coefficients["level"],
        fitted(six_sites, ["pin"]).references["pin"],
    }


def test_a_place_with_two_kinds_has_the_rate_of_its_mix():
    rows = [(site, "indoor dry", 1.0, 1000, 50) for site in "ABCDEF"]
    bolts = looks_of(*rows).assign(pin="bolt-type")
    screws = looks_of(*rows).assign(pin="screw pin", removed=100, inspected=3000)
    rates = fitted(pd.concat([bolts, screws]), ["pin"]).rates
    bolt, screw = -np.log(0.95), -np.log(1 - 1 / 30)
    assert rates["rate"].tolist() == pytest.approx([100 * (bolt + 3 * screw) / 4] * 6, rel=1e-6)


def test_looks_that_differ_more_than_chance_are_weighted_down():
    uneven = looks_of(
        *[(site, "indoor dry", 1.0, 200, removed) for site in "ABCDEF" for removed in (1, 30, 3, 22)]
    )
    fit, plain = fitted(uneven), fitted(uneven, is_look_spread_allowed=False)
    assert fit.look_spread.p_value < 1e-6
    assert fit.look_spread.look_sd > 0.5
    assert fit.notes == ("looks differ more than chance allows, errors are widened",)
    assert fit.log_likelihood is None
    assert plain.log_likelihood is not None
    assert plain.look_spread.look_sd == 0
    assert (fit.rates["rate_upper"] > plain.rates["rate_upper"]).all()
    assert fit.rates["rate"].tolist() == pytest.approx(plain.rates["rate"].tolist(), rel=0.05)


def test_rows_of_one_look_are_tested_together():
    # Each pair of rows is one look: within looks the rows balance, so nothing differs from look to look.
    rows = [(site, "indoor dry", 1.0, 200, removed) for site in "ABCDEF" for removed in (1, 21, 20, 2)]
    looks = looks_of(*rows).assign(inspected_on=[1, 1, 2, 2] * 6)
    assert fitted(looks.assign(inspected_on=range(24))).look_spread.look_sd > 0.5
    assert fitted(looks).look_spread.look_sd == 0


def test_an_exponent_needs_unlike_gaps_and_removals(six_sites):
    assert gap_exponent(fitted(six_sites.assign(gap_years=1.0))) is None
    assert gap_exponent(fitted(six_sites.assign(removed=0))) is None


@pytest.mark.parametrize(
    ("power", "words"),
    [
        (1, "the data do not contradict a steady hazard"),
        (2, "the hazard grows within a gap, as with wear-out"),
        (
            0.3,
            "short gaps find more than their share: spread between looks, defects carried over, or early rejects",
        ),
    ],
)
def test_the_exponent_of_the_gap_is_found_and_worded(power, words):
    gaps = [0.25, 0.5, 1.0]
    rows = [
        (site, "indoor dry", gap, 2000, round(2000 * -np.expm1(-0.1 * gap**power)))
        for site in "ABCDEF"
        for gap in gaps
    ]
    exponent = gap_exponent(fitted(looks_of(*rows), []))
    assert exponent.estimate == pytest.approx(power, abs=0.03)
    assert exponent.words == words


def test_gaps_that_are_much_alike_do_not_tell_whether_the_hazard_is_steady():
    rows = [
        ("A", "indoor dry", days / 365.25, 40, removed) for days, removed in ((181, 20), (184, 10), (182, 10))
    ]
    exponent = gap_exponent(fitted(looks_of(*rows), []))
    assert exponent.standard_error > 5
    assert exponent.words == "too little is known, or gaps are too alike, to say whether the hazard is steady"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"gap_years": 0.0},
            "Look 0 has 4 removals among 100 inspected after 0 years, which gives no hazard. Correct it, or leave it out.",
        ),
        (
            {"removed": 101},
            "Look 0 has 101 removals among 100 inspected after 1 years, which gives no hazard. Correct it, or leave it out.",
        ),
    ],
)
def test_an_impossible_look_is_refused(six_sites, change, message):
    looks = six_sites.head(1).assign(**change)
    with pytest.raises(DataFault) as fault:
        fitted(looks)
    assert str(fault.value) == message


def test_no_looks_are_refused(six_sites):
    with pytest.raises(DataFault) as fault:
        fitted(six_sites.iloc[:0])
    assert (
        str(fault.value)
        == "There are no looks with a gap, which gives no hazard. Load a second periodic inspection."
    )


def test_no_exponent_where_gap_and_environment_cannot_be_told_apart():
    # Two places in two environments, each with a gap of its own: the likelihood is flat along one line.
    gaps = (0.9883641341546886, 0.3408624229979466)
    looks = looks_of(("A", "indoor dry", gaps[0], 34, 23), ("B", "marine spray", gaps[1], 35, 17))
    assert gap_exponent(fitted(looks)) is None


def test_a_flat_likelihood_does_not_settle():
    def ridge(at):
        return -((at[0] + at[1]) ** 2), -2 * np.full(2, at.sum()), np.full((2, 2), -2.0)

    found = maximum(ridge, np.array([3.0, -1.0]))
    assert not found.is_settled
    assert np.isnan(found.covariance).all()


def test_counts_that_drive_factors_without_end_give_none():
    # No bolt-type pin was removed indoors and screw pins were never at sea: each factor makes up for the other, endlessly.
    looks = looks_of(
        *[(f"Yard {n}", "indoor dry", 1.0, 100, 4) for n in range(8)],
        *[(f"Yard {n}", "indoor dry", 1.0, 20, 0) for n in range(8)],
        *[(f"Pier {n}", "marine spray", 1.0, 100, 5) for n in range(5)],
    )
    pins = ["screw pin"] * 8 + ["bolt-type"] * 13
    fit = fitted(looks.assign(pin=pins), ["environment", "pin"])
    assert not fit.is_settled
    assert fit.coefficients["covariate"].tolist() == ["all", "environment", "pin"]
    assert fit.coefficients.iloc[:, 2:].isna().all(axis=None)
    assert fit.effect_sd is None
    assert fit.rates["rate"].between(1, 10).all()
