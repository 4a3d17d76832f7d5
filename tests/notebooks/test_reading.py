"""What a report reads from a store: the month, client and site asked for, and nothing of anybody else."""

import duckdb
import pandas as pd
import pytest

from pipelines.faults import RequestFault
from pipelines.packs import reading
from pipelines.packs.pack import _frames
from pipelines.packs.reading import open_tables, told_apart
from pipelines.store import open_store

BRACKLE, FERROW, PERIOD = "Brackle Docks", "Ferrow Mills", "2026-02"


def test_the_store_s_own_month_by_default(small_store):
    tables = open_tables(str(small_store))
    assert (tables.period, str(tables.as_of)) == (PERIOD, "2026-02-28")
    assert set(tables.table("removal_trend")["client"]) == {BRACKLE, FERROW}


def test_another_month_is_computed_and_the_store_left_as_it_was(small_store):
    before = small_store.read_bytes()
    tables = open_tables(str(small_store), "2025-06")
    assert (tables.period, str(tables.as_of)) == ("2025-06", "2025-06-30")
    assert tables.table("removal_trend")["month"].max() == "2025-06"
    assert small_store.read_bytes() == before


def test_nothing_holds_the_store_once_it_was_read(small_store):
    tables = open_tables(str(small_store))
    with duckdb.connect(str(small_store)) as con:
        con.execute("create table written (a integer)")
        con.execute("drop table written")
    assert len(tables.table("interval_recommendations")) == 3


def test_tables_older_than_the_latest_load_are_computed_again(small_store, tmp_path):
    copy = tmp_path / "copy.duckdb"
    copy.write_bytes(small_store.read_bytes())
    with open_store(copy, read_only=False) as con:
        con.execute("update removal_trend set removed = 99").fetchall()
        con.execute("update table_state set computed_for_load = 1").fetchall()
    assert 99 not in set(open_tables(str(copy)).table("removal_trend")["removed"])


def test_trends_are_of_each_client_or_of_the_site_asked_for(small_store):
    clients = open_tables(str(small_store)).trends()
    assert [trend["client"].iloc[0] for trend in clients] == [BRACKLE, FERROW]
    assert all(trend["site"].isna().all() for trend in clients)
    (site,) = open_tables(str(small_store), site="Sea Wall").trends()
    assert set(site["site"]) == {"Sea Wall"}


def test_what_adds_up_the_sites_of_a_client_is_left_out_of_the_report_of_one_site(small_store):
    of_client = open_tables(str(small_store), client=BRACKLE)
    of_site = open_tables(str(small_store), client=BRACKLE, site="Sea Wall")
    for name in ("reasons_by_environment", "inspector_strictness"):
        assert set(of_client.table(name)["client"]) == {BRACKLE}
        assert name not in of_site.tables


def test_the_places_of_the_month_are_those_inspected_in_it(small_store):
    month = open_tables(str(small_store)).month()
    assert month[["site", "inspected", "removed", "signal"]].to_numpy().tolist() == [
        ["Sea Wall", 300, 30, "above"]
    ]


def test_a_file_of_one_client_is_told_whole_and_a_shared_one_without_its_name(small_store):
    files = open_tables(str(small_store), client=FERROW).files
    assert files["file"].tolist() == ["ferrow_log.csv", "a shared file, fingerprint c1c1c1c1"]
    assert files["rows_read"].tolist()[0] == 13
    assert files["rows_read"].isna().tolist() == [False, True]
    assert files["lines_in_use"].tolist() == [12, 2]


def test_quarantined_rows_of_a_shared_file_are_nobody_s(small_store):
    one = open_tables(str(small_store), client=FERROW).quarantined
    assert one["file"].tolist() == ["ferrow_log.csv"]
    assert "raw" not in one
    assert not one["detail"].str.contains("whole number").any()
    everything = open_tables(str(small_store)).quarantined
    assert len(everything) == 3
    assert everything["detail"].str.contains("is not a whole number").all()


