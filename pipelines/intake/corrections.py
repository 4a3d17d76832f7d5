"""Quarantined rows as a workbook that a person corrects, and what such a workbook holds when it comes back.

Each sheet has the rows of one header: who they are (`IDENTITY`, in brackets, so that no export has such columns), what
is wrong with them, and their cells as the file had them, all of it text.
"""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipelines.contracts import plain_words
from pipelines.faults import DataFault, RequestFault
from pipelines.intake.account import HOW_ROWS_COUNT
from pipelines.intake.headers import Row, refuse_twice
from pipelines.intake.marks import WHOLE_RECORD
from pipelines.intake.verdict import UNREADABLE_ROW
from pipelines.intake.workbooks import sheet_names, sheet_rows
from pipelines.scratch import scratch_folder
from pipelines.shipped import statement
from pipelines.store.file import give_name
from pipelines.terminal import text_table

FILE, ROW, RULE, DETAIL, FINGERPRINT, PROFILE = (
    "(file)", "(row)", "(rule)", "(what is wrong)", "(fingerprint)", "(profile)",
)  # fmt: skip
IDENTITY = (FINGERPRINT, ROW, PROFILE)
TOLD = (
    FILE,
    ROW,
    RULE,
    DETAIL,
)  # columns left of the cells; the fingerprint and the profile stand right of them
ABOUT = [
    "Quarantined rows",
    "Each further sheet has rows that no figure rests on, with what is wrong with each of them.",
    "Correct the cells of a row as the export should have had them, save the workbook and load it: rigging-removals intake.",
    "Rows that keep every rule are accepted; the others stay in quarantine. Leave the columns in brackets as they are.",
    "A record that could not be split into cells stands whole in its own column: write its cells into theirs.",
    HOW_ROWS_COUNT,
    "Rows may be left out of the workbook. A cell holds at most 32,767 characters; a longer text is cut.",
]
LONGEST_CELL = 32_767
MOST_ROWS = 1_048_575
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


@dataclass(frozen=True)
class CorrectedRows:
    """Rows of one exported file in a workbook of corrections: the cells of each by its record number, as in `header`."""

    fingerprint: str
    profile: str
    header: list[str]
    cells: dict[int, Row]


