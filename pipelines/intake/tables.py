"""Reads Parquet and JSON lines through DuckDB, every value as text."""

from pathlib import Path

import duckdb

from pipelines.faults import DataFault
from pipelines.intake.delimited import REJECTS, exact, refuse_unsplit
from pipelines.intake.headers import named
from pipelines.intake.limits import MOST_REFUSALS
from pipelines.intake.marks import Marks
from pipelines.intake.partitions import values_of_folders
from pipelines.store.file import quiet_connection

_PARQUET = "read_parquet($path, hive_partitioning=false)"


def parquet_header(path: Path) -> list[str]:
    """Return the names of the columns of a Parquet file, then of those that only its folders give."""
    return named([name for name, _ in _parquet_columns(path)] + list(_added_by_folders(path)))


def read_parquet(con: duckdb.DuckDBPyConnection, path: Path, marks: Marks) -> None:
    """Make `cells` (c1, c2, ..., mark) of the rows of a Parquet file; days are written as YYYY-MM-DD.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database.
    path : Path
        The file; columns that only its folders give come after its own.
    marks : Marks
        The marks of its header; the one for NUL characters is added to them.

    Raises
    ------
    DataFault
        The file cannot be read as Parquet.
    """
    marks.add_nul()
    stored, added = _parquet_columns(path), _added_by_folders(path)
    in_file = marks.columns[: len(stored)]
    texts = [
        f"nullif({_text_of(column, kind)}, '') as {column}"
        for column, (_, kind) in zip(in_file, stored, strict=True)
    ]
    of_folders = dict(zip(marks.columns[len(stored) :], added.values(), strict=True))
    texts += [f"nullif($of_{column}::varchar, '') as {column}" for column in of_folders]
    try:
        con.execute(
            f"create or replace table cells as select *, {marks.sql} as mark from"
            f" (select {', '.join(texts)} from {_PARQUET} as stored({', '.join(in_file)}))",
            {
                **marks.values,
                "path": exact(path),
                **{f"of_{column}": value for column, value in of_folders.items()},
            },
        )
    except duckdb.Error as error:
        raise _unreadable(path, "Parquet", error) from error


def json_header(path: Path) -> list[str]:
    """Return the names that the objects of a JSON lines file have, in the order in which they first come up."""
    with quiet_connection() as con:
        _make_json_lines(con, path)
        return named(_json_names(con))


def read_json_lines(con: duckdb.DuckDBPyConnection, path: Path, marks: Marks) -> None:
    """Make `cells` (c1, c2, ..., mark) of the objects of a JSON lines file, nested values as JSON.

    A line that is no object is marked, with its text in the first cell; one that is too long or no UTF-8 goes into
    `refused_rows`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database; it has `refused_rows` (row, detail, raw).
    path : Path
        The file.
    marks : Marks
        The marks of its header; those for NUL characters and for lines that are no objects are added to them.

    Raises
    ------
    DataFault
        The file cannot be read, or more than `MOST_REFUSALS` of its lines are no objects.
    """
    _make_json_lines(con, path)
    con.execute(
        "create or replace temp table unsplit_rows as select distinct line, line as row from rejected"
    )
    refuse_unsplit(con, path.name, records_above=0)
    odd = con.execute("select count(*) from json_lines where not is_object").fetchall()[0][0]
    if odd > MOST_REFUSALS:
        raise DataFault(
            f"{path.name}: {odd:,} of its lines are no JSON objects. Check that it is a file of JSON lines."
        )
    marks.add_nul()
    marks.add_no_object("is_object")
    pointers = ["/" + name.replace("~", "~0").replace("/", "~1") for name in _json_names(con)]
    texts = [f"nullif(texts[{place}], '') as {column}" for place, column in enumerate(marks.columns, start=1)]
    con.execute(
        f"create or replace table cells as select * exclude (is_object), {marks.sql} as mark from"
        f" (select {', '.join(texts)}, is_object from (select is_object,"
        "   case when is_object then json_extract_string(line, $pointers) else [line] end as texts from json_lines))",
        {**marks.values, "pointers": pointers},
    )
    con.execute("drop table json_lines")


def _parquet_columns(path: Path) -> list[tuple[str, str]]:
    with quiet_connection() as con:
        try:
            found = con.execute(f"describe from {_PARQUET}", {"path": exact(path)}).fetchall()
        except duckdb.Error as error:
            raise _unreadable(path, "Parquet", error) from error
    return [(name, kind) for name, kind, *_ in found]


def _added_by_folders(path: Path) -> dict[str, str | None]:
    """Return the columns that the folders of a file give and the file itself has not: its own cells are the truer."""
    there = {name for name, _ in _parquet_columns(path)}
    return {name: value for name, value in values_of_folders(path).items() if name not in there}


def _text_of(column: str, kind: str) -> str:
    """Return the SQL of a value as a person would type it: a day without its midnight, a whole number without decimals."""
    if kind.startswith("TIMESTAMP"):
        # A moment with a time zone is one day or the next, depending on where the reader sits; UTC is the same anywhere.
        moment = f"timezone('UTC', {column})" if kind.endswith("TIME ZONE") else f"{column}::timestamp"
        return f"case when {moment} = date_trunc('day', {moment}) then {moment}::date::varchar else {moment}::varchar end"
    if kind in ("DOUBLE", "FLOAT"):
        is_whole = f"{column} = trunc({column}) and abs({column}) < 1e15"
        return f"case when {is_whole} then {column}::bigint::varchar else {column}::varchar end"
    return f"{column}::varchar"


def _make_json_lines(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Make `json_lines` (line, is_object) of the lines of a file, in order; JSON has no raw control characters."""
    con.execute("drop table if exists rejected")
    con.execute("drop table if exists rejected_scan")
    try:
        con.execute(
            "create or replace table json_lines as"
            " select line, case when json_valid(line) then json_type(line) = 'OBJECT' else false end as is_object"
            " from read_csv($path, columns={'line': 'varchar'}, delim=chr(1), quote='', escape='', header=false,"
            f" auto_detect=false, hive_partitioning=false, {REJECTS})",
            {"path": exact(path)},
        )
    except duckdb.Error as error:
        raise _unreadable(path, "JSON lines", error) from error


def _json_names(con: duckdb.DuckDBPyConnection) -> list[str]:
    found = con.execute(
        "select name from (select rowid as line, unnest(json_keys(line)) as name,"
        "   unnest(range(len(json_keys(line)))) as place from json_lines where is_object)"
        " group by name order by min((line, place))"
    ).fetchall()
    return [name for (name,) in found]


def _unreadable(path: Path, kind: str, error: duckdb.Error) -> DataFault:
    first = str(error).splitlines()[0]
    return DataFault(f"{path.name} cannot be read as {kind} ({first}). Export it again.")
