"""The benchmark as one client may see it."""

import pandas as pd
import pytest

from pipelines.contracts import benchmark_rules
from pipelines.packs.peers import OF_ITS_OWN, WITHHELD, peer_view

OWN = "Brackle Docks"


def fleet(peer_clients: str, thin: bool = False):
    """Sites, parts and places: two sites of the client, two of each other one, all in one environment, one more in another."""
    owners = [OWN, OWN, *(f"Client {code}" for code in peer_clients for _ in range(2))]
    names = ["North Shed", "Sea Wall", *(f"Yard {number}" for number in range(len(owners) - 2))]
    sites = pd.DataFrame(
        {
            "client": owners, "site": names, "observed": 30, "expected": 25.0, "shackle_years": 100.0, "ratio": 1.2,
            "shrunken_ratio": 1.1, "shrunken_lower": 0.8, "shrunken_upper": 1.5, "flag": "within", "stands_out": False,
            "rank": 1, "benchmark_note": None,
        }
    ).astype({"observed": "Int64", "rank": "Int64"})  # fmt: skip
    places = sites[["client", "site", "shackle_years"]].assign(environment="indoor dry", removed_at_risk=30)
    if thin:
        furnaces = places[places["site"].isin(["Sea Wall", "Yard 0"])].assign(environment="furnace heat")
        places = pd.concat([places, furnaces], ignore_index=True)
    parts = sites[["client", "site"]].assign(
        part="raw ratio", position=1, multiplier=1.3, log_contribution=0.26
    )
    return sites, parts, places


def view(peer_clients: str, client: str = OWN, thin: bool = False):
    return peer_view(*fleet(peer_clients, thin), client, "salt", benchmark_rules())


def test_with_enough_others_the_own_sites_are_compared_and_the_others_have_no_name():
    seen = view("ABC")
    assert seen.withheld == []
    assert seen.sites["ratio"].tolist() == [1.2, 1.2]
    assert len(seen.peers) == 6
    assert (
        "Yard"
        not in seen.peers.to_csv() + seen.sites.to_csv() + seen.parts.to_csv() + seen.environments.to_csv()
    )
    assert seen.environments["own_rate"].tolist() == [30.0, 30.0]


def test_where_a_client_stands_alone_is_not_in_what_it_has_in_common_with_its_peers():
    sites, parts, places = fleet("ABC")
    alone = {"client": OWN, "site": "Sea Wall", "shackle_years": 100.0, "environment": "marine spray"}
    places = pd.concat([places, pd.DataFrame([alone | {"removed_at_risk": 270}])], ignore_index=True)
    seen = peer_view(sites, parts, places, OWN, "salt", benchmark_rules())
    assert seen.environments["environment"].tolist() == ["indoor dry", "all of these"]
    assert seen.environments["own_rate"].tolist() == [30.0, 30.0]


@pytest.mark.parametrize("peer_clients", ["A", "AB"])
def test_with_too_few_others_only_the_own_counts_are_left(peer_clients):
    seen = view(peer_clients)
    assert seen.withheld == ["North Shed", "Sea Wall"]
    assert seen.sites[OF_ITS_OWN].notna().all(axis=None)
    left = seen.sites.drop(columns=[*OF_ITS_OWN, "benchmark_note"])
    assert left.isna().all(axis=None)
    assert set(seen.sites["benchmark_note"]) == {WITHHELD}
    assert seen.parts.empty
    assert seen.peers.empty
    assert seen.environments.empty


def test_a_site_that_shares_an_environment_with_one_other_is_withheld_and_its_neighbour_is_not():
    seen = view("ABC", thin=True)
    assert seen.withheld == ["Sea Wall"]
    assert seen.sites.set_index("site")["ratio"].notna().to_dict() == {"North Shed": True, "Sea Wall": False}
    assert seen.parts["site"].tolist() == ["North Shed"]


def test_a_client_with_the_store_to_itself_keeps_everything():
    seen = view("")
    assert seen.withheld == []
    assert seen.sites["ratio"].notna().all()
    assert seen.peers.empty


def test_the_consultant_sees_all_by_name():
    seen = view("AB", client="")
    assert len(seen.sites) == 6
    assert seen.withheld == []
    assert seen.peers.empty


def test_one_site_of_a_client_is_told_without_its_neighbour():
    seen = view("ABC").of_site("Sea Wall")
    assert seen.sites["site"].tolist() == ["Sea Wall"]
    assert seen.parts["site"].tolist() == ["Sea Wall"]
    assert len(seen.peers) == 6
