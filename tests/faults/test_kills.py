"""What is left where a run is killed in the midst of its work, and what the next run makes of it."""

from shutil import copy

import pytest

from pipelines.jobs import table_of_store
from pipelines.store import open_store
from tests.conftest import HEADER, PROFILE, REGISTER
from tests.faults.killing import KILLED, loads_of_whole, packs_of_whole, warm_process

MONTH = "2026-02"


def write_logs(folder, count, rows=40):
    """Write so many logs, one for each year, with a register and a profile; return the arguments of an intake."""
    for number in range(count):
        lines = [
            f"{place},bow,screw pin,16 mm,2.95,carbon,,{2026 - number}-{month:02d}-{day:02d},yearly,25,{day % 2},no tag"
            for place in ("North Shed,indoor dry", "Sea Wall,marine spray")
            for month in (1, 2)
            for day in range(1, rows // 4 + 1)
        ]
        (folder / f"log{number}.csv").write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    (folder / "register.csv").write_text(REGISTER, encoding="utf-8")
    return {
        "files": [folder / f"log{number}.csv" for number in range(count)],
        "profile": folder / "profile.yaml",
        "register": folder / "register.csv",
    }


@pytest.fixture(scope="module")
def warm():
    with warm_process() as warm:
        yield warm


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return write_logs(tmp_path_factory.mktemp("logs"), count=2)


@pytest.fixture(scope="module")
def loaded_once(warm, logs, tmp_path_factory):
    store = tmp_path_factory.mktemp("loaded") / "store.duckdb"
    assert warm.do("intake", store=store, **logs) == 0
    return store


@pytest.fixture
def loaded(loaded_once, tmp_path):
    return copy(loaded_once, tmp_path / "store.duckdb")


@pytest.mark.parametrize(
    ("die_at", "loads"),
    [
        (("pipelines.store.file", "create_tables", 1), None),
        (("pipelines.store.file", "_move_without_replacing", 1), None),
        (("pipelines.store.loading", "_write_account", 2), 1),
        (("pipelines.jobs", "compute_tables", 1), 2),
        (("pipelines.tables.compute", "_write", 5), 2),
    ],
)
def test_a_killed_intake_leaves_whole_loads_and_is_done_by_the_same_command(
    warm, logs, tmp_path, die_at, loads
):
    store = tmp_path / "store.duckdb"
    assert warm.do("intake", die_at=die_at, store=store, **logs) == KILLED
    assert (loads_of_whole(store) if store.exists() else None) == loads
    assert warm.do("intake", store=store, **logs) == 0
    assert loads_of_whole(store) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["store.duckdb"]


def test_tables_that_a_killed_run_left_behind_its_lines_are_computed_for_whoever_reads_them(
    warm, logs, loaded, tmp_path
):
    right = table_of_store(loaded, "removal_rates", "", "")
    half = tmp_path / "half.duckdb"
    assert warm.do("intake", store=half, **{**logs, "files": logs["files"][:1]}) == 0
    assert len(table_of_store(half, "removal_rates", "", "")) == len(right) - 4
    assert warm.do("intake", die_at=("pipelines.jobs", "compute_tables", 1), store=half, **logs) == KILLED
    assert table_of_store(half, "removal_rates", "", "").equals(right)


def test_a_register_loaded_by_a_run_that_was_killed_counts_for_whoever_reads_the_tables(
    warm, logs, loaded, tmp_path
):
    changed = tmp_path / "register.csv"
    changed.write_text(
        REGISTER.replace("indoor dry,normal,weekly,12", "indoor dry,normal,weekly,6"), encoding="utf-8"
    )
    died = warm.do(
        "intake",
        die_at=("pipelines.intake.files", "_load_file", 1),
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
    assert (
        warm.do("recompute", die_at=("pipelines.tables.compute", "_write", 20), store=loaded) == KILLED
    )
    assert rates() == before
    assert loads_of_whole(loaded) == 2


@pytest.mark.parametrize("call", [1, 2])
def test_a_report_killed_while_its_pack_is_moved_into_place_loses_no_pack(warm, loaded, tmp_path, call):
    """Call 1 moves the earlier pack aside, call 2 the new one into its place."""
    out = tmp_path / "reports"
    asked = {"store": loaded, "out": out, "period": MONTH}
    assert warm.do("empty_report", **asked) == 0
    (out / MONTH / "seen.txt").write_text("the earlier pack", encoding="utf-8")
    assert warm.do("empty_report", die_at=("pathlib:Path", "rename", call), **asked) == KILLED
    assert packs_of_whole(out) == ([MONTH] if call == 1 else [])
    # Whatever month is asked for next, the one that was in between is back.
    assert warm.do("empty_report", **{**asked, "period": "2026-01"}) == 0
    assert packs_of_whole(out) == ["2026-01", MONTH]
    assert (out / MONTH / "seen.txt").read_text(encoding="utf-8") == "the earlier pack"
    assert sorted(path.name for path in out.iterdir()) == ["2026-01", MONTH]


def test_a_report_killed_while_it_writes_leaves_no_half_pack(warm, loaded, tmp_path):
    out = tmp_path / "reports"
    asked = {"store": loaded, "out": out, "period": MONTH}
    assert warm.do("empty_report", die_at=("pipelines.packs.pack", "index_html", 1), **asked) == KILLED
    assert packs_of_whole(out) == []
    assert warm.do("empty_report", **asked) == 0
    assert [path.name for path in out.iterdir()] == [MONTH]
