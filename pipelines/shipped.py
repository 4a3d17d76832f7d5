"""Where the notebooks, contracts and demo data lie: inside an installed wheel, or beside the package in a checkout."""

from importlib.resources import files
from pathlib import Path


def shipped_folder(name: str) -> Path:
    """Return the folder `name` (notebooks, data_contracts or demo_data) of this installation."""
    package = Path(str(files("pipelines")))
    inside = package / "_shipped" / name
    return inside if inside.is_dir() else package.parent / name
