"""Kernels kept warm: the same as kernels of their own, but that the second notebook does not start anew."""

import os

import nbformat
import papermill
import pytest

from pipelines.faults import Fault
from pipelines.packs.kernels import WarmKernel
from pipelines.packs.running import run_notebook
from pipelines.shipped import shipped_folder

REPORT = shipped_folder("notebooks") / "intake_account.ipynb"
LONGEST = 120


@pytest.fixture
def kernel(tmp_path):
    with WarmKernel(tmp_path) as kernel:
        yield kernel


@pytest.fixture
def run(kernel, tmp_path):
    """A function that runs cells as a notebook in the kernel and returns the text that the last one shows."""

    def run(*cells):
        notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
        notebook.metadata["kernelspec"] = {
            "name": "python3",
            "display_name": "Python 3",
            "language": "python",
        }
        nbformat.write(notebook, tmp_path / "cells.ipynb")
        (shown,) = kernel.run(tmp_path / "cells.ipynb", {}, LONGEST).cells[-1].outputs
        return shown["data"]["text/plain"]

    return run


def shown(notebook):
    """What the cells of a notebook that ran show, and their numbers."""
    return [(cell.get("execution_count"), cell.get("outputs")) for cell in notebook.cells]


def test_a_report_shows_the_same_as_in_a_kernel_of_its_own_also_as_the_second_one(
    kernel, small_store, tmp_path
):
    parameters = {"store": str(small_store)}
    papermill.execute_notebook(REPORT, tmp_path / "own.ipynb", parameters=parameters, progress_bar=False)
    own = shown(nbformat.read(tmp_path / "own.ipynb", as_version=4))
    assert len(own) > 10
    assert [shown(kernel.run(REPORT, parameters, LONGEST)) for _ in range(2)] == [own, own]


def test_nothing_that_a_notebook_named_or_showed_is_there_for_the_next_one(run):
    pid = run("import os", "left = 1", "os.getpid()")
    assert (
        run("names = [*globals()]", "('left' in names, 'os' in names, len(In), Out)")
        == "(False, False, 3, {})"
    )
    assert run("import os; os.getpid()") == pid


def test_what_fails_or_dies_does_not_reach_the_next_one(kernel, run, tmp_path):
    first = run("import os; os.getpid()")
    with pytest.raises(papermill.PapermillExecutionError):
        run("left = 1", "1 / 0")
    second = run("import os; os.getpid()")
    assert run("'left' in globals()") == "False"
    odd = nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_code_cell('store: str = ""\nclient: str = ""', metadata={"tags": ["parameters"]}),
            nbformat.v4.new_code_cell("import os; os._exit(1)"),
        ],
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
    )
    nbformat.write(odd, tmp_path / "odd.ipynb")
    with pytest.raises(Fault, match='The report "odd" lost its Python process'):
        run_notebook(tmp_path / "odd.ipynb", {"store": "x"}, kernel)
    third = run("import os; os.getpid()")
    assert len({first, second, third}) == 3


def test_no_kernel_outlives_the_block_that_holds_it(run, kernel):
    pid = int(run("import os; os.getpid()"))
    os.kill(pid, 0)
    kernel.__exit__(None, None, None)
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
