"""Turns raw cells into canonical lines: each column's distinct texts are read once, then joined back.

What was looked at and where, `GROUP_COLUMNS`, comes in few wordings however long the log, so each wording is read once
as a whole. Leaves `staged_lines`, what rules look at: the columns of the `inspection_line` contract that they ask for,
each beside `raw_<column>`, the text of the file it was read from; `read_lines`, which has every column; `line_rows`,
the records that each line is made of; and `staged_reasons`, the removal criteria of each line.
"""

from collections.abc import Sequence

import duckdb
import pandas as pd

from pipelines.contracts import Column, load_contract
from pipelines.faults import DataFault
from pipelines.intake.names import stage_names
from pipelines.intake.reasons import stage_reasons
from pipelines.intake.values import day_readings, folded, readings
from pipelines.shipped import statement
from pipelines.sources.profiles import COUNTED_BY_RESULT, DERIVED, OWN_COUNT, Profile

# One label for one item class, wherever it is written: lines and stock must agree to the letter.
ITEM_CLASS_SQL = (
    "concat_ws(', ', body || ' ' || gear_family, pin, format('{:g} mm', nominal_size_mm),"
    " format('{:.2f} t', rated_load_t), grade)"
)
GROUP_COLUMNS = (
    "client", "site", "environment", "gear_family", "body", "pin", "nominal_size_mm", "rated_load_t", "grade",
    "inspection_type",
)  # fmt: skip
TEXTS_IN_RULES = ("serial", "disposition")


def stage_lines(
    con: duckdb.DuckDBPyConnection, header: list[str], profile: Profile, file_sha256: str
) -> None:
    """Make `staged_lines`, `read_lines`, `line_rows` and `staged_reasons` from `raw_rows`, as `profile` reads them."""
    if len(set(header)) < len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise DataFault(f'The column "{twice}" stands twice in the header. Rename one of them in the export.')
    cells = {name: f"c{position}" for position, name in enumerate(header, start=1)}
    columns = [column for column in load_contract("inspection_line").columns if column.name not in DERIVED]
    _give(con, profile, file_sha256)
    texts = {column.name: _text_of(column.name, cells, profile) for column in columns}
    con.execute(
        "create or replace view raw_lines as select row, "
        + ", ".join(f"{text} as raw_{name}" for name, text in texts.items())
        + " from raw_rows cross join given"
    )
    raw_group = ", ".join(f"raw_{name}" for name in GROUP_COLUMNS)
    con.execute(
        f"create or replace table raw_groups as select row_number() over () as group_id, {raw_group}"
        f" from (select distinct {raw_group} from raw_lines)"
    )
    read = [column for column in columns if column.kind != "string" or column.allowed]
    for column in read:
        stage = _stage_days if column.kind == "date" else _stage_readings
        stage(con, column, profile)
    stage_names(con)
    of_group = [column for column in columns if column.name in GROUP_COLUMNS]
    _make_groups(con, of_group, read)
    of_line = [column for column in columns if column.name not in GROUP_COLUMNS]
    _make_row_lines(con, of_line, [column for column in read if column in of_line], profile)
    _make_read_lines(con, profile)
    _make_staged_lines(con, [column for column in read if column in of_line])
    stage_reasons(con, cells, profile)


def _give(con: duckdb.DuckDBPyConnection, profile: Profile, file_sha256: str) -> None:
    """Make `given`, one row: what is the same for every record of the file."""
    given: dict[str, object] = {"file_sha256": file_sha256, "source": profile.source}
    given |= {f"fixed_{name}": value for name, value in profile.fixed.items()}
    if profile.result:
        given["put_back"] = [folded(word) for word in profile.result.put_back]
    kinds = {name: "varchar[]" if name == "put_back" else "varchar" for name in given}
    con.execute(
        "create or replace table given as select"
        f" {', '.join(f'${name}::{kind} as {name}' for name, kind in kinds.items())}",
        given,
    )


