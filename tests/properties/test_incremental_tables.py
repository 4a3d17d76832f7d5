"""The result tables of a store that grew file by file are those of the same lines computed from nothing."""

from datetime import date

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.exposure import WORKING_TABLES, build_exposures
from pipelines.store import create_tables
from pipelines.tables import TABLES, compute_tables, read_table
from tests.lines import append_lines

FILES = 4


@pytest.fixture(params=range(3))
def random(request):
    return np.random.default_rng(request.param)


@pytest.fixture
def con():
    """An empty store with the places of the lines in its register."""
    with duckdb.connect() as con:
        create_tables(con)
        places = [
            (f"client {c}", f"site {s}", e) for c in range(2) for s in range(3) for e in ("dry", "spray")
        ]
        register = pd.DataFrame(places, columns=["client", "site", "environment"])
        con.append(
            "site_register", register.assign(service_class="normal", current_interval_months=6), by_name=True
        )
        yield con


def lines_of_file(random, load_id):
    """Two hundred lines: looks, shifts and receipts of groups by quantity and of tags that move, on shared days."""
    count = 200
    is_tagged = random.random(count) < 0.3
    quantity = np.where(is_tagged, 1, random.integers(0, 30, count))
    tags = [f"T{number}" for number in random.integers(0, 12, count)]
    kinds = ["periodic", "periodic", "frequent", "initial"]
    days = pd.Timestamp("2023-01-10") + pd.to_timedelta(random.integers(0, 30, count) * 40, unit="D")
    return pd.DataFrame(
        {
            "file_sha256": f"file {load_id}",
            "row": np.arange(count) + 1,
            "load_id": load_id,
            "source": "log",
            "client": [f"client {number}" for number in random.integers(0, 2, count)],
            "site": [f"site {number}" for number in random.integers(0, 3, count)],
            "environment": random.choice(["dry", "spray"], count),
            "item_class": random.choice(["bow 16 mm", "chain 22 mm"], count),
            "inspection_type": random.choice(kinds, count),
            "serial": np.where(is_tagged, tags, None),
            "inspected_on": days,
            "quantity": quantity,
            "removed": np.minimum(quantity, random.poisson(0.4, count)),
            "replaced": random.integers(0, 2, count),
            "inspector": random.choice(["A", "B", "C"], count),
            "supplier": random.choice(["S", "T"], count),
        }
    )


def load(con, random, load_id):
    """Put a file into the store; it supersedes some lines of the files before it, of one client at times."""
    lines = lines_of_file(random, load_id)
    con.execute("insert into loads (load_id) values ($load_id)", {"load_id": load_id})
    con.execute(
        "update counted_lines set superseded_by = $load_id where superseded_by is null and row % 7 = $place"
        " and group_id in (select group_id from line_groups where $everybody or client = 'client 0')",
        {"load_id": load_id, "place": int(random.integers(0, 7)), "everybody": bool(random.integers(0, 2))},
    )
    append_lines(con, lines)
    reasons = lines.loc[lines["removed"] > 0, ["file_sha256", "row", "removed"]]
    reasons = reasons.rename(columns={"removed": "primary_removed"})
    reasons["mentions"] = reasons["primary_removed"]
    reasons["criterion"] = random.choice(["deformed", "thread damage", "not stated"], len(reasons))
    con.append("removal_reasons", reasons, by_name=True)


def computed(con):
    compute_tables(con)
    return {name: read_table(con, name) for name in TABLES} | {
        "exposures": con.execute("select * from exposures").df()
    }


def test_tables_of_files_one_by_one_are_those_of_all_lines_at_once(con, random):
    for load_id in range(1, FILES + 1):
        load(con, random, load_id)
        one_by_one = computed(con)
    for name in WORKING_TABLES:
        con.execute(f"drop table {name}")
    for name, table in computed(con).items():
        pd.testing.assert_frame_equal(one_by_one[name], table, rtol=1e-9, obj=name)


