"""Takes in a workbook of corrected rows: those that keep every rule now become lines, the others stay in quarantine."""

from collections.abc import Sequence
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.contracts.checking import RuleResult
from pipelines.faults import DataFault
from pipelines.intake.corrections import CorrectedRows, read_corrections
from pipelines.intake.marks import sort_out_marked
from pipelines.intake.pseudonyms import take_names_out, without_notes
from pipelines.intake.staging import stage_lines
from pipelines.intake.verdict import decide
from pipelines.shipped import statement
from pipelines.sources import Profile

CORRECTED_BEFORE = "corrected before"
# What the store takes in of one file, and whether the check leaves it as a table; else it is a view.
_STAGED = {
    "accepted_lines": False,
    "accepted_counts": False,
    "accepted_groups": False,
    "accepted_reasons": False,
    "gathered_rows": False,
    "quarantined_rows": True,
    "flagged_rows": True,
    "set_aside_rows": True,
    "phrase_readings": True,
    "added_sites": True,
}


def stage_corrections(
    con: duckdb.DuckDBPyConnection, path: Path, profiles: list[Profile], add_sites: bool, key: str = ""
) -> tuple[int, list[str], list[RuleResult]]:
    """Check the rows of a workbook of corrections; leave in `con` what the check of a file leaves, for all of them.

    Rows are held against the rules under the file and record number they had, together with the others of their file.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database, with the store attached as `store`.
    path : Path
        The workbook.
    profiles : list of Profile
        Among them those that the rows' files were read with; of two of one source the later one counts.
    add_sites : bool
        Whether a site that the register does not know is added to it.
    key : str
        Key of the pseudonyms by which inspectors go; '' to leave names in.

    Returns
    -------
    rows_read : int
        Rows of the workbook [rows].
    sources : list of str
        Names of their source profiles.
    results : list of RuleResult
        Results of the rules, file by file.

    Raises
    ------
    DataFault
        The workbook has no row, one is not of this store's quarantine, or nobody gives the profile that its file was
        read with.
    """
    known = {profile.source: profile for profile in profiles}
    results: list[RuleResult] = []
    corrected = read_corrections(path)
    if not corrected:
        raise DataFault(f"{path.name} holds no quarantined row any more. Export the quarantine again.")
    for number, rows in enumerate(corrected):
        if rows.profile not in known:
            raise DataFault(
                f'{path.name}: its rows were read with the source profile "{rows.profile}". Give it with --source.'
            )
        _take_rows(con, path, rows)
        profile = known[rows.profile]
        if key:
            take_names_out(con, rows.header, profile, key)
            profile = without_notes(profile)
        stage_lines(con, rows.header, profile, rows.fingerprint)
        results += decide(
            con,
            rows.header,
            profile,
            rows.fingerprint,
            has_register=True,
            add_sites=add_sites,
            is_whole=False,
        )
        if profile.reasons.row_per_reason:
            con.execute(statement("pipelines.intake", "looks_loaded.sql"))
        _set_by(con, is_first=number == 0)
    for name, is_table in _STAGED.items():
        # Rows of two files may add one site.
        what = "distinct *" if name == "added_sites" else "*"
        con.execute(
            f"create or replace {'table' if is_table else 'view'} {name} as select {what} from all_{name}"
        )
    return sum(len(rows.cells) for rows in corrected), sorted({rows.profile for rows in corrected}), results


def _take_rows(con: duckdb.DuckDBPyConnection, path: Path, rows: CorrectedRows) -> None:
    """Make `raw_rows`, `refused_rows` and `set_aside_rows` of the rows of one file, as the readers of files do."""
    standing = dict(
        con.execute(
            "select row, corrected_by is not null from store.quarantine where file_sha256 = $sha",
            {"sha": rows.fingerprint},
        ).fetchall()
    )
    unknown = sorted(set(rows.cells) - set(standing))
    if unknown:
        raise DataFault(
            f"{path.name}: record {unknown[0]} of the file with the fingerprint {rows.fingerprint[:8]} is not in the"
            " quarantine of this store. Export the quarantine of this store again and correct that."
        )
    columns = [f"c{place}" for place in range(1, len(rows.header) + 1)]
    stage_cells(
        con,
        "cells",
        ["row", *columns, "mark"],
        [(row, *cells, CORRECTED_BEFORE if standing[row] else None) for row, cells in rows.cells.items()],
    )
    con.execute("create or replace view numbered_cells as select rowid as cell_row, * from cells")
    con.execute("create or replace table refused_rows (row bigint, detail varchar, raw varchar)")
    sort_out_marked(con, rows.header, set_aside=[CORRECTED_BEFORE])


def stage_cells(
    con: duckdb.DuckDBPyConnection, name: str, columns: list[str], rows: Sequence[tuple[object, ...]]
) -> None:
    """Make a table of cells as the readers of files do: the record number first, all else text or null.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database.
    name : str
        Name of the table; one of that name is replaced.
    columns : list of str
        Names of its columns, that of the record number first.
    rows : sequence of tuple
        One value for each column; None for an empty cell.
    """
    con.register("given_cells", pd.DataFrame(rows, columns=columns, dtype="object"))
    texts = ", ".join(f"{column}::varchar as {column}" for column in columns[1:])
    con.execute(
        f"create or replace table {name} as select {columns[0]}::bigint as {columns[0]}, {texts} from given_cells"
    )
    con.unregister("given_cells")


def _set_by(con: duckdb.DuckDBPyConnection, is_first: bool) -> None:
    """Add what the check of one file left to what it left of those before."""
    for name in _STAGED:
        what = f"create or replace table all_{name} as" if is_first else f"insert into all_{name} by name"
        con.execute(f"{what} select * from {name}")


def still_wrong(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the rows that stay in quarantine, each with its file, its record number and what is wrong with it now."""
    return [
        f"{file}, row {row}: {detail}"
        for file, row, detail in con.execute(
            "select kept.file, found.row, found.detail from quarantined_rows as found"
            " join store.quarantine as kept using (file_sha256, row) order by all"
        ).fetchall()
    ]
