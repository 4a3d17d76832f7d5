"""Runs a contract's rules with Great Expectations inside DuckDB and names every row that breaks one.

Great Expectations takes seconds to import, so it is imported inside the functions that check and nowhere else.
"""

import logging
import os
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import duckdb

from pipelines.contracts.documents import Contract, Rule

ROW_RULES = ("quarantine", "flag")


@dataclass(frozen=True)
class RuleResult:
    """What became of one rule on one batch: whether it held, and how many rows broke it [rows]."""

    rule: Rule
    passed: bool
    rows_failing: int


class RuleError(Exception):
    """A rule could not be run at all: a fault of the contract, not of the data."""


def derived_rules(contract: Contract) -> list[Rule]:
    """Return the rules that the column list itself states: required cells are filled, filled cells are readable.

    They look at the staged table, where `raw_<column>` holds the text of the file beside the value read from it.
    """
    rules = []
    for column in contract.columns:
        if column.is_key or column.name in ("source", "item_class"):
            continue
        if column.is_required:
            rules.append(
                Rule(
                    f"missing_{column.name}",
                    f"{column.name} is filled in",
                    "quarantine",
                    column.name,
                    {
                        "type": "expect_column_values_to_not_be_null",
                        "kwargs": {"column": f"raw_{column.name}"},
                    },
                )
            )
        if column.kind != "string" or column.allowed:
            query = f"select row from {{batch}} where raw_{column.name} is not null and {column.name} is null"
            rules.append(
                Rule(
                    f"unreadable_{column.name}",
                    f"What is written as {column.name} can be read",
                    "quarantine",
                    column.name,
                    {"type": "unexpected_rows_expectation", "kwargs": {"unexpected_rows_query": query}},
                )
            )
    return rules


def run_rules(con: duckdb.DuckDBPyConnection, table: str, rules: Iterable[Rule]) -> list[RuleResult]:
    """Return the result of each rule on the committed table `table` of `con`, in the order of the rules.

    Rules about rows find them by the column `row`; every row that broke one goes into the table `broken_rules`
    (row, rule, position, severity) of `con`, which is made anew. Raises RuleError where a rule is unknown to the
    engine or cannot be run.
    """
    rules = list(rules)
    con.execute(
        "create or replace table broken_rules (row bigint, rule varchar, position integer, severity varchar)"
    )
    if not rules:
        return []
    outcomes = _outcomes(con, table, rules)
    return [
        _result(con, table, rule, position, outcome)
        for position, (rule, outcome) in enumerate(zip(rules, outcomes, strict=True))
    ]


def _outcomes(con: duckdb.DuckDBPyConnection, table: str, rules: list[Rule]) -> list[Any]:
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    from pipelines.contracts.duckdb_dialect import NAME, lend

    logging.getLogger("great_expectations").setLevel(logging.CRITICAL)
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    source = context.data_sources.add_sql(
        "store",
        connection_string=f"{NAME}:///:memory:",
        kwargs={"creator": lambda: lend(con)},  # type: ignore[call-arg]
        create_temp_table=False,
    )
    batch = source.add_table_asset("batch", table_name=table).add_batch_definition_whole_table("whole")
    suite = gx.ExpectationSuite(
        name="rules",
        expectations=[rule.implementation | {"meta": {"rule": rule.name}} for rule in rules],
    )
    # A misspelt expectation type is dropped without an error, so the rules are counted on both sides of the run.
    if len(suite.expectations) != len(rules):
        known = {(expectation.meta or {})["rule"] for expectation in suite.expectations}
        raise RuleError(
            f"Unknown to the check engine: {[rule.name for rule in rules if rule.name not in known]}."
        )
    context.suites.add(suite)
    check = context.validation_definitions.add(gx.ValidationDefinition(name="check", data=batch, suite=suite))
    result = check.run(
        result_format={
            "result_format": "COMPLETE",
            "unexpected_index_column_names": ["row"],
            "partial_unexpected_count": 0,
        }
    )
    results: list[Any] = list(result.results)
    by_rule = {outcome.expectation_config.meta["rule"]: outcome for outcome in results}
    if len(by_rule) != len(rules):
        raise RuleError(f"{len(rules)} rules went in and {len(by_rule)} results came back.")
    return [by_rule[rule.name] for rule in rules]


def _result(
    con: duckdb.DuckDBPyConnection, table: str, rule: Rule, position: int, outcome: Any
) -> RuleResult:
    if "'raised_exception': True" in str(outcome.exception_info):
        raise RuleError(f'Rule "{rule.name}" could not be run: {outcome.exception_info}')
    if outcome.success or rule.severity not in ROW_RULES:
        return RuleResult(rule, bool(outcome.success), 0)
    # The engine lists at most 200 values, so its own query is run again for every row; `row` comes first in it.
    stated = rule.implementation["kwargs"].get("unexpected_rows_query")
    query = stated.format(batch=table) if stated else outcome.result["unexpected_index_query"].rstrip("; \n")
    con.execute(
        f"insert into broken_rules select distinct row, $rule, $position, $severity from ({query}) as broken(row)",
        {"rule": rule.name, "position": position, "severity": rule.severity},
    )
    rows = con.execute("select count(*) from broken_rules where position = $position", {"position": position})
    return RuleResult(rule, False, _only(rows))


def _only(result: duckdb.DuckDBPyConnection) -> int:
    row = result.fetchone()
    assert row is not None
    return int(row[0])
