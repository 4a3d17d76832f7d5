"""Lays out the notebooks for a person to work in: copies of their own, each with the path of the store in it."""

import json
import re
from pathlib import Path

from pipelines.faults import RequestFault
from pipelines.packs.choosing import REPORTS
from pipelines.shipped import shipped_folder
from pipelines.store import open_store


def lay_out_notebooks(store: Path, folder: Path) -> list[Path]:
    """Copy each report's notebook into a folder, with the store in its parameters, and return the new copies.

    A notebook that is there already is somebody's work and stays as it is. Raises as `open_store` does.
    """
    open_store(store).close()
    folder.mkdir(parents=True, exist_ok=True)
    new = [folder / f"{name}.ipynb" for name in REPORTS if not (folder / f"{name}.ipynb").exists()]
    for path in new:
        path.write_text(
            _with_store(shipped_folder("notebooks") / path.name, store.resolve()), encoding="utf-8"
        )
    return new


def open_lab(folder: Path, options: list[str]) -> None:
    """Run JupyterLab on a folder until the person closes it; it listens on this machine only."""
    from jupyterlab.labapp import LabApp

    LabApp.launch_instance(argv=[f"--ServerApp.root_dir={folder.resolve()}", *options])


def _with_store(notebook: Path, store: Path) -> str:
    import nbformat

    content = nbformat.read(notebook, as_version=4)
    parameters = next(cell for cell in content.cells if "parameters" in cell.metadata.get("tags", []))
    assigned = f"store: str = {json.dumps(str(store))}"
    parameters.source, count = re.subn(r'^store: str = "[^"]*"', lambda _: assigned, parameters.source)
    if count != 1:
        raise RequestFault(
            f'{notebook.name} has no parameter "store" in the first line of its cell tagged "parameters". Add it there.'
        )
    return nbformat.writes(content) + "\n"
