"""Result tables as files: CSV, JSON and Parquet for programs, a workbook for people."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any, TextIO

import pandas as pd

from pipelines.contracts import contract_names, load_contract
from pipelines.faults import RequestFault
from pipelines.packs.headings import Heading, heading
from pipelines.wording_gear import of_gear
from pipelines.writing import written_label

# A spreadsheet reads a cell that begins so as a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
WIDEST_COLUMN = 60
SHEETS = {
    "removal_trend": "Removal trend",
    "removal_rates": "Removal rates",
    "rate_changes": "Change per year",
    "reason_breakdown": "Reasons",
    "reasons_by_environment": "Reasons by environment",
    "pooled_rates": "Pooled rates",
    "hazard_model": "Model of the rates",
    "interval_recommendations": "Intervals",
    "detection_sensitivity": "If looks miss some",
    "rate_backtest": "Rates held against later",
    "overdue_inspections": "Inspections due",
    "order_plan": "Order plan",
    "order_totals": "Order totals",
    "order_assumptions": "Order assumptions",
    "supplier_rejects": "Goods refused",
    "replacement_forecast": "Forecast",
    "forecast_totals": "Forecast totals",
    "receiving_rejects": "Rejected on receipt",
    "site_benchmark": "Sites compared",
    "site_benchmark_parts": "What the ratio is made of",
    "site_practice": "Practice",
    "peers": "Sites of others",
    "peer_environments": "Others by environment",
    "inspector_strictness": "Strictness of inspectors",
    "files_loaded": "Files loaded",
    "contract_rules": "Contract rules",
    "quarantine": "Quarantined rows",
    "reasons_not_known": "Reasons not known",
    "rows_set_aside": "Rows set aside",
    "count_jumps": "Counts that jump",
}
NUMBER_FORMATS = {"integer": "#,##0", "number": "#,##0.0", "date": "yyyy-mm-dd"}


def write_table(frame: pd.DataFrame, format: str, out: Path | None) -> None:
    """Write one table to a file or to the terminal.

    Parameters
    ----------
    frame : DataFrame
        The table.
    format : str
        `csv`, `json` or `parquet`.
    out : Path
        The file; its folder is made where there is none. None for the terminal.

    Raises
    ------
    RequestFault
        Parquet, which is not text, would go to the terminal, or the file cannot be written.
    """
    if out is None and format == "parquet":
        raise RequestFault("A Parquet file cannot be shown on a terminal. Say where to write it with --out.")
    if out is not None and format == "parquet":
        with _written(out):
            _write_parquet(frame, out)
        return
    with _text_to(out) as file:
        _write_text(frame, format, file)


def write_lines(lines: list[str], out: Path | None) -> None:
    """Write lines of text to a file, or to the terminal where `out` is None; raises as `write_table` does."""
    with _text_to(out) as file:
        file.write("\n".join(lines) + "\n")


@contextmanager
def _text_to(out: Path | None) -> Iterator[TextIO]:
    if out is None:
        yield sys.stdout
        return
    with _written(out), out.open("w", encoding="utf-8", newline="") as file:
        yield file


@contextmanager
def _written(out: Path) -> Iterator[None]:
    """Make the folder of a file that is written in this context; a fault of the disk becomes a sentence."""
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise RequestFault(
            f"{out} cannot be written: {error.strerror}. Choose another place with --out."
        ) from error


def guarded(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with an apostrophe before each text that a spreadsheet would take for a formula."""
    texts = frame.select_dtypes(["object", "string"]).columns
    return frame.assign(**{name: frame[name].map(_guarded) for name in texts})


def write_workbook(path: Path, tables: dict[str, pd.DataFrame], about: list[str], made_on: date) -> None:
    """Write tables as the sheets of a workbook, after a sheet about it and before one that explains every column.

    Parameters
    ----------
    path : Path
        The XLSX file.
    tables : dict of DataFrame
        By table name, in the order of the sheets; columns as the contracts have them.
    about : list of str
        Lines of the first sheet; the standing cautions follow.
    made_on : date
        Day written into the file as that of its making, so that the same tables give the same bytes.
    """
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties(
            {"title": about[0], "created": datetime(made_on.year, made_on.month, made_on.day)}
        )
        _write_about(book, about)
        for name, frame in tables.items():
            _write_sheet(book, SHEETS[name], frame, [heading(column, name) for column in frame.columns])
        notes = _column_notes(tables)
        _write_sheet(
            book, "Column notes", notes, [Heading(str(words), "", "string", False, "") for words in notes]
        )


