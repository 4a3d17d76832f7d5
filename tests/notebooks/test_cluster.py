"""A pack made by a real Dask scheduler and two workers on this machine, from tables exported to a folder."""

import subprocess
import sys
from contextlib import closing
from threading import Thread

import psutil
import pytest

from pipelines.faults import RequestFault
from pipelines.jobs import export_store
from pipelines.packs import run_pack
from tests.notebooks.watching import is_kernel, pages, until

HERE = "tcp://127.0.0.1"
FERROW, PERIOD = "Ferrow Mills", "2026-02"


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """The address of a scheduler with two workers, and their processes."""
    folder = tmp_path_factory.mktemp("cluster")
    known = folder / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    scheduler = [
        *dask,
        "scheduler",
        "--host",
        HERE,
        "--port",
        "0",
        "--no-dashboard",
        "--scheduler-file",
        known,
    ]
    worker = [
        *dask,
        "worker",
        "--scheduler-file",
        known,
        "--nworkers",
        "2",
        "--nthreads",
        "1",
        "--no-dashboard",
    ]
    with subprocess.Popen(scheduler, **quiet) as first, subprocess.Popen(worker, **quiet) as second:
        from distributed import Client

        with closing(Client(scheduler_file=str(known), timeout=60, set_as_default=False)) as client:
            client.wait_for_workers(2, timeout=60)
            address = client.scheduler.address
        yield address, psutil.Process(second.pid)
        second.terminate()
        first.terminate()


@pytest.fixture(scope="module")
def exported(small_store, tmp_path_factory):
    return export_store(small_store, tmp_path_factory.mktemp("shared") / "tables")


def test_a_pack_made_by_a_cluster_is_the_one_made_here(cluster, exported, small_store, tmp_path):
    address, workers = cluster
    asked = ["intake_account", "interval_recommendations"]
    there = run_pack(asked, exported, PERIOD, "", "", tmp_path / "there", scheduler=address)
    here = run_pack(asked, small_store, PERIOD, "", "", tmp_path / "here", jobs=1)
    assert pages(there.parent) == pages(here.parent)
    assert (there.parent / "tables.xlsx").read_bytes() == (here.parent / "tables.xlsx").read_bytes()
    until(lambda: [one for one in workers.children(recursive=True) if is_kernel(one)], count=0)


def test_tables_computed_for_another_month_lie_beside_the_export_while_the_pack_is_made(
    cluster, exported, small_store, tmp_path
):
    address, _ = cluster
    asked = ["monthly"]
    there = run_pack(asked, exported, "2026-01", FERROW, "", tmp_path / "there", scheduler=address)
    here = run_pack(asked, small_store, "2026-01", FERROW, "", tmp_path / "here", jobs=1)
    assert pages(there.parent) == pages(here.parent)
    assert [path.name for path in exported.parent.iterdir()] == ["tables"]


def test_a_store_that_is_a_file_is_not_sent_to_a_cluster(small_store, tmp_path):
    with pytest.raises(RequestFault) as fault:
        run_pack(["monthly"], small_store, PERIOD, "", "", tmp_path / "out", scheduler=f"{HERE}:1")
    assert str(fault.value) == (
        f"{small_store} is a file, which only this machine reads. Export it to a folder that all workers see, and report"
        f" from there: rigging-removals export --store {small_store} --out FOLDER"
    )


def test_a_scheduler_that_does_not_answer_is_named(exported, tmp_path, monkeypatch):
    monkeypatch.setattr("pipelines.packs.workers.LONGEST_SEARCH_SECONDS", 1)
    with pytest.raises(RequestFault) as fault:
        run_pack(["monthly"], exported, PERIOD, "", "", tmp_path / "out", scheduler=f"{HERE}:1")
    assert str(fault.value) == (
        f"No Dask scheduler answers at {HERE}:1. Start one with: dask scheduler, or leave --scheduler out."
    )
    assert list((tmp_path / "out").iterdir()) == []


def test_a_worker_that_does_not_see_the_tables_is_named(cluster, exported, tmp_path, monkeypatch):
    address, _ = cluster
    monkeypatch.setattr("pipelines.packs.workers.sees", _blind)
    with pytest.raises(RequestFault) as fault:
        run_pack(["monthly"], exported, PERIOD, "", "", tmp_path / "out", scheduler=address)
    assert f" does not see {exported}. Put the exported folder where every worker finds it" in str(
        fault.value
    )
    assert str(fault.value).startswith(HERE)


def _blind(path):
    return False


def test_a_second_pack_waits_until_the_workers_are_free(cluster, exported, tmp_path):
    from distributed import Client, Lock

    address, _ = cluster
    made = []
    asked = ["intake_account"], exported, PERIOD, "", "", tmp_path / "out"
    second = Thread(target=lambda: made.append(run_pack(*asked, scheduler=address)))
    with closing(Client(address, set_as_default=False)) as client:
        with Lock("rigging-removals", client.scheduler, client.loop):  # as the first pack holds it
            second.start()
            second.join(timeout=3)
            assert second.is_alive()
            assert made == []
        second.join(timeout=60)
    assert [index.name for index in made] == ["index.html"]
