"""Runs a contract's rules with Great Expectations inside DuckDB and names every row that breaks one.

Great Expectations takes seconds to import, so it is imported inside the functions that check and nowhere else.
"""

import logging
import os
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import duckdb

from pipelines.contracts.documents import ENDING, Contract, Rule
from pipelines.contracts.queries import more_than_reading
from pipelines.faults import Fault

ROW_RULES = ("quarantine", "flag")
QUERY = "unexpected_rows_query"
# Arguments by which a rule type of the engine would look at something else than the batch.
ELSEWHERE = ("query", "table", "source")


@dataclass(frozen=True)
class RuleResult:
    """What became of one rule on one batch: whether it held, and how many rows broke it [rows]."""

    rule: Rule
    passed: bool
    rows_failing: int


class RuleError(Fault):
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
                    contract.name,
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
                    {"type": "unexpected_rows_expectation", "kwargs": {QUERY: query}},
                    contract.name,
                )
            )
    return rules


def run_rules(con: duckdb.DuckDBPyConnection, table: str, rules: Iterable[Rule]) -> list[RuleResult]:
    """Return the result of each rule on a table, in the order of the rules.

    Rules about rows find them by the column `row`; every row that broke one goes into the table `broken_rules`
    (row, rule, position, severity) of `con`, which is made anew.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The database that holds the table; what it has not committed is not seen.
    table : str
        Name of the table or view to check.
    rules : iterable of Rule
        Rules with different names; none is a check that finds nothing.

    Raises
    ------
    RuleError
        A rule is unknown to the engine, cannot be run, or would do more than read tables of `con`; in the last case
        none of the rules is run.
    """
    rules = list(rules)
    con.execute(
        "create or replace table broken_rules (row bigint, rule varchar, position integer, severity varchar)"
    )
    if not rules:
        return []
    for rule in rules:
        _refuse_more_than_reading(con, table, rule)
    outcomes = _outcomes(con, table, rules)
    return [
        _result(con, table, rule, position, outcome)
        for position, (rule, outcome) in enumerate(zip(rules, outcomes, strict=True))
    ]


def _refuse_more_than_reading(con: duckdb.DuckDBPyConnection, table: str, rule: Rule) -> None:
    arguments = rule.implementation["kwargs"]
    for name in arguments:
        if name != QUERY and any(word in name for word in ELSEWHERE):
            raise RuleError(
                f'{rule.place}: its argument "{name}" looks beyond the batch. Say the rule as {QUERY} instead.'
            )
    if QUERY in arguments and (found := more_than_reading(con, _stated_query(rule, table))):
        raise RuleError(
            f"{rule.place}: its query {found}. A rule may only read: write it as one plain select."
        )


def _stated_query(rule: Rule, table: str) -> str:
    try:
        return str(rule.implementation["kwargs"][QUERY]).format(batch=table)
    except (ValueError, LookupError, AttributeError) as error:
        raise RuleError(
            f"{rule.place}: a brace in its query stands for nothing ({error}). Write {{{{ for a brace, {{batch}} for the rows."
        ) from error


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
    suite = gx.ExpectationSuite(name="rules", expectations=[_expectation(rule) for rule in rules])
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
        raise RuleError(
            f"{rules[0].contract}{ENDING}: {len(rules)} rules went in and {len(by_rule)} results came back."
            " Give each rule a name of its own."
        )
    return [by_rule[rule.name] for rule in rules]


def _expectation(rule: Rule) -> Any:
    """Return a rule as the engine has it; of a misspelt type the engine makes nothing, and says nothing either."""
    import great_expectations as gx

    from pipelines.contracts.row_counts import UnexpectedRowCount

    kind = rule.implementation["type"]
    asked = UnexpectedRowCount.expectation_type if kind == "unexpected_rows_expectation" else kind
    try:
        stated = gx.ExpectationSuite(
            name="rule",
            expectations=[rule.implementation | {"type": asked, "meta": {"rule": rule.name}}],
        )
    except ValueError as error:
        complaint = ": ".join(line.strip() for line in str(error).splitlines()[1:3])
        raise RuleError(
            f"{rule.place}: its arguments do not suit {kind} ({complaint}). Correct them."
        ) from error
    if not stated.expectations:
        raise RuleError(f'{rule.place}: the check engine knows no type "{kind}". Correct its spelling.')
    return stated.expectations[0]


def _complaint(exceptions: dict[str, Any]) -> str:
    """Return the first line of what the engine met as it ran a rule: told as it is, or by the figure it was to work out."""
    told = [exceptions] if "raised_exception" in exceptions else exceptions.values()
    return next(
        (
            (str(one["exception_message"]).strip() or "no reason given").splitlines()[0]
            for one in told
            if one["raised_exception"]
        ),
        "",
    )


def _result(
    con: duckdb.DuckDBPyConnection, table: str, rule: Rule, position: int, outcome: Any
) -> RuleResult:
    if complaint := _complaint(outcome.exception_info):
        raise RuleError(f"{rule.place} cannot be run ({complaint}). Correct it.")
    if outcome.success or rule.severity not in ROW_RULES:
        return RuleResult(rule, bool(outcome.success), 0)
    # The engine lists at most 200 values, so its own query is run again for every row; `row` comes first in it.
    has_query = QUERY in rule.implementation["kwargs"]
    query = (
        _stated_query(rule, table) if has_query else outcome.result["unexpected_index_query"].rstrip("; \n")
    )
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
