"""What became of the rows of each loaded file, told without a word about other clients where one is asked for."""

import duckdb
import pandas as pd

from pipelines.contracts import plain_words
from pipelines.intake.verdict import UNREADABLE_ROW
from pipelines.packs.rows_of_others import files_with_rows_of_others
from pipelines.shipped import statement

ROW_COUNTS = [
    "rows_read",
    "rows_accepted",
    "rows_quarantined",
    "rows_set_aside",
    "rows_corrected",
    "rows_flagged",
    "rows_superseded",
]
LEFT_OUT = "left out of a report for one client; ask whoever keeps the records"


def loaded_files(con: duckdb.DuckDBPyConnection, client: str, site: str) -> pd.DataFrame:
    """Return one row for each loaded file with lines of a client and site.

    A file that holds lines of other clients as well, or a quarantined row that may be another's, loses its name and its
    counts of rows when one client is asked for: the name may be another's, and nobody can say whose a quarantined row was.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    client, site : str
        Files with lines of this client or site only; '' for all.

    Returns
    -------
    DataFrame
        `is_hidden` tells the files that have lost their names.
    """
    place = {"client": client, "site": site}
    files = con.execute(statement("pipelines.packs", "intake_account.sql"), place).df()
    files = files.astype(dict.fromkeys(ROW_COUNTS, "Int64"))
    others = files_with_rows_of_others(con, client) if client else set()
    hidden = (files["is_shared"] & (client != "")) | files["file_sha256"].isin(others)
    files.loc[hidden, "file"] = "a shared file, fingerprint " + files["file_sha256"].str[:8]
    files.loc[hidden, "source"] = None
    files.loc[hidden, ROW_COUNTS] = pd.NA
    return files.assign(is_hidden=hidden).drop(columns="is_shared")


def rules_run(con: duckdb.DuckDBPyConnection, files: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each contract rule: what it says, what a breach leads to, and how many rows break it."""
    results = con.execute(
        "select load_id, position, rule, description, severity, rows_failing from rule_results"
    ).df()
    rules = (
        _of_files(results, files)
        .groupby(["rule", "description", "severity"], as_index=False, sort=False)
        .agg(position=("position", "min"), rows_failing=("rows_failing", "sum"))
    )
    rules["description"] = [plain_words(words) for words in rules["description"]]
    return rules.sort_values("position", ignore_index=True).drop(columns="position")


def quarantined_rows(con: duckdb.DuckDBPyConnection, files: pd.DataFrame, client: str) -> pd.DataFrame:
    """Return the uncorrected rows of the files that are in quarantine, with their first broken rule in words.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    files : DataFrame
        The files, as `loaded_files` gives them; of hidden ones no row is returned.
    client : str
        Who reads the report. For one client the cells of a row are left out, both as they were and as the detail quotes
        them: a row may be refused for naming a client that is none of this one's business. '' for all clients.
    """
    rows = con.execute(
        "select file, file_sha256, row, rule, detail, raw from quarantine where corrected_by is null order by file, row"
    ).df()
    rows = _of_files(rows, files, "file_sha256")
    described = dict(con.execute("select rule, description from rule_results").fetchall())
    described |= [UNREADABLE_ROW]
    rows["description"] = [plain_words(described.get(rule, rule)) for rule in rows["rule"]]
    if client:
        rows = rows.assign(detail=LEFT_OUT).drop(columns="raw")
    return rows


def set_aside_rows(con: duckdb.DuckDBPyConnection, files: pd.DataFrame, client: str) -> pd.DataFrame:
    """Return the records of the files that are no part of a log: file, row, kind, raw.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    files : DataFrame
        The files, as `loaded_files` gives them; of hidden ones no record is returned.
    client : str
        Who reads the report; for one client `raw` is left out. '' for all clients.
    """
    rows = con.execute(
        "select file, load_id, row, kind, raw from set_aside_rows join loads using (load_id) order by load_id, row"
    ).df()
    rows = _of_files(rows, files)
    return rows.drop(columns="raw") if client else rows


def phrases_read(con: duckdb.DuckDBPyConnection, files: pd.DataFrame) -> pd.DataFrame:
    """Return the reasons that no profile of the files knows, and what each was taken for; the most frequent first."""
    phrases = con.execute(
        "select file, load_id, phrase, criterion, likeness, lines from phrase_readings join loads using (load_id)"
        " order by lines desc, file, phrase"
    ).df()
    return _of_files(phrases, files)


def count_jumps(con: duckdb.DuckDBPyConnection, client: str, site: str) -> pd.DataFrame:
    """Return the sites whose count in a file was far from that of their earlier looks.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store; it is only read.
    client, site : str
        Keep the rows of this client or site only; '' for all.

    Returns
    -------
    DataFrame
        One row for each file and site: its `looks`, the items they `counted`, and those `usual` before [items].
    """
    return con.execute(
        "select loaded_at::date as loaded_at, client, site, looks, counted, usual"
        " from count_jumps join loads using (load_id)"
        " where $client in ('', client) and $site in ('', site) order by load_id, client, site",
        {"client": client, "site": site},
    ).df()


def _of_files(rows: pd.DataFrame, files: pd.DataFrame, key: str = "load_id") -> pd.DataFrame:
    """Return the rows of the files that are not hidden, without the column that says which file a row is of."""
    return rows[rows[key].isin(_shown(files)[key])].drop(columns=key).reset_index(drop=True)


def _shown(files: pd.DataFrame) -> pd.DataFrame:
    return files[~files["is_hidden"]]


def quarantined_by_rule(files: pd.DataFrame, quarantined: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each file and rule with rows quarantined, and one without a rule for each other file."""
    counts = quarantined.groupby(["file", "description"]).size().rename("rows_quarantined").reset_index()
    shown = _shown(files)[["file", "rows_read"]].merge(counts, on="file", how="left")
    shown["rows_quarantined"] = shown["rows_quarantined"].fillna(0).astype(int)
    return shown.rename(columns={"description": "rule"})
