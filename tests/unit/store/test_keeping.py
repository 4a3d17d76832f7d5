"""Stores of other versions, damaged ones, backups and what `store check` finds."""

import errno
import os
from datetime import date
from shutil import copy

import duckdb
import pandas as pd
import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.jobs import bring_up_to_date, compute_for_store, what_is_wrong
from pipelines.store import file, make_store, open_store
from pipelines.store.keeping import back_up, restore
from tests.lines import append_lines


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    path = tmp_path_factory.mktemp("made") / "store.duckdb"
    make_store(path)
    compute_for_store(path)
    return path


@pytest.fixture
def store(made_once, tmp_path):
    return copy(made_once, tmp_path / "store.duckdb")


def change(store, *statements):
    with duckdb.connect(str(store)) as con:
        for statement in statements:
            con.execute(statement)


def as_of_version_1(store):
    """The store as the first version kept it: each line whole in one table, and no count jumps."""
    change(
        store,
        "drop table count_jumps",
        "alter table site_register drop column visit_days",
        "alter table site_register drop column closed_on",
        "create table whole_lines as from inspection_lines",
        "drop view current_reasons",
        "drop view current_lines",
        "drop view all_current_lines",
        "drop view inspection_lines",
        "drop table counted_lines",
        "drop table line_groups",
        "alter table whole_lines rename to inspection_lines",
        "create view current_lines as select * from inspection_lines where superseded_by is null",
        "create view current_reasons as select reason.* from removal_reasons as reason"
        " semi join current_lines using (file_sha256, row)",
        "drop view removal_criteria",
        "drop table criteria_of_gear",
        "drop table counted_gear",
        "drop table gear_kinds",
        "drop table rated_loads",
        "create table removal_criteria (criterion varchar, tier varchar, primary_rank bigint)",
        "create table rated_loads (nominal_size_mm double, grade varchar, rated_load_t double)",
        "update store_info set schema_version = 1",
    )
    return store


def test_a_reader_of_an_older_store_is_told_what_to_run(store):
    as_of_version_1(store)
    with pytest.raises(DataFault) as caught:
        open_store(store)
    assert str(caught.value) == (
        f"{store} was made by an earlier version of this tool (store schema 1, here {file.SCHEMA_VERSION})."
        f" Bring it up to date, with a backup beside it: rigging-removals store migrate --store {store}"
    )


def test_an_older_store_is_brought_up_to_date_and_kept(store, tmp_path, caplog):
    as_of_version_1(store)
    change(store, "insert into loads (load_id, file_sha256) values (1, 'a1')")
    bring_up_to_date(store)
    kept = tmp_path / "store.before-migration.duckdb"
    assert caplog.records[-1].getMessage() == (
        f"{store} was made by an earlier version of this tool (store schema 1) and is now up to date."
        f" What it was is kept as {kept}."
    )
    with duckdb.connect(str(kept), read_only=True) as con:
        assert con.execute("select schema_version, load_id from store_info, loads").fetchall() == [(1, 1)]
    with open_store(store) as con:
        assert con.execute("from count_jumps").fetchall() == []
        assert con.execute("select load_id from loads").fetchall() == [(1,)]
        assert con.execute("select computed_for_load from table_state").fetchall() == [(1,)]
    assert sorted(path.name for path in tmp_path.iterdir()) == [kept.name, store.name]


def test_an_older_store_is_brought_up_to_date_where_a_file_is_loaded_into_it(store):
    as_of_version_1(store)
    with duckdb.connect() as con:
        file.attach_store(con, store)
        assert con.execute("from store.count_jumps").fetchall() == []


def test_a_migrated_store_has_every_table_of_a_new_one(store, tmp_path):
    def columns(path):
        with open_store(path) as con:
            return con.execute(
                "select table_name, column_name, data_type from duckdb_columns() order by all"
            ).fetchall()

    def coded(path):
        with open_store(path) as con:
            lists = ("gear_kinds", "criteria_of_gear", "rated_loads", "counted_gear", "removal_criteria")
            return [con.execute(f"from {name} order by all").fetchall() for name in lists]

    new, new_lists = columns(store), coded(store)
    change(store, "insert into loads (load_id, file_sha256) values (1, 'a1')")  # so that its tables are old
    bring_up_to_date(as_of_version_1(store))
    assert columns(store) == new
    assert coded(store) == new_lists


