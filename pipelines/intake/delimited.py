"""Reads CSV and its kin in one pass of DuckDB, as text; what the reader refuses is kept with its record number."""

import codecs
import csv
import glob
import mmap
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

import duckdb
import numpy as np

from pipelines.faults import DataFault
from pipelines.intake.headers import Row, last_header_row
from pipelines.intake.limits import LONGEST_LINE, MOST_EMPTY_LINES, MOST_REFUSALS
from pipelines.intake.marks import JOINED, Marks
from pipelines.intake.strays import LONGEST_JOINED, write_without_strays
from pipelines.sources.profiles import FileForm

REJECTS = (
    f"store_rejects=true, max_line_size={LONGEST_LINE}, rejects_table='rejected', rejects_scan='rejected_scan',"
    f" rejects_limit={MOST_REFUSALS}"
)
LED_ASTRAY = {"UNQUOTED VALUE", "LINE SIZE OVER MAXIMUM"}
_FIRST_BYTES = 1 << 16
_CHUNK = 1 << 20
_TELLING_BYTES = 1 << 26
_MOST_LINES_A_RECORD = 20


def first_records(path: Path, form: FileForm, count: int) -> list[Row]:
    """Return the first records of a delimited file, or none where they cannot be read as its form says.

    Parameters
    ----------
    path : Path
        The file.
    form : FileForm
        Its encoding, delimiter and quote.
    count : int
        Records to return at most, those of the header among them [records].

    Returns
    -------
    list of Row
        Cells without spaces around them, None where empty; fewer records where the file has no more.
    """
    try:
        # A wrong character far from the header must not hide it; one in the header makes it another header.
        with path.open(encoding=_reading_encoding(form.encoding), errors="replace", newline="") as stream:
            records = csv.reader(_bounded_lines(stream), delimiter=form.delimiter, **_quoting(form))
            return [
                [cell.removeprefix("\ufeff").strip() or None for cell in record]
                for record in islice(records, count)
            ]
    except (UnicodeError, csv.Error):
        return []


def read_delimited(
    con: duckdb.DuckDBPyConnection,
    path: Path,
    form: FileForm,
    marks: Marks,
    free_text: set[str],
    work_folder: Path,
) -> None:
    """Make `cells` (c1, c2, ..., mark) of a file, and put the records that cannot be split into `refused_rows`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database; it has `refused_rows` (row, detail, raw).
    path : Path
        The file.
    form : FileForm
        How it is written.
    marks : Marks
        The marks of its header; those that a delimited file calls for are added to them.
    free_text : set of str
        Headers of columns whose cells may hold line breaks.
    work_folder : Path
        Where a copy is written of a file that cannot be read as it is.

    Raises
    ------
    DataFault
        The file is not in the encoding of its form, cannot be read as delimited text, has more than `MOST_EMPTY_LINES`
        empty lines in a row, or too many records that cannot be split.
    """
    above = first_records(path, form, last_header_row(form))
    marks.add_repeated_header(above[-1])
    if form.quote:
        marks.add_joined(free_text, form.delimiter)
    if _holds_nul(path):
        marks.add_nul()
    source = path if _is_plain(path, form.encoding) else _rewritten(path, form, work_folder)
    _refuse_no_log(path.name, source, form, len(marks.columns))
    try:
        _scan(con, source, form, marks)
    except duckdb.Error:
        # Line ends of several kinds stop the reader; in a copy they are all alike.
        source = _rewritten(path, form, work_folder)
        _refuse_no_log(path.name, source, form, len(marks.columns))
        _scan_or_refuse(con, path.name, source, form, marks)
    if _is_in_disorder(con, source, marks):
        source = _rewritten(path, form, work_folder, width=len(marks.columns))
        marks.add_stray()
        _scan_or_refuse(con, path.name, source, form, marks)
    refuse_unsplit(con, path.name, records_above=len(above))


