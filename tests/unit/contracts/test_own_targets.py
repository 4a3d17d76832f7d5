"""A user's own risk targets: what they say holds, what they leave out stays, and tables know which they rest on."""

import pytest

from pipelines.contracts import code_lists, figures_set, risk_targets
from pipelines.faults import RequestFault
from pipelines.settings import CARRIED_IN, carry
from pipelines.store import make_store, open_store
from pipelines.store.file import fill_code_lists
from pipelines.tables import compute_tables, is_computed_for
from tests.refusals import fault_of


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A function that has the process work with risk targets of its own."""
    monkeypatch.setenv(CARRIED_IN, "{}")

    def write(text):
        path = tmp_path / f"targets{len(list(tmp_path.iterdir()))}.yaml"
        path.write_text(text, encoding="utf-8")
        carry(risk_targets=str(path))
        return path

    return write


def test_what_the_own_file_says_holds_and_the_rest_stays(own):
    shipped = risk_targets()
    before = figures_set()
    own("outer_limit_months: 6\n")
    assert risk_targets().outer_limit_months == 6
    assert risk_targets().targets == shipped.targets
    assert figures_set() != before


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "outer_limit_month: 6",
            '{path}: there is no risk target "outer_limit_month". Did you mean outer_limit_months?',
        ),
        (
            "outer_limit_months: soon",
            "{path}: outer_limit_months is written another way in data_contracts/risk_targets.yaml. Write it as it is there.",
        ),
        ("confidence_level: -0.5", "confidence_level is written another way in"),
        ("targets: {any criterion: {share_found: 0.05}}", "targets is written another way in"),
        ("- 5", "there is no risk target"),
        ("a: [", "{path} cannot be read as YAML. Mend the indentation or quotes there."),
    ],
)
def test_what_is_wrong_in_it_is_said_in_a_sentence(own, text, sentence):
    path = own(text)
    assert sentence.format(path=path) in fault_of(risk_targets, kind=RequestFault)


def test_an_own_file_that_is_not_there_is_named(own, tmp_path):
    carry(risk_targets=str(tmp_path / "none.yaml"))
    assert fault_of(risk_targets, kind=RequestFault) == (
        f"There is no file of risk targets at {tmp_path / 'none.yaml'}. Mend the setting risk_targets."
    )


def test_tables_that_rest_on_other_targets_are_computed_again(own, tmp_path):
    store = tmp_path / "own.duckdb"
    make_store(store)
    with open_store(store, read_only=False) as con:
        compute_tables(con)
        assert is_computed_for(con, "")
        own("outer_limit_months: 6\n")
        assert not is_computed_for(con, "")
        compute_tables(con)
        assert is_computed_for(con, "")
        # A store of an earlier version does not say which it rests on.
        con.execute("alter table table_state drop column figures_set")
        assert not is_computed_for(con, "")


def test_tables_made_under_another_contract_are_computed_again(tmp_path, monkeypatch):
    store = tmp_path / "earlier.duckdb"
    make_store(store)
    with open_store(store, read_only=False) as con:
        compute_tables(con)
        monkeypatch.setattr(code_lists, "_contracts_as_written", lambda: b"with a further column")
        assert not is_computed_for(con, "")


def test_tables_do_not_rest_on_another_code_list_than_the_store_s(own, tmp_path):
    store = tmp_path / "lists.duckdb"
    make_store(store)
    with open_store(store, read_only=False) as con:
        compute_tables(con)
        fill_code_lists(con)
        assert is_computed_for(con, "")
        con.execute("update criteria_of_gear set tier = 'pin and fit' where criterion = 'deformed'")
        fill_code_lists(con)
        assert not con.execute(
            "select 1 from criteria_of_gear where criterion = 'deformed' and tier = 'pin and fit'"
        ).fetchall()
        assert con.execute("select computed_for_load from table_state").fetchall() == [(None,)]