def test_lines_of_an_older_store_are_those_of_before(store):
    line = {
        "file_sha256": "a1",
        "client": "Brackle Docks",
        "site": "Sea Wall",
        "inspected_on": date(2026, 3, 2),
    }
    lines = pd.DataFrame(
        [
            line | {"row": 1, "quantity": 5, "removed": 1, "pin": "screw pin", "load_id": 1},
            line
            | {"row": 2, "quantity": 7, "removed": 0, "pin": "screw pin", "load_id": 1, "superseded_by": 2},
            line | {"row": 3, "quantity": 9, "removed": 2, "pin": None, "load_id": 1},
        ]
    )
    with duckdb.connect(str(store)) as con:
        append_lines(con, lines)
        before = con.execute("from inspection_lines order by row").fetchall()
    bring_up_to_date(as_of_version_1(store))
    with open_store(store) as con:
        assert con.execute("from inspection_lines order by row").fetchall() == before
        assert con.execute("select row from current_lines order by row").fetchall() == [(1,), (3,)]
        assert con.execute("select count(*) from line_groups").fetchall() == [(2,)]


def test_removals_of_an_older_store_go_to_the_gravest_criterion(store):
    line = {
        "file_sha256": "a1",
        "gear_family": "shackle",
        "quantity": 9,
        "inspected_on": date(2026, 3, 2),
        "load_id": 1,
    }
    lines = pd.DataFrame([line | {"row": row, "removed": removed} for row, removed in ((1, 3), (2, 1))])
    written = [  # as they were settled in the order of the text: mentions, and removals under the criterion
        (1, "identification missing", 2, 2), (1, "wear over limit", 1, 1), (1, "deformed", 1, 0), (1, "not stated", 0, 0),
        (2, "not stated", 1, 1),
    ]  # fmt: skip
    with duckdb.connect(str(store)) as con:
        append_lines(con, lines)
        con.executemany("insert into removal_reasons values ('a1', ?, ?, ?, ?, null)", written)
    bring_up_to_date(as_of_version_1(store))
    with open_store(store) as con:
        assert con.execute(
            "select row, criterion, mentions, primary_removed from removal_reasons order by row, primary_removed, criterion"
        ).fetchall() == [
            (1, "not stated", 0, 0), (1, "deformed", 1, 1), (1, "identification missing", 2, 1), (1, "wear over limit", 1, 1),
            (2, "not stated", 1, 1),
        ]  # fmt: skip


def test_a_later_store_is_refused(store):
    change(store, "update store_info set schema_version = 99")
    for read_only in (True, False):
        with pytest.raises(DataFault) as caught:
            open_store(store, read_only)
        assert str(caught.value) == (
            f"{store} was made by a later version of this tool (store schema 99, here {file.SCHEMA_VERSION})."
            " Install that version, or load the exports into a new store."
        )


def damage(store, start, length):
    with store.open("r+b") as stream:
        stream.seek(start)
        stream.write(b"\x5a" * length)


@pytest.mark.parametrize("cut", [True, False])
def test_a_damaged_store_is_named_as_such(store, cut):
    if cut:
        with store.open("r+b") as stream:
            stream.truncate(10_000)
    else:
        damage(store, 4096, 8192)
    with pytest.raises(DataFault) as caught:
        open_store(store)
    assert str(caught.value) == (
        f"{store} is damaged: DuckDB cannot open it. Put a backup in its place:"
        f" rigging-removals store restore BACKUP --store {store}"
    )


