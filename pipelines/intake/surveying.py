"""Surveys a sheet of a workbook: what the reader of workbooks does not tell.

That reader gives an empty cell for a cell error and for a formula whose result was never stored, and makes room for
every cell up to the last one filled, however far out it stands.
"""

import re
import zipfile
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

NO_RESULT = "#formula without a stored result"
SURVEY_ERRORS = (expat.ExpatError, ElementTree.ParseError, KeyError, StopIteration, ValueError)

_CHUNK = 1 << 20
_CELL_NAME = re.compile(r"([A-Z]+)(\d+)")


@dataclass
class Survey:
    """The extent of a sheet, and the marks of cells that are empty only to the reader of workbooks."""

    last_row: int = 0
    last_column: int = 0
    marks: dict[tuple[int, int], str] = field(default_factory=dict)

    def note(self, row: int, column: int, mark: str | None) -> None:
        """Note a filled cell: the sheet reaches at least as far.

        Parameters
        ----------
        row, column : int
            Where it stands, counted from 0.
        mark : str
            What is to stand in it instead of nothing, such as '#N/A'; None where the reader of workbooks can read it.
        """
        self.last_row = max(self.last_row, row + 1)
        self.last_column = max(self.last_column, column + 1)
        if mark:
            self.marks[row, column] = mark


@lru_cache(maxsize=64)
def survey_sheet(path: Path, sheet: str, written_at: int) -> Survey:
    """Return the survey of one sheet of a workbook.

    Parameters
    ----------
    path : Path
        The workbook, XLSX or ODS.
    sheet : str
        Name of the sheet.
    written_at : int
        When the file was last written [ns]. A survey is kept, since a file is looked at for several profiles before
        one of them reads it; this tells its versions apart.

    Raises
    ------
    SURVEY_ERRORS
        One of these, where the XML of the workbook is damaged.
    """
    with zipfile.ZipFile(path) as archive:
        if "content.xml" in archive.namelist():
            return _parsed(archive, "content.xml", _OdsSheet(sheet))
        return _parsed(archive, _part_of_sheet(archive, sheet), _XlsxSheet())


def _parsed(archive: zipfile.ZipFile, part: str, sheet: "_XlsxSheet | _OdsSheet") -> Survey:
    with archive.open(part) as stream:
        while chunk := stream.read(_CHUNK):
            sheet.parser.Parse(chunk)
    sheet.parser.Parse(b"", True)
    sheet.end_cell()
    return sheet.survey


def _part_of_sheet(archive: zipfile.ZipFile, sheet: str) -> str:
    """Return the part of an XLSX file that holds the cells of a sheet."""
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    entry = next(found for found in book.findall("{*}sheets/{*}sheet") if found.get("name") == sheet)
    relation = next(value for name, value in entry.items() if name.endswith("}id"))
    relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    target = next(found.get("Target", "") for found in relations if found.get("Id") == relation)
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


class _XlsxSheet:
    """Surveys the XML of one XLSX sheet as it streams by; a cell ends where the next one starts."""

    def __init__(self) -> None:
        self.survey = Survey()
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self._row = self._column = -1
        self._kind: str | None = None
        self._has_formula = self._is_filled = False
        self._value = ""

    def end_cell(self) -> None:
        """Note the cell that has streamed by, if it is filled."""
        mark = None
        if self._kind == "e":
            mark = self._value.strip() or "#ERROR"
        elif self._has_formula and self._kind != "str" and not self._value.strip():
            mark = NO_RESULT
        if self._is_filled or mark:
            self.survey.note(self._row, self._column, mark)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        name = name[name.find(":") + 1 :]
        if name == "c":
            self.end_cell()
            self._start_cell(attributes)
        elif name == "v" or name == "is":
            self._is_filled = True
            # The text of a cell matters only where an empty one means something.
            if self._has_formula or self._kind == "e":
                self.parser.CharacterDataHandler = self._read
        elif name == "f":
            self._has_formula = True
        elif name == "row":
            self.end_cell()
            self._start_cell({})
            self._row = int(attributes.get("r", self._row + 2)) - 1
            self._column = -1

    def _start_cell(self, attributes: dict[str, str]) -> None:
        place = _CELL_NAME.fullmatch(attributes.get("r", ""))
        self._column = _column_number(place[1]) if place else self._column + 1
        self._kind = attributes.get("t")
        self._has_formula = self._is_filled = False
        self._value = ""
        self.parser.CharacterDataHandler = None

    def _read(self, text: str) -> None:
        self._value += text


class _OdsSheet:
    """Surveys one table of the content of an ODS file as it streams by; a cell ends where the next one starts."""

    def __init__(self, sheet: str) -> None:
        self.survey = Survey()
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self._sheet = sheet
        self._is_inside = False
        self._row = self._next_row = self._column = self._next_column = 0
        self._cell: dict[str, str] = {}
        self._value = ""

    def end_cell(self) -> None:
        """Note the cell that has streamed by, if it is filled; it may stand for many, side by side and below."""
        kind, has_formula = self._cell.get("office:value-type"), "table:formula" in self._cell
        mark = None
        if has_formula and self._value.startswith(("#", "Err:")):
            mark = self._value
        elif has_formula and not kind:
            mark = NO_RESULT
        if kind or mark:
            self.survey.note(self._next_row - 1, self._next_column - 1, None)
        if mark:
            self.survey.note(self._row, self._column, mark)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "table:table":
            self._start_cell({})
            self._is_inside = attributes.get("table:name") == self._sheet
        elif not self._is_inside:
            return
        elif name == "table:table-cell" or name == "table:covered-table-cell":
            self._start_cell(attributes)
        elif name == "table:table-row":
            self._start_cell({})
            self._row, self._next_column = self._next_row, 0
            self._next_row += int(attributes.get("table:number-rows-repeated", 1))
        elif name == "text:p" and "table:formula" in self._cell:
            self._value = ""  # the last paragraph counts: a comment on the cell comes before its text
            self.parser.CharacterDataHandler = self._read

    def _start_cell(self, attributes: dict[str, str]) -> None:
        self.end_cell()
        self._column = self._next_column
        self._next_column += int(attributes.get("table:number-columns-repeated", 1))
        self._cell, self._value = attributes, ""
        self.parser.CharacterDataHandler = None

    def _read(self, text: str) -> None:
        self._value += text


def _column_number(letters: str) -> int:
    """Return the number of a column from its letters, counted from 0: A is 0, AA is 26."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1
