"""The benchmark's packs of a fleet of six clients: the consultant's, and a client's that gives nobody else away."""

import itertools
import re
from html import unescape
from shutil import copy

import numpy as np
import pandas as pd
import pytest

from pipelines.packs.peers import OF_ITS_OWN
from pipelines.packs.reading import open_tables
from pipelines.store import open_store
from pipelines.tables import compute_tables
from pipelines.wording_benchmark import CONFIDENTIAL

DORRANCE = "Dorrance Lifting"
OTHERS = ("Ferrow Mills", "Gannet Rigs", "Hollin Yards", "Ivelet Works", "Keld Foundry")
TOWNS = ("Askrigg", "Bainbrook", "Carperby")
# What of a client's pack rests on the records of others.
RESTS_ON_OTHERS = ("peers", "peer_environments", "site_benchmark", "site_benchmark_parts")


@pytest.fixture(scope="module")
def everybody(fleet_store):
    return open_tables(str(fleet_store))


@pytest.fixture(scope="module")
def pack(fleet_pack):
    return fleet_pack(DORRANCE)


@pytest.fixture(scope="module")
def tables(pack):
    return {path.stem: pd.read_csv(path) for path in (pack / "tables").glob("*.csv")}


def test_the_consultant_s_page_names_all_and_says_whom_it_is_not_for(fleet_pack, everything_written):
    written = everything_written(fleet_pack(""))
    page = (fleet_pack("") / "benchmark.html").read_text(encoding="utf-8")
    assert CONFIDENTIAL in unescape(page)
    assert "Peer 1" not in page
    for client in (DORRANCE, *OTHERS):
        assert client in page
        assert all(f"{town} {client.split()[0]}" in page for town in TOWNS)
        assert client in written


def test_a_client_s_pack_names_no_other_client_or_site(pack, everything_written):
    written = everything_written(pack).lower()
    for client in OTHERS:
        assert client.lower() not in written
        for town in TOWNS:
            assert f"{town} {client.split()[0]}".lower() not in written
        assert client.split()[0].lower() not in written
    assert all(f"{town} dorrance" in written for town in ("askrigg", "bainbrook", "carperby"))
    assert "Confidential" not in (pack / "benchmark.html").read_text(encoding="utf-8")
    assert "a salt" not in written


def test_peers_stand_beside_the_own_sites_in_page_workbook_and_table(pack, tables, everything_written):
    page = (pack / "benchmark.html").read_text(encoding="utf-8")
    names = tables["peers"]["peer"].tolist()
    assert names == [f"Peer {number}" for number in range(1, 16)]
    for name in names:
        assert f">{name}<" in page
    rings = re.search(r'<svg[^>]*aria-label="Chart of observed over expected.*?</svg>', page, re.DOTALL)
    assert "15 sites of other clients, without names" in rings[0]
    assert "'Peer 15'" in everything_written(pack)


def test_names_hold_within_a_pack_and_change_between_packs(fleet_store, pack, tables):
    same = open_tables(str(fleet_store), client=DORRANCE, salt="a salt").peers
    pd.testing.assert_frame_equal(same, tables["peers"], check_dtype=False)
    figures = [
        open_tables(str(fleet_store), client=DORRANCE).peers.drop(columns="peer").to_csv() for _ in range(4)
    ]
    assert len(set(figures)) > 1
    of_another_client = open_tables(str(fleet_store), client=OTHERS[2], salt="a salt").peers
    assert len(of_another_client) == 15


def test_the_figures_of_the_page_are_those_of_the_table(pack, tables):
    page = (pack / "benchmark.html").read_text(encoding="utf-8")
    row = tables["site_benchmark"].set_index("site").loc["Bainbrook Dorrance"]
    found = re.search(
        r'<caption>Before and after.*?<th scope="row">Bainbrook Dorrance</th>(.*?)</tr>', page, re.DOTALL
    )
    cells = re.findall(r">([^<]+)</td>", found[1])
    raw = tables["site_benchmark_parts"].query("site == 'Bainbrook Dorrance' and part == 'raw ratio'")[
        "multiplier"
    ]
    assert cells == [
        *(f"{row[name]:.2f}" for name in ("ratio", "ratio_lower", "ratio_upper")), "far above", "yes",
        f"{row['limit_lower']:.2f}", f"{row['limit_upper']:.2f}", f"{raw.iloc[0]:.2f}",
        f"{row['observed']:,.0f}", f"{row['expected']:,.1f}", f"{row['shackle_years']:,.1f}", "0",
    ]  # fmt: skip


