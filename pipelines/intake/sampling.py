"""Looks into files of an unknown exporter: how they are written, and what stands in their columns."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from itertools import islice
from pathlib import Path

import duckdb
from charset_normalizer import from_bytes

from pipelines.faults import DataFault
from pipelines.intake.headers import Row, header_from
from pipelines.intake.reading import header_of, kind_of, read_rows
from pipelines.intake.unpacking import unpacked
from pipelines.intake.workbooks import sheet_names, sheet_rows
from pipelines.scratch import scratch_folder
from pipelines.sources.matching import Sample, fitting_patterns
from pipelines.sources.profiles import FileForm
from pipelines.store.file import quiet_connection

MOST_DISTINCT = 5_000  # texts of one column
RECORDS_KEPT = 1_000
ROWS_LOOKED_AT = 200
DELIMITERS = (",", ";", "\t", "|")
# Encodings that exporters write beside UTF-8; the first is taken where it serves as well as another.
ENCODINGS = ("cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257", "cp850", "cp437", "mac_roman")

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CHUNK = 1 << 20


def sample_files(paths: Sequence[Path]) -> Sample:
    """Return what stands in the files, which must have one header; loads nothing."""
    with (
        scratch_folder() as folder,
        quiet_connection(folder / "sample.duckdb") as con,
    ):
        samples = [_sample_file(con, path, folder) for path in paths]
    first = samples[0]
    for other in samples[1:]:
        if other.header != first.header or other.form.kind != first.form.kind:
            raise DataFault(
                f"{other.files[0]} does not have the header of {first.files[0]}. Draft a profile for each of them."
            )
    return Sample(
        files=[name for sample in samples for name in sample.files],
        form=first.form,
        doubts=first.doubts,
        header=first.header,
        record_count=sum(sample.record_count for sample in samples),
        refused_count=sum(sample.refused_count for sample in samples),
        values={
            name: dict(sum((Counter(sample.values[name]) for sample in samples), Counter()).most_common())
            for name in first.header
        },
        empty={name: sum(sample.empty[name] for sample in samples) for name in first.header},
        records=[record for sample in samples for record in sample.records][:RECORDS_KEPT],
    )


def _sample_file(con: duckdb.DuckDBPyConnection, path: Path, work_folder: Path) -> Sample:
    kind_of(path)
    readable = unpacked(path, work_folder)
    form, doubts = guess_form(readable)
    header = _read(con, readable, form, work_folder)
    if form.kind == "csv" and _count(con, "refused_rows"):
        refused = _count(con, "refused_rows")
        unquoted = form.model_copy(update={"quote": ""})
        if header_of(readable, unquoted) == header and _read(con, readable, unquoted, work_folder):
            if _count(con, "refused_rows") < refused:
                form, doubts["quote"] = unquoted, "fewer records are refused if quotes are inch marks only"
            else:
                _read(con, readable, form, work_folder)
    return _sampled(con, path.name, form, doubts, header)


def _read(con: duckdb.DuckDBPyConnection, path: Path, form: FileForm, work_folder: Path) -> list[str]:
    return read_rows(con, path, form, work_folder, free_text=header_of(path, form))


def _sampled(
    con: duckdb.DuckDBPyConnection, file_name: str, form: FileForm, doubts: dict[str, str], header: list[str]
) -> Sample:
    if not _count(con, "raw_rows"):
        raise DataFault(f"{file_name} has a header and no rows below it. Export it again.")
    values, empty = {}, {}
    for place, name in enumerate(header, start=1):
        text = f"nullif(trim(c{place}), '')"
        values[name] = dict(
            con.execute(
                f"select {text}, count(*) from raw_rows where {text} is not null group by 1"
                f" order by count(*) desc, min(row) limit {MOST_DISTINCT}"
            ).fetchall()
        )
        empty[name] = _count(con, f"raw_rows where {text} is null")
    records = con.execute(
        f"select * exclude (row) from raw_rows order by row limit {RECORDS_KEPT}"
    ).fetchall()
    return Sample(
        files=[file_name],
        form=form,
        doubts=doubts,
        header=header,
        record_count=_count(con, "raw_rows"),
        refused_count=_count(con, "refused_rows"),
        values=values,
        empty=empty,
        records=[dict(zip(header, record, strict=True)) for record in records],
    )


def _count(con: duckdb.DuckDBPyConnection, source: str) -> int:
    found = con.execute(f"select count(*) from {source}").fetchone()
    assert found is not None
    return int(found[0])


def guess_form(path: Path) -> tuple[FileForm, dict[str, str]]:
    """Return how a file seems to be written, and a doubt for each entry that is not sure."""
    kind = kind_of(path)
    if kind == "csv":
        return _guess_text_form(path)
    if kind in ("parquet", "jsonl"):
        return FileForm.model_validate({"kind": kind}), {}
    return _guess_workbook_form(path, kind)


def _guess_text_form(path: Path) -> tuple[FileForm, dict[str, str]]:
    encoding, doubt = guess_encoding(path)
    with path.open(encoding=encoding, errors="replace", newline="") as stream:
        lines = list(islice(iter(lambda: stream.readline(_CHUNK), ""), ROWS_LOOKED_AT))
    try:
        delimiter = guess_delimiter(lines)
        rows = [[cell.strip() or None for cell in row] for row in csv.reader(lines, delimiter=delimiter)]
    except csv.Error as error:
        raise DataFault(
            f"{path.name}: one of its first {ROWS_LOOKED_AT} records has a cell of more than {csv.field_size_limit():,}"
            " characters. Look there for a quote that is never closed, or for a file that is no log."
        ) from error
    header_row, header_rows = guess_header_rows(rows)
    form = FileForm.model_validate(
        {
            "kind": "csv",
            "delimiter": delimiter,
            "encoding": encoding,
            "header_row": header_row,
            "header_rows": header_rows,
        }
    )
    return form, {"encoding": doubt} if doubt else {}


def guess_encoding(path: Path) -> tuple[str, str]:
    """Return the likely encoding of a text file, and a doubt where it is only likely."""
    with path.open("rb") as stream:
        start = stream.read(_CHUNK)
    for mark, encoding in _BYTE_ORDER_MARKS:
        if start.startswith(mark):
            return encoding, ""
    if start[:4_000].count(0) > len(start[:4_000]) // 4:
        zero_first = start[:4_000:2].count(0) > start[1:4_000:2].count(0)
        return "utf-16-be" if zero_first else "utf-16-le", "it has no byte order mark"
    if _is_utf8(path):
        return "utf-8", ""
    with path.open("rb") as stream:
        telling = list(islice((line for line in stream if not line.isascii()), ROWS_LOOKED_AT))
    found = from_bytes(b"".join(telling), cp_isolation=list(ENCODINGS))
    best = found.best()
    as_good = {
        name for match in found if best and match.chaos <= best.chaos for name in match.could_be_from_charset
    }
    likeliest = best.encoding if best and "cp1252" not in as_good else "cp1252"
    shown = ", ".join(_odd_words(b"".join(telling).decode(likeliest, errors="replace")))
    name = "windows-1252" if likeliest == "cp1252" else likeliest
    return name, f"guessed from its letters; it makes of them: {shown}"


def _is_utf8(path: Path) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                decoder.decode(chunk)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _odd_words(text: str) -> list[str]:
    words = [word for word in re.findall(r"[^\s,;|\"]+", text) if not word.isascii()]
    return list(dict.fromkeys(words))[:3]


def guess_delimiter(lines: list[str]) -> str:
    """Return the delimiter that splits most lines into one number of cells, more cells before fewer.

    >>> guess_delimiter(["Tag;Load", "A1;5,90", "A2;10,89"])
    ';'
    """
    return max(DELIMITERS, key=lambda delimiter: _evenness(lines, delimiter))


def _evenness(lines: list[str], delimiter: str) -> tuple[float, int]:
    widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if len(row) > 1)
    if not widths:
        return 0.0, 0
    width, rows = max(widths.items(), key=lambda found: (found[1], found[0]))
    return rows / len(lines), width


def guess_header_rows(rows: Sequence[Row]) -> tuple[int, int]:
    """Return the row in which the header starts, counted from 1, and how many rows it has, 1 or 2.

    It is the last row of words alone above the first row of the usual width that has a number or a day in it.

    >>> guess_header_rows([["Log"], [], ["Day", "Seen"], ["2026-03-02", "25"]])
    (3, 1)
    >>> guess_header_rows([["Day", "Reasons", None], [None, "worn", "bent"], ["2026-03-02", "1", None]])
    (1, 2)
    """
    filled = [sum(cell is not None for cell in row) for row in rows]
    has_value = [any(map(_is_value, row)) for row in rows]
    wide = [place for place, count in enumerate(filled) if count >= max(2, 0.6 * max(filled))]
    first_data = next((place for place in wide if has_value[place]), 0)
    words_above = [place for place in range(first_data) if filled[place] and not has_value[place]]
    last = words_above[-1] if words_above else wide[0] if wide else 0
    upper = rows[last - 1] if last else []
    is_merged = sum(cell is not None for cell in upper) > 1 and any(
        cell is not None and (place >= len(rows[last]) or rows[last][place] is None)
        for place, cell in enumerate(upper)
    )
    return (last, 2) if is_merged else (last + 1, 1)


def _is_value(cell: str | None) -> bool:
    return bool(
        cell
        and any(map(str.isdigit, cell))
        and (re.fullmatch(r"[\d.,/ +-]+", cell) or fitting_patterns([cell]))
    )


def _guess_workbook_form(path: Path, kind: str) -> tuple[FileForm, dict[str, str]]:
    """Return the form of the sheets that hold most rows; sheets with one header belong together."""
    found: dict[frozenset[str], list[tuple[str, FileForm, int]]] = {}
    names = []
    for name in sheet_names(path):
        rows = sheet_rows(path, name)
        if not any(map(any, rows)):
            continue
        names.append(name)
        header_row, header_rows = guess_header_rows(rows[:ROWS_LOOKED_AT])
        form = FileForm.model_validate({"kind": kind, "header_row": header_row, "header_rows": header_rows})
        header = frozenset(header_from(rows, form))
        found.setdefault(header, []).append((name, form, len(rows)))
    if not found:
        raise DataFault(f"{path.name} has no filled sheet. Export it again.")
    sheets = max(found.values(), key=lambda group: sum(rows for *_, rows in group))
    form, chosen = sheets[0][1], [name for name, *_ in sheets]
    others = [name for name in names if name not in chosen]
    if len(chosen) > 1:
        form = form.model_copy(update={"sheets": "all", "ignored_sheets": others})
        return form, {"sheets": f"{len(chosen)} sheets have this header: {', '.join(chosen)}"}
    if others:
        return form.model_copy(update={"sheet": chosen[0]}), {
            "sheet": f"it has most rows; there are also: {', '.join(others)}"
        }
    return form, {}
