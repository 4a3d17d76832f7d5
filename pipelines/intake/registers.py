"""Loads the site register and the stock register: CSV files whose header holds the contract's column names.

Numbers are written with a point and without a thousands mark, days as 2026-09-30.
"""

import csv
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path

import duckdb

from pipelines import units
from pipelines.contracts import Column, Contract, Rule, load_contract
from pipelines.contracts.checking import run_rules
from pipelines.faults import DataFault, RequestFault
from pipelines.intake.staging import DERIVED_LABEL, label_item_classes
from pipelines.intake.values import day_readings
from pipelines.shipped import statement
from pipelines.store import load_register

REGISTERS = ("site_register", "stock_register")
_DAYS = ["%Y-%m-%d", "%Y/%m/%d"]
# How a filled cell is read, by the kind of its column, and what it has to be; without a reader it stays as written.
_READERS: dict[str, tuple[Callable[[str], object], str]] = {
    "integer": (units.whole_number, "a whole number"),
    "number": (units.number, "a number"),
    "date": (lambda text: day_readings([(None, text)], _DAYS)[0][2], "a day, such as 2026-09-30"),
}


def load_registers(con: duckdb.DuckDBPyConnection, paths: list[Path]) -> None:
    """Load each register into the store attached to `con`; a row with a known key is replaced, the rest stay.

    A register with one row at fault is refused whole, since every figure of a site may rest on it.
    """
    con.execute(statement("pipelines.intake", "known_gear.sql"))
    for path in paths:
        contract = _contract_of(path)
        _stage(con, path, contract)
        for result in run_rules(con, "staged_register", contract.rules):
            if not result.passed:
                raise DataFault(f"{path.name}{_first_breach(con, result.rule)}. Correct the row.")
        load_register(con, contract)


def _contract_of(path: Path) -> Contract:
    header = set(next(iter(_records(path)), []))
    for name in REGISTERS:
        contract = load_contract(name)
        needed = {column.name for column in contract.columns if column.is_required or column.is_key} - {
            DERIVED_LABEL
        }
        if needed <= header:
            return contract
    wanted = " or ".join(f"{name} ({', '.join(load_contract(name).key)}, ...)" for name in REGISTERS)
    raise DataFault(
        f"{path.name} is not a register: its header fits neither {wanted}. See data_contracts for the columns."
    )


def _records(path: Path) -> list[list[str]]:
    """Return the records of a register, the header first; a register is small."""
    if not path.is_file():
        raise RequestFault(f"There is no register at {path}. Check the path given with --register.")
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            return [record for record in csv.reader(stream) if record]
    except UnicodeDecodeError as error:
        raise DataFault(f"{path.name} is not written in UTF-8. Save it as CSV UTF-8.") from error
    except csv.Error as error:
        raise DataFault(
            f"{path.name}: it has a cell of more than {csv.field_size_limit():,} characters. Look for a quote that is never"
            " closed."
        ) from error


def _stage(con: duckdb.DuckDBPyConnection, path: Path, contract: Contract) -> None:
    header, *records = _records(path)
    while not header[-1]:  # spreadsheets write empty columns behind the last one
        header.pop()
    _refuse_header(path, header, contract)
    if not records:
        raise DataFault(f"{path.name} has a header and no rows below it. Fill the register in.")
    con.execute(f"create or replace table staged_register (row bigint, {contract.columns_sql()})")
    columns = [column for column in contract.columns if column.name != DERIVED_LABEL]
    marks = ", ".join("?" for _ in columns)
    for number, record in enumerate(records, start=1):
        if any(cell.strip() for cell in record[len(header) :]):
            raise DataFault(
                f"{path.name}, row {number} has {len(record)} cells and the header {len(header)}. Put a cell that holds a"
                " comma between quotes, or take the surplus cell out."
            )
        cells = dict(zip(header, record, strict=False))
        values = [
            _value(f'{path.name}, row {number}, column "{column.name}"', cells.get(column.name, ""), column)
            for column in columns
        ]
        try:
            con.execute(
                f"insert into staged_register (row, {', '.join(column.name for column in columns)})"
                f" values ({number}, {marks})",
                values,
            )
        except duckdb.ConversionException as error:
            raise DataFault(
                f"{path.name}, row {number} holds a number too large to keep. Correct the row."
            ) from error
    if DERIVED_LABEL in contract.column_names:
        label_item_classes(con, "staged_register")


def _refuse_header(path: Path, header: list[str], contract: Contract) -> None:
    """Raise DataFault for a column of which nothing would be read: one unknown to the contract, or named a second time."""
    for place, name in enumerate(header):
        if name in header[:place]:
            raise DataFault(f'{path.name}: its header names "{name}" twice. Take one of the two columns out.')
        if name not in contract.column_names:
            near = get_close_matches(name.strip().casefold(), contract.column_names, n=1, cutoff=0.5)
            advice = (
                f"Did you mean {near[0]}?"
                if near
                else f"Columns to be had: {', '.join(contract.column_names)}."
            )
            raise DataFault(f'{path.name}: {contract.name} has no column "{name}". {advice}')


def _value(place: str, cell: str, column: Column) -> object:
    """Return what a cell stands for, None where it is empty; raises DataFault where it cannot be read or may not be so."""
    text = cell.strip()
    if not text:
        if column.is_required or column.is_key:
            raise DataFault(f"{place} is empty. Fill it in.")
        return None
    if column.allowed and text not in column.allowed:
        raise DataFault(f'{place}: "{text}" is none of: {", ".join(column.allowed)}. Correct the row.')
    if column.kind not in _READERS:
        return text
    read, kind = _READERS[column.kind]
    value = read(text)
    if value is None:
        raise DataFault(f'{place}: "{text}" is not {kind}. Correct the row.')
    return value


def _first_breach(con: duckdb.DuckDBPyConnection, rule: Rule) -> str:
    """Return where a rule is broken first, in which column and by what, and what the rule says."""
    row, value = con.execute(
        f"select row, {rule.column or 'null'} from broken_rules join staged_register using (row) where rule = $rule"
        " order by row limit 1",
        {"rule": rule.name},
    ).fetchall()[0]
    written = " is empty, which" if value is None else f': "{value}"'
    where = f', column "{rule.column}"{written}' if rule.column else ""
    return f", row {row}{where} breaks a rule. {rule.description}"
