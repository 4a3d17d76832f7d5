"""Reads an exported file, as its profile says it is written, into text cells.

Every reader leaves `raw_rows` (row, c1, c2, ... as text, empty cells null), `refused_rows` (row, detail, raw) for
records that cannot be split into cells, and `set_aside_rows` (row, kind, raw) for those that are no part of the log:
kind is 'blank', 'repeated header' or 'total'. `raw` is JSON: the cells by the names of their columns, and the text of a
record that cannot be split as `WHOLE_RECORD`, beside empty cells. `row` is the record number: 1 is the first record below the header;
it counts on from sheet to sheet. A line of a text file with nothing on it is no record.
"""

from collections.abc import Iterable
from pathlib import Path

import duckdb

from pipelines.faults import DataFault, RequestFault
from pipelines.intake.delimited import first_records, read_delimited
from pipelines.intake.headers import header_from, last_header_row, refuse_twice
from pipelines.intake.limits import MOST_COLUMNS
from pipelines.intake.marks import Marks, sort_out_marked
from pipelines.intake.tables import json_header, parquet_header, read_json_lines, read_parquet
from pipelines.intake.unpacking import KIND_OF_ENDING, inner_name
from pipelines.intake.workbooks import read_workbook, workbook_header
from pipelines.shipped import statement
from pipelines.sources.profiles import FileForm, Totals


def kind_of(path: Path) -> str:
    """Return the kind of file by its ending, or of the file it packs; raises where there is none or it is empty."""
    if not path.is_file():
        raise RequestFault(f"There is no file {path}. Check the name and the folder.")
    if path.stat().st_size == 0:
        raise DataFault(f"{path.name} is empty: it holds no header and no rows. Export it again.")
    ending = Path(inner_name(path)).suffix
    kind = KIND_OF_ENDING.get(ending.lower())
    if not kind:
        raise DataFault(
            f"{path.name}: files ending in {ending or 'nothing'} cannot be read. Export it as CSV or XLSX."
        )
    return kind


def header_of(path: Path, form: FileForm) -> list[str]:
    """Return the header of the file as `form` would read it, or an empty list where it cannot be read so.

    A cell of the header that is empty is called after its place, such as 'column 7'.
    """
    if kind_of(path) != form.kind:
        return []
    if form.kind == "csv":
        header = header_from(first_records(path, form, last_header_row(form)), form)
    elif form.kind == "parquet":
        header = parquet_header(path)
    elif form.kind == "jsonl":
        header = json_header(path)
    else:
        header = workbook_header(path, form)
    if len(header) > MOST_COLUMNS:
        raise DataFault(
            f"{path.name}: its header has {len(header):,} columns, more than {MOST_COLUMNS:,}."
            " Check the delimiter, or remove the empty columns."
        )
    return header


def read_rows(
    con: duckdb.DuckDBPyConnection,
    path: Path,
    form: FileForm,
    work_folder: Path,
    totals: Totals | None = None,
    free_text: Iterable[str] = (),
) -> list[str]:
    """Read a file into the three tables of the scratch database; return its header.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database.
    path : Path
        The file, unpacked.
    form : FileForm
        How it is written.
    work_folder : Path
        Where a copy may be written of a file that cannot be read as it is.
    totals : Totals
        Which rows only add up others; None where no row does.
    free_text : iterable of str
        Headers of columns whose cells may hold line breaks; elsewhere in a CSV file a stray quote has made them.

    Raises
    ------
    DataFault
        There is no header where `form` says, it names a column twice, or the file cannot be read.
    """
    header = header_of(path, form)
    if not header:
        raise DataFault(f"{path.name} has no header where the source profile says. Mend its entry file.")
    refuse_twice(header, path.name)
    con.execute("create or replace table refused_rows (row bigint, detail varchar, raw varchar)")
    marks = Marks(header, totals)
    if form.kind == "csv":
        read_delimited(con, path, form, marks, set(free_text), work_folder)
    elif form.kind == "parquet":
        read_parquet(con, path, marks)
    elif form.kind == "jsonl":
        read_json_lines(con, path, marks)
    else:
        read_workbook(con, path, form, marks)
    _number_rows(con)
    sort_out_marked(con, header)
    return header


def _number_rows(con: duckdb.DuckDBPyConnection) -> None:
    """Make `numbered_cells`: the cells with their record number, which counts the refused records too.

    `cell_row` is where they stand in `cells`: few records are found a good deal faster by it.
    """
    if con.execute("select 1 from refused_rows limit 1").fetchone():
        con.execute(statement("pipelines.intake", "number_rows.sql"))
    else:
        # The usual case, and several times as fast.
        con.execute(
            "create or replace view numbered_cells as select rowid as cell_row, rowid + 1 as row, * from cells"
        )
