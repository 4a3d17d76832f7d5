"""Turns raw cells into canonical lines: each column's distinct texts are read once, then joined back.

What was looked at and where, `READ_OF_GROUP`, comes in few wordings however long the log, so each wording is read once
as a whole. Leaves `staged_lines`, every column of the `inspection_line` contract and beside it `raw_<column>`, the text
of the file it was read from, where that is not the value itself; `line_rows`, the records that each line is made of; and
`staged_reasons`, the removal criteria of each line.
"""

from collections.abc import Sequence

import duckdb
import pandas as pd

from pipelines.contracts import Column, gear_families, load_contract
from pipelines.intake.names import stage_names
from pipelines.intake.reasons import stage_reasons
from pipelines.intake.values import day_readings, folded, named_load_t, possible_days, readings
from pipelines.shipped import statement
from pipelines.sources.profiles import DERIVED, OWN_COUNT, Profile
from pipelines.store.file import GROUP_COLUMNS

# One label for one item class, wherever it is written: lines and stock must agree to the letter.
# The label of some families ends with what they are, others are named by their kind alone.
_ENDINGS = "".join(
    f" when '{family.name}' then ' {family.label_ends_with}'"
    for family in gear_families().values()
    if family.label_ends_with
)
ITEM_CLASS_SQL = (
    f"concat_ws(', ', body || case gear_family{_ENDINGS} else '' end, pin,"
    " format('{:g} mm', nominal_size_mm),"
    " format('{:.2f} t', rated_load_t), grade)"
)
READ_OF_GROUP = [name for name in GROUP_COLUMNS if name not in DERIVED]
DERIVED_LABEL = "item_class"
NO_CELL = "null::varchar"
TEXTS_IN_RULES = ("serial", "disposition")


def stage_lines(
    con: duckdb.DuckDBPyConnection, header: list[str], profile: Profile, file_sha256: str
) -> None:
    """Make `staged_lines`, `line_rows` and `staged_reasons` from `raw_rows`, as the profile reads them.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database, with `raw_rows` (row, c1, c2, ...) and the store attached as `store`.
    header : list of str
        Names of the columns c1, c2, ...
    profile : Profile
        How the exporter names, dates and measures things.
    file_sha256 : str
        Fingerprint of the file, which each line is to know.
    """
    cells = {name: f"c{position}" for position, name in enumerate(header, start=1)}
    columns = [column for column in load_contract("inspection_line").columns if column.name not in DERIVED]
    _give(con, profile, file_sha256)
    con.execute(
        "create or replace view raw_lines as select row, "
        + ", ".join(f"{_cell_of(column.name, cells, profile)} as cell_{column.name}" for column in columns)
        + " from raw_rows"
    )
    of_group = [column for column in columns if column.name in READ_OF_GROUP]
    of_line = [column for column in columns if column.name not in READ_OF_GROUP]
    read = [
        column
        for column in columns
        if (column.kind != "string" or column.allowed)
        and (column in of_group or _is_told(column.name, profile))
    ]
    _make_raw_groups(con, of_group, profile)
    for column in read:
        stage = _stage_days if column.kind == "date" else _stage_readings
        stage(con, column, profile)
    stage_names(con)
    _make_groups(con, of_group, read)
    _make_row_lines(con, of_line, [column for column in read if column in of_line], profile)
    _make_read_lines(con, profile)
    _make_staged_lines(con, of_line, [column for column in read if column in of_line], profile)
    _settle_serials(con)
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


def _cell_of(name: str, cells: dict[str, str], profile: Profile) -> str:
    """Return the SQL of the cell that one contract column is read from, as the file has it; null where it has none."""
    if name in profile.columns:
        return cells[profile.columns[name]]
    if name in profile.fixed:
        return NO_CELL
    if profile.result and name == "disposition":
        return cells[profile.result.column]
    return cells[profile.count_headers[name]] if name in profile.count_headers else NO_CELL


def _is_told(name: str, profile: Profile) -> bool:
    """Return whether the log tells anything of one contract column; if not, it is empty all through."""
    has_result = bool(profile.result) and name == "disposition"
    return has_result or name in {
        *profile.columns,
        *profile.fixed,
        *profile.blank_is_zero,
        *profile.count_headers,
    }


def _text_of(name: str, cell: str, profile: Profile) -> str:
    """Return the SQL for the text of one contract column: its cell without spaces around it, a fixed value, or nothing."""
    text = f"nullif({trimmed(cell)}, '')"
    if name not in profile.columns:
        if name in profile.fixed:
            text = f"given.fixed_{name}"
        elif profile.result and name == "disposition":
            text = f"case when list_contains(given.put_back, lower(trim({cell}))) then trim({cell}) end"
    return f"coalesce({text}, '0')" if name in profile.blank_is_zero else text


