"""A log in many Parquet files: a folder of them, whose subfolders may say `column=value` of every row below."""

from collections.abc import Iterable
from pathlib import Path
from urllib.parse import unquote

from pipelines.faults import RequestFault

NO_VALUE = "__HIVE_DEFAULT_PARTITION__"  # how writers of such folders spell an empty cell


def log_files(paths: Iterable[Path]) -> list[list[Path]]:
    """Return the files to read: each one given by itself, and of a folder all its Parquet files together, by name.

    Files and folders whose name begins with a dot or an underscore are left out: writers keep their notes there.
    Raises RequestFault where a folder has no Parquet file.
    """
    return [_parts_of(path) if path.is_dir() else [path] for path in paths]


def values_of_folders(path: Path) -> dict[str, str | None]:
    """Return the columns that the folders right above a file give, such as client=Brackle%20Docks, outermost first.

    >>> values_of_folders(Path("log/client=Brackle%20Docks/year=2026/part-0.parquet"))
    {'client': 'Brackle Docks', 'year': '2026'}
    """
    values = {}
    for folder in reversed(_folders_with_values(path)):
        name, _, value = folder.name.partition("=")
        values[unquote(name)] = None if value == NO_VALUE else unquote(value)
    return values


def name_in_folder(path: Path) -> str:
    """Return the name of a file, after those of the folders that give it columns.

    >>> name_in_folder(Path("log/client=Brackle%20Docks/part-0.parquet"))
    'client=Brackle Docks/part-0.parquet'
    """
    return "/".join([*(unquote(folder.name) for folder in reversed(_folders_with_values(path))), path.name])


def _folders_with_values(path: Path) -> list[Path]:
    folders = []
    for folder in path.parents:
        if path.suffix.lower() != ".parquet" or not folder.name.partition("=")[2]:
            break
        folders.append(folder)
    return folders


def _parts_of(folder: Path) -> list[Path]:
    parts = [
        path
        for path in sorted(folder.rglob("*"))
        if path.suffix.lower() == ".parquet"
        and not any(name.startswith((".", "_")) for name in path.relative_to(folder).parts)
    ]
    if not parts:
        raise RequestFault(
            f"There is no Parquet file in the folder {folder}. Give files of other kinds by name, such as {folder}/*.csv."
        )
    return parts
