"""Runs one notebook in a kernel, and says in one sentence what stopped it where something did."""

import copy
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines import faults
from pipelines.contracts import usual_family
from pipelines.faults import Fault
from pipelines.packs.kernels import WarmKernel
from pipelines.packs.showing import COMPLETED
from pipelines.wording_gear import of_gear, spoken_of

LONGEST_RUN_SECONDS = 1200  # for one cell


@dataclass(frozen=True)
class Run:
    """A notebook that ran to its end, with the sentence it leads with."""

    notebook: Any
    headline: str


def run_notebook(path: Path, parameters: Mapping[str, str], kernel: WarmKernel) -> Run:
    """Return the notebook at `path`, run with these parameters.

    Parameters
    ----------
    path : Path
        The notebook; it must have a parameter of each name given.
    parameters : mapping of str
        Values by name.
    kernel : WarmKernel
        The kernel to run it in.

    Raises
    ------
    Fault
        The notebook has no such parameter, stopped, or did not reach its last cell.
    """
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError

    _refuse_unknown_parameters(path, parameters)
    try:
        notebook = kernel.run(path, dict(parameters), LONGEST_RUN_SECONDS)
    except papermill.PapermillExecutionError as error:
        raise _fault_of(path.stem, error) from error
    except CellTimeoutError as error:
        raise Fault(
            f'The report "{path.stem}" was stopped: a cell ran for more than {LONGEST_RUN_SECONDS // 60} minutes.'
            " Ask for one client or one site at a time."
        ) from error
    except DeadKernelError as error:
        raise Fault(
            f'The report "{path.stem}" lost its Python process, most often for want of memory.'
            " Run fewer side by side with --jobs 1."
        ) from error
    _speak_of_gear(notebook)
    return Run(notebook, _headline(path.stem, notebook))


def _speak_of_gear(notebook: Any) -> None:
    """Have the notebook's own text speak of the gear that its tables are of, and its title name it where it is not the usual one."""
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            cell.source = of_gear(cell.source)
    if spoken_of() != usual_family():
        title, *rest = notebook.cells[0].source.split("\n")
        notebook.cells[0].source = "\n".join([f"{title}, {spoken_of().name}", *rest])


def without_machine_paths(notebook: Any, store: str) -> str:
    """Return the text of a notebook that was run, to be handed over: nothing of the machine, and of the store its name."""
    import nbformat

    kept = copy.deepcopy(notebook)
    kept.metadata.pop("papermill", None)
    for cell in kept.cells:
        for name in ("papermill", "execution"):
            cell.metadata.pop(name, None)
        if "outputs" in cell:  # warnings name files of this machine
            cell.outputs = [output for output in cell.outputs if output.get("name") != "stderr"]
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = re.sub(
                r"^store = .*$", f"store = {json.dumps(store)}", cell.source, flags=re.MULTILINE
            )
            # The key of peers' names would undo them.
            cell.source = re.sub(r"^salt = .*$", 'salt = ""', cell.source, flags=re.MULTILINE)
    return f"{nbformat.writes(kept)}\n"


def _refuse_unknown_parameters(path: Path, parameters: Mapping[str, str]) -> None:
    import papermill

    # Papermill only logs an unknown name and runs the notebook with its defaults.
    unknown = sorted(set(parameters) - set(papermill.inspect_notebook(str(path))))
    if unknown:
        raise Fault(
            f'The notebook "{path.stem}" has no parameter {", ".join(unknown)}. Name it in the cell tagged "parameters".'
        )


def _fault_of(name: str, error: Any) -> Fault:
    kind = getattr(faults, error.ename, Fault)
    if kind is not Fault:
        return kind(error.evalue)
    reason = error.evalue.strip().splitlines()[0] if error.evalue.strip() else "no reason given"
    return Fault(
        f'The report "{name}" stopped in its cell {error.exec_count}: {error.ename}: {reason}.'
        " Open the notebook in JupyterLab with the same parameters to see where."
    )


def _headline(name: str, notebook: Any) -> str:
    # A cell that ends the kernel's work early raises nothing, so the last cell has to say that it was reached.
    for output in notebook.cells[-1].get("outputs", []):
        if COMPLETED in output.get("data", {}):
            return str(output["data"][COMPLETED]["headline"])
    raise Fault(
        f'The report "{name}" did not reach its last cell. Open the notebook in JupyterLab to see why.'
    )
