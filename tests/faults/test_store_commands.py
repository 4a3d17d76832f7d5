"""`rigging-removals store ...` as a user types it."""

import duckdb

from tests.faults.killing import loads_of_whole
from tests.unit.store.test_keeping import as_of_version_1


def change(store, statement):
    with duckdb.connect(str(store)) as con:
        con.execute(statement)


def test_a_store_is_checked_backed_up_and_put_back(run, folder):
    store = folder / "store.duckdb"
    assert run("store check --store store.duckdb") == (0, ["store.duckdb is whole."])
    assert run("store backup --store store.duckdb") == (0, ["Backup: store.backup.duckdb"])
    change(store, "insert into set_aside_rows values (1, 99, 'blank', '{}')")
    assert run("store check --store store.duckdb") == (
        1,
        [
            "store.duckdb is not whole: load 1, log0.csv: 0 rows were set aside, 1 are there. Put a backup in its place if"
            " it lost rows: rigging-removals store restore BACKUP --store store.duckdb"
        ],
    )
    assert run("store restore store.backup.duckdb --store store.duckdb") == (
        0,
        [
            "store.duckdb now holds what store.backup.duckdb holds, 1 loads.",
            "What was there before is kept as store.before-restore.duckdb.",
        ],
    )
    assert loads_of_whole(store) == 1


def test_an_older_store_says_what_to_run_and_that_makes_it_readable(run, folder):
    store = folder / "store.duckdb"
    as_of_version_1(store)
    for words in ("table removal_rates", "quarantine", "report all --period 2026-02", "store check"):
        status, said = run(f"{words} --store store.duckdb")
        assert (status, len(said)) == (1, 1)
        assert said[0].endswith(
            "Bring it up to date, with a backup beside it: rigging-removals store migrate --store store.duckdb"
        )
    status, said = run("store migrate --store store.duckdb")
    assert (status, said[-1]) == (0, "store.duckdb is up to date.")
    assert "What it was is kept as store.before-migration.duckdb." in said[0]
    assert run("store check --store store.duckdb") == (0, ["store.duckdb is whole."])


def test_what_lies_on_a_damaged_page_is_said(run, folder):
    """The page is one of the middle, so that the store opens."""
    store = folder / "store.duckdb"
    with store.open("r+b") as stream:
        stream.seek(12_288 + 262_144 // 2)
        stream.write(b"\x5a" * (store.stat().st_size - 12_288 - 262_144))
    status, said = run("store check --store store.duckdb")
    assert (status, len(said)) == (1, 1)
    assert said[0].startswith(
        ("store.duckdb is damaged", "store.duckdb is not whole", "The store is damaged")
    )


def test_intake_without_names(run, folder):
    assert run("intake log1.csv --store store.duckdb --source profile.yaml --pseudonymise")[0] == 0
    assert loads_of_whole(folder / "store.duckdb") == 2
