"""Tells which files hold quarantined rows that may be another client's, by what the rows themselves say.

The store keeps no client of a quarantined row, and not whether a profile gives all rows of a log one client. So a file is taken
for one that names clients where its source has brought lines of several; where a column is headed as logs head clients, holds a
client that the store knows, or is named as the client in what is wrong with a row; or where a row lacks its client. In such a
file every quarantined row has to name the client asked for, and no other.
"""

import json

import duckdb

from pipelines.intake.names import folded_name
from pipelines.intake.verdict import REGISTER_RULE
from pipelines.sources.matching import SURE_HEADER
from pipelines.sources.vocabulary import header_likeness, vocabulary

NO_CLIENT_RULE = "missing_client"
Row = tuple[str, str, dict[str, str | None]]  # rule, detail, cells by header


def files_with_rows_of_others(con: duckdb.DuckDBPyConnection, client: str) -> set[str]:
    """Return the fingerprints of files with an uncorrected quarantined row that cannot be shown to be the client's.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    client : str
        As the site register spells it; only files with lines of this client are looked at.
    """
    known = {
        folded_name(name)
        for (name,) in con.execute(
            "select client from site_register union select client from inspection_lines"
        ).fetchall()
    }
    several = con.execute(
        "select source from inspection_lines group by source having count(distinct client) > 1"
    ).fetchall()
    said = con.execute(
        "select distinct description from rule_results where rule = $rule", {"rule": REGISTER_RULE}
    )
    beginnings = [f"Rule: {description}. The row has " for (description,) in said.fetchall()]
    files: dict[tuple[str, str], list[Row]] = {}
    for sha, source, rule, detail, raw in con.execute(
        "select file_sha256, source, rule, detail, raw from quarantine join loads using (file_sha256)"
        " where corrected_by is null and file_sha256 in (select file_sha256 from inspection_lines where client = $client)",
        {"client": client},
    ).fetchall():
        files.setdefault((sha, source), []).append((rule, detail, json.loads(raw)))
    found = set()
    for (sha, source), rows in files.items():
        headers = _client_headers(rows, known, beginnings)
        names_clients = (source,) in several or headers or any(rule == NO_CLIENT_RULE for rule, *_ in rows)
        if names_clients and any(_named(cells, headers) != {folded_name(client)} for *_, cells in rows):
            found.add(sha)
    return found


def _client_headers(rows: list[Row], known: set[str], beginnings: list[str]) -> set[str]:
    """Return the headers below which rows of one file name a client."""
    names = vocabulary()["headers"]["client"]
    cells = {cell for *_, row in rows for cell in row.items()}
    found = {header for header in dict(cells) if header_likeness(header, names) >= SURE_HEADER}
    found |= {header for header, cell in cells if cell and folded_name(cell) in known}
    for _, detail, row in rows:
        found |= {header for header in row for beginning in beginnings if f"{beginning}{header} = " in detail}
    return found


def _named(cells: dict[str, str | None], headers: set[str]) -> set[str]:
    return {folded_name(cell) for header in headers if (cell := cells.get(header))}
