"""A process to do jobs in and to be killed, and a store with one log in it."""

from shutil import copy

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
