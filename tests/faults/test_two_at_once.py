"""Two processes that want the same store or the same folder."""

import subprocess
import sys
import time

import pytest

from pipelines.faults import HeldFault
from pipelines.store import file, open_store
from pipelines.store.keeping import back_up, restore
from tests.faults.killing import loads_of_whole, packs_of_whole
from tests.refusals import fault_of

HOLD = "import duckdb, sys, time; con = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(float(sys.argv[2]))"


@pytest.fixture
def held(loaded):
    """A function that has another process hold the store for so many seconds, and returns the process."""
    holders = []

    def hold(seconds):
        words = [sys.executable, "-c", HOLD, loaded, str(seconds)]
        holders.append(subprocess.Popen(words, stdout=subprocess.PIPE, text=True))
        assert holders[-1].stdout.readline() == "held\n"
        return holders[-1]

    yield hold
    for holder in holders:
        holder.kill()
        holder.communicate()


def test_two_intakes_into_one_new_store_both_load(warm, logs, tmp_path):
    store = tmp_path / "store.duckdb"
    started = [
        warm.start("intake", said=tmp_path / f"{number}.txt", store=store, **{**logs, "files": [log]})
        for number, log in enumerate(logs["files"])
    ]
    ended = [warm.end(pid) for pid in started]
    assert ended == [0, 0], [(tmp_path / f"{number}.txt").read_text() for number in range(2)]
    assert loads_of_whole(store) == 2
    with open_store(store) as con:
        assert con.execute("select computed_for_load from table_state").fetchall() == [(2,)]


def test_an_intake_waits_for_a_report_which_tells_of_the_store_as_it_was_all_through(
    warm, logs, loaded, tmp_path
):
    out, said = tmp_path / "reports", tmp_path / "said.txt"
    report = warm.start("slow_report", store=loaded, out=out, period="2026-02", seconds=3)
    time.sleep(1)
    intake = warm.start("intake", said=said, store=loaded, **logs)
    assert (warm.end(report), warm.end(intake)) == (0, 0)
    assert f"{loaded} is in use by process {report}. Waiting for it" in said.read_text()
    assert packs_of_whole(out) == ["2026-02"]
    files = (out / "2026-02" / "tables" / "files_loaded.csv").read_text().splitlines()[1:]
    assert [line.split(",")[0] for line in files] == ["log0.csv"]
    assert loads_of_whole(loaded) == 2


def test_a_reader_waits_for_a_writer_and_says_so_once(loaded, held, caplog):
    holder = held(1)
    with open_store(loaded) as con:
        assert con.execute("select count(*) from loads").fetchall() == [(1,)]
    assert [record.getMessage() for record in caplog.records] == [
        f"{loaded} is in use by process {holder.pid}. Waiting for it, 30 seconds at most."
    ]


def test_nobody_waits_for_ever(loaded, held, monkeypatch):
    monkeypatch.setattr(file, "LONGEST_WAIT_SECONDS", 0.3)
    holder = held(60)
    for read_only in (True, False):
        with pytest.raises(HeldFault) as caught:
            open_store(loaded, read_only)
        assert str(caught.value) == (
            f"{loaded} is in use by process {holder.pid}. Close it there (an open notebook, another intake) and try again."
        )


def test_a_store_that_is_held_is_not_replaced_by_a_backup(loaded, held, monkeypatch, tmp_path):
    backup = back_up(loaded, tmp_path / "backup.duckdb")
    before = backup.read_bytes(), loaded.read_bytes()
    monkeypatch.setattr(file, "LONGEST_WAIT_SECONDS", 0.3)
    holder = held(60)
    assert fault_of(restore, backup, loaded, kind=HeldFault) == (
        f"{loaded} is in use by process {holder.pid}. Close it there (an open notebook, another intake) and try again."
    )
    assert (backup.read_bytes(), loaded.read_bytes()) == before
    assert {path.name for path in tmp_path.iterdir()} == {backup.name, loaded.name}


def test_no_lock_outlives_its_process(loaded, held, caplog):
    holder = held(60)
    holder.kill()
    holder.wait()
    open_store(loaded, read_only=False).close()
    assert caplog.records == []


def test_two_reports_into_one_folder_leave_one_whole_pack(warm, loaded, tmp_path):
    out = tmp_path / "reports"
    asked = {"store": loaded, "out": out, "period": "2026-02", "seconds": 0.5}
    started = [warm.start("slow_report", said=tmp_path / "said.txt", **asked) for _ in range(2)]
    assert [warm.end(pid) for pid in started] == [0, 0], (tmp_path / "said.txt").read_text()
    assert packs_of_whole(out) == ["2026-02"]
    assert [path.name for path in out.iterdir()] == ["2026-02"]
