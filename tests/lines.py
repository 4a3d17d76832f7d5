"""Puts lines that a test has made up into a store, as loading puts those of a file there."""

import duckdb
import pandas as pd

from pipelines.contracts import usual_family
from pipelines.store.file import GROUP_COLUMNS


def append_lines(con: duckdb.DuckDBPyConnection, lines: pd.DataFrame) -> None:
    """Add lines, which need not have every column of the contract, to the store that `con` uses."""
    given = lines["gear_family"] if "gear_family" in lines else pd.Series(None, lines.index, dtype="object")
    lines = lines.assign(gear_family=given.fillna(usual_family().name))
    columns = [name for name in GROUP_COLUMNS if name in lines]
    groups = lines[columns].drop_duplicates().reset_index(drop=True)
    (earlier,) = con.execute("select coalesce(max(group_id), 0) from line_groups").fetchall()[0]
    groups["group_id"] = groups.index + 1 + earlier
    con.append("line_groups", groups, by_name=True)
    own = lines.merge(groups, on=columns).drop(columns=columns)
    con.append("counted_lines", own, by_name=True)