def refuse_unsplit(con: duckdb.DuckDBPyConnection, file_name: str, records_above: int) -> None:
    """Put the records that the last scan refused into `refused_rows`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database; it has `refused_rows` (row, detail, raw), and the reader's account in `rejected`.
    file_name : str
        Name of the file, for the message.
    records_above : int
        Records above the first one of the log, such as its header: the reader counts them too [records].

    Raises
    ------
    DataFault
        They are so many, `MOST_REFUSALS` or more, that the reader has not kept an account of all.
    """
    told = con.execute("select count(*) from rejected").fetchall()[0][0]
    if told >= MOST_REFUSALS:
        raise _no_log(file_name)
    con.execute(
        "insert into refused_rows"
        " select line - $above, string_agg(distinct lower(error_type::varchar), ', '),"
        "   any_value(trim(csv_line, chr(10) || chr(13)))"
        " from rejected group by line",
        {"above": records_above},
    )


def _no_log(file_name: str) -> DataFault:
    return DataFault(
        f"{file_name}: too many of its records cannot be split into the columns of the header, and nothing of it was read."
        " Check the delimiter in the source profile, or look for a quote that is never closed."
    )


def _refuse_no_log(file_name: str, source: Path, form: FileForm, width: int) -> None:
    """Refuse what would take the reader minutes only to refuse it: lines without cells, or with nothing, by the million."""
    with _mapped(source) as content:
        ends = (b"\n", b"\r\n", b"\r") if content.find(b"\r") >= 0 else (b"\n",)
        if any(content.find(end * (MOST_EMPTY_LINES + 1)) >= 0 for end in ends):
            raise DataFault(
                f"{file_name}: more than {MOST_EMPTY_LINES:,} empty lines follow one another. Remove them, or export it"
                " again."
            )
        start = content[:_TELLING_BYTES]
    lines, delimiters, inner = start.count(b"\n"), start.count(form.delimiter.encode()), width - 1
    # Lines within quotes are no records, but a log has few of them.
    if lines * inner - delimiters > MOST_REFUSALS and lines * inner > _MOST_LINES_A_RECORD * delimiters:
        raise _no_log(file_name)


def _is_in_disorder(con: duckdb.DuckDBPyConnection, source: Path, marks: Marks) -> bool:
    """Return whether the reader's account of what it refused is not to be trusted.

    It is not where a quote led it astray, so that it refused a quoted cell or a very long record, nor where it met
    empty lines, which it counts now and then.
    """
    longest = f"greatest({', '.join(f'coalesce(length({column}), 0)' for column in marks.columns)})"
    kinds = {kind for (kind,) in con.execute("select distinct error_type::varchar from rejected").fetchall()}
    joins = con.execute(
        f"select 1 from cells where mark = $joined and {longest} > $most limit 1",
        {"joined": JOINED, "most": LONGEST_JOINED},
    ).fetchone()
    return bool(joins or kinds & LED_ASTRAY or (kinds and _has_empty_line(source)))


def _scan(con: duckdb.DuckDBPyConnection, source: Path, form: FileForm, marks: Marks) -> None:
    con.execute("drop table if exists rejected")
    con.execute("drop table if exists rejected_scan")
    con.execute(
        f"create or replace table cells as select *, {marks.sql} as mark from read_csv($path, delim=$separator,"
        " quote=$quote, escape=$quote, header=true, skip=$skip, auto_detect=false, columns=$columns,"
        f" hive_partitioning=false, {REJECTS})",
        {
            **marks.values,
            "path": exact(source),
            "separator": form.delimiter,
            "quote": form.quote,
            "skip": last_header_row(form) - 1,
            "columns": dict.fromkeys(marks.columns, "varchar"),
        },
    )
    # Looking into every cell takes longer than counting lines, and a file seldom has more of these than records.
    if marks.joined and not _is_a_record_each_line(con, source, form):
        marks.mark_joined(con)


