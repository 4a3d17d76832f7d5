"""Writes one staged file into the attached store: lines, reasons, quarantine and the account, or nothing."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import duckdb

from pipelines.contracts.checking import RuleResult
from pipelines.contracts.documents import Contract, load_contract
from pipelines.store.file import GROUP_COLUMNS, mark_tables_as_old


@dataclass(frozen=True)
class CountJump:
    """A site whose periodic looks count far more or fewer items than the same groups had at an earlier look [items]."""

    client: str
    site: str
    looks: int
    counted: int
    usual: int


@dataclass(frozen=True)
class Account:
    """What became of every row of one file: rows_read = rows_accepted + rows_quarantined + those in rows_set_aside."""

    file: str
    file_sha256: str
    source: str
    rows_read: int
    rows_accepted: int
    rows_flagged: int
    rows_quarantined: int
    rows_superseded: int = 0
    # accepted rows that give a further reason for the look of an earlier row: no lines of their own
    rows_gathered: int = 0
    flagged_by_rule: dict[str, int] = field(default_factory=dict)
    quarantined_by_rule: dict[str, int] = field(default_factory=dict)
    unmatched_phrases: dict[str, int] = field(default_factory=dict)
    likened_phrases: dict[str, str] = field(default_factory=dict)
    added_sites: list[str] = field(default_factory=list)
    lines_missing: int = 0
    count_jumps: list[CountJump] = field(default_factory=list)
    # blank, repeated header, total: no rows of the log; corrected before: a row of a workbook of corrections
    rows_set_aside: dict[str, int] = field(default_factory=dict)
    is_correction: bool = False
    rows_still_wrong: list[str] = field(default_factory=list)  # of a workbook of corrections, with the reason
    is_already_loaded: bool = False
    why_stopped: str = ""  # of a file that was only checked: why intake would take nothing of it


def write_load(
    con: duckdb.DuckDBPyConnection,
    account: Account,
    results: list[RuleResult],
    keys: dict[str, Sequence[str]],
    not_revised: Sequence[str] = (),
) -> Account:
    """Write the staged tables of `con` into the attached `store` in one transaction; return the account completed.

    Reads `accepted_lines`, `accepted_counts`, `accepted_groups`, `accepted_reasons`, `gathered_rows`,
    `quarantined_rows`, `flagged_rows`, `set_aside_rows`, `phrase_readings`, `count_jumps` and `added_sites` of `con`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database, with the store attached as `store`.
    account : Account
        The account of the file, as its check leaves it.
    results : list of RuleResult
        Results of the rules.
    keys : dict of sequence of str
        For each source of the lines, the columns by which a later line revises an earlier one.
    not_revised : sequence of str
        Fingerprints of files whose lines are revised by none of this one, such as those of the same folder.

    Returns
    -------
    Account
        With `rows_superseded`, the lines of earlier exports that this one supersedes, and `lines_missing`, those that
        it should hold and does not [lines]; these stay and are flagged.
    """
    con.begin()
    try:
        load_id = _one(con, "select coalesce(max(load_id), 0) + 1 from store.loads")
        missing = superseded = 0
        if account.is_correction:
            superseded = sum(
                _supersede_by_corrections(con, load_id, *of_source) for of_source in keys.items()
            )
        elif _one(con, "select count(*) from store.loads where source = $source", {"source": account.source}):
            missing = _flag_missing(con, account, keys[account.source], not_revised)
            superseded = _supersede(con, load_id, account, keys[account.source], not_revised)
        account = replace(account, rows_superseded=superseded, lines_missing=missing)
        _write_rows(con, load_id)
        _write_account(con, load_id, account, results)
        if account.is_correction:
            _settle_corrections(con, load_id)
            for source, key in keys.items():
                _stand_behind_later_exports(con, load_id, source, key)
        con.commit()
    except BaseException:
        con.rollback()
        raise
    return account


def _write_rows(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    (earlier,) = con.execute("select coalesce(max(group_id), 0) from store.line_groups").fetchall()[0]
    of_groups = {"earlier": earlier}
    con.execute(
        "insert into store.line_groups by name select * replace ($earlier + group_id as group_id) from accepted_groups",
        of_groups,
    )
    con.execute(
        "insert into store.counted_lines by name"
        " select * replace ($earlier + group_id as group_id), $load_id as load_id from accepted_counts",
        {**of_groups, "load_id": load_id},
    )
    for name, staged in (("removal_reason", "accepted_reasons"), ("quarantine", "quarantined_rows")):
        contract = load_contract(name)
        columns = ", ".join(contract.column_names)
        con.execute(
            f"insert into store.{contract.table} ({columns}) select {columns} from {staged} order by row"
        )
    con.execute(
        "insert into store.line_flags select file_sha256, row, rule, detail from flagged_rows order by row, rule"
    )
    con.execute(
        "insert into store.phrase_readings select $load_id, phrase, criterion, likeness, lines from phrase_readings",
        {"load_id": load_id},
    )
    con.execute(
        "insert into store.set_aside_rows select $load_id, row, kind, raw from set_aside_rows order by row",
        {"load_id": load_id},
    )
    con.execute("insert into store.count_jumps select $load_id, * from count_jumps", {"load_id": load_id})
    con.execute("insert into store.gathered_rows select file_sha256, row, line_row from gathered_rows")
    con.execute("insert into store.site_register by name select * from added_sites")


def _write_account(
    con: duckdb.DuckDBPyConnection, load_id: int, account: Account, results: list[RuleResult]
) -> None:
    counts = [
        account.rows_read,
        account.rows_accepted,
        account.rows_flagged,
        account.rows_quarantined,
        sum(account.rows_set_aside.values()),
        account.rows_superseded,
        account.is_correction,
    ]
    con.execute(
        "insert into store.loads values (?, ?, ?, ?, timezone('UTC', now()), ?, ?, ?, ?, ?, ?, ?)",
        [load_id, account.file, account.file_sha256, account.source, *counts],
    )
    for position, result in enumerate(results):
        rule = result.rule
        con.execute(
            "insert into store.rule_results values (?, ?, ?, ?, ?, ?, ?)",
            [
                load_id,
                position,
                rule.name,
                rule.description,
                rule.severity,
                result.rows_failing,
                result.passed,
            ],
        )


def load_register(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Move the table `staged_register` of `con` into the attached store: rows with a known key are replaced.

    A register that says what the store has already changes nothing, and its tables stay as new as they were.
    """
    columns = ", ".join(contract.column_names)
    key = ", ".join(contract.key)
    news = (
        f"select {columns} from staged_register except select {columns} from store.{contract.table} limit 1"
    )
    if not con.execute(news).fetchall():
        return
    con.begin()
    try:
        con.execute(
            f"delete from store.{contract.table} where ({key}) in (select ({key}) from staged_register)"
        )
        con.execute(
            f"insert into store.{contract.table} ({columns}) select {columns} from staged_register order by {key}"
        )
        mark_tables_as_old(con, "store")
        con.commit()
    except BaseException:
        con.rollback()
        raise


