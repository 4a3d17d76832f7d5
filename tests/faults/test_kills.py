"""What is left where a run is killed in the midst of its work, and what the next run makes of it."""

import pytest
from pandas.testing import assert_frame_equal

from pipelines.jobs import table_of_store
from pipelines.store import make_store, open_store
from tests.conftest import REGISTER
from tests.faults.killing import KILLED, loads_of_whole, packs_of_whole

MONTH = "2026-02"


@pytest.mark.parametrize("name", ["create_tables", "give_name"])
def test_a_store_whose_making_was_killed_is_not_there(warm, logs, tmp_path, name):
    store = tmp_path / "store.duckdb"
    assert warm.do("intake", meanwhile=("pipelines.store.file", name, 1), store=store, **logs) == KILLED
    assert not store.exists()
    make_store(store)
    assert loads_of_whole(store) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["store.duckdb"]


@pytest.mark.parametrize(
    ("meanwhile", "loads"),
    [
        (("pipelines.store.loading", "_write_account", 1), 1),
        (("pipelines.tables.compute", "compute_tables", 1), 2),
        (("pipelines.tables.compute", "_write", 5), 2),
    ],
)
def test_a_killed_intake_leaves_whole_loads_and_is_done_by_the_same_command(
    warm, logs, loaded, meanwhile, loads
):
    assert warm.do("intake", meanwhile=meanwhile, store=loaded, **logs) == KILLED
    assert loads_of_whole(loaded) == loads
    read_between = table_of_store(loaded, "removal_rates", "", "")
    assert warm.do("intake", store=loaded, **logs) == 0
    assert loads_of_whole(loaded) == 2
    if loads == 2:  # tables that the killed run left behind its lines were computed for whoever read them
        assert_frame_equal(table_of_store(loaded, "removal_rates", "", ""), read_between)
    assert [path.name for path in loaded.parent.iterdir()] == ["store.duckdb"]


def test_a_register_loaded_by_a_run_that_was_killed_counts_for_whoever_reads_the_tables(
    warm, logs, loaded, tmp_path
):
    changed = tmp_path / "register.csv"
    changed.write_text(
        REGISTER.replace("indoor dry,normal,weekly,12", "indoor dry,normal,weekly,6"), encoding="utf-8"
    )
    died = warm.do(
        "intake",
        meanwhile=("pipelines.intake.files", "_load_file", 1),
        store=loaded,
        **{**logs, "register": changed},
    )
    assert died == KILLED
    table = table_of_store(loaded, "interval_recommendations", "", "North Shed")
    assert list(table["current_interval_months"]) == [6]


def test_a_killed_recompute_leaves_the_tables_as_they_were(warm, loaded):
    def rates():
        with open_store(loaded) as con:
            return con.execute("from removal_rates order by all").fetchall(), con.execute(
                "from table_state"
            ).fetchall()

    before = rates()
    assert warm.do("recompute", meanwhile=("pipelines.tables.compute", "_write", 20), store=loaded) == KILLED
    assert rates() == before
    assert loads_of_whole(loaded) == 1


@pytest.mark.parametrize("call", [1, 2])
def test_a_report_killed_while_its_pack_is_moved_into_place_loses_no_pack(warm, loaded, tmp_path, call):
    """Call 1 moves the earlier pack aside, call 2 the new one into its place."""
    out = tmp_path / "reports"
    asked = {"store": loaded, "out": out, "period": MONTH}
    assert warm.do("empty_report", **asked) == 0
    (out / MONTH / "seen.txt").write_text("the earlier pack", encoding="utf-8")
    assert warm.do("empty_report", meanwhile=("pathlib:Path", "rename", call), **asked) == KILLED
    assert packs_of_whole(out) == ([MONTH] if call == 1 else [])
    # Whatever month is asked for next, the one that was in between is back.
    assert warm.do("empty_report", **{**asked, "period": "2026-01"}) == 0
    assert packs_of_whole(out) == ["2026-01", MONTH]
    assert (out / MONTH / "seen.txt").read_text(encoding="utf-8") == "the earlier pack"
    assert sorted(path.name for path in out.iterdir()) == ["2026-01", MONTH]


def test_a_report_killed_while_it_writes_leaves_no_half_pack(warm, loaded, tmp_path):
    out = tmp_path / "reports"
    asked = {"store": loaded, "out": out, "period": MONTH}
    assert warm.do("empty_report", meanwhile=("pipelines.packs.pack", "index_html", 1), **asked) == KILLED
    assert packs_of_whole(out) == []
    assert warm.do("empty_report", **asked) == 0
    assert [path.name for path in out.iterdir()] == [MONTH]