def _text_of(name: str, cells: dict[str, str], profile: Profile) -> str:
    """Return the SQL for the text of one contract column: a cell, a fixed value, or nothing."""
    if name in profile.columns:
        text = f"nullif(trim({cells[profile.columns[name]]}), '')"
    elif name in profile.fixed:
        text = f"given.fixed_{name}"
    elif profile.result and name in COUNTED_BY_RESULT:
        text = f"nullif(trim({cells[profile.result.column]}), '')"
    elif profile.result and name == "disposition":
        cell = f"trim({cells[profile.result.column]})"
        text = f"case when list_contains(given.put_back, lower({cell})) then {cell} end"
    else:
        text = "null::varchar"
    return f"coalesce({text}, '0')" if name in profile.blank_is_zero else text


def _stage_readings(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>`: each distinct text of the file and the value it stands for, null where unreadable."""
    raw = f"raw_{column.name}"
    texts = "raw_groups" if column.name in GROUP_COLUMNS else "raw_lines"
    found = con.execute(f"select distinct {raw} from {texts} where {raw} is not null order by 1").fetchall()
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


def _make_groups(con: duckdb.DuckDBPyConnection, columns: list[Column], read: list[Column]) -> None:
    """Make `groups`, one row: a wording of what was looked at and where, with what it stands for."""
    values = {
        column.name: f"read_{column.name}.value" if column in read else f"resolved_names.{column.name}"
        for column in columns
    }
    joins = [f"left join read_{column.name} on {_same_text(column)}" for column in columns if column in read]
    con.execute(
        f"create or replace table groups as select *, {ITEM_CLASS_SQL} as item_class from ("
        f" select raw_groups.*, nearest as nearest_sites, {', '.join(f'{value} as {name}' for name, value in values.items())}"
        f" from raw_groups {' '.join(joins)} left join resolved_names using (raw_client, raw_site))"
    )


def _make_row_lines(
    con: duckdb.DuckDBPyConnection, columns: list[Column], read: list[Column], profile: Profile
) -> None:
    """Make `row_lines`, one row: a record with the value of every column, beside it its text."""
    values = {
        column.name: f"read_{column.name}.value" if column in read else f"raw_{column.name}"
        for column in columns
    }
    same_group = [
        f"raw_lines.raw_{name} is not distinct from groups.raw_{name}"
        for name in GROUP_COLUMNS
        if name in profile.columns
    ]
    joins = [f"left join read_{column.name} on {_same_text(column)}" for column in read]
    con.execute(
        "create or replace view row_lines as select row, groups.*,"
        f" {', '.join(f'{value} as {name}' for name, value in values.items())},"
        f" {', '.join(f'raw_{column.name}' for column in columns)}"
        f" from raw_lines join groups on {' and '.join(same_group) or 'true'} {' '.join(joins)}"
    )


def _make_read_lines(con: duckdb.DuckDBPyConnection, profile: Profile) -> None:
    """Make `read_lines`, one row: a line of one record, or of several where each stands for one reason of a look."""
    con.execute("drop view if exists line_rows")
    con.execute("drop table if exists line_rows")
    if profile.reasons.row_per_reason:
        own_count = profile.reasons.row_per_reason == OWN_COUNT
        con.execute(statement("pipelines.intake", "gather_rows.sql"), {"own_count": own_count})
        con.execute("create or replace view read_lines as select * from gathered_lines")
    else:
        con.execute("create or replace view read_lines as select * from row_lines")
        con.execute("create view line_rows as select row, row as line_row from raw_rows")


def _make_staged_lines(con: duckdb.DuckDBPyConnection, read: list[Column]) -> None:
    names = [*(column.name for column in read), *TEXTS_IN_RULES]
    con.execute(
        "create or replace table counted_lines as select row, group_id,"
        f" {', '.join(f'{name}, raw_{name}' for name in names)} from read_lines"
    )
    con.execute(
        "create or replace view staged_lines as select * from counted_lines join groups using (group_id)"
    )


def _same_text(column: Column) -> str:
    read, raw = f"read_{column.name}", f"raw_{column.name}"
    by_site = (
        f" and ({read}.site is null or {read}.site = raw_lines.raw_site)" if column.kind == "date" else ""
    )
    return f"{read}.written = {raw}{by_site}"