def _write_text(frame: pd.DataFrame, format: str, file: TextIO) -> None:
    if format == "csv":
        guarded(frame).to_csv(file, index=False, date_format="%Y-%m-%d", lineterminator="\n")
        return
    rows = [{name: _plain(value) for name, value in row.items()} for row in frame.to_dict("records")]
    file.write(json.dumps(rows, indent=2, ensure_ascii=False) + "\n")


def _write_parquet(frame: pd.DataFrame, out: Path) -> None:
    from pipelines.store.file import quiet_connection

    with quiet_connection() as con:
        con.from_df(frame).write_parquet(str(out))


def _guarded(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value


def _plain(value: object) -> object:
    """Return a value as JSON and a workbook take it: nothing for a missing one, no type of pandas' own."""
    if pd.isna(value):  # type: ignore[call-overload]
        return None
    if isinstance(value, date):
        return value.strftime("%Y-%m-%d")
    return value.item() if hasattr(value, "item") else value


def _write_about(book: Any, about: list[str]) -> None:
    from pipelines.wording import cautions  # brings the models, which a table in text does without

    sheet = book.add_worksheet("About")
    sheet.set_column(0, 0, 110, book.add_format({"text_wrap": True, "valign": "top"}))
    sheet.write_string(0, 0, about[0], book.add_format({"bold": True, "font_size": 14}))
    for row, line in enumerate([*about[1:], "", "Before you use these figures:", *cautions()], start=1):
        sheet.write_string(row, 0, line)


def _write_sheet(book: Any, name: str, frame: pd.DataFrame, heads: list[Heading]) -> None:
    sheet = book.add_worksheet(name)
    bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    for number, (column, head) in enumerate(zip(frame.columns, heads, strict=True)):
        unit = f" [{head.unit}]" if head.unit else ""
        sheet.write_string(0, number, head.words + unit, bold)
        pattern = "0.0 %" if head.is_share else NUMBER_FORMATS.get(head.kind, "General")
        pattern += "0" * (head.kind == "number" and not head.is_share and head.decimals == 2)
        if head.unit.startswith("currency"):
            pattern = "#,##0.00"
        sheet.set_column(
            number, number, _width(frame[column], head), book.add_format({"num_format": pattern})
        )
        for row, value in enumerate(frame[column], start=1):
            _write_cell(sheet, row, number, value, head)
    sheet.freeze_panes(1, 1)
    if len(frame):
        sheet.autofilter(0, 0, len(frame), len(heads) - 1)


def _width(values: pd.Series, head: Heading) -> int:
    is_text = head.kind == "string" and len(values)
    longest = int(values.astype(str).str.len().max()) if is_text else 0
    return min(max(13, longest), WIDEST_COLUMN)


def _write_cell(sheet: Any, row: int, column: int, value: object, head: Heading) -> None:
    plain = _plain(value)
    if plain is None:
        return
    if head.kind == "date":
        sheet.write_datetime(row, column, pd.Timestamp(str(plain)).to_pydatetime())
    elif head.kind in ("integer", "number"):
        sheet.write_number(row, column, plain)
    elif head.kind == "boolean":
        sheet.write_string(row, column, "yes" if plain else "no")
    else:
        text = written_label(str(plain)) if head.names_sizes else str(plain)
        sheet.write_string(row, column, text)


def _column_notes(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    rows = []
    for name, frame in tables.items():
        described = {}
        if name in contract_names():
            described = {column.name: column.description for column in load_contract(name).columns}
        for column in frame.columns:
            head = heading(column, name)
            meaning = of_gear(described.get(column, head.description))
            rows.append((SHEETS[name], head.words, head.unit, meaning, column))
    return pd.DataFrame(rows, columns=["Sheet", "Heading", "Unit", "Meaning", "Column in the CSV file"])
