"""Reads the sheets of a workbook (XLSX, ODS, XLS) into text cells."""

import zipfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipelines.faults import DataFault
from pipelines.intake.headers import Row, header_from, last_header_row
from pipelines.intake.limits import MOST_CELLS, MOST_WORKBOOK_BYTES
from pipelines.intake.marks import SHEET_COLUMN, Marks
from pipelines.intake.old_workbooks import as_text, old_sheets
from pipelines.intake.surveying import SURVEY_ERRORS, survey_sheet
from pipelines.intake.unpacking import PACK_ERRORS, refuse_bomb
from pipelines.sources.profiles import FileForm


def workbook_header(path: Path, form: FileForm) -> list[str]:
    """Return the header of the sheets that `form` names, or an empty list where they are not there.

    Of several sheets it is the header that most of them have, and a column for the name of the sheet.
    """
    known = sheet_names(path)
    sheets = _wanted_sheets(known, form)
    if not sheets or not set(sheets) <= set(known):
        return []
    headers = [_sheet_header(path, sheet, form) for sheet in sheets]
    usual = Counter(frozenset(header) for header in headers if header).most_common(1)
    if not usual:
        return []
    header = next(header for header in headers if set(header) == usual[0][0])
    return [*header, SHEET_COLUMN] if form.sheets else header


def missing_sheets(path: Path, form: FileForm) -> list[str]:
    """Return the sheets that `form` names and the workbook does not have."""
    known = sheet_names(path)
    return [sheet for sheet in _wanted_sheets(known, form) if sheet not in known]


def read_workbook(con: duckdb.DuckDBPyConnection, path: Path, form: FileForm, marks: Marks) -> None:
    """Make `cells` (c1, c2, ..., mark) of the rows of the sheets that the form names, one sheet below the other.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database.
    path : Path
        The workbook.
    form : FileForm
        Which sheets hold the log, and where their headers stand; the sheets may have their columns in different orders.
    marks : Marks
        The marks of the header; the one for a repeated header is added to them.

    Raises
    ------
    DataFault
        A sheet has another header, or the workbook cannot be read.
    """
    stacked: list[Row] = []
    for sheet in _wanted_sheets(sheet_names(path), form):
        rows = sheet_rows(path, sheet)
        if not any(map(any, rows)):
            continue
        header = header_from(rows, form)
        names = [name for name in marks.header if name != SHEET_COLUMN]
        if sorted(header) != sorted(names):
            raise DataFault(
                f'{path.name}: sheet "{sheet}" does not have the header of the other sheets ({", ".join(names[:6])}, ...)'
                f" in row {last_header_row(form)}. Mend it, or name the sheet under file.ignored_sheets of the profile."
            )
        if not stacked:
            marks.add_repeated_header(rows[last_header_row(form) - 1])
        order = [header.index(name) for name in names] if header != names else range(len(names))
        name_of_sheet: Row = [sheet] if form.sheets else []
        stacked += [[row[place] for place in order] + name_of_sheet for row in rows[last_header_row(form) :]]
    frame = pd.DataFrame(stacked, columns=marks.columns, dtype="object")
    con.register("sheet", frame)
    texts = ", ".join(f"{column}::varchar as {column}" for column in marks.columns)
    con.execute(
        f"create or replace table cells as select *, {marks.sql} as mark from (select {texts} from sheet)",
        marks.values,
    )
    con.unregister("sheet")


def sheet_names(path: Path) -> list[str]:
    """Return the names of the sheets that have cells, in the order of the workbook."""
    from python_calamine import SheetTypeEnum

    if _is_old(path):
        return list(_old_sheets(path))
    with _opened(path) as workbook:
        return [sheet.name for sheet in workbook.sheets_metadata if sheet.typ == SheetTypeEnum.WorkSheet]


def sheet_rows(path: Path, sheet: str, most_rows: int | None = None) -> list[Row]:
    """Return the rows of one sheet, each as wide as the sheet, every cell as text.

    Empty cells are None; days are written as YYYY-MM-DD and whole numbers without decimals. A cell error keeps its
    mark, such as '#N/A', and a formula without a stored result says so.

    Parameters
    ----------
    path : Path
        The workbook.
    sheet : str
        Name of the sheet.
    most_rows : int
        Return the first so many rows only [rows]; None for all.

    Raises
    ------
    DataFault
        The workbook is damaged, or a cell far from the log makes the sheet larger than `MOST_CELLS`.
    """
    if _is_old(path):
        return _old_sheets(path)[sheet][:most_rows]
    with _opened(path) as workbook, _damage_told(path):
        survey = survey_sheet(path, sheet, path.stat().st_mtime_ns)
        if survey.last_row * survey.last_column > MOST_CELLS:
            raise DataFault(
                f'{path.name}, sheet "{sheet}": a cell is filled in row {survey.last_row:,}, another in column'
                f" {survey.last_column:,}, far from the log. Empty such cells and save it again."
            )
        found = workbook.get_sheet_by_name(sheet).to_python(skip_empty_area=False, nrows=most_rows)
    rows = [[as_text(cell) for cell in row] for row in found]
    for (row, column), mark in survey.marks.items():
        if most_rows is None or row < most_rows:
            _place_mark(rows, row, column, mark)
    return rows


def _sheet_header(path: Path, sheet: str, form: FileForm) -> list[str]:
    return header_from(sheet_rows(path, sheet, last_header_row(form)), form)


def _wanted_sheets(known: list[str], form: FileForm) -> list[str]:
    if form.sheets == "all":
        return [name for name in known if name not in form.ignored_sheets]
    return form.sheets or ([form.sheet] if form.sheet else known[:1])


def _is_old(path: Path) -> bool:
    """Return whether a workbook is an XLS file; the others are ZIP files, or no workbooks at all."""
    return path.suffix.lower() == ".xls" and not zipfile.is_zipfile(path)


def _old_sheets(path: Path) -> dict[str, list[Row]]:
    with _damage_told(path):
        return old_sheets(path, path.stat().st_mtime_ns)


def _opened(path: Path) -> Any:
    from python_calamine import CalamineWorkbook

    _refuse_swollen(path)
    with _damage_told(path):
        return CalamineWorkbook.from_path(path)


@contextmanager
def _damage_told(path: Path) -> Iterator[None]:
    """Turn what a reader makes of a damaged workbook into a fault; its own crash is no `Exception` and has no public name."""
    from python_calamine import CalamineError

    try:
        yield
    except (CalamineError, OSError, *SURVEY_ERRORS) as error:
        raise _unreadable(path, error) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise _unreadable(path, str(error)) from error


def _refuse_swollen(path: Path) -> None:
    """Refuse a workbook that unpacks to too much, or whose parts are not what its directory says."""
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(part.file_size for part in archive.infolist())
            refuse_bomb(path, size, path.stat().st_size, MOST_WORKBOOK_BYTES)
            damaged = archive.testzip()
    except PACK_ERRORS as error:
        raise _unreadable(path, error) from error
    if damaged:
        raise _unreadable(path, f"the part {damaged} is damaged")


def _unreadable(path: Path, error: Exception | str) -> DataFault:
    return DataFault(f"{path.name} cannot be read as a workbook ({error}). Save it again as XLSX.")


def _place_mark(rows: list[Row], row: int, column: int, mark: str) -> None:
    """Put a mark into the cell of `rows` (counted from 0), which may lie beyond the last filled cell."""
    rows.extend([] for _ in range(row + 1 - len(rows)))
    width = max(column + 1, len(rows[0]))
    if len(rows[row]) < width:
        for cells in rows:
            cells.extend([None] * (width - len(cells)))
    rows[row][column] = mark
