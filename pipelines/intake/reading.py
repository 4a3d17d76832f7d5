"""Reads an exported file, as its profile says it is written, into a table of text cells.

Every reader leaves two tables: `raw_rows` (row, c1, c2, ... as text, empty cells null) and `refused_rows` (row,
detail, raw) for records that cannot be split into cells. `row` is the record number: 1 is the first record below
the header.
"""

import codecs
import csv
import shutil
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipelines.faults import DataFault, RequestFault
from pipelines.shipped import statement
from pipelines.sources.profiles import FileForm

KIND_OF_ENDING = {".csv": "csv", ".tsv": "csv", ".txt": "csv", ".xlsx": "xlsx"}


def kind_of(path: Path) -> str:
    """Return the kind of file, 'csv' or 'xlsx', by its ending; raises where there is no such file or it is empty."""
    if not path.is_file():
        raise RequestFault(f"There is no file {path}. Check the name and the folder.")
    if path.stat().st_size == 0:
        raise DataFault(f"{path.name} is empty: it holds no header and no rows. Export it again.")
    kind = KIND_OF_ENDING.get(path.suffix.lower())
    if not kind:
        raise DataFault(
            f"{path.name}: files ending in {path.suffix or 'nothing'} cannot be read. Export it as CSV or XLSX."
        )
    return kind


def header_of(path: Path, form: FileForm) -> list[str]:
    """Return the header row of the file as `form` would read it, or an empty list where it cannot be read so."""
    if kind_of(path) != form.kind:
        return []
    if form.kind == "xlsx":
        try:
            rows = _sheet_rows(path, form)
        except DataFault:
            return []
        return (
            [_as_text(cell) or "" for cell in rows[form.header_row - 1]]
            if len(rows) >= form.header_row
            else []
        )
    try:
        with path.open(encoding=form.encoding, newline="") as stream:
            reader = csv.reader(stream, delimiter=form.delimiter)
            rows_down_to_header = [row for row, _ in zip(reader, range(form.header_row), strict=False)]
    except (UnicodeError, csv.Error):
        return []
    if len(rows_down_to_header) < form.header_row:
        return []
    return [cell.strip().removeprefix("\ufeff") for cell in rows_down_to_header[-1]]


def read_rows(con: duckdb.DuckDBPyConnection, path: Path, form: FileForm, work_folder: Path) -> list[str]:
    """Read the file at `path` into `raw_rows` and `refused_rows` of `con`; return its header."""
    header = header_of(path, form)
    con.execute("create or replace table refused_rows (row bigint, detail varchar, raw varchar)")
    if form.kind == "xlsx":
        _read_sheet(con, path, form, len(header))
    else:
        _read_csv(con, path, form, len(header), work_folder)
    return header


def _read_csv(
    con: duckdb.DuckDBPyConnection, path: Path, form: FileForm, width: int, work_folder: Path
) -> None:
    source = _in_utf8(path, form.encoding, work_folder)
    columns = {f"c{position}": "varchar" for position in range(1, width + 1)}
    try:
        con.execute(
            "create or replace table cells as select * from read_csv($path, delim=$delimiter, quote='\"', escape='\"',"
            " header=true, skip=$skip, auto_detect=false, columns=$columns, store_rejects=true, max_line_size=10000000,"
            " rejects_table='rejected', rejects_scan='rejected_scan', rejects_limit=0)",
            {
                "path": str(source),
                "delimiter": form.delimiter,
                "skip": form.header_row - 1,
                "columns": columns,
            },
        )
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise DataFault(
            f"{path.name} cannot be read as delimited text ({first}). Export it again as UTF-8 CSV."
        ) from error
    # The reader counts records from the header on, those it refuses among them.
    con.execute(
        "insert into refused_rows"
        " select line - $header as row, string_agg(distinct lower(error_type::varchar), ', '), any_value(csv_line)"
        " from rejected group by line",
        {"header": form.header_row},
    )
    _number_rows(con)


def _number_rows(con: duckdb.DuckDBPyConnection) -> None:
    """Make `raw_rows`: the cells with their record number, which counts the refused records too."""
    con.execute(statement("pipelines.intake", "number_rows.sql"))
    con.execute("drop table cells")


def _in_utf8(path: Path, encoding: str, work_folder: Path) -> Path:
    if codecs.lookup(encoding).name in ("utf-8", "utf-8-sig"):
        return path
    copy = work_folder / f"{path.stem}.utf8.csv"
    with (
        path.open(encoding=encoding, newline="") as source,
        copy.open("w", encoding="utf-8", newline="") as target,
    ):
        shutil.copyfileobj(source, target)
    return copy


def _read_sheet(con: duckdb.DuckDBPyConnection, path: Path, form: FileForm, width: int) -> None:
    rows = _sheet_rows(path, form)[form.header_row :]
    cells = [[_as_text(cell) for cell in row[:width]] for row in rows]
    frame = pd.DataFrame(cells, columns=[f"c{position}" for position in range(1, width + 1)], dtype="object")
    frame.insert(0, "row", range(1, len(frame) + 1))
    con.register("sheet", frame)
    columns = ", ".join(f"c{position}::varchar as c{position}" for position in range(1, width + 1))
    con.execute(f"create or replace table raw_rows as select row::bigint as row, {columns} from sheet")


def _sheet_rows(path: Path, form: FileForm) -> list[list[Any]]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with CalamineWorkbook.from_path(path) as workbook:
            sheet = form.sheet or workbook.sheet_names[0]
            if sheet not in workbook.sheet_names:
                raise DataFault(
                    f'{path.name}: there is no sheet "{sheet}". It has: {", ".join(workbook.sheet_names)}.'
                    " Mend file.sheet in the source profile."
                )
            return workbook.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    except CalamineError as error:
        raise DataFault(
            f"{path.name} cannot be read as a workbook ({error}). Save it again as XLSX."
        ) from error


def _as_text(cell: Any) -> str | None:
    if cell is None or cell == "":
        return None
    if isinstance(cell, datetime) and cell.time() == time():
        return cell.date().isoformat()
    if isinstance(cell, date | datetime):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip() or None