def trimmed(cell: str) -> str:
    """Return the SQL of a cell without spaces around it, of any alphabet: what `trim` gives.

    `trim` looks at every letter. Most cells are plain letters with no space at either end, and that is seen at a glance.
    """
    is_to_trim = f"prefix({cell}, ' ') or suffix({cell}, ' ') or strlen({cell}) <> length({cell})"
    return f"case when {is_to_trim} then trim({cell}) else {cell} end"


def _make_raw_groups(con: duckdb.DuckDBPyConnection, columns: list[Column], profile: Profile) -> None:
    """Make `raw_groups`, one row: the cells of what was looked at and where, and their texts; few trims of few cells."""
    cells = ", ".join(f"cell_{column.name}" for column in columns)
    texts = [
        f"{_text_of(column.name, f'cell_{column.name}', profile)} as raw_{column.name}" for column in columns
    ]
    con.execute(
        "create sequence if not exists group_ids"
    )  # groups of several files may be written in one load
    con.execute(
        f"create or replace table raw_groups as select nextval('group_ids') as group_id, {cells}, {', '.join(texts)}"
        f" from (select distinct {cells} from raw_lines) cross join given"
    )


def _stage_readings(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>`: each distinct cell of the file, its text, and the value it stands for, null where unreadable."""
    source = "raw_groups" if column.name in READ_OF_GROUP else "raw_lines"
    texts = _stage_texts(con, column, profile, f"(select distinct null as place, cell_{column.name} as cell from {source})")  # fmt: skip
    read = readings(column, sorted({text for _, text in texts}), profile)
    _keep_readings(con, column, [(None, text, value) for text, value in read.items()])


def _stage_days(con: duckdb.DuckDBPyConnection, column: Column, profile: Profile) -> None:
    """Make `read_<column>` for a column of days, by place where the profile leaves the order of day and month open.

    Makes `open_days` as well: texts that could not be read since they may stand for several days.
    """
    place = _text_of("site", "cell_site", profile) if _is_by_place(profile) else "null"
    texts = _stage_texts(
        con,
        column,
        profile,
        f"(select distinct {place} as place, cell_{column.name} as cell from raw_lines cross join given)",
    )
    read = day_readings(texts, profile.dates)
    _keep_readings(con, column, read)
    unread = {text for _, text, day in read if day is None}
    several = [(text, days) for text in unread if len(days := possible_days(text, profile.dates)) > 1]
    con.execute("create or replace table open_days (open_day varchar, possible date[])")
    if several:
        con.executemany("insert into open_days values (?, ?)", several)


def _is_by_place(profile: Profile) -> bool:
    return len(profile.dates) > 1


def _stage_texts(
    con: duckdb.DuckDBPyConnection, column: Column, profile: Profile, distinct_cells: str
) -> list[tuple[str | None, str]]:
    """Make `texts_read` (place, cell, raw) of the distinct cells of a column; return the texts that are not empty."""
    con.execute(
        "create or replace table texts_read as"
        f" select place::varchar as place, cell, {_text_of(column.name, 'cell', profile)} as raw"
        f" from {distinct_cells} cross join given"
    )
    return con.execute(
        "select distinct place, raw from texts_read where raw is not null order by place, raw"
    ).fetchall()


def _keep_readings(
    con: duckdb.DuckDBPyConnection, column: Column, found: Sequence[tuple[str | None, str, object]]
) -> None:
    # Values travel as text, so that the type is the contract's and not a guess from the first rows.
    rows = [(place, text, None if value is None else str(value)) for place, text, value in found]
    con.register("readings", pd.DataFrame(rows, columns=["place", "written", "value"], dtype="object"))
    con.execute(
        f"create or replace table read_{column.name} as"
        f" select texts_read.*, readings.value::varchar::{column.physical_type} as value"
        " from texts_read left join readings"
        " on readings.written::varchar = raw and readings.place::varchar is not distinct from texts_read.place"
    )


def _make_groups(con: duckdb.DuckDBPyConnection, columns: list[Column], read: list[Column]) -> None:
    """Make `groups`, one row: a wording of what was looked at and where, with what it stands for."""
    values = {
        column.name: f"read_{column.name}.value" if column in read else f"resolved_names.{column.name}"
        for column in columns
    }
    joins = [
        f"left join read_{column.name} on {_same_cell(column.name)}" for column in columns if column in read
    ]
    con.execute(
        "create or replace table groups as select raw_groups.*, nearest as nearest_sites,"
        f" {', '.join(f'{value} as {name}' for name, value in values.items())}, null::varchar as item_class"
        f" from raw_groups {' '.join(joins)} left join resolved_names using (raw_client, raw_site)"
    )
    label_item_classes(con, "groups")


def label_item_classes(con: duckdb.DuckDBPyConnection, table: str) -> None:
    """Fill in `item_class` in a table, and settle its rated loads: those of one named size are one load."""
    marked = con.execute(
        f"select distinct rated_load_t, gear_family, body, nominal_size_mm from {table} where rated_load_t is not null"
    ).fetchall()
    settled = [(*kind, named) for kind in marked if (named := named_load_t(*kind)) != kind[0]]
    for load, family, body, size, named in settled:
        con.execute(
            f"update {table} set rated_load_t = $named where rated_load_t = $load and gear_family = $family"
            " and body is not distinct from $body and nominal_size_mm = $size",
            {"named": named, "load": load, "family": family, "body": body, "size": size},
        )
    con.execute(f"update {table} set {DERIVED_LABEL} = {ITEM_CLASS_SQL}")


def _make_row_lines(
    con: duckdb.DuckDBPyConnection, columns: list[Column], read: list[Column], profile: Profile
) -> None:
    """Make `row_lines`, one row: a record with the value of every column, beside it its text."""
    values = {
        column.name: f"read_{column.name}.value"
        if column in read
        else _text_of(column.name, f"cell_{column.name}", profile)
        if _is_told(column.name, profile)
        else f"null::{column.physical_type}"
        for column in columns
    }
    if profile.serial_prefix:
        values["serial"] = f"coalesce(groups.site, groups.raw_site) || ' ' || ({values['serial']})"
    texts = {
        column.name: f"read_{column.name}.raw" if column in read else f"{values[column.name]}::varchar"
        for column in columns
    }
    same_group = [
        f"raw_lines.cell_{name} is not distinct from groups.cell_{name}"
        for name in READ_OF_GROUP
        if name in profile.columns
    ]
    joins = [
        f"left join read_{column.name} on {_same_cell(column.name)}"
        + (
            f" and read_{column.name}.place is not distinct from groups.raw_site"
            if column.kind == "date" and _is_by_place(profile)
            else ""
        )
        for column in read
    ]
    con.execute(
        f"create or replace view row_lines as select row, groups.* exclude ({', '.join(f'cell_{name}' for name in READ_OF_GROUP)}),"
        f" {', '.join(f'{value} as {name}' for name, value in values.items())},"
        f" {', '.join(f'{text} as raw_{name}' for name, text in texts.items())}"
        f" from raw_lines join groups on {' and '.join(same_group) or 'true'} {' '.join(joins)} cross join given"
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


def _make_staged_lines(
    con: duckdb.DuckDBPyConnection, columns: list[Column], read: list[Column], profile: Profile
) -> None:
    """Make `staged_lines`: the columns of each line's own, `counted_lines`, beside those of its group.

    What the log does not tell is not kept in memory for each line, where a null takes as much as a value.
    """
    told = [column.name for column in columns if _is_told(column.name, profile)]
    kept = [*told, *(f"raw_{column.name}" for column in read)]
    con.execute(
        f"create or replace table told_lines as select row, group_id, {', '.join(kept)} from read_lines"
    )
    untold = {column.name: column.physical_type for column in columns if column.name not in told}
    untold |= {f"raw_{name}": "varchar" for name in untold}
    own = [
        *kept,
        *(f"null::{kind} as {name}" for name, kind in untold.items()),
        *(f"{name} as raw_{name}" for name in TEXTS_IN_RULES if name in told),
    ]
    con.execute(
        f"create or replace view counted_lines as select row, group_id, {', '.join(own)} from told_lines"
    )
    con.execute(
        "create or replace view staged_lines as"
        " select counted_lines.*, groups.* exclude (group_id), given.file_sha256, given.source"
        " from counted_lines join groups using (group_id) cross join given"
    )


def _settle_serials(con: duckdb.DuckDBPyConnection) -> None:
    """Write each serial number as it was written first, here or in the store, where only capitals differ."""
    con.execute(statement("pipelines.intake", "serials.sql"))
    if con.execute("select 1 from serial_spellings limit 1").fetchall():
        con.execute(
            "update told_lines as line set serial = first_serial from serial_spellings as known, groups"
            " where groups.group_id = line.group_id and known.client = groups.client"
            " and known.lower_serial = lower(line.serial) and known.first_serial <> line.serial"
        )


def _same_cell(name: str) -> str:
    return f"read_{name}.cell is not distinct from cell_{name}"