def test_the_site_made_worse_leads_the_page_and_the_index(pack):
    finding = "Of 2 sites compared, Bainbrook Dorrance ("
    for name in ("benchmark.html", "index.html"):
        page = (pack / name).read_text(encoding="utf-8")
        assert finding in page
        assert "Bainbrook Dorrance still stands out." in page


def test_a_site_in_thin_company_keeps_its_own_counts_only(pack, tables, everybody):
    page = (pack / "benchmark.html").read_text(encoding="utf-8")
    assert "Carperby Dorrance is not compared with others here." in page
    row = tables["site_benchmark"].set_index("site").loc["Carperby Dorrance"]
    kept = {"client", "observed", "shackle_years", "benchmark_note"}
    assert set(row.dropna().index) == kept
    assert "Carperby Dorrance" not in set(tables["site_benchmark_parts"]["site"])
    assert everybody.table("site_benchmark").set_index("site").loc["Carperby Dorrance", "ratio"] > 0


def test_two_clients_alone_are_told_nothing_of_one_another(make_pack):
    page = (make_pack(client="Ferrow Mills") / "benchmark.html").read_text(encoding="utf-8")
    assert (
        "Press Hall is not compared with others here. A comparison is shown only where at least 5 sites"
        in page
    )
    assert "there are too few of them to keep each of them unknown" in page
    assert "<svg" not in page
    assert pd.read_csv(make_pack(client="Ferrow Mills") / "tables" / "peers.csv").empty


# The attack: every figure, and every difference that a reader can make of figures and of what it knows of itself -----------


def secret_figures(everybody, is_own) -> dict[str, np.ndarray]:
    """What must not be found: counts, exposures and exact ratios of single sites, single places and single clients of others."""
    sites, places = everybody.table("site_benchmark"), everybody.table("interval_recommendations")
    sites, places = sites[is_own(sites)], places[is_own(places)]
    removed, years = [], []
    for keys, frame, count in (
        (["client", "site"], sites, "observed"),
        (["client", "site", "environment"], places, "removed_at_risk"),
        (["client", "site"], places, "removed_at_risk"),
        (["client", "environment"], places, "removed_at_risk"),
        (["client"], places, "removed_at_risk"),
    ):
        sums = frame.groupby(keys)[[count, "shackle_years"]].sum()
        removed.append(sums[count].to_numpy(dtype=float))
        years.append(sums["shackle_years"].to_numpy())
    expected = sites["expected"].to_numpy(dtype=float)
    ratios = np.concatenate(
        [sites[name].to_numpy(dtype=float) for name in ("ratio", "shrunken_ratio", "ratio_lower")]
    )
    rates = 100 * np.concatenate(removed) / np.concatenate(years)
    return {
        "counts": np.concatenate([*removed, *years, expected, places["inspected"].to_numpy(dtype=float)]),
        "ratios": np.concatenate([ratios[ratios > 0], rates]),
    }


def found_secrets(table: pd.DataFrame, own: pd.DataFrame, secrets: dict[str, np.ndarray]) -> set[float]:
    """The secrets that a column gives: by a figure, a difference of two, the sum of all but one, or one of these less an own sum.

    Columns of the client's own records are left out, which it knows already, and so are those of a count or exposure
    under 20, of which the fleet has none; what is written with one decimal is no exact ratio.
    """
    own_sums = [0.0]
    for column in ("removed_at_risk", "shackle_years"):
        own_sums += [
            own[column].sum(),
            *own.groupby("environment")[column].sum(),
            *own.groupby("site")[column].sum(),
        ]
    found: set[float] = set()
    for name in table.select_dtypes("number").columns.difference(OF_ITS_OWN):
        values = table[name].dropna().unique()
        exact = [value for value in values if abs(value - round(value, 1)) > 1e-9]
        found |= {
            secret for value in exact for secret in secrets["ratios"] if np.isclose(secret, value, rtol=1e-9)
        }
        if len(values) and values.max() > 20:
            reached = {*values, *(values.sum() - values)}
            reached |= {abs(one - other) for one, other in itertools.combinations(values, 2)}
            reached = {abs(value - own_sum) for value in reached for own_sum in own_sums}
            found |= {
                secret
                for value in reached
                for secret in secrets["counts"]
                if np.isclose(secret, value, rtol=1e-9)
            }
    return found


