"""A process to do jobs in and to be killed, and a store with one log in it, in a folder of its own where asked."""

import tempfile
from pathlib import Path
from shutil import copy, rmtree

import pytest

from tests.faults.killing import warm_process
from tests.faults.logs import write_logs


@pytest.fixture(scope="session")
def warm():
    with warm_process() as warm:
        yield warm


@pytest.fixture(scope="session")
def logs(tmp_path_factory):
    return write_logs(tmp_path_factory.mktemp("logs"), count=2)


@pytest.fixture(scope="session")
def loaded_once(warm, logs, tmp_path_factory):
    """A store with the first log in it, made once; a test takes its copy, `loaded`."""
    store = tmp_path_factory.mktemp("loaded") / "store.duckdb"
    assert warm.do("intake", store=store, **{**logs, "files": logs["files"][:1]}) == 0
    return store


@pytest.fixture
def loaded(loaded_once, tmp_path):
    return copy(loaded_once, tmp_path / "store.duckdb")


@pytest.fixture
def folder(loaded_once):
    """A folder that everybody may enter, with two logs and a store that holds the first."""
    folder = Path(tempfile.mkdtemp(prefix="surroundings"))
    folder.chmod(0o755)
    write_logs(folder, count=2)
    copy(loaded_once, folder / "store.duckdb")
    yield folder
    rmtree(folder)


@pytest.fixture
def run(warm, folder, tmp_path):
    """A function that runs a command there, and returns its status and the lines it said."""

    def run(words, **asked):
        said = tmp_path / "said.txt"
        said.write_text("", encoding="utf-8")
        said.chmod(0o666)
        status = warm.do("command", said=said, words=words.split(), **{"folder": folder, **asked})
        return status, said.read_text(encoding="utf-8").splitlines()

    return run
