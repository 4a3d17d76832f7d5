"""Pages made side by side: the same as one after the other; what fails or is stopped does no harm to the rest."""

import os
import signal
import subprocess
from contextlib import suppress
from shutil import copy

import nbformat
import psutil
import pytest

from pipelines.faults import Fault, RequestFault
from pipelines.packs import run_pack
from pipelines.shipped import shipped_folder
from tests.notebooks.watching import LONGEST_SECONDS, is_kernel, pages, until

BRACKLE, FERROW, PERIOD = "Brackle Docks", "Ferrow Mills", "2026-02"


@pytest.fixture
def notebooks(tmp_path, monkeypatch):
    """Notebooks of the test's own in the place of those that are shipped; `break_one` puts a cell that stops into one."""
    folder = tmp_path / "notebooks"
    folder.mkdir()
    for name in ("intake_account", "interval_recommendations"):
        copy(shipped_folder("notebooks") / f"{name}.ipynb", folder)
    monkeypatch.setattr("pipelines.packs.pack.shipped_folder", lambda name: folder)

    def break_one(name: str, cell: str) -> None:
        notebook = nbformat.read(folder / f"{name}.ipynb", as_version=4)
        notebook.cells.insert(3, nbformat.v4.new_code_cell(cell))
        nbformat.write(notebook, folder / f"{name}.ipynb")

    return break_one


def test_pages_made_side_by_side_are_those_made_one_after_the_other(small_store, tmp_path):
    asked = ["interval_recommendations", "intake_account"], small_store, PERIOD, "", ""
    one = pages(run_pack(*asked, tmp_path / "one", jobs=1).parent)
    two = pages(run_pack(*asked, tmp_path / "two", jobs=2).parent)
    assert sorted(one) == ["index.html", "intake_account.html", "interval_recommendations.html"]
    assert two == one


@pytest.mark.parametrize(
    ("jobs", "cell", "reason"),
    [
        (1, "raise KeyError('pin')", "interval_recommendations: The report \"interval_recommendations\" stopped in its cell"),
        (2, "import os; os._exit(1)", 'interval_recommendations: The report "interval_recommendations" lost its Python'),
    ],
)  # fmt: skip
def test_a_report_that_stops_is_named_and_the_others_are_made(
    small_store, tmp_path, notebooks, jobs, cell, reason
):
    notebooks("interval_recommendations", cell)
    out = tmp_path / "out"
    with pytest.raises(Fault) as fault:
        run_pack(["interval_recommendations", "intake_account"], small_store, PERIOD, "", "", out, jobs)
    pack = out / PERIOD
    assert str(fault.value).startswith(f"{pack / 'index.html'} was made without 1 of 2 pages. {reason}")
    assert sorted(path.name for path in pack.glob("*.html")) == ["index.html", "intake_account.html"]
    index = (pack / "index.html").read_text(encoding="utf-8")
    assert "<li>interval_recommendations: this page could not be made.</li>" in index
    # Why it could not may name paths and processes of this machine, which a reader elsewhere should not see.
    assert "Python" not in index
    assert "stopped in its cell" not in index
    assert 'href="interval_recommendations.html"' not in index
    assert (pack / "tables.xlsx").is_file()
    assert [path.name for path in out.iterdir()] == [PERIOD]


def test_where_every_report_stops_nothing_is_written_and_an_earlier_pack_stays(
    small_store, tmp_path, notebooks
):
    out = tmp_path / "out"
    run_pack(["intake_account"], small_store, PERIOD, "", "", out)
    before = pages(out / PERIOD)
    notebooks("intake_account", "raise KeyError('pin')")
    with pytest.raises(Fault, match=r'^The report "intake_account" stopped in its cell'):
        run_pack(["intake_account"], small_store, PERIOD, "", "", out)
    assert pages(out / PERIOD) == before


def test_each_report_is_made_for_each_site_of_a_client(small_store, tmp_path):
    index = run_pack(["intake_account"], small_store, PERIOD, BRACKLE, "", tmp_path, by_site=True)
    made = pages(index.parent)
    assert sorted(made) == [
        "index.html",
        "intake_account_north-shed.html",
        "intake_account_sea-wall.html",
    ]
    assert "North Shed" in made["intake_account_north-shed.html"]
    assert "Sea Wall" not in made["intake_account_north-shed.html"]
    for site in ("Sea Wall", "North Shed"):
        assert f"{site}</a>" in made["index.html"]


@pytest.mark.parametrize(
    ("client", "site", "sentence"),
    [
        ("", "", f"--by-site is for one client. Name it with --client: {BRACKLE}, {FERROW}."),
        (BRACKLE, "Sea Wall", "--by-site makes a page for each site. Leave --site out, or --by-site."),
    ],
)
def test_pages_by_site_are_of_all_sites_of_one_client(small_store, tmp_path, client, site, sentence):
    with pytest.raises(RequestFault) as fault:
        run_pack(["monthly"], small_store, PERIOD, client, site, tmp_path / "out", by_site=True)
    assert str(fault.value) == sentence
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("sign", "status"), [(signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)])
def test_a_pack_that_is_stopped_leaves_no_half_page_and_no_process(
    command, small_store, tmp_path, sign, status
):
    """Stopped once both of its kernels run, and rest: whoever waits for their pages waits for ever, so they are killed."""
    asked = ["report", "all", "--store", small_store, "--period", PERIOD, "--jobs", "2", "--out", "reports"]
    with subprocess.Popen(
        [command, *asked],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
        process_group=0,
        # A shell that runs the tests in the background has their processes ignore the keyboard.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as process:
        begun = psutil.Process(process.pid)
        kernels = until(lambda: [one for one in begun.children(recursive=True) if is_kernel(one)], count=2)
        family = begun.children(recursive=True)
        assert set(kernels) <= set(family)
        for kernel in kernels:
            kernel.suspend()
        os.killpg(process.pid, sign) if sign == signal.SIGINT else process.send_signal(sign)
        try:
            _, said = process.communicate(timeout=LONGEST_SECONDS)
        finally:
            if process.poll() is None:
                for one in [begun, *family]:
                    with suppress(psutil.NoSuchProcess):
                        one.kill()
    assert process.returncode == status
    if sign == signal.SIGINT:
        assert said == "Stopped. No report was written, and an earlier pack is as it was.\n"
        assert list((tmp_path / "reports").iterdir()) == []
    assert list((tmp_path / "reports").glob("2*")) == []
    until(lambda: [one for one in family if one.is_running()], count=0)
