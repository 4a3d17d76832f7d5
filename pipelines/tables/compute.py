"""Computes every result table of a store and writes it into the store."""

import calendar
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date

import duckdb
import pandas as pd

from pipelines.contracts import figures_set, load_contract
from pipelines.exposure import build_exposures
from pipelines.faults import RequestFault
from pipelines.models.planning import PlanningInputs
from pipelines.tables.detection_sensitivity import detection_sensitivity
from pipelines.tables.inspector_strictness import inspector_strictness
from pipelines.tables.interval_recommendations import interval_recommendations
from pipelines.tables.order_plan import order_plan
from pipelines.tables.overdue_inspections import overdue_inspections
from pipelines.tables.pooled_rates import hazard_looks, pooled_rates
from pipelines.tables.rate_backtest import rate_backtest
from pipelines.tables.rate_changes import rate_changes
from pipelines.tables.reason_breakdown import reason_breakdown, reason_cells
from pipelines.tables.reasons_by_environment import reasons_by_environment
from pipelines.tables.receiving_rejects import receiving_rejects
from pipelines.tables.removal_rates import removal_rates
from pipelines.tables.removal_trend import removal_trend
from pipelines.tables.replacement_forecast import planning_inputs, replacement_forecast
from pipelines.tables.site_benchmark import site_benchmark
from pipelines.tables.site_practice import site_practice
from pipelines.tables.supplier_rejects import supplier_rejects

MOST_LINES_ON_ONE_THREAD = 1_000_000


def compute_tables(con: duckdb.DuckDBPyConnection, period: str | None = None) -> None:
    """Compute the exposures and all result tables from the lines up to the end of a month, and write them anew.

    The lines are those of one gear family, which `counted_gear` of the store names; see `count_gear`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store. Neither commits nor rolls back: the caller's transaction holds.
    period : str
        The month, YYYY-MM; by default the month of the latest line. In a store without lines all tables are empty.

    Raises
    ------
    RequestFault
        The period is not a month, has not begun, or lies before the first line.
    """
    month = _month_to_compute(con, period)
    as_of = last_day(month) if month else None
    with _in_one_order(con), ThreadPoolExecutor(1) as aside:
        looks = compute_rates(con, as_of)
        # Most of a plan is the drawing of numbers, which a thread of its own does meanwhile.
        plan = aside.submit(_plan, planning_inputs(con, as_of) if as_of else None)
        _compute_further_rates(con, looks, as_of)
        for name, frame in plan.result().items():
            _write(con, name, frame)
    con.execute(
        "create or replace table table_state"
        " (period varchar, as_of date, computed_for_load bigint, figures_set varchar, gear_family varchar)"
    )
    con.execute(
        "insert into table_state select $month, $as_of, max(load_id), $figures_set, any_value(gear_family)"
        " from loads, counted_gear",
        {"month": month, "as_of": as_of, "figures_set": figures_set()},
    )


def count_gear(con: duckdb.DuckDBPyConnection, family: str) -> None:
    """Have the next result tables of the open store computed from the lines of another gear family."""
    con.execute("update counted_gear set gear_family = $family", {"family": family})


@contextmanager
def _in_one_order(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Have sums added up in the same order each time, so that the same lines give the same figures to the last digit.

    Several threads add in the order in which they happen to end. For very many lines they are worth the last digit.
    """
    (lines,) = con.execute("select count(*) from counted_lines where superseded_by is null").fetchall()[0]
    if lines > MOST_LINES_ON_ONE_THREAD:
        yield
        return
    con.execute("set threads = 1")
    yield
    # Not after a fault: in a transaction that failed this would fail too, and hide why.
    con.execute("reset threads")


def compute_rates(con: duckdb.DuckDBPyConnection, as_of: date | None) -> pd.DataFrame:
    """Compute the exposures and the result tables that a plan rests on, from the lines up to `as_of`, and write them anew.

    Returns the looks that their rates were made from, as the hazard model takes them.
    """
    build_exposures(con, as_of)
    _write(con, "removal_rates", removal_rates(con, as_of))
    cells = reason_cells(con, as_of)
    _write(con, "reason_breakdown", reason_breakdown(cells))
    _write(con, "reasons_by_environment", reasons_by_environment(cells))
    _write(con, "overdue_inspections", overdue_inspections(con, as_of))
    looks = hazard_looks(con)
    rates, model = pooled_rates(con, looks)
    _write(con, "pooled_rates", rates)
    _write(con, "hazard_model", model)
    # What follows sums up what was just written.
    _write(con, "interval_recommendations", interval_recommendations(con))
    _write(con, "receiving_rejects", receiving_rejects(con, as_of))
    _write(con, "supplier_rejects", supplier_rejects(con))
    return looks


def _compute_further_rates(con: duckdb.DuckDBPyConnection, looks: pd.DataFrame, as_of: date | None) -> None:
    _write(con, "removal_trend", removal_trend(con))
    _write(con, "rate_changes", rate_changes(con))
    _write(con, "inspector_strictness", inspector_strictness(con))
    _write(con, "detection_sensitivity", detection_sensitivity(con))
    _write(con, "rate_backtest", rate_backtest(looks, as_of))
    benchmark, parts = site_benchmark(con)
    _write(con, "site_benchmark", benchmark)
    _write(con, "site_benchmark_parts", parts)
    _write(con, "site_practice", site_practice(con))


def _plan(inputs: PlanningInputs | None) -> dict[str, pd.DataFrame]:
    names = ("replacement_forecast", "forecast_totals", "order_plan", "order_totals")
    if inputs is None or (inputs.fleet.empty and inputs.stock.empty):
        return {name: pd.DataFrame(columns=load_contract(name).column_names) for name in names}
    rows, totals, forecast = replacement_forecast(inputs)
    return dict(zip(names, (rows, totals, *order_plan(inputs, forecast)), strict=True))


def _month_to_compute(con: duckdb.DuckDBPyConnection, period: str | None) -> str | None:
    if period:
        refuse_no_month(period)
    first, last = _first_and_last_month(con)
    if period and first and period < first:
        raise RequestFault(f"No inspection line lies in {period} or before. Choose a month from {first} on.")
    return period or last


def _first_and_last_month(con: duckdb.DuckDBPyConnection) -> tuple[str | None, str | None]:
    months = con.execute(
        "select strftime(min(inspected_on), '%Y-%m'), strftime(max(inspected_on), '%Y-%m') from current_lines"
    ).fetchone()
    assert months is not None
    return months[0], months[1]


def refuse_no_month(period: str) -> None:
    """Raise RequestFault where a text is no month, YYYY-MM, or one that has not begun: nothing is known of it."""
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", period):
        raise RequestFault(f'"{period}" is not a month. Write it as YYYY-MM, such as 2025-06.')
    if period > (now := f"{date.today():%Y-%m}"):
        raise RequestFault(f"{period} has not begun. Choose a month up to {now}.")


def last_day(month: str) -> date:
    """Return the last day of a month, YYYY-MM."""
    year, number = int(month[:4]), int(month[5:])
    return date(year, number, calendar.monthrange(year, number)[1])


def _write(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> None:
    contract = load_contract(name)
    con.execute(f"create or replace table {contract.table} ({contract.columns_sql()})")
    con.append(contract.table, frame[contract.column_names], by_name=True)
