"""The notebooks in a person's own hands: wired to a store, run again after a change, and open in JupyterLab."""

import json
import shutil
import socket
import subprocess
import time
from contextlib import closing
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import papermill
import pytest

from pipelines.faults import RequestFault
from pipelines.packs import REPORTS
from pipelines.packs.lab import lay_out_notebooks
from pipelines.shipped import shipped_folder
from tests.refusals import fault_of


def test_a_copy_runs_as_it_is_and_again_after_a_change_of_its_parameters(small_store, tmp_path):
    lay_out_notebooks(small_store, tmp_path / "lab")
    copy = tmp_path / "lab" / "intake_account.ipynb"
    for client in ("", "Ferrow Mills"):
        text = copy.read_text(encoding="utf-8")
        copy.write_text(
            text.replace('client: str = \\"\\"', f'client: str = \\"{client}\\"'), encoding="utf-8"
        )
        done = papermill.execute_notebook(copy, tmp_path / "done.ipynb", progress_bar=False)
        shown = json.dumps(done.cells)
        assert ("Brackle Docks" in shown) == (client == "")


def test_what_a_person_made_of_a_copy_stays(small_store, tmp_path):
    assert {path.stem for path in lay_out_notebooks(small_store, tmp_path)} == set(REPORTS)
    (tmp_path / "monthly.ipynb").write_text("mine")
    (tmp_path / "evidence.ipynb").unlink()
    assert [path.stem for path in lay_out_notebooks(small_store, tmp_path)] == ["evidence"]
    assert (tmp_path / "monthly.ipynb").read_text() == "mine"


def test_without_a_store_nothing_is_laid_out(tmp_path):
    with pytest.raises(RequestFault, match="There is no store"):
        lay_out_notebooks(tmp_path / "none.duckdb", tmp_path / "lab")
    assert not (tmp_path / "lab").exists()


def test_a_notebook_that_takes_no_store_is_named(small_store, tmp_path, monkeypatch):
    odd = Path(shutil.copytree(shipped_folder("notebooks"), tmp_path / "odd")) / f"{REPORTS[0]}.ipynb"
    text = odd.read_text(encoding="utf-8")
    odd.write_text(text.replace("store: str", "shop: str"), encoding="utf-8")
    monkeypatch.setattr("pipelines.packs.lab.shipped_folder", lambda name: odd.parent)
    assert fault_of(lay_out_notebooks, small_store, tmp_path / "lab") == (
        f'{odd.name} has no parameter "store" in the first line of its cell tagged "parameters". Add it there.'
    )


def test_the_command_opens_them_in_jupyterlab(small_store, command, tmp_path):
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ["lab", "--store", small_store, "--no-browser", "--allow-root", "--port", str(port)]
    started = subprocess.Popen(
        [command, *words], cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    try:
        address = _address(started)
        base, token = address.split("/lab?token=")
        listed = json.loads(_opened(f"{base}/api/contents?token={token}"))
        assert {Path(entry["name"]).stem for entry in listed["content"]} == set(REPORTS)
        assert "JupyterLab" in _opened(address)
    finally:
        started.terminate()
        started.wait(timeout=30)


def _address(started):
    """The address that JupyterLab says it can be opened at."""
    for line in started.stderr:
        if "http://127.0.0.1" in line or "http://localhost" in line:
            return next(word for word in line.split() if word.startswith("http"))
    raise AssertionError("JupyterLab said no address")


def _opened(address):
    for _ in range(60):
        try:
            with urlopen(address) as answer:
                return answer.read().decode()
        except URLError:
            time.sleep(0.5)
    raise AssertionError(f"{address} did not answer")