def _same_look(key: Sequence[str], group: str = "earlier") -> str:
    """Return the SQL of whether `earlier` and `later` agree in a key; `group` has the columns of the earlier line's group."""
    owner = {name: group if name in GROUP_COLUMNS else "earlier" for name in key}
    return " and ".join(f"{owner[name]}.{name} is not distinct from later.{name}" for name in key)


def _is_standing(key: Sequence[str]) -> str:
    """Return the SQL of whether a line `earlier` of a source stands, and agrees in a key with `later`."""
    return (
        "earlier.group_id = earlier_group.group_id and earlier.superseded_by is null"
        f" and earlier_group.source = $source and {_same_look(key, 'earlier_group')}"
    )


def _supersede(
    con: duckdb.DuckDBPyConnection,
    load_id: int,
    account: Account,
    key: Sequence[str],
    not_revised: Sequence[str],
) -> int:
    return _one(
        con,
        "update store.counted_lines as earlier set superseded_by = $load_id from store.line_groups as earlier_group,"
        f" (select distinct {', '.join(key)} from accepted_lines) as later where {_is_standing(key)}"
        " and not list_contains($not_revised::varchar[], earlier_group.file_sha256)",
        {"load_id": load_id, "source": account.source, "not_revised": list(not_revised)},
    )


def _supersede_by_corrections(
    con: duckdb.DuckDBPyConnection, load_id: int, source: str, key: Sequence[str]
) -> int:
    """Supersede lines of exports that came before the one that a corrected row stood in; its neighbours there stay."""
    return _one(
        con,
        "update store.counted_lines as earlier set superseded_by = $load_id from store.line_groups as earlier_group,"
        " (select later.*, loads.load_id as exported from accepted_lines as later"
        "   join store.loads as loads using (file_sha256)) as later, store.loads as first_load"
        f" where {_is_standing(key)} and later.source = $source"
        " and first_load.file_sha256 = earlier_group.file_sha256 and first_load.load_id < later.exported",
        {"load_id": load_id, "source": source},
    )


def _settle_corrections(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Take the corrected rows off the quarantine list."""
    con.execute(
        "update store.quarantine as kept set corrected_by = $load_id from"
        " (select file_sha256, row from accepted_lines union select file_sha256, row from gathered_rows) as corrected"
        " where kept.file_sha256 = corrected.file_sha256 and kept.row = corrected.row",
        {"load_id": load_id},
    )


def _stand_behind_later_exports(
    con: duckdb.DuckDBPyConnection, load_id: int, source: str, key: Sequence[str]
) -> None:
    """Supersede the lines of corrected rows whose look stands in an export that came after theirs."""
    con.execute(
        "update store.counted_lines as earlier set superseded_by = later.load_id from store.line_groups as earlier_group,"
        " (select line.*, loads.load_id as exported from store.all_current_lines as line"
        "   join store.loads as loads using (file_sha256)) as later, store.loads as first_load"
        f" where earlier.load_id = $load_id and {_is_standing(key)} and later.source = $source"
        " and first_load.file_sha256 = earlier_group.file_sha256 and first_load.load_id < later.exported",
        {"load_id": load_id, "source": source},
    )


def _flag_missing(
    con: duckdb.DuckDBPyConnection, account: Account, key: Sequence[str], not_revised: Sequence[str]
) -> int:
    """Flag the current lines that a later export of the same sites and days no longer holds; they stay."""
    return _one(
        con,
        "insert into store.line_flags"
        " with spans as (select client, site, min(inspected_on) as first_on, max(inspected_on) as last_on"
        "   from accepted_lines group by client, site)"
        " select file_sha256, row, 'missing_from_later_export',"
        " 'A later export of the same days, ' || $file || ', no longer holds this line. It is kept; ask the exporter.'"
        " from store.inspection_lines as earlier join spans using (client, site)"
        " where superseded_by is null and source = $source"
        " and not list_contains($not_revised::varchar[], file_sha256) and inspected_on between first_on and last_on"
        f" and not exists (select 1 from accepted_lines as later where {_same_look(key)})",
        {"file": account.file, "source": account.source, "not_revised": list(not_revised)},
    )


def _one(con: duckdb.DuckDBPyConnection, query: str, values: dict[str, object] | None = None) -> int:
    found = con.execute(query, values or {}).fetchone()
    assert found is not None
    return int(found[0])
