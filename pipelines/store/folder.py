"""A store as a folder of Parquet files, one for each table: for other programs, and for machines that share a disk."""

from pathlib import Path

import duckdb

# The file by which such a folder is known.
MARK = "store_info.parquet"
# What stays in the store: whoever has the key can tell which inspector a pseudonym is of.
KEPT_BACK = "pseudonym_key"


def is_folder_of_tables(path: Path) -> bool:
    """Return whether a store was exported to this folder."""
    return (path / MARK).is_file()


def write_folder(con: duckdb.DuckDBPyConnection, folder: Path) -> Path:
    """Write each table of the open store into a new folder, which is returned; views are made again by who reads it."""
    tables = con.execute(
        "select schema_name, table_name from duckdb_tables() where database_name = current_database()"
        " and table_name <> $kept_back order by schema_name, table_name",
        {"kept_back": KEPT_BACK},
    ).fetchall()
    for schema, table in tables:
        path = folder / ("" if schema == "main" else schema) / f"{table}.parquet"
        path.parent.mkdir(parents=True, exist_ok=True)
        con.table(f'"{schema}"."{table}"').write_parquet(str(path))
    return folder


def read_folder(con: duckdb.DuckDBPyConnection, folder: Path, kind: str) -> None:
    """Create each table of an exported folder in a database.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The connection that uses it.
    folder : Path
        The folder, as `write_folder` makes it.
    kind : str
        `table` for tables of its own, `view` for views of the files.
    """
    for schema in sorted({path.parent.name for path in folder.glob("*/*.parquet")}):
        con.execute(f"create schema {_named(schema)}")
    for path in sorted([*folder.glob("*.parquet"), *folder.glob("*/*.parquet")]):
        schema = "main" if path.parent == folder else path.parent.name
        con.execute(
            f"create {kind} {_named(schema)}.{_named(path.stem)} as from read_parquet({quoted(path)})"
        )


def quoted(path: Path) -> str:
    """Return a path as a statement takes it that takes no parameter: in quotes, those in it doubled."""
    return f"'{str(path).replace(chr(39), chr(39) * 2)}'"


def _named(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
