"""Sentences of the benchmark on figures whose finding is known."""

import pandas as pd
import pytest

from pipelines import wording_benchmark as wording
from pipelines.models.benchmark.parts import PARTS


def sites(**columns) -> pd.DataFrame:
    """Three sites: above, within, below; none stands out unless said."""
    rows = {
        "client": "Brackle Docks",
        "site": ["Sea Wall", "North Shed", "Press Hall"],
        "observed": [60, 20, 5],
        "expected": [30.0, 20.0, 14.0],
        "ratio": [2.0, 1.0, 5 / 14],
        "ratio_lower": [1.526, 0.61, 0.116],
        "ratio_upper": [2.574, 1.54, 0.833],
        "shrunken_ratio": [1.8, 1.0, 0.6],
        "shrunken_lower": [1.4, 0.7, 0.3],
        "shrunken_upper": [2.3, 1.4, 1.1],
        "flag": ["far above", "within", "below"],
        "stands_out": [True, False, False],
        "rank": [1, 2, 3],
        "rank_lower": [1, 2, 2],
        "rank_upper": [1, 3, 3],
        "probability_highest_tenth": [0.981, 0.019, 0.0],
        "spread": "none",
        "spread_phi": 0.8,
        "spread_tau2": 0.0,
        "benchmark_note": None,
    }
    return pd.DataFrame(rows | columns)


def test_many_and_few_removals_are_told_with_what_is_more_than_chance():
    assert wording.benchmark_finding(sites()) == (
        "Of 3 sites compared, Sea Wall (2.00 times what is expected, 1.53 to 2.57) has more removals than mix and chance "
        "explain and Press Hall (0.36 times what is expected, 0.12 to 0.83) has fewer. "
        "Allowing for how many sites are compared at once, Sea Wall still stands out."
    )


def test_few_removals_alone_are_told_in_full():
    low = sites(flag=["within", "within", "far below"], stands_out=False)
    assert wording.benchmark_finding(low) == (
        "Of 3 sites compared, Press Hall (0.36 times what is expected, 0.12 to 0.83) has fewer removals than mix and chance "
        "explain. Allowing for how many sites are compared at once, none of them stands out."
    )


def test_flat_is_said_to_be_flat():
    flat = sites(flag="within", stands_out=False)
    assert wording.benchmark_finding(flat) == (
        "Each of 3 sites keeps within its limits: mix and chance explain how their removals differ."
    )
    assert wording.benchmark_finding(flat.assign(spread="additive", spread_tau2=0.01)) == (
        "Each of 3 sites keeps within its limits, which allow for sites that differ by more than mix and chance explain."
    )
    assert wording.benchmark_finding(flat.iloc[[1]]) == (
        "North Shed keeps within its limits: 1.00 times what is expected, 0.61 to 1.54."
    )
    assert wording.benchmark_notes(flat) == []


def test_too_little_is_said_to_be_too_little():
    thin = sites(flag=None, expected=0.4)
    assert wording.benchmark_finding(thin) == (
        "3 sites are too small to be judged: under 1 removal is expected at each."
    )
    assert wording.benchmark_finding(sites().head(0)) == "No site can be compared."
    assert wording.headline([], []) == "No site can be compared."
    assert wording.headline([], ["Sea Wall"]).startswith("Sea Wall is not compared with others here.")
    assert wording.headline([sites()], []).startswith("Of 3 sites compared")


def test_long_lists_end_in_a_number():
    many = pd.concat(
        [sites().head(1).assign(site=f"Yard {number}") for number in range(9)], ignore_index=True
    )
    finding = wording.benchmark_finding(many)
    assert "Yard 5 (2.00 times what is expected, 1.53 to 2.57) and 3 more have more removals" in finding
    assert "Yard 4, Yard 5 and 3 more still stand out." in finding
    assert "3 more in the table below" in wording.funnel_in_words(many, pd.DataFrame())


def test_a_low_ratio_is_no_praise_by_itself():
    notes = wording.benchmark_notes(sites(benchmark_note=[None, "few", "few"]))
    assert notes == [wording.A_QUESTION, wording.FEWER_MEANS, "North Shed and Press Hall: few."]
    assert wording.FEWER_MEANS not in wording.benchmark_notes(sites(flag=["above", "within", "within"]))


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        (None, "Too few removals are expected to say whether the sites differ beyond chance."),
        (
            "none",
            "Taken together, the sites differ no more than chance makes them, so the limits are those of chance alone.",
        ),
        (
            "additive",
            "Taken together, the sites differ more than chance makes them, so the limits are wider than those of chance: the "
            "true ratios of sites that are like the others are taken to differ by about 20\N{NO-BREAK SPACE}% from site to site "
            "(the additive method).",
        ),
        (
            "multiplicative",
            "Taken together, the sites differ more than chance makes them, so the limits are wider than those of chance, by a "
            "factor 1.50 (the multiplicative method).",
        ),
    ],
)
def test_the_spread_and_its_kind_are_named(kind, sentence):
    assert wording.spread_finding(sites(spread=kind, spread_phi=2.25, spread_tau2=0.04)) == sentence


def test_ranks_come_with_how_little_they_say():
    assert wording.ranks_finding(sites()) == (
        "Sea Wall ranks 1; Press Hall ranks 3, and could be anywhere from 2 to 3. 2 sites of 3 have ranks that could as well be "
        "another one: do not read neighbours in this list against one another. Sea Wall is among the highest tenth with a "
        "probability of 98\N{NO-BREAK SPACE}%."
    )
    assert wording.ranks_finding(sites(rank=None)) == "With fewer than two sites to rank there is no order."


