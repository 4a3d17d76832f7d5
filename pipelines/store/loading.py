"""Writes one staged file into the attached store: lines, reasons, quarantine and the account, or nothing."""

from dataclasses import dataclass, field

import duckdb

from pipelines.contracts.checking import RuleResult
from pipelines.contracts.documents import Contract, load_contract

# Two lines of one exporter that agree in these speak of the same look: the later export supersedes the earlier.
REVISION_KEY = ("client", "site", "environment", "item_class", "serial", "inspected_on", "inspection_type")


@dataclass(frozen=True)
class Account:
    """What became of every row of one file; rows_read = rows_accepted + rows_quarantined."""

    file: str
    file_sha256: str
    source: str
    rows_read: int
    rows_accepted: int
    rows_flagged: int
    rows_quarantined: int
    rows_superseded: int = 0
    quarantined_by_rule: dict[str, int] = field(default_factory=dict)
    unmatched_phrases: dict[str, int] = field(default_factory=dict)
    is_already_loaded: bool = False


def write_load(con: duckdb.DuckDBPyConnection, account: Account, results: list[RuleResult]) -> int:
    """Write the staged tables of `con` into the attached `store` in one transaction; return rows superseded [rows].

    Reads `accepted_lines`, `accepted_reasons`, `quarantined_rows`, `flagged_rows` and `unmatched_phrases` of `con`.
    """
    con.begin()
    try:
        load_id = _one(con, "select coalesce(max(load_id), 0) + 1 from store.loads")
        superseded = _supersede(con, load_id, account)
        lines = ", ".join(load_contract("inspection_line").column_names)
        con.execute(
            f"insert into store.inspection_lines ({lines}, load_id) select {lines}, $load_id from accepted_lines order by row",
            {"load_id": load_id},
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
            "insert into store.unmatched_phrases select $load_id, phrase, lines from unmatched_phrases order by phrase",
            {"load_id": load_id},
        )
        con.execute(
            "insert into store.loads values ($load_id, $file, $sha, $source, current_timestamp, $read, $accepted, $flagged, $quarantined, $superseded)",
            {
                "load_id": load_id,
                "file": account.file,
                "sha": account.file_sha256,
                "source": account.source,
                "read": account.rows_read,
                "accepted": account.rows_accepted,
                "flagged": account.rows_flagged,
                "quarantined": account.rows_quarantined,
                "superseded": superseded,
            },
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
        con.commit()
    except BaseException:
        con.rollback()
        raise
    return superseded


def load_register(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Move the table `staged_register` of `con` into the attached store: rows with a known key are replaced."""
    columns = ", ".join(contract.column_names)
    key = ", ".join(contract.key)
    con.begin()
    try:
        con.execute(
            f"delete from store.{contract.table} where ({key}) in (select ({key}) from staged_register)"
        )
        con.execute(
            f"insert into store.{contract.table} ({columns}) select {columns} from staged_register order by {key}"
        )
        con.commit()
    except BaseException:
        con.rollback()
        raise


def _supersede(con: duckdb.DuckDBPyConnection, load_id: int, account: Account) -> int:
    same_look = " and ".join(f"earlier.{name} is not distinct from later.{name}" for name in REVISION_KEY)
    return _one(
        con,
        "update store.inspection_lines as earlier set superseded_by = $load_id"
        f" from (select distinct {', '.join(REVISION_KEY)} from accepted_lines) as later"
        f" where earlier.superseded_by is null and earlier.source = $source and {same_look}",
        {"load_id": load_id, "source": account.source},
    )


def _one(con: duckdb.DuckDBPyConnection, query: str, values: dict[str, object] | None = None) -> int:
    found = con.execute(query, values or {}).fetchone()
    assert found is not None
    return int(found[0])
