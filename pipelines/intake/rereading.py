"""Reads rows again: those in quarantine as far as they can be read, and the cells of accepted ones from their files."""

import json
from collections.abc import Iterable
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.faults import DataFault, RequestFault
from pipelines.intake.corrections import is_correction
from pipelines.intake.files import scratch_database, sha256_of, stand_in_store
from pipelines.intake.marks import WHOLE_RECORD
from pipelines.intake.reading import kind_of, read_rows
from pipelines.intake.recheck import stage_cells
from pipelines.intake.staging import stage_lines
from pipelines.intake.unpacking import unpacked
from pipelines.shipped import statement
from pipelines.sources import Profile

# What readable_lines.sql gives of a row.
READABLE = (
    "file_sha256", "row", "client", "site", "environment", "gear_family", "item_class", "serial", "inspected_on",
    "inspection_type", "quantity", "removed", "replaced", "not_presented", "inspector", "supplier", "disposition", "note", "criteria",
)  # fmt: skip


def quarantined_lines(
    con: duckdb.DuckDBPyConnection, profiles: list[Profile]
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return the rows in quarantine that nobody has corrected, and how many of each source could not be read again.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    profiles : list of Profile
        Where the source of a row has none among them, or one that its cells do not fit any more, it is not read.

    Returns
    -------
    rows : DataFrame
        `READABLE`, `file`, `detail` and `raw`; empty where a cell says nothing that can be read, `criteria` as a list
        of words with semicolons. A site that the register does not know counts as not read.
    unread : dict of int
        Rows by the name of their source.
    """
    kept = con.execute(
        "select kept.file_sha256, kept.file, kept.row, kept.detail, kept.raw, loads.source from quarantine as kept"
        " left join loads using (file_sha256) where kept.corrected_by is null order by kept.file_sha256, kept.row"
    ).fetchall()
    by_file: dict[tuple[str, str], dict[int, tuple[str, str, str]]] = {}
    for fingerprint, file, row, detail, raw, source in kept:
        by_file.setdefault((fingerprint, source), {})[row] = (file, detail, raw)
    known = {profile.source: profile for profile in profiles}
    lines: list[dict[str, object]] = []
    unread: dict[str, int] = {}
    with scratch_database() as (scratch, _):
        stand_in_store(scratch, con)
        for (fingerprint, source), rows in by_file.items():
            cells = {row: json.loads(raw) for row, (_, _, raw) in rows.items()}
            header = list(
                dict.fromkeys(name for each in cells.values() for name in each if name != WHOLE_RECORD)
            )
            profile = known.get(source)
            if not profile or not set(profile.headers) <= set(header):
                unread[source] = unread.get(source, 0) + len(rows)
                continue
            columns = ["row", *(f"c{place}" for place in range(1, len(header) + 1))]
            stage_cells(
                scratch, "raw_rows", columns, [(row, *map(each.get, header)) for row, each in cells.items()]
            )
            stage_lines(scratch, header, profile, fingerprint)
            read = scratch.execute(statement("pipelines.intake", "readable_lines.sql"))
            names = [name for name, *_ in read.description]
            for values in read.fetchall():
                line = dict(zip(names, values, strict=True))
                file, detail, raw = rows[line["row"]]
                lines.append(line | {"file": file, "detail": detail, "raw": raw})
    return pd.DataFrame(lines, columns=[*READABLE, "file", "detail", "raw"], dtype="object"), unread


def cells_of_files(
    con: duckdb.DuckDBPyConnection, paths: Iterable[Path], profiles: list[Profile], wanted: pd.DataFrame
) -> pd.DataFrame:
    """Return the cells of rows as their exported files have them: `file_sha256`, `row` and `raw`, JSON by header.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    paths : iterable of Path
        The files, as they were loaded.
    profiles : list of Profile
        Among them those that the files were loaded with.
    wanted : DataFrame
        `file_sha256` and `row` of the rows to return.

    Raises
    ------
    RequestFault
        A file is not there, or nobody gives the profile it was loaded with.
    DataFault
        A file is not, to the byte, one that was loaded.
    """
    known = {profile.source: profile for profile in profiles}
    parts = [pd.DataFrame(columns=["file_sha256", "row", "raw"])]
    for path in paths:
        kind = kind_of(path)
        fingerprint = sha256_of(path)
        loaded = con.execute(
            "select source from loads where file_sha256 = $sha", {"sha": fingerprint}
        ).fetchall()
        if not loaded:
            raise DataFault(
                f"{path.name} is not, to the byte, a file that was loaded into this store. Give the export as it was loaded."
            )
        ((source,),) = loaded
        if kind == "xlsx" and is_correction(path):
            raise RequestFault(
                f"{path.name} is a workbook of corrected rows. Give the export that the rows came from."
            )
        if source not in known:
            raise RequestFault(
                f'{path.name} was loaded with the source profile "{source}". Give it with --source.'
            )
        form = known[source]
        with scratch_database() as (scratch, folder):
            header = read_rows(
                scratch, unpacked(path, folder), form.file, folder, form.totals, form.free_text_headers
            )
            scratch.register("wanted", wanted.loc[wanted["file_sha256"] == fingerprint, ["row"]])
            pairs = ", ".join(f"$name{place}, c{place}" for place in range(1, len(header) + 1))
            parts.append(
                scratch.execute(
                    f"select $sha as file_sha256, row, json_object({pairs})::varchar as raw"
                    " from raw_rows semi join wanted using (row)",
                    {
                        "sha": fingerprint,
                        **{f"name{place}": name for place, name in enumerate(header, start=1)},
                    },
                ).df()
            )
    return pd.concat(parts, ignore_index=True)
