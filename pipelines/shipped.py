"""Where files that come with the code lie: folders inside an installed wheel or beside the package, SQL in its room."""

from importlib.resources import files
from pathlib import Path


def shipped_folder(name: str) -> Path:
    """Return the folder `name` (notebooks, data_contracts or demo_data) of this installation."""
    package = Path(str(files("pipelines")))
    inside = package / "_shipped" / name
    return inside if inside.is_dir() else package.parent / name


def statement(room: str, name: str) -> str:
    """Return the text of the SQL file `name` in the package `room`, such as "pipelines.intake"."""
    return files(room).joinpath(name).read_text(encoding="utf-8")