def test_counts_that_jump_are_told_to_whose_they_are(small_store):
    assert open_tables(str(small_store)).jumps["counted"].tolist() == [210, 71]
    of_client = open_tables(str(small_store), client=FERROW).jumps
    assert of_client[["client", "site", "looks", "counted", "usual"]].to_numpy().tolist() == [
        [FERROW, "Press Hall", 2, 210, 52]
    ]
    assert open_tables(str(small_store), client=BRACKLE, site="Sea Wall").jumps.empty


def test_rules_add_up_over_the_files_that_may_be_told(small_store):
    assert open_tables(str(small_store)).rules["rows_failing"].tolist() == [0, 3]
    rules = open_tables(str(small_store), client=FERROW).rules
    assert rules[["description", "rows_failing"]].to_numpy().tolist() == [
        ["Quantity is filled in", 0],
        ["What is written as quantity can be read", 1],
    ]


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (
            {"client": "Nobody"},
            f'No line of a client "Nobody" is loaded. Clients in this store: {BRACKLE}, {FERROW}.',
        ),
        (
            {"client": FERROW, "site": "Sea Wall"},
            f'No line of a site "Sea Wall" of {FERROW} is loaded. Sites of {FERROW}: Press Hall.',
        ),
        ({"period": "March"}, '"March" is not a month. Write it as YYYY-MM, such as 2025-06.'),
        (
            {"period": "2023-01"},
            "No inspection line lies in 2023-01 or before. Choose a month from 2024-01 on.",
        ),
    ],
)
def test_what_is_not_there_is_said_in_one_sentence(small_store, asked, sentence):
    with pytest.raises(RequestFault) as fault:
        open_tables(str(small_store), **asked)
    assert str(fault.value) == sentence


def test_pages_show_sites_told_apart_and_files_keep_their_names(small_store, monkeypatch):
    apart = pd.DataFrame({"site": ["Yard, Brackle Docks"]})
    monkeypatch.setattr(
        reading, "told_apart", lambda tables: {"between": apart} if "between" in tables else {}
    )
    tables = open_tables(str(small_store))
    assert tables.tables == {}
    assert tables.between is apart
    assert set(_frames(tables)) >= {"removal_rates", "site_benchmark"}


def test_sites_of_one_name_go_by_their_client_too_where_pages_show_them():
    names = {"client": [BRACKLE, BRACKLE, FERROW, FERROW], "site": ["Yard", "Sea Wall", "Yard", None]}
    tables = {"some": pd.DataFrame(names), "other": pd.DataFrame({"supplier": ["S-1"]})}
    shown = told_apart(tables)
    assert shown["some"]["site"].tolist() == [f"Yard, {BRACKLE}", "Sea Wall", f"Yard, {FERROW}", None]
    assert tables["some"]["site"].tolist() == names["site"]
    assert told_apart({"some": pd.DataFrame(names).head(2)})["some"]["site"].tolist() == ["Yard", "Sea Wall"]


def test_reasons_changed_as_they_did_at_the_places_of_both_years(fleet_store):
    tables = open_tables(str(fleet_store))
    rates, criteria = tables.table("removal_rates"), tables.table("reason_breakdown")
    place = ["client", "site", "environment"]
    last, prior = (
        rates[rates["month"].between(*months)].groupby(place)["shackle_years"].sum().reindex(
            pd.MultiIndex.from_frame(criteria[place]), fill_value=0
        ).to_numpy()
        for months in (("2025-03", "2026-02"), ("2024-03", "2025-02"))
    )  # fmt: skip
    both = (last >= 1) & (prior >= 1)
    assert both.any()
    of_both = criteria[both].assign(
        last=last[both], standard=criteria["removed_prior_12_months"][both] * (last / prior)[both]
    )
    sums = of_both.groupby(["client", "criterion"])[["removed_last_12_months", "standard", "last"]].sum()
    told = tables.reasons().set_index(["client", "criterion"]).loc[sums.index]
    assert told["rate_last_same_places"].tolist() == pytest.approx(
        (100 * sums["removed_last_12_months"] / sums["last"]).tolist()
    )
    assert told["rate_prior_same_places"].tolist() == pytest.approx(
        (100 * sums["standard"] / sums["last"]).tolist()
    )
    assert (told["rate_last_same_places"] != told["rate_prior_same_places"]).any()