def test_a_whole_store_is_whole(store):
    assert what_is_wrong(store) == []


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("insert into loads values (1, 'a.csv', 'a1', 's', now(), 3, 2, 0, 1, 0, 0, false)",
         "load 1, a.csv: 1 rows were quarantined, 0 are there; load 1, a.csv: 2 rows were accepted, 0 are there"),
        ("insert into loads values (1, 'a.csv', 'a1', 's', now(), 3, 0, 0, 0, 0, 0, false)",
         "load 1, a.csv: 3 rows were read, 0 are accounted for"),
        ("insert into loads select n, 'a.csv', 'a1', 's', now(), 0, 0, 0, 0, 0, 0, false from range(1, 3) as t(n)",
         "the file a.csv was loaded 2 times"),
        ("insert into removal_reasons (file_sha256, row) values ('a1', 1)", "1 removal reasons belong to no line"),
        ("alter table stock_register drop column unit_cost", "stock_register.unit_cost should be DOUBLE and is not there"),
    ],
)  # fmt: skip
def test_what_does_not_add_up_is_said(store, statement, sentence):
    change(store, statement)
    assert "; ".join(what_is_wrong(store)) == sentence


def test_tables_older_than_the_lines_are_said(store):
    change(store, "insert into loads values (1, 'a.csv', 'a1', 's', now(), 0, 0, 0, 0, 0, 0, false)")
    (sentence,) = what_is_wrong(store)
    assert sentence.startswith("the result tables are older than the lines")
    bring_up_to_date(store)
    assert what_is_wrong(store) == []


def test_a_backup_is_a_whole_store_and_replaces_nothing(store, tmp_path):
    made = back_up(store, None)
    assert made == tmp_path / "store.backup.duckdb"
    assert what_is_wrong(made) == []
    assert back_up(store, None) == tmp_path / "store.backup-2.duckdb"
    with pytest.raises(RequestFault) as caught:
        back_up(store, made)
    assert str(caught.value) == f"{made} is there already. Give another name with --out, or remove it."
    assert len(list(tmp_path.iterdir())) == 3


@pytest.mark.parametrize("is_damaged", [False, True])
def test_a_backup_is_put_in_the_place_of_a_store_that_is_kept(store, tmp_path, is_damaged):
    backup = back_up(store, None)
    change(store, "insert into store_info values (77, now())")
    if is_damaged:
        damage(store, 4096, 8192)
    before = store.read_bytes()
    assert restore(backup, store) == (0, tmp_path / "store.before-restore.duckdb")
    assert (tmp_path / "store.before-restore.duckdb").read_bytes() == before
    assert what_is_wrong(store) == []
    assert len(list(tmp_path.iterdir())) == 3


def test_a_backup_that_is_not_whole_is_not_restored(store, tmp_path):
    backup = back_up(store, None)
    change(backup, "insert into removal_reasons (file_sha256, row) values ('a1', 1)")
    before = store.read_bytes()
    with pytest.raises(DataFault) as caught:
        restore(backup, store)
    assert str(caught.value) == (
        f"{backup} is not whole: 1 removal reasons belong to no line. Choose another backup."
    )
    assert store.read_bytes() == before


def test_where_a_file_can_have_one_name_only_nothing_is_replaced_either(store, tmp_path, monkeypatch):
    # As on FAT and on many network drives.
    def no_second_name(file, path):
        raise OSError(errno.EPERM, os.strerror(errno.EPERM), str(file), None, str(path))

    monkeypatch.setattr("pipelines.store.file.os.link", no_second_name)
    made = back_up(store, tmp_path / "backup.duckdb")
    before = made.read_bytes()
    assert what_is_wrong(made) == []
    make_store(made)  # as another run would have made it meanwhile
    assert made.read_bytes() == before
    with pytest.raises(FileExistsError):
        file.give_name(store, made)
    _, kept = restore(made, store)
    assert (what_is_wrong(store), what_is_wrong(kept)) == ([], [])
    assert {path.name for path in tmp_path.iterdir()} == {store.name, made.name, kept.name}


def test_a_store_that_is_gone_is_restored(store, tmp_path):
    backup = back_up(store, None)
    store.unlink()
    assert restore(backup, store) == (0, None)
    assert what_is_wrong(store) == []
