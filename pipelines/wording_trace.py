"""What is said of the log lines behind a figure."""

from collections.abc import Mapping, Sequence

import pandas as pd

from pipelines.terminal import text_table


def trace_lines_of_text(lines: pd.DataFrame, where: Mapping[str, str]) -> list[str]:
    """Return traced lines as a table for a terminal, without what was asked for and what is empty in all of them."""
    kept = [
        name
        for name in lines.columns
        if lines[name].notna().any() and not (name in where and (lines[name] == where[name]).all())
    ]
    return text_table(kept, [[_cell(value) for value in row] for row in lines[kept].itertuples(index=False)])


def _cell(value: object) -> object:
    if pd.isna(value):  # type: ignore[call-overload]
        return None
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return f"{value:.0f}" if isinstance(value, float) else value


def trace_remarks(
    lines: pd.DataFrame, remark: str, unread: Mapping[str, int], without_cells: Sequence[str]
) -> list[str]:
    """Return what a reader of traced lines should know, in sentences.

    Parameters
    ----------
    lines : DataFrame
        The lines, as `trace_lines` returns them.
    remark : str
        What else the figures rest on; '' where the lines are all.
    unread : mapping of int
        Rows in quarantine that could not be read again, by the source profile they were read with.
    without_cells : sequence of str
        Files whose lines are shown without the cells of the file.
    """
    current = lines[lines["standing"] == "current"]
    others = [
        f"{number:,} {words}"
        for words, number in (
            ("superseded", (lines["standing"] == "superseded").sum()),
            ("in quarantine", lines["standing"].str.startswith("in quarantine").sum()),
        )
        if number
    ]
    counts = current[current["counts_in"].str.startswith("counts")]
    said = [
        f"{len(current):,} current line{'' if len(current) == 1 else 's'}{''.join(f', {other}' for other in others)}."
    ]
    if len(counts):
        said.append(
            f"In the counts: {len(counts):,} of them, {counts['quantity'].sum():,.0f} looked at,"
            f" {counts['removed'].sum():,.0f} removed."
        )
    if current["removed_at_risk"].notna().any():
        removals = current["removed_at_risk"].sum()
        said.append(f"In the rate: {removals:,.0f} removal{'' if removals == 1 else 's'}.")
    said += [remark] if remark else []
    said += [
        f'Rows in quarantine that were read with the source profile "{source}", which is not at hand: {number:,}. Give it'
        " with --source to see which of them belong here."
        for source, number in unread.items()
    ]
    if without_cells:
        said.append(
            f"For the cells as exported give the files again: {' '.join(f'--file {file}' for file in without_cells)}"
        )
    return said
