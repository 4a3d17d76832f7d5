"""Loads the site register and the stock register: CSV files whose header holds the contract's column names."""

import csv
from pathlib import Path

import duckdb

from pipelines.contracts import Contract, Rule, load_contract
from pipelines.contracts.checking import run_rules
from pipelines.faults import DataFault, RequestFault
from pipelines.intake.staging import ITEM_CLASS_SQL
from pipelines.shipped import statement
from pipelines.store import load_register

REGISTERS = ("site_register", "stock_register")
DERIVED_LABEL = "item_class"


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
    rows = [dict(zip(header, record, strict=False)) for record in records]
    if not rows:
        raise DataFault(f"{path.name} has a header and no rows below it. Fill the register in.")
    con.execute(f"create or replace table staged_register (row bigint, {contract.columns_sql()})")
    columns = [column for column in contract.columns if column.name != DERIVED_LABEL]
    marks = ", ".join("?" for _ in columns)
    for number, row in enumerate(rows, start=1):
        values = [(row.get(column.name) or "").strip() or None for column in columns]
        for column, value in zip(columns, values, strict=True):
            if value is None and (column.is_required or column.is_key):
                raise DataFault(f'{path.name}, row {number}, column "{column.name}" is empty. Fill it in.')
            if value is not None and column.allowed and value not in column.allowed:
                raise DataFault(
                    f'{path.name}, row {number}, column "{column.name}": "{value}" is none of:'
                    f" {', '.join(column.allowed)}. Correct the row."
                )
        try:
            con.execute(
                f"insert into staged_register (row, {', '.join(column.name for column in columns)})"
                f" values ({number}, {marks})",
                values,
            )
        except duckdb.ConversionException as error:
            raise DataFault(
                f"{path.name}, row {number}: {str(error).splitlines()[0]}. Correct the row."
            ) from error
    if DERIVED_LABEL in contract.column_names:
        con.execute(f"update staged_register set {DERIVED_LABEL} = {ITEM_CLASS_SQL}")


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
