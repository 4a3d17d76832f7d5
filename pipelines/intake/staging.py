"""Turns raw cells into canonical lines: each column's distinct texts are read once, then joined back.

Leaves `staged_lines`: every column of the `inspection_line` contract, and beside it `raw_<column>`, the text of
the file it was read from; and `staged_reasons`, the removal criteria of each line.
"""

from collections.abc import Callable
from datetime import date, datetime

import duckdb
import pandas as pd

from pipelines import units
from pipelines.contracts import Column, load_contract, rated_loads
from pipelines.faults import DataFault
from pipelines.intake.reasons import stage_reasons
from pipelines.sources.profiles import DERIVED, Profile

Reader = Callable[[str], object]
# One label for one item class, wherever it is written: lines and stock must agree to the letter.
ITEM_CLASS_SQL = (
    "concat_ws(', ', body || ' ' || gear_family, pin, format('{:g} mm', nominal_size_mm),"
    " format('{:.2f} t', rated_load_t), grade)"
)


def stage_lines(
    con: duckdb.DuckDBPyConnection, header: list[str], profile: Profile, file_sha256: str
) -> None:
    """Make `staged_lines` and `staged_reasons` from `raw_rows`, as `profile` reads the file."""
    if len(set(header)) < len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise DataFault(f'The column "{twice}" stands twice in the header. Rename one of them in the export.')
    cells = {name: f"c{position}" for position, name in enumerate(header, start=1)}
    columns = [column for column in load_contract("inspection_line").columns if column.name not in DERIVED]
    texts = {column.name: _text_of(column.name, cells, profile) for column in columns}
    fixed = {f"fixed_{name}": value for name, value in profile.fixed.items()}
    con.execute(
        "create or replace table raw_lines as select row, "
        + ", ".join(f"{text} as raw_{name}" for name, text in texts.items())
        + " from raw_rows",
        fixed,
    )
    read = [column for column in columns if column.kind != "string" or column.allowed]
    for column in read:
        _read_distinct(con, column, profile)
    _join_readings(con, columns, read, profile, file_sha256)
    stage_reasons(con, cells, profile)


def _text_of(name: str, cells: dict[str, str], profile: Profile) -> str:
    """Return the SQL for the text of one contract column: a cell, a fixed value, or nothing."""
    if name in profile.columns:
        text = f"nullif(trim({cells[profile.columns[name]]}), '')"
    elif name in profile.fixed:
        text = f"$fixed_{name}"
    elif profile.result and name == "quantity":
        text = "'1'"
    elif profile.result and name == "removed":
        text = f"nullif(trim({cells[profile.result.column]}), '')"
    else:
        text = "null::varchar"
    return f"coalesce({text}, '0')" if name in profile.blank_is_zero else text


def _read_distinct(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>`: each distinct text of the file and the value it stands for, null where unreadable."""
    found = con.execute(
        f"select distinct raw_{column.name} from raw_lines where raw_{column.name} is not null order by 1"
    ).fetchall()
    read = _reader(column, profile)
    # Values travel as text, so that the type is the contract's and not a guess from the first rows.
    values = [(text, None if (value := read(text)) is None else str(value)) for (text,) in found]
    con.register("readings", pd.DataFrame(values, columns=["written", "value"], dtype="object"))
    con.execute(
        f"create or replace table read_{column.name} as"
        f" select written::varchar as written, value::varchar::{column.physical_type} as value from readings"
    )


def _reader(column: Column, profile: Profile) -> Reader:
    decimal = profile.decimal
    if column.name == "removed" and profile.result:
        fit, removed = _folded_set(profile.result.fit), _folded_set(profile.result.removed)
        return lambda text: 0 if _folded(text) in fit else 1 if _folded(text) in removed else None
    if column.allowed:
        words = {word: word for word in column.allowed}
        words |= {_folded(said): word for said, word in profile.words.get(column.name, {}).items()}
        return lambda text: words.get(_folded(text))
    if column.name == "nominal_size_mm":
        whole_mm = {
            units.number(size): mm
            for size, mm in rated_loads()[["size_in", "nominal_size_mm"]].itertuples(index=False)
        }
        return lambda text: _nominal_size_mm(text, profile, whole_mm)
    if column.name == "rated_load_t":
        return lambda text: units.load_t(text, profile.units.rated_load_t, decimal)
    if column.kind == "integer":
        return lambda text: units.whole_number(text, decimal)
    if column.kind == "date":
        return lambda text: _day(text, profile.dates)
    return lambda text: units.number(text, decimal)


def _nominal_size_mm(text: str, profile: Profile, whole_mm: dict[float | None, int]) -> float | None:
    """Return the nominal size in mm: an inch size takes the trade's whole millimetres where the table has it."""
    found = units.length(text, profile.units.nominal_size_mm, profile.decimal)
    if found is None:
        return None
    value, unit = found
    return value if unit == "mm" else whole_mm.get(value, round(value * units.MM_PER_INCH, 1))


def _day(text: str, patterns: list[str]) -> date | None:
    for pattern in patterns:
        try:
            return datetime.strptime(text, pattern).date()
        except ValueError:
            continue
    return None


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _folded_set(texts: list[str]) -> set[str]:
    return {_folded(text) for text in texts}


def _join_readings(
    con: duckdb.DuckDBPyConnection,
    columns: list[Column],
    read: list[Column],
    profile: Profile,
    file_sha256: str,
) -> None:
    values = [
        f"read_{column.name}.value as {column.name}"
        if column in read
        else f"raw_{column.name} as {column.name}"
        for column in columns
    ]
    joins = [
        f"left join read_{column.name} on read_{column.name}.written = raw_{column.name}" for column in read
    ]
    con.execute(
        f"create or replace table read_lines as select row, {', '.join(values)},"
        f" {', '.join(f'raw_{column.name}' for column in columns)} from raw_lines {' '.join(joins)}"
    )
    con.execute(
        "create or replace table staged_lines as select *, $sha as file_sha256, $source as source,"
        f" {ITEM_CLASS_SQL} as item_class from read_lines",
        {"sha": file_sha256, "source": profile.source},
    )
    con.execute("drop table read_lines")
    con.execute("drop table raw_lines")
