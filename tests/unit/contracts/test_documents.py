from collections import defaultdict

import pytest
import yaml
from open_data_contract_standard.model import OpenDataContractStandard
from pydantic import BaseModel

from pipelines.contracts import (
    contract_names,
    documents,
    family_called,
    gear_families,
    gear_kinds,
    load_contract,
    rated_loads,
    removal_criteria,
    risk_targets,
)
from pipelines.faults import DataFault, RequestFault
from pipelines.shipped import shipped_folder
from pipelines.sources.vocabulary import vocabulary

PATHS = sorted(shipped_folder("data_contracts").glob("*.odcs.yaml"))


def unknown_keys(model: BaseModel, where: str) -> list[str]:
    """Keys that the standard does not have; its own models let them pass."""
    found = [f"{where}.{key}" for key in (model.model_extra or {})]
    for name, value in model:
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, BaseModel):
                found += unknown_keys(part, f"{where}.{name}")
    return found


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.name)
def test_every_contract_is_valid_by_the_standards_own_library(path):
    text = path.read_text(encoding="utf-8")
    assert unknown_keys(OpenDataContractStandard.from_string(text), "contract") == []
    stated = yaml.safe_load(text)
    kept = OpenDataContractStandard.from_string(text).model_dump(by_alias=True, exclude_none=True)
    # A key that the model drops without a word would be missing from what it kept.
    assert kept["schema"][0].keys() >= stated["schema"][0].keys()
    for stated_column, kept_column in zip(
        stated["schema"][0]["properties"], kept["schema"][0]["properties"], strict=True
    ):
        assert kept_column.keys() >= stated_column.keys()


def test_one_word_means_one_thing_in_every_contract():
    meanings = defaultdict(set)
    for name in contract_names():
        for column in load_contract(name).columns:
            meanings[column.name].add(
                (column.kind, column.physical_type, column.unit, column.description, column.allowed)
            )
    assert {word for word, found in meanings.items() if len(found) > 1} == set()


def test_rule_names_are_unique_within_a_contract_and_severities_known():
    for name in contract_names():
        rules = load_contract(name).rules
        assert len({rule.name for rule in rules}) == len(rules)
        assert {rule.severity for rule in rules} <= {"quarantine", "flag", "stop", "warn"}


def test_an_unknown_contract_is_named_with_the_known_ones():
    known = ", ".join(contract_names())
    assert known.startswith("detection_sensitivity, forecast_totals, ")
    with pytest.raises(RequestFault) as caught:
        load_contract("shackles")
    assert str(caught.value) == f'There is no contract "shackles". Known: {known}.'


@pytest.mark.parametrize("family", gear_families().values(), ids=lambda family: family.name)
def test_each_family_has_criteria_of_known_tiers_with_one_rank_each(family):
    criteria = removal_criteria().query("gear_family == @family.name")
    tiers = {"load-bearing", "identification", "not stated", "pin and fit" if family.pins else "moving parts"}
    assert set(criteria["tier"]) == tiers
    assert sorted(criteria["primary_rank"]) == list(range(1, len(criteria) + 1))
    assert not criteria["criterion"].duplicated().any()
    # What a line of the family may always come to: a reason of another family's list, and none at all.
    assert {"other doubt", "not stated"} <= set(criteria["criterion"])


def test_the_contracts_know_the_kinds_of_every_family_and_no_others():
    kinds = gear_kinds()
    for name in ("inspection_line", "stock_register"):
        allowed = {column.name: set(column.allowed) for column in load_contract(name).columns}
        assert allowed["gear_family"] == set(gear_families())
        assert allowed["body"] == set(kinds["body"])
        assert allowed["pin"] == set(kinds["pin"]) - {""}
    # A kind belongs to one family, so that a log that names kinds need not name families.
    assert kinds.groupby("body")["gear_family"].nunique().max() == 1
    assert set(rated_loads()["gear_family"]) <= set(gear_families())
    assert set(rated_loads()["body"]) <= {"", *kinds["body"]}
    assert set(removal_criteria()["criterion"]) - {"not stated"} == set(vocabulary()["reasons"])


def test_an_unknown_family_is_named_with_the_known_ones():
    with pytest.raises(RequestFault) as caught:
        family_called("hooks")
    assert str(caught.value) == (
        'There is no gear family "hooks". Families to be had: shackle, adjustable hardware, links and rings.'
    )


# ASME B30.26-2010, 26-1.8.3 (extract read): not above one year; normal yearly, severe monthly to quarterly.
def test_the_outer_limits_are_those_of_the_published_standard():
    targets = risk_targets()
    assert targets.outer_limit_months == 12
    assert targets.guideline_months == {"normal": 12, "severe": 3, "special": None}


@pytest.mark.parametrize(
    ("stated", "instead"),
    [
        ("name: days_overdue", "name: days_overdue bigint); drop table loads; --"),
        ("physicalType: bigint", "physicalType: bigint default (select count(*) from glob('*'))"),
        ("physicalName: overdue_inspections", "physicalName: overdue inspections"),
    ],
)
def test_a_name_or_type_in_a_contract_cannot_become_a_statement(tmp_path, monkeypatch, stated, instead):
    text = (shipped_folder("data_contracts") / "overdue_inspections.odcs.yaml").read_text(encoding="utf-8")
    assert stated in text
    (tmp_path / "hostile.odcs.yaml").write_text(text.replace(stated, instead), encoding="utf-8")
    monkeypatch.setattr(documents, "shipped_folder", lambda name: tmp_path)
    with pytest.raises(DataFault) as caught:
        load_contract.__wrapped__("hostile")
    assert str(caught.value) == (
        f'hostile.odcs.yaml: "{instead.partition(": ")[2]}" is no plain name or type. Name tables, columns and physical'
        " types with letters, digits and underscores."
    )
