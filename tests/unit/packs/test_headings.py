import pytest

from pipelines.contracts import contract_names, load_contract, plain_words
from pipelines.packs.headings import OWN_COLUMNS, heading

RESULT_TABLES = contract_names()


@pytest.mark.parametrize("table", RESULT_TABLES)
def test_every_column_of_every_table_has_a_heading_in_words(table):
    for column in load_contract(table).columns:
        head = heading(column.name)
        assert "_" not in head.words + head.unit
        assert head.words[0].isupper()
        assert head.description


def test_columns_of_one_table_do_not_share_a_heading():
    for table in RESULT_TABLES:
        words = [heading(column).words for column in load_contract(table).column_names]
        assert len(set(words)) == len(words)


def test_a_rate_says_per_what_and_a_share_of_what():
    assert (heading("rate_upper").words, heading("rate_upper").unit) == (
        "Rate, upper limit",
        "per 100 shackle-years",
    )
    assert (heading("share").unit, heading("share").is_share) == ("% of removals", True)
    assert (heading("inspected").unit, heading("inspected").is_share) == ("", False)
    assert heading("current_interval_months").unit == "months"


def test_columns_without_a_contract_have_headings_too():
    for name in OWN_COLUMNS:
        assert "_" not in heading(name).words


@pytest.mark.parametrize(
    ("sentence", "words"),
    [
        ("rated_load_t is filled in", "Rated load is filled in"),
        ("What is written as inspected_on can be read", "What is written as the inspection day can be read"),
        ("At most one row in five is quarantined", "At most one row in five is quarantined"),
    ],
)
def test_a_rule_is_told_without_column_names(sentence, words):
    assert plain_words(sentence) == words
