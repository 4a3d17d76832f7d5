"""Reads a contract (Open Data Contract Standard, YAML) into plain records."""

import re
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import yaml

from pipelines.faults import DataFault, RequestFault
from pipelines.shipped import shipped_folder

ENDING = ".odcs.yaml"
PLAIN_WORD = r"[A-Za-z_][A-Za-z0-9_]*"


@dataclass(frozen=True)
class Rule:
    """One rule of a contract, in the words of the trade and as the check engine runs it.

    `severity` says what a breach does: `quarantine` and `flag` act on rows, `stop` and `warn` on the whole
    batch, which `warn` lets in.
    """

    name: str
    description: str
    severity: str
    column: str | None
    implementation: dict[str, Any]
    contract: str

    @property
    def place(self) -> str:
        """Where the rule stands, as an error says it."""
        return f'{self.contract}{ENDING}, rule "{self.name}"'


@dataclass(frozen=True)
class Column:
    """One column of a table: what it means, in which unit, and what it may hold."""

    name: str
    kind: str
    physical_type: str
    unit: str | None
    description: str
    is_required: bool
    is_key: bool
    allowed: tuple[str, ...]


@dataclass(frozen=True)
class Contract:
    """One table: its name in the store, its columns and its rules."""

    name: str
    table: str
    purpose: str
    grain: str
    columns: tuple[Column, ...]
    rules: tuple[Rule, ...]

    @property
    def column_names(self) -> list[str]:
        """The names of the columns, in order."""
        return [column.name for column in self.columns]

    @property
    def key(self) -> list[str]:
        """The columns that together name one row."""
        return [column.name for column in self.columns if column.is_key]

    def columns_sql(self, leave_out: Collection[str] = ()) -> str:
        """Return the column list of a `create table` statement: name and type only; rules are run, not declared."""
        return ", ".join(
            f"{column.name} {column.physical_type}" for column in self.columns if column.name not in leave_out
        )


def read_yaml(path: Path) -> Any:
    """Return what a YAML file of this tool's own holds; the parser in C, where it is there, is ten times as fast."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return yaml.load(path.read_text(encoding="utf-8"), Loader=loader)


def contract_names() -> list[str]:
    """Return the names of all contracts, in alphabetical order."""
    folder = shipped_folder("data_contracts")
    return sorted(path.name.removesuffix(ENDING) for path in folder.glob(f"*{ENDING}"))


@cache
def load_contract(name: str) -> Contract:
    """Return the contract called `name`; raises RequestFault where there is none, DataFault on a name in it that is none."""
    path = shipped_folder("data_contracts") / f"{name}{ENDING}"
    if not path.is_file():
        raise RequestFault(f'There is no contract "{name}". Known: {", ".join(contract_names())}.')
    document = read_yaml(path)
    table = document["schema"][0]
    columns = tuple(_column(entry) for entry in table["properties"])
    for word in (
        table["physicalName"],
        *(part for each in columns for part in (each.name, each.physical_type)),
    ):
        # They become part of a statement, which takes no parameters there.
        if not re.fullmatch(PLAIN_WORD, str(word)):
            raise DataFault(
                f'{path.name}: "{word}" is no plain name or type. Name tables, columns and physical types with letters,'
                " digits and underscores."
            )
    rules = [
        _rule(entry, owner["name"], name)
        for owner in table["properties"]
        for entry in owner.get("quality", [])
    ] + [_rule(entry, None, name) for entry in table.get("quality", [])]
    return Contract(
        name=document["name"],
        table=table["physicalName"],
        purpose=document["description"]["purpose"],
        grain=table["dataGranularityDescription"],
        columns=columns,
        rules=tuple(rules),
    )


def _column(entry: dict[str, Any]) -> Column:
    extras = {extra["property"]: extra["value"] for extra in entry.get("customProperties", [])}
    return Column(
        name=entry["name"],
        kind=entry["logicalType"],
        physical_type=entry["physicalType"],
        unit=extras.get("unit"),
        description=entry["description"],
        is_required=entry.get("required", False),
        is_key=entry.get("primaryKey", False),
        allowed=tuple(choice["value"] for choice in entry.get("enum", ())),
    )


def _rule(entry: dict[str, Any], column: str | None, contract: str) -> Rule:
    return Rule(
        name=entry["name"],
        description=entry["description"],
        severity=entry["severity"],
        column=column,
        implementation=entry["implementation"],
        contract=contract,
    )
