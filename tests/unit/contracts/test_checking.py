import duckdb
import pytest

from pipelines.contracts import load_contract
from pipelines.contracts.checking import RuleError, derived_rules, run_rules
from pipelines.contracts.documents import Rule


@pytest.fixture
def con(tmp_path):
    with duckdb.connect(str(tmp_path / "batch.duckdb")) as con:
        con.execute(
            "create table batch as select range + 1 as row, range as quantity, range % 700 as removed from range(2000)"
        )
        yield con


def rule(implementation, severity="quarantine"):
    return Rule("the_rule", "The rule holds", severity, None, implementation, "batch")


def rows(query):
    return {"type": "unexpected_rows_expectation", "kwargs": {"unexpected_rows_query": query}}


def test_every_failing_row_is_found_beyond_the_engines_own_cap_of_200(con):
    between = {
        "type": "expect_column_values_to_be_between",
        "kwargs": {"column": "quantity", "min_value": 500},
    }
    (result,) = run_rules(con, "batch", [rule(between)])
    assert (result.passed, result.rows_failing) == (False, 500)
    assert con.execute("select min(row), max(row), count(*) from broken_rules").fetchone() == (1, 500, 500)


def test_a_pair_of_columns_and_a_query_find_the_same_rows(con):
    con.execute("update batch set removed = quantity + 1 where row in (7, 1999)")
    pair = {
        "type": "expect_column_pair_values_a_to_be_greater_than_b",
        "kwargs": {"column_A": "quantity", "column_B": "removed", "or_equal": True},
    }
    for implementation in (pair, rows("select row from {batch} where removed > quantity")):
        run_rules(con, "batch", [rule(implementation)])
        assert con.execute("select row from broken_rules order by row").fetchall() == [(7,), (1999,)]


def test_a_rule_that_holds_leaves_no_row(con):
    (result,) = run_rules(con, "batch", [rule(rows("select row from {batch} where quantity < 0"))])
    assert (result.passed, result.rows_failing) == (True, 0)


@pytest.mark.parametrize(
    ("implementation", "sentence"),
    [
        (
            {"type": "expect_nothing_at_all", "kwargs": {}},
            'batch.odcs.yaml, rule "the_rule": the check engine knows no type "expect_nothing_at_all". Correct its spelling.',
        ),
        (
            {"type": "expect_column_values_to_be_between", "kwargs": {"colum": "quantity", "min_value": 1}},
            'batch.odcs.yaml, rule "the_rule": its arguments do not suit expect_column_values_to_be_between'
            " (column: field required (type=value_error.missing)). Correct them.",
        ),
        (
            {"type": "expect_column_values_to_be_between", "kwargs": {"column": "qty", "min_value": 1}},
            'batch.odcs.yaml, rule "the_rule" cannot be run (Error: The column "qty" in BatchData does not exist.).'
            " Correct it.",
        ),
        (
            rows("select row from {batch} where no_such_column > 0"),
            'batch.odcs.yaml, rule "the_rule" cannot be run ((_duckdb.BinderException) Binder Error: Referenced column'
            ' "no_such_column" not found in FROM clause!). Correct it.',
        ),
        (
            rows("select row from {batch} where grade similar to 'a{2}'"),
            'batch.odcs.yaml, rule "the_rule": a brace in its query stands for nothing (Replacement index 2 out of range'
            " for positional args tuple). Write {{ for a brace, {batch} for the rows.",
        ),
        (
            rows("select row from {batch} where row in (select 1 from 'other.csv')"),
            'batch.odcs.yaml, rule "the_rule": its query reads "other.csv", which is no table of the batch or the store.'
            " A rule may only read: write it as one plain select.",
        ),
        # The engine would count the rows of a file of that name.
        (
            {
                "type": "expect_table_row_count_to_equal_other_table",
                "kwargs": {"other_table_name": "other.csv"},
            },
            'batch.odcs.yaml, rule "the_rule": its argument "other_table_name" looks beyond the batch. Say the rule as'
            " unexpected_rows_query instead.",
        ),
    ],
)
def test_a_rule_that_cannot_run_is_an_error_and_neither_a_pass_nor_a_failure(con, implementation, sentence):
    with pytest.raises(RuleError) as caught:
        run_rules(con, "batch", [rule(implementation)])
    assert str(caught.value) == sentence


def test_two_rules_of_one_name_are_an_error(con):
    twice = [rule(rows("select row from {batch} where quantity < 0"))] * 2
    with pytest.raises(RuleError) as caught:
        run_rules(con, "batch", twice)
    assert str(caught.value) == (
        "batch.odcs.yaml: 2 rules went in and 1 results came back. Give each rule a name of its own."
    )


def test_required_columns_and_read_columns_have_rules_of_their_own():
    names = {derived.name for derived in derived_rules(load_contract("inspection_line"))}
    assert {"missing_quantity", "unreadable_quantity", "unreadable_replaced", "unreadable_body"} <= names
    assert "missing_replaced" not in names
    assert "unreadable_note" not in names


@pytest.mark.parametrize(
    ("now", "latest"), [("2026-03-02 09:59:59+00", "2026-03-02"), ("2026-03-02 10:00:00+00", "2026-03-03")]
)
@pytest.mark.parametrize("zone", ["Etc/GMT+12", "UTC", "Pacific/Kiritimati"])
def test_the_latest_day_on_earth_is_the_last_that_an_inspection_may_be_of(con, now, latest, zone):
    """At any hour, whatever the zone of the machine: Kiritimati is 14 hours ahead of UTC (IANA time zone database)."""
    (stated,) = (rule for rule in load_contract("inspection_line").rules if rule.name == "not_in_the_future")
    query = stated.implementation["kwargs"]["unexpected_rows_query"].format(batch="looks")
    assert "now()" in query
    con.execute(f"set timezone = '{zone}'")
    con.execute(
        "create table looks as select range as row, date '2026-03-01' + range::integer as inspected_on from range(4)"
    )
    con.execute("delete from looks where inspected_on > $latest::date + 1", {"latest": latest})
    late = con.execute(query.replace("now()", f"timestamptz '{now}'")).fetchall()
    assert (
        late
        == con.execute("select row from looks where inspected_on > $day::date", {"day": latest}).fetchall()
    )
    assert len(late) == 1
