"""What one client may see of the others."""

from dataclasses import replace

import pandas as pd
import pytest

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark.disclosure import (
    anonymous_peers,
    has_enough_peers,
    peer_names,
    pooled_peers,
)

RULES = benchmark_rules()


def sites(*clients: str, years: float = 100.0) -> pd.DataFrame:
    return pd.DataFrame(
        {"client": list(clients), "site": [f"Site {n}" for n in range(len(clients))], "shackle_years": years}
    )


def test_five_sites_of_three_clients_are_enough():
    assert has_enough_peers(sites(*"AABBC"), RULES)
    assert not has_enough_peers(sites(*"AABC"), RULES)
    assert not has_enough_peers(sites(*"AAABBB"), RULES)
    assert not has_enough_peers(sites().head(0), RULES)


def test_a_client_with_more_than_half_of_the_exposure_is_no_company():
    five = sites(*"AABBC")
    assert has_enough_peers(five.assign(shackle_years=[1.0, 1.0, 1.0, 1.0, 4.0]), RULES)
    assert not has_enough_peers(five.assign(shackle_years=[1.0, 1.0, 1.0, 1.0, 4.1]), RULES)


def test_one_site_in_two_environments_is_one_site():
    twice = pd.concat([sites(*"ABC"), sites(*"ABC")])
    assert not has_enough_peers(twice, RULES)


SITES = [(client, f"Site {number}") for client in "ABC" for number in range(6)]


def test_names_are_the_same_for_one_salt_and_others_for_another():
    first = peer_names(SITES, "first")
    assert first == peer_names(reversed(SITES), "first")
    assert sorted(first.values(), key=lambda name: int(name.split()[1])) == [
        f"Peer {n}" for n in range(1, 19)
    ]
    others = [peer_names(SITES, salt) for salt in ("second", "third")]
    assert sum(first[site] == other[site] for other in others for site in SITES) < 10


def test_the_order_of_names_says_nothing_of_the_order_of_sites():
    named = list(peer_names(SITES, "first"))
    assert named != SITES
    assert named != SITES[::-1]


def benchmark(**columns) -> pd.DataFrame:
    rows = {
        "observed": 37,
        "expected": 31.7,
        "ratio": 37 / 31.7,
        "shrunken_ratio": 1.1432,
        "shrunken_lower": 0.8611,
        "shrunken_upper": 1.4689,
        "flag": "within",
    }
    return sites(*"AABBC").assign(**rows | columns)


def test_peers_carry_no_name_no_count_and_no_exact_figure():
    shown = anonymous_peers(benchmark(), "salt", RULES)
    assert shown.columns.tolist() == [
        "peer", "expected_band", "expected", "ratio", "shrunken_ratio", "shrunken_lower", "shrunken_upper", "flag",
    ]  # fmt: skip
    assert shown["peer"].tolist() == [f"Peer {n}" for n in range(1, 6)]
    assert set(shown["expected_band"]) == {"20 to 50"}
    assert set(shown["ratio"]) == {1.2}
    assert shown[["shrunken_lower", "shrunken_upper"]].drop_duplicates().to_numpy().tolist() == [[0.9, 1.5]]
    # The count that ratio and band leave possible is not one count but dozens.
    assert 1.25 * 50 - 1.15 * 20 > 30


def test_a_peer_of_few_removals_is_not_shown():
    least = RULES.least_removals_of_a_peer
    assert len(anonymous_peers(benchmark(observed=[least, least - 1, 50, 50, 50]), "salt", RULES)) == 4


def test_bands_reach_from_nothing_to_any_size():
    shown = anonymous_peers(benchmark(expected=[3.0, 10.0, 999.0, 10_000.0, 5e5]), "salt", RULES)
    assert set(shown["expected_band"]) == {"under 10", "10 to 20", "500 to 1,000", "10,000 or more"}


def places(**counts: dict[str, int]) -> pd.DataFrame:
    """One row for each environment and client: removals; a client has two sites in each environment."""
    rows = [
        (client, f"Site {client}{number}", environment.replace("_", " "), removed, 100.0)
        for environment, clients in counts.items()
        for client, removed in clients.items()
        for number in range(2)
    ]
    return pd.DataFrame(rows, columns=["client", "site", "environment", "removed_at_risk", "shackle_years"])


def shown_environments(pooled: pd.DataFrame) -> list[str]:
    return pooled.loc[pooled["peer_rate"].notna(), "environment"].tolist()


def test_pooled_figures_are_rounded_and_rest_on_company():
    pooled = pooled_peers(places(indoor_dry={"A": 61, "B": 62, "C": 63}), RULES).set_index("environment")
    assert pooled.loc["indoor dry"].tolist() == [6, 370.0, 600.0, 62.0]
    assert pooled.loc["all of these"].tolist() == [6, 370.0, 600.0, 62.0]


def test_an_environment_of_one_client_takes_another_one_with_it():
    pooled = pooled_peers(
        places(
            indoor_dry={"A": 20, "B": 20, "C": 20},
            marine_spray={"A": 50, "B": 50, "C": 50},
            furnace_heat={"A": 30},
        ),
        RULES,
    )
    # The total less marine spray is furnace heat and indoor dry together, six sites of three clients.
    assert shown_environments(pooled) == ["marine spray", "all of these"]


def test_without_enough_company_in_what_is_hidden_there_is_no_total():
    pooled = pooled_peers(places(furnace_heat={"A": 30}, cold_store={"A": 30, "B": 30}), RULES)
    assert shown_environments(pooled) == []
    # Two thin environments that one client has alone stay thin together, so that a third is hidden with them.
    many = dict.fromkeys("ABCDE", 40)
    pooled = pooled_peers(places(furnace_heat={"A": 30}, cold_store={"A": 30}, indoor_dry=many), RULES)
    assert shown_environments(pooled) == ["all of these"]


def test_nobody_gives_no_row():
    assert pooled_peers(places(), RULES).empty


def test_stricter_rules_hide_more():
    cells = places(indoor_dry={"A": 61, "B": 62, "C": 63})
    assert shown_environments(pooled_peers(cells, replace(RULES, least_peer_clients=4))) == []


@pytest.mark.parametrize("removed", [0, 1])
def test_a_handful_of_removals_is_not_shown(removed):
    cells = places(indoor_dry={"A": removed, "B": 0, "C": 0})
    assert shown_environments(pooled_peers(cells, RULES)) == []
