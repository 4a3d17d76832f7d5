"""Writes result tables as files other programs read: CSV, JSON, Parquet and one workbook."""

import sys
from pathlib import Path

import pandas as pd

from pipelines.packs.headings import heading

# A text that starts so would be run as a formula by a spreadsheet that opens the CSV.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_table(frame: pd.DataFrame, format: str, out: Path | None) -> None:
    """Write one table as 'csv', 'json' or 'parquet' to `out`, or to the terminal where that is None."""
    if format == "parquet":
        _write_parquet(frame, out)
        return
    text = (
        csv_text(frame)
        if format == "csv"
        else _as_text(frame).to_json(orient="records", indent=2, force_ascii=False) + "\n"
    )
    if out:
        out.write_text(text, encoding="utf-8", newline="")
    else:
        sys.stdout.write(text)


def csv_text(frame: pd.DataFrame) -> str:
    """Return a table as CSV; a text that a spreadsheet would run as a formula gets an apostrophe in front."""
    return _as_text(frame).map(_harmless).to_csv(index=False, lineterminator="\n")


def write_workbook(tables: dict[str, pd.DataFrame], path: Path) -> None:
    """Write all tables into one workbook: a sheet each with its header frozen, and a sheet that explains the columns."""
    import xlsxwriter

    with xlsxwriter.Workbook(path, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        formats = {
            "integer": book.add_format({"num_format": "#,##0"}),
            "number": book.add_format({"num_format": "#,##0.00"}),
            "string": book.add_format({}),
            "date": book.add_format({}),
            "boolean": book.add_format({}),
        }
        for name, frame in tables.items():
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            for place, column in enumerate(frame.columns):
                head = heading(column)
                sheet.set_column(place, place, 24 if head.kind == "string" else 14, formats[head.kind])
                sheet.write_string(0, place, f"{head.words} [{head.unit}]" if head.unit else head.words, bold)
                for row, value in enumerate(_as_text(frame)[column], start=1):
                    if not pd.isna(value):
                        sheet.write(row, place, value)
        notes = book.add_worksheet("columns")
        notes.freeze_panes(1, 0)
        notes.set_column(0, 1, 26)
        notes.set_column(2, 4, 30)
        for place, word in enumerate(("Sheet", "Column", "Heading", "Unit", "Meaning")):
            notes.write_string(0, place, word, bold)
        described = [(name, column) for name, frame in tables.items() for column in frame.columns]
        for row, (name, column) in enumerate(described, start=1):
            head = heading(column)
            for place, text in enumerate((name, column, head.words, head.unit, head.description)):
                notes.write_string(row, place, text)


def _as_text(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its days as text, YYYY-MM-DD, and every missing value as None."""
    days = frame.select_dtypes("datetime").columns
    return (
        frame.assign(**{name: frame[name].dt.strftime("%Y-%m-%d") for name in days})
        .astype("object")
        .where(frame.notna(), None)
    )


def _harmless(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value


def _write_parquet(frame: pd.DataFrame, out: Path | None) -> None:
    import duckdb

    from pipelines.faults import RequestFault

    if not out:
        raise RequestFault("Parquet is no text to print. Name a file with --out.")
    with duckdb.connect() as con:
        con.register("frame", frame)
        con.execute(f"copy frame to '{str(out).replace(chr(39), chr(39) * 2)}' (format parquet)")