@pytest.fixture(scope="module")
def secrets(everybody):
    return secret_figures(everybody, lambda frame: frame["client"] != DORRANCE)


@pytest.fixture(scope="module")
def own_places(everybody):
    places = everybody.table("interval_recommendations")
    return places[places["client"] == DORRANCE]


@pytest.mark.parametrize("name", RESTS_ON_OTHERS)
def test_no_figure_of_another_is_found_by_subtraction(tables, own_places, secrets, name):
    assert len(tables[name]) > 0
    assert found_secrets(tables[name], own_places, secrets) == set()


def test_the_attack_finds_what_is_not_protected(everybody, own_places, secrets):
    # The same attack on tables as they would be without protection: by site, and by environment with a total.
    sites = everybody.table("site_benchmark")
    assert len(found_secrets(sites[sites["client"] != DORRANCE], own_places, secrets)) > 50
    places = everybody.table("interval_recommendations")
    others = places[(places["client"] != DORRANCE) & (places["environment"] != "caustic wash")]
    by_environment = others.groupby("environment")["removed_at_risk"].sum()
    with_total = pd.DataFrame(
        {"removals": [by_environment["indoor dry"] + by_environment["marine spray"], by_environment.sum()]}
    )
    assert by_environment["furnace heat"] in found_secrets(with_total, own_places, secrets)
    fleet = places[places["environment"] == "furnace heat"]["removed_at_risk"]
    total_with_own = pd.DataFrame({"removals": [float(fleet.sum())]})
    assert len(found_secrets(total_with_own, own_places, secrets)) > 0


def test_tables_of_the_client_alone_hold_its_rows_only(tables):
    for name, table in tables.items():
        if "client" in table:
            assert set(table["client"]) <= {DORRANCE}, name


def test_what_is_expected_of_an_own_site_is_no_single_other_s_rate(tables, everybody):
    # Two sites with two environments each: two equations that give the reference rate of each environment.
    shown = tables["site_benchmark"].dropna(subset=["expected"]).sort_values("site")
    places = everybody.table("interval_recommendations")
    years = places[places["site"].isin(shown["site"])].pivot(
        index="site", columns="environment", values="shackle_years"
    )
    implied = np.linalg.solve(years.sort_index().to_numpy(), shown["expected"].to_numpy())
    for environment, rate in zip(years.columns, implied, strict=True):
        of_others = places[(places["environment"] == environment) & (places["client"] != DORRANCE)]
        single = of_others["removed_at_risk"] / of_others["shackle_years"]
        assert single.min() < rate < single.max() * 1.3
        assert not np.isclose(single, rate, rtol=1e-4).any()


# What a client's own pack tells of its places; each borrows from its like.
BORROWING = ("pooled_rates", "interval_recommendations", "replacement_forecast", "rate_backtest")


@pytest.mark.parametrize(("environment", "is_borrowed"), [("furnace heat", False), ("marine spray", True)])
def test_no_rate_of_a_client_borrows_where_one_other_could_be_told_from_it(
    fleet_store, tmp_path, environment, is_borrowed
):
    changed = copy(fleet_store, tmp_path / "changed.duckdb")
    with open_store(changed, read_only=False) as con:
        con.execute(
            "update counted_lines set removed = removed // 2 where group_id in"
            " (select group_id from line_groups where client <> $own and environment = $environment)",
            {"own": DORRANCE, "environment": environment},
        )
        # Loaded lines never change but here, so that what they sum up to has to be forgotten.
        con.execute("delete from summed_groups")
        compute_tables(con)
    before, after = (open_tables(str(path), client=DORRANCE) for path in (fleet_store, changed))
    assert before.table("pooled_rates")["is_pooled"].all()
    for name in BORROWING:
        assert before.table(name).equals(after.table(name)) == (not is_borrowed), name