def test_those_who_do_not_see_the_charts_are_told_the_same_figures():
    peers = pd.DataFrame({"peer": ["Peer 1", "Peer 2"]})
    assert wording.funnel_in_words(sites(), peers) == (
        "Chart of observed over expected removals against expected removals, between funnel limits: Sea Wall 2.00 with 30 "
        "expected, far above; North Shed 1.00 with 20 expected, within; Press Hall 0.36 with 14 expected, below; 2 sites of "
        "other clients, without names."
    )
    assert wording.ranks_in_words(sites(), peers).startswith(
        "Chart of ratios drawn toward the fleet with 95 % limits, the highest first: Sea Wall 1.80 (1.40 to 2.30); "
    )


def parts(*multipliers: float) -> pd.DataFrame:
    return pd.DataFrame({"site": "Sea Wall", "part": PARTS, "multiplier": multipliers})


def test_the_parts_of_a_ratio_are_told_in_order():
    told = parts(3.0, 1.5, 2.0, 0.9, 1.05, 1.058)
    assert wording.parts_finding(told) == (
        "Per item inspected, Sea Wall has 3.00 times the removals of the sites it is compared with. The factors behind that: "
        "interval 1.50, environment 2.00, item mix 0.90 and inspector strictness 1.05; what remains is 1.06. They multiply to "
        "the first figure."
    )
    assert wording.parts_in_words(told) == (
        "Chart of what the raw ratio of Sea Wall is made of: raw ratio 3.00; interval 1.50; environment 2.00; item mix 0.90; "
        "inspector strictness 1.05; what remains 1.06."
    )


def test_without_removals_only_the_mix_is_told():
    assert wording.parts_finding(parts(float("nan"), 1.5, 2.0, 0.9, 1.0, float("nan"))) == (
        "At Sea Wall nothing was removed, or nothing inspected, in what can be compared. Factors of its mix: interval 1.50, "
        "environment 2.00, item mix 0.90 and inspector strictness 1.00."
    )


def practice(**columns) -> pd.DataFrame:
    rows = {
        "site": ["Sea Wall", "North Shed"],
        "share_on_time": [1.0, 0.5],
        "share_overdue": [0.25, 0.0],
        "share_not_stated": [0.0, 0.0],
        "share_unaccounted_for": [None, 0.02],
        "share_rejected": [None, None],
        "places_over_guideline": [0, 1],
    }
    return pd.DataFrame(rows | columns).astype({"share_rejected": float})


def test_practice_names_where_it_is_worst_and_is_silent_where_all_is_well():
    space = "\N{NO-BREAK SPACE}"
    assert wording.practice_finding(practice()) == [
        f"North Shed had the smallest share of looks on time: 50{space}%.",
        f"Sea Wall has the largest share in service past its inspection day: 25{space}%.",
        f"North Shed has the largest share of items unaccounted for: 2{space}%.",
        "An interval longer than its outer limit stands at North Shed.",
    ]
    well = practice(share_on_time=1.0, share_overdue=0.0, share_unaccounted_for=0.0, places_over_guideline=0)
    assert wording.practice_finding(well) == []


def test_why_nothing_is_compared_is_one_sentence():
    assert wording.withheld_finding([]) == ""
    assert wording.withheld_finding(["Sea Wall", "North Shed"]) == (
        "Sea Wall and North Shed are not compared with others here. A comparison is shown only where at least 5 sites of at "
        "least 3 other clients stand behind it, in all and in each environment that they share, none of the clients with more "
        "than 50\N{NO-BREAK SPACE}% of their exposure: with fewer, the figures would tell one client about another."
    )


def test_a_page_on_which_nothing_is_compared_says_so():
    assert wording.why_not_compared([], []) == "No site can be compared."
    assert wording.why_not_compared([pd.DataFrame()], []) == ""
    assert wording.why_not_compared([], ["Sea Wall"]) == wording.withheld_finding(["Sea Wall"])


def environments(*rates: float | None) -> pd.DataFrame:
    names = [*("indoor dry", "cold store")[: len(rates) - 1], "all of these"] if rates else []
    return pd.DataFrame({"environment": names, "peer_rate": rates, "own_rate": 4.0}).astype(
        {"peer_rate": float}
    )


def test_a_client_is_told_how_it_stands_or_that_there_are_too_few():
    peers = pd.DataFrame({"peer": ["Peer 1", "Peer 2"]})
    assert wording.peers_finding("Brackle Docks", peers, environments(3.0, 7.1, 6.2)) == (
        "2 sites of other clients are shown without names; in the environments they share, their removal rate is 6.2 per 100 "
        "shackle-years and the client's own 4, before the mix is allowed for."
    )
    assert wording.peers_finding("Brackle Docks", peers.head(0), environments()) == (
        "Other clients' sites are not shown: there are too few of them to keep each of them unknown."
    )
    assert wording.peers_finding("", peers, environments(3.0, 7.1)) == ""


def test_what_is_hidden_is_named():
    assert wording.hidden_finding(environments(3.0, None, 6.2)).startswith("Not shown: cold store. ")
    assert wording.hidden_finding(environments(3.0, 7.1, 6.2)) == ""


def test_the_consultant_is_told_that_the_page_is_not_for_clients():
    assert wording.whose_page("").startswith("Confidential, not for clients")
    assert wording.whose_page("Brackle Docks").startswith("For Brackle Docks: its own sites by name")
