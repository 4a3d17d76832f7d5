"""Reads the sheets of an old XLS workbook into text cells.

The reader of the other workbooks takes a damaged XLS file for one without end, and all memory with it; xlrd, which is
slower, notices, and tells cell errors besides.
"""

import os
from datetime import date, datetime, time
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipelines.intake.headers import Row


@lru_cache(maxsize=2)
def old_sheets(path: Path, written_at: int) -> dict[str, list[Row]]:
    """Return the rows of every sheet of the XLS file at `path`, as wide as its last filled cell, every cell as text.

    A file is looked at for several profiles before one of them reads it; `written_at` tells its versions apart. Raises
    ValueError where it is damaged.
    """
    import xlrd

    try:
        with (
            open(os.devnull, "w", encoding="utf-8") as nowhere,
            xlrd.open_workbook(str(path), logfile=nowhere, on_demand=True) as book,
        ):
            return {name: _rows(book, book.sheet_by_name(name)) for name in book.sheet_names()}
    except Exception as error:  # there is no telling which one a damaged file leads to
        raise ValueError(f"damaged: {error}") from error


def as_text(cell: Any) -> str | None:
    """Return a cell as a person would type it: days as YYYY-MM-DD, whole numbers without decimals; None where empty."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, datetime) and cell.time() == time():
        return cell.date().isoformat()
    if isinstance(cell, date | datetime):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip() or None


def _rows(book: Any, sheet: Any) -> list[Row]:
    rows = [[as_text(_value(book, cell)) for cell in sheet.row(row)] for row in range(sheet.nrows)]
    width = max((place for row in rows for place, cell in enumerate(row, start=1) if cell), default=0)
    height = max((number for number, row in enumerate(rows, start=1) if any(row)), default=0)
    return [row[:width] for row in rows[:height]]


def _value(book: Any, cell: Any) -> object:
    import xlrd

    if cell.ctype == xlrd.XL_CELL_ERROR:
        return xlrd.error_text_from_code.get(cell.value, "#ERROR")
    if cell.ctype == xlrd.XL_CELL_BOOLEAN:
        return bool(cell.value)
    if cell.ctype == xlrd.XL_CELL_DATE:
        moment = xlrd.xldate.xldate_as_datetime(cell.value, book.datemode)
        return moment.time() if cell.value < 1 else moment  # a time of day alone
    return cell.value