def open_rows(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the rows that are in quarantine: file, row, rule, description, detail, raw, file_sha256, source."""
    rows = con.execute(
        statement("pipelines.intake", "open_quarantine.sql"), {"unreadable": UNREADABLE_ROW[1]}
    ).df()
    rows["description"] = [plain_words(words) for words in rows["description"]]
    return rows


def row_lines(rows: pd.DataFrame) -> list[str]:
    """Return quarantined rows as lines of a table for a terminal."""
    return text_table(
        ("file", "row", "rule", "what is wrong"), rows[["file", "row", "rule", "detail"]].to_numpy().tolist()
    )


def write_corrections(rows: pd.DataFrame, path: Path) -> None:
    """Write quarantined rows into a workbook at `path`, where there must be no file yet; every cell is inert text."""
    import xlsxwriter

    if path.exists():
        raise RequestFault(f"{path} is there already. Give another name, or remove it.")
    if path.suffix.lower() != ".xlsx":
        raise RequestFault(f"{path} would be a workbook: give it a name that ends in .xlsx.")
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with scratch_folder(path.parent, f".{path.name}-") as aside:
            with xlsxwriter.Workbook(str(aside / path.name), options) as book:
                sheet = book.add_worksheet("About")
                sheet.set_column(0, 0, 110)
                for place, line in enumerate(ABOUT):
                    sheet.write_string(place, 0, line)
                for number, (header, of_header) in enumerate(_by_header(rows), start=1):
                    _write_sheet(book, f"Rows {number}", header, of_header)
            give_name(aside / path.name, path)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise RequestFault(f"{path} cannot be written ({error}). Choose another place.") from error


def is_correction(path: Path) -> bool:
    """Return whether a workbook is one that `write_corrections` made, corrected or not."""
    return any(set(IDENTITY) <= set(_first_row(path, sheet)) for sheet in sheet_names(path))


def read_corrections(path: Path) -> list[CorrectedRows]:
    """Return the rows of a workbook that `write_corrections` made, file by file.

    Raises DataFault where a row does not say whose it is, or stands there twice.
    """
    found: list[CorrectedRows] = []
    for name in sheet_names(path):
        if set(IDENTITY) <= set(_first_row(path, name)):
            found += _by_file(f'{path.name}, sheet "{name}"', sheet_rows(path, name))
    return found


def _by_header(rows: pd.DataFrame) -> list[tuple[list[str], list[Any]]]:
    """Return the rows of each source and header, the header as the file had it."""
    groups: dict[tuple[str, ...], list[Any]] = {}
    for row in rows.itertuples():
        cells = json.loads(str(row.raw))
        header = (str(row.source), *(name for name in cells if name != WHOLE_RECORD))
        groups.setdefault(header, []).append((row, cells))
    return [(list(header), of_header) for (_, *header), of_header in groups.items()]


def _write_sheet(book: Any, name: str, header: list[str], rows: list[Any]) -> None:
    if len(rows) > MOST_ROWS:
        raise RequestFault(
            f"{len(rows):,} quarantined rows have one header, more than a sheet holds. Mend the source profile and load"
            " the export again."
        )
    whole = [WHOLE_RECORD] if any(WHOLE_RECORD in cells for _, cells in rows) else []
    columns = [*TOLD, *whole, *header, FINGERPRINT, PROFILE]
    sheet = book.add_worksheet(name)
    text = book.add_format({"num_format": "@"})
    head = book.add_format({"num_format": "@", "bold": True, "bottom": 1})
    sheet.set_column(0, len(columns) - 1, 14, text)
    sheet.set_column(TOLD.index(DETAIL), TOLD.index(DETAIL), 60, text)
    sheet.set_column(len(columns) - 2, len(columns) - 1, None, text, {"hidden": True})
    for place, column in enumerate(columns):
        sheet.write_string(0, place, column, head)
    for number, (row, cells) in enumerate(rows, start=1):
        told = {FILE: row.file, ROW: str(row.row), RULE: row.description, DETAIL: row.detail}
        told |= {FINGERPRINT: row.file_sha256, PROFILE: row.source}
        for place, column in enumerate(columns):
            cell = told.get(column, cells.get(column))
            if cell is not None:
                sheet.write_string(number, place, _CONTROL.sub("\ufffd", str(cell))[:LONGEST_CELL], text)
    sheet.freeze_panes(1, len(TOLD))
    sheet.autofilter(0, 0, len(rows), len(columns) - 1)


def _first_row(path: Path, sheet: str) -> Row:
    return next(iter(sheet_rows(path, sheet, 1)), [])


def _by_file(where: str, rows: list[Row]) -> list[CorrectedRows]:
    head = rows[0]
    place = {column: head.index(column) for column in IDENTITY}
    named = {number: column for number, column in enumerate(head) if column}
    kept = [number for number, column in named.items() if column not in {*TOLD, *IDENTITY, WHOLE_RECORD}]
    header = [named[number] for number in kept]
    refuse_twice(header, where)
    by_file: dict[str, CorrectedRows] = {}
    for number, cells in enumerate(rows[1:], start=2):
        if not any(cells):
            continue
        fingerprint, row, profile = (cells[place[column]] for column in IDENTITY)
        if not (fingerprint and profile and row and row.isdecimal()):
            raise DataFault(
                f"{where}, row {number}: the columns in brackets do not say which quarantined row it is. Leave them as they"
                " were exported, or remove the row."
            )
        of_file = by_file.setdefault(fingerprint, CorrectedRows(fingerprint, profile, header, {}))
        if int(row) in of_file.cells:
            raise DataFault(
                f"{where}, row {number}: the same quarantined row stands there twice. Remove one of them."
            )
        of_file.cells[int(row)] = [cells[number] for number in kept]
    return list(by_file.values())
