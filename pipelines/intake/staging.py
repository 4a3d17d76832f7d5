"""Turns raw cells into canonical lines: each column's distinct texts are read once, then joined back.

Leaves `staged_lines`: every column of the `inspection_line` contract, and beside it `raw_<column>`, the text of
the file it was read from; and `staged_reasons`, the removal criteria of each line.
"""

from collections.abc import Sequence

import duckdb
import pandas as pd

from pipelines.contracts import Column, load_contract
from pipelines.faults import DataFault
from pipelines.intake.names import stage_names
from pipelines.intake.reasons import stage_reasons
from pipelines.intake.values import day_readings, folded, readings
from pipelines.sources.profiles import DERIVED, Profile

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
    given: dict[str, object] = {f"fixed_{name}": value for name, value in profile.fixed.items()}
    if profile.result and "disposition" not in profile.columns:
        given["put_back"] = [folded(word) for word in profile.result.put_back]
    con.execute(
        "create or replace table raw_lines as select row, "
        + ", ".join(f"{text} as raw_{name}" for name, text in texts.items())
        + " from raw_rows",
        given,
    )
    read = [column for column in columns if column.kind != "string" or column.allowed]
    for column in read:
        stage = _stage_days if column.kind == "date" else _stage_readings
        stage(con, column, profile)
    stage_names(con)
    _join_readings(con, columns, read, profile, file_sha256)
    stage_reasons(con, cells, profile)


def _text_of(name: str, cells: dict[str, str], profile: Profile) -> str:
    """Return the SQL for the text of one contract column: a cell, a fixed value, or nothing."""
    if name in profile.columns:
        text = f"nullif(trim({cells[profile.columns[name]]}), '')"
    elif name in profile.fixed:
        text = f"$fixed_{name}"
    elif profile.result and name in ("quantity", "removed", "not_presented"):
        text = f"nullif(trim({cells[profile.result.column]}), '')"
    elif profile.result and name == "disposition":
        cell = f"trim({cells[profile.result.column]})"
        text = f"case when list_contains($put_back, lower({cell})) then {cell} end"
    else:
        text = "null::varchar"
    return f"coalesce({text}, '0')" if name in profile.blank_is_zero else text


def _stage_readings(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>`: each distinct text of the file and the value it stands for, null where unreadable."""
    raw = f"raw_{column.name}"
    found = con.execute(f"select distinct {raw} from raw_lines where {raw} is not null order by 1").fetchall()
    read = readings(column, [text for (text,) in found], profile)
    _keep_readings(con, column, [(None, text, value) for text, value in read.items()])


def _stage_days(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>` for a column of days, by site where the profile leaves the order of day and month open."""
    raw = f"raw_{column.name}"
    site = "raw_site" if len(profile.dates) > 1 else "null"
    found = con.execute(
        f"select distinct {site}, {raw} from raw_lines where {raw} is not null order by 1, 2"
    ).fetchall()
    _keep_readings(con, column, day_readings(found, profile.dates))


def _keep_readings(
    con: duckdb.DuckDBPyConnection, column: Column, found: Sequence[tuple[str | None, str, object]]
) -> None:
    # Values travel as text, so that the type is the contract's and not a guess from the first rows.
    rows = [(site, text, None if value is None else str(value)) for site, text, value in found]
    con.register("readings", pd.DataFrame(rows, columns=["site", "written", "value"], dtype="object"))
    con.execute(
        f"create or replace table read_{column.name} as select site::varchar as site, written::varchar as written,"
        f" value::varchar::{column.physical_type} as value from readings"
    )


def _join_readings(
    con: duckdb.DuckDBPyConnection,
    columns: list[Column],
    read: list[Column],
    profile: Profile,
    file_sha256: str,
) -> None:
    """Make `staged_lines`: the value of every column, beside it its text, and the label of the item class."""
    values = {column.name: f"raw_{column.name}" for column in columns}
    values |= {column.name: f"read_{column.name}.value" for column in read}
    values |= {name: f"resolved_names.{name}" for name in ("client", "site")}
    joins = [f"left join read_{column.name} on {_same_text(column)}" for column in read]
    con.execute(
        "create or replace table read_lines as select row, nearest as nearest_sites,"
        f" {', '.join(f'{value} as {name}' for name, value in values.items())},"
        f" {', '.join(f'raw_{column.name}' for column in columns)}"
        f" from raw_lines {' '.join(joins)} left join resolved_names using (raw_client, raw_site)"
    )
    con.execute(
        "create or replace table staged_lines as select *, $sha as file_sha256, $source as source,"
        f" {ITEM_CLASS_SQL} as item_class from read_lines",
        {"sha": file_sha256, "source": profile.source},
    )
    con.execute("drop table read_lines")
    con.execute("drop table raw_lines")


def _same_text(column: Column) -> str:
    read, raw = f"read_{column.name}", f"raw_{column.name}"
    by_site = f" and ({read}.site is null or {read}.site = raw_site)" if column.kind == "date" else ""
    return f"{read}.written = {raw}{by_site}"