def test_only_the_groups_that_a_load_touched_are_summed_again(con, random):
    load(con, random, 1)
    computed(con)
    append_lines(con, lines_of_file(random, 2).query("site == 'site 1'"))
    computed(con)
    touched = con.execute(
        "select distinct file_sha256, site from touched_groups join line_groups using (group_id)"
    ).fetchall()
    assert touched == [("file 2", "site 1")]
    computed(con)
    assert con.execute("select count(*) from touched_groups").fetchall() == [(0,)]


def test_a_group_with_another_quantity_in_a_line_is_summed_again(con, random):
    load(con, random, 1)
    build_exposures(con)
    con.execute("update counted_lines set quantity = quantity + 1 where row = 7")
    build_exposures(con)
    assert con.execute("select count(*) from touched_groups").fetchall() == [(1,)]


def touched_clients(con):
    build_exposures(con, date(2026, 12, 31))
    return con.execute("select client from touched_clients order by client").fetchall()


def test_only_the_exposures_of_clients_that_a_change_touched_are_made_again(con, random):
    load(con, random, 1)
    assert touched_clients(con) == [("client 0",), ("client 1",)]
    assert touched_clients(con) == []
    append_lines(con, lines_of_file(random, 2).query("client == 'client 1'"))
    assert touched_clients(con) == [("client 1",)]
    con.execute(
        "update site_register set current_interval_months = 3 where client = 'client 0' and site = 'site 2'"
    )
    assert touched_clients(con) == [("client 0",)]
    con.execute("update site_register set visit_days = 2 where client = 'client 1' and site = 'site 2'")
    assert touched_clients(con) == [("client 1",)]
    con.execute("update counted_lines set superseded_by = 2 where load_id = 1")
    assert touched_clients(con) == [("client 0",), ("client 1",)]
    assert con.execute("select distinct client from exposures").fetchall() == [("client 1",)]


def test_a_store_with_the_exposures_of_an_earlier_version_has_them_made_anew(con, random):
    load(con, random, 1)
    expected = computed(con)
    for name in ("counted_clients", "item_groups", "group_wordings", "gap_days", "gaps"):
        con.execute(f"drop table {name}")
    con.execute("create table exposed_clients as select 'client 0' as client, 1::ubigint as mark")
    con.execute("create table group_days (group_id bigint, client varchar)")
    con.execute("drop view exposures")
    con.execute("create table exposures as select 'a client that is gone' as client")
    for name, table in computed(con).items():
        pd.testing.assert_frame_equal(expected[name], table, obj=name)


def test_a_removal_is_traced_to_the_gap_that_its_reason_counts_in(con, random):
    load(con, random, 1)
    build_exposures(con)
    traced = con.execute(
        "select row, site, environment, previous_on, closed_on from line_gaps"
        " where removed > 0 and inspection_type <> 'initial' order by row"
    ).fetchall()
    counted = con.execute(
        "select row, there.site, there.environment, previous_on, closed_on from counted_lines as line"
        " join line_groups as its_own using (group_id)"
        " join group_wordings as part on part.wording = group_id and part.serial is not distinct from line.serial"
        " join gap_days as gap on gap.group_id = part.group_id and day = inspected_on"
        " join line_groups as there on there.group_id = closed_at"
        " where line.removed > 0 and its_own.inspection_type <> 'initial' and previous_on is not null order by row"
    ).fetchall()
    assert traced == counted != []


def test_an_earlier_month_and_the_latest_again_give_the_tables_of_each(con, random):
    load(con, random, 1)
    latest = computed(con)
    compute_tables(con, "2024-06")
    in_june = con.execute("select * from exposures").df()
    assert in_june["inspected_on"].max() <= pd.Timestamp(2024, 6, 30)
    for name, table in computed(con).items():
        pd.testing.assert_frame_equal(latest[name], table, rtol=1e-9, obj=name)
