"""What is said of a cluster whose workers cannot do the work; a real one makes a pack in notebooks/test_cluster."""

import os
import sys

import pytest

from pipelines.faults import RequestFault
from pipelines.packs.making import sees
from pipelines.packs.pack import _cores
from pipelines.packs.workers import _refuse_unfit_workers, workers_of_cluster
from tests.refusals import fault_of

ADDRESS = "tcp://scheduler:8786"


class Client:
    """Stands for a cluster whose workers all give one answer."""

    def __init__(self, answer):
        self.answer = answer

    def run(self, asked, store):
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (ModuleNotFoundError("no pipelines"),
         f"A worker of {ADDRESS} cannot run this: no pipelines. Install the same version of Rigging Removals on each of them."),
        ({}, f"The scheduler at {ADDRESS} has no workers. Start some with: dask worker {ADDRESS}"),
        ({"tcp://b": False, "tcp://a": False, "tcp://c": True},
         "tcp://a does not see kept. Put the exported folder where every worker finds it under the same path."),
    ],
)  # fmt: skip
def test_workers_that_are_not_fit_are_named(answer, sentence):
    assert fault_of(_refuse_unfit_workers, Client(answer), ADDRESS, "kept", kind=RequestFault) == sentence


def test_without_dask_it_is_said_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert fault_of(workers_of_cluster(ADDRESS, "kept").__enter__, kind=RequestFault) == (
        "--scheduler needs Dask, which is not installed. Install it here and on each worker:"
        " pip install 'rigging-removals[cluster]'"
    )


def test_a_system_that_does_not_tell_which_cores_may_be_used_has_some(monkeypatch):
    monkeypatch.delattr(os, "sched_getaffinity")
    assert _cores() == os.cpu_count()


def test_a_worker_sees_what_is_there_and_no_more(tmp_path):
    assert sees(str(tmp_path))
    assert not sees(str(tmp_path / "none"))