def _is_a_record_each_line(con: duckdb.DuckDBPyConnection, source: Path, form: FileForm) -> bool:
    """Return whether the last scan found as many records as the file has lines below its header, each ended alike."""
    with _mapped(source) as content:
        if content.find(b"\r") >= 0 and re.search(rb"\r(?!\n)", content):
            return False
        chunks = iter(lambda: content.read(_CHUNK), b"")
        # Quicker than bytes.count, which stops at each of them.
        lines = sum(int(np.count_nonzero(np.frombuffer(chunk, np.uint8) == ord("\n"))) for chunk in chunks)
        lines += content[-1:] != b"\n"
    records = con.execute("select count(*) from cells").fetchall()[0][0]
    return records + last_header_row(form) == lines


def exact(path: Path) -> str:
    """Return a path as DuckDB takes it for one file, whatever stars and brackets are in its name."""
    return glob.escape(str(path))


def _scan_or_refuse(
    con: duckdb.DuckDBPyConnection, file_name: str, source: Path, form: FileForm, marks: Marks
) -> None:
    try:
        _scan(con, source, form, marks)
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise DataFault(
            f"{file_name} cannot be read as delimited text ({first}). Export it again as UTF-8 CSV."
        ) from error


def _has_empty_line(source: Path) -> bool:
    with _mapped(source) as content:
        return re.search(rb"\n\r?\n", content) is not None


def _holds_nul(source: Path) -> bool:
    with _mapped(source) as content:
        return content.find(b"\0") >= 0


@contextmanager
def _mapped(source: Path) -> Iterator[mmap.mmap]:
    with source.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
        yield content


def _is_plain(path: Path, encoding: str) -> bool:
    """Return whether DuckDB can read the file as it is: UTF-8 whose lines end in a line feed."""
    with path.open("rb") as stream:
        return _reading_encoding(encoding) == "utf-8-sig" and b"\n" in stream.read(_FIRST_BYTES)


def _rewritten(path: Path, form: FileForm, work_folder: Path, width: int | None = None) -> Path:
    """Return a copy of the file in UTF-8 with one kind of line end.

    Given the number of columns as `width`, the copy has no empty lines either, and each line with a stray quote in a
    record of its own.
    """
    copy = work_folder / f"{path.stem}.utf8.csv"
    encoding = _reading_encoding(form.encoding)
    # What is not UTF-8 in a file that says so costs a row, not the file: DuckDB refuses that record.
    errors = "surrogateescape" if encoding == "utf-8-sig" else "strict"
    try:
        with (
            path.open(encoding=encoding, errors=errors) as source,
            copy.open("w", encoding="utf-8", errors=errors, newline="") as target,
        ):
            if width:
                target.writelines(_lines_of_records(source, form, last_header_row(form)))
                write_without_strays(_bounded_lines(source), target, form.delimiter, form.quote, width)
            else:
                shutil.copyfileobj(source, target, _FIRST_BYTES)
    except UnicodeError as error:
        raise DataFault(
            f"{path.name} is not written in {form.encoding} ({error}). Mend file.encoding in the source profile."
        ) from error
    return copy


def _lines_of_records(stream: TextIO, form: FileForm, count: int) -> list[str]:
    """Take the lines of the first `count` records off the stream."""
    taken: list[str] = []

    def lines() -> Iterator[str]:
        for line in _bounded_lines(stream):
            taken.append(line)
            yield line

    list(islice(csv.reader(lines(), delimiter=form.delimiter, **_quoting(form)), count))
    return taken


def _reading_encoding(encoding: str) -> str:
    return "utf-8-sig" if codecs.lookup(encoding).name in ("utf-8", "utf-8-sig") else encoding


def _bounded_lines(stream: TextIO) -> Iterator[str]:
    return iter(lambda: stream.readline(LONGEST_LINE), "")


def _quoting(form: FileForm) -> dict[str, Any]:
    return {"quotechar": form.quote} if form.quote else {"quoting": csv.QUOTE_NONE}
