"""The log lines behind a figure of a result table: which records of which files it was made from."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

import duckdb
import pandas as pd

from pipelines.contracts import load_contract
from pipelines.exposure import make_views
from pipelines.faults import RequestFault
from pipelines.models.backtest import last_day_ahead
from pipelines.models.planning import currency_of
from pipelines.shipped import statement
from pipelines.tables.names import FLEET_TABLES, TABLES
from pipelines.tables.rate_backtest import MONTHS_AHEAD
from pipelines.tables.read import contract_of_computed, read_table

PLACE = ("client", "site", "environment")
IN_SERVICE = ("periodic", "frequent")
ANY_TYPE = ("periodic", "frequent", "initial")
# Keys that say something of a line, each with the parameter of trace.sql.
OF_LINES = ("client", "site", "environment", "supplier", "inspector", "criterion", "month", "item_class")
LEARNT_ELSEWHERE = "The rates also learnt from the other places of the store, whose lines are not listed."
SPREAD_LEARNT_ELSEWHERE = "How far looks at a place differ was also learnt from the other places of the store, whose lines are not listed."
OTHERS_COMPARED = "What it is compared with rests on lines of other sites, which are not listed."


@dataclass(frozen=True)
class Behind:
    """Which lines stand behind the rows of a table.

    `keys` are the columns that choose a row; those in `beside` say nothing of lines. Lines of the types `counted` count
    by their own place and day, those of the types `rated` through the gap they fell in, at the look that closed it.
    """

    keys: tuple[str, ...]
    counted: tuple[str, ...] = ()
    rated: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    is_in_service: bool = False
    remark: str = ""


BEHIND = {
    "removal_rates": Behind((*PLACE, "month"), ANY_TYPE, ANY_TYPE),
    "removal_trend": Behind(("client", "site", "month"), ("periodic",), ANY_TYPE),
    "rate_changes": Behind(PLACE, rated=ANY_TYPE),
    "reason_breakdown": Behind((*PLACE, "criterion"), IN_SERVICE, IN_SERVICE),
    "reasons_by_environment": Behind(("client", "environment", "criterion"), IN_SERVICE, IN_SERVICE),
    "pooled_rates": Behind(PLACE, rated=ANY_TYPE, remark=LEARNT_ELSEWHERE),
    "interval_recommendations": Behind(PLACE, ("periodic",), ANY_TYPE, remark=LEARNT_ELSEWHERE),
    "detection_sensitivity": Behind((*PLACE, "detection"), rated=ANY_TYPE, beside=("detection",)),
    "rate_backtest": Behind(
        ("origin_on", *PLACE), rated=ANY_TYPE, beside=("origin_on",),
        remark="The forecast itself rests on the looks up to its day, at all places.",
    ),
    "overdue_inspections": Behind((*PLACE, "item_class"), is_in_service=True),
    "replacement_forecast": Behind(
        ("client", "site", "item_class", "month"), ANY_TYPE, ANY_TYPE, beside=("month",), remark=LEARNT_ELSEWHERE
    ),
    "forecast_totals": Behind(
        ("client", "site", "item_class", "month"), ANY_TYPE, ANY_TYPE, beside=("month",), remark=LEARNT_ELSEWHERE
    ),
    "order_plan": Behind(("client", "item_class"), ANY_TYPE, ANY_TYPE, remark=LEARNT_ELSEWHERE),
    "order_totals": Behind(
        ("client", "currency"), ANY_TYPE, ANY_TYPE, beside=("currency",), remark=LEARNT_ELSEWHERE
    ),
    "supplier_rejects": Behind(("client", "supplier"), ("initial",)),
    "receiving_rejects": Behind(("client", "site", "supplier", "month"), ("initial",)),
    "inspector_strictness": Behind(
        ("client", "inspector"), rated=("periodic",), remark="What it is compared with rests on the looks of others."
    ),
    "site_benchmark": Behind(("client", "site"), rated=ANY_TYPE, remark=OTHERS_COMPARED),
    "site_benchmark_parts": Behind(
        ("client", "site", "part"), rated=ANY_TYPE, beside=("part",), remark=OTHERS_COMPARED
    ),
    "site_practice": Behind(("client", "site"), ANY_TYPE, ANY_TYPE),
}  # fmt: skip


def trace_lines(
    con: duckdb.DuckDBPyConnection,
    name: str,
    where: Mapping[str, str],
    quarantined: pd.DataFrame,
    as_of: date,
) -> pd.DataFrame:
    """Return the log lines behind rows of a result table, superseded ones and those in quarantine too.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store with its tables computed; a read-only connection will do.
    name : str
        The result table.
    where : mapping of str
        Values of its key columns, as the table has them; '' where the column is empty. All rows that have them are meant.
    quarantined : DataFrame
        The rows in quarantine, as `quarantined_lines` of the intake reads them.
    as_of : date
        The last day that the tables count.

    Returns
    -------
    DataFrame
        One row per record of a file, in order of the days:

        - `standing`: 'current', 'superseded', 'in quarantine', with 'perhaps of this figure' where what was asked for
          could not all be read of the row, or 'part of row n' for a further record of a line.
        - `counts_in`: of current lines, 'counts' (by their own place and day), 'rate' (through the gap between two looks
          that they fell in), both, or 'in service'. Quantity and removed of lines with 'counts' add up to the figures
          of the rows, by inspection type; so does `removed_at_risk` of those with 'rate'.
        - `removed_on_criterion` and `mentions` are those of the criterion asked for, where the table is one of reasons.
        - `previous_on`, `closed_on`: the gap, for lines with 'rate'. The look that opened it is not listed.
        - `raw`: the cells as the file has them, of rows in quarantine; else empty.

    Raises
    ------
    RequestFault
        There is no such table, column or row, or the table tells of all clients together.
    """
    behind = _behind(name)
    rows = _rows_asked_for(con, name, behind, where)
    make_views(con)
    _stage_quarantined(con, quarantined)
    asked: dict[str, object] = {
        key: where.get(key) or None if key not in behind.beside else None
        for key in OF_LINES
        if key != "item_class"
    }
    after, until = _days_of(rows) if "origin_on" in where else (None, None)
    return con.execute(
        statement("pipelines.tables", "trace.sql"),
        asked
        | {
            "item_classes": _item_classes(con, rows, where),
            "after": after,
            "until": until,
            "by_criterion": "criterion" in behind.keys,
            "counted": list(behind.counted),
            "rated": list(behind.rated),
            "in_service": behind.is_in_service,
            "as_of": as_of,
        },
    ).df()


def remark_on(con: duckdb.DuckDBPyConnection, name: str, where: Mapping[str, str]) -> str:
    """Return what else the figures of a table rest on, in a sentence; '' where the lines are all.

    Parameters
    ----------
    con, name, where
        As `trace_lines` takes them.
    """
    behind = _behind(name)
    if behind.keys != PLACE or behind.remark != LEARNT_ELSEWHERE:
        return behind.remark
    rates = every = read_table(con, "pooled_rates")
    for column, value in where.items():
        rates = rates[rates[column] == value]
    if rates["is_pooled"].any():
        return LEARNT_ELSEWHERE
    is_spread = len(every) > len(rates) and (rates["look_weight"] < 1).any()
    return SPREAD_LEARNT_ELSEWHERE if is_spread else ""


def _behind(name: str) -> Behind:
    contract_of_computed(name)
    if name in FLEET_TABLES:
        raise RequestFault(
            f'The table "{name}" tells of all clients together: every look in the store is behind each of its figures, so'
            " no lines can be told apart. Trace a place in pooled_rates."
        )
    if name not in TABLES:
        raise RequestFault(
            f'The rows of "{name}" are rows of the log themselves. See them with: rigging-removals quarantine'
        )
    return BEHIND[name]


def _rows_asked_for(
    con: duckdb.DuckDBPyConnection, name: str, behind: Behind, where: Mapping[str, str]
) -> pd.DataFrame:
    for column in where:
        if column not in behind.keys:
            near = get_close_matches(column, behind.keys, n=1, cutoff=0.6)
            advice = f"Did you mean {near[0]}?" if near else f"Choose by {', '.join(behind.keys)}."
            raise RequestFault(f'No row of "{name}" can be chosen by "{column}". {advice}')
    rows = read_table(con, name)
    chosen: list[str] = []
    for column in (key for key in behind.keys if key in where):
        values = _as_text(rows[column])
        if where[column] not in set(values):
            raise RequestFault(_nothing_so(name, column, where[column], values, chosen))
        rows = rows[values == where[column]]
        chosen.append(f'{column} "{where[column]}"')
    return rows


def _as_text(values: pd.Series) -> pd.Series:
    """Return the values of a key column as a person types them."""
    if pd.api.types.is_datetime64_any_dtype(values):
        values = values.dt.strftime("%Y-%m-%d")
    return values.map(lambda value: "" if pd.isna(value) else str(value))


def _nothing_so(name: str, column: str, value: str, values: pd.Series, chosen: list[str]) -> str:
    of = f" with {' and '.join(chosen)}" if chosen else ""
    known = {str(each).casefold(): str(each) for each in sorted(set(values)) if each}
    near = [known[each] for each in get_close_matches(value.casefold(), known, n=3, cutoff=0.5)]
    if near:
        advice = f"Nearest: {', '.join(near)}."
    elif known:
        more = ", ..." if len(known) > 8 else ""
        advice = f"There are: {', '.join([*known.values()][:8])}{more}."
    else:
        advice = f"The column {column} is empty there."
    return f'"{name}" has no row{of} in which {column} is "{value}". {advice}'


def _days_of(rows: pd.DataFrame) -> tuple[date, date]:
    (origin,) = rows["origin_on"].unique()
    return origin.date(), last_day_ahead(origin, MONTHS_AHEAD).date()


def _item_classes(
    con: duckdb.DuckDBPyConnection, rows: pd.DataFrame, where: Mapping[str, str]
) -> list[str] | None:
    if where.get("item_class"):
        return [where["item_class"]]
    if "currency" not in where:
        return None
    plan = read_table(con, "order_plan").merge(rows[["client"]].drop_duplicates(), on="client")
    return plan.loc[currency_of(plan) == where["currency"], "item_class"].tolist()


def _stage_quarantined(con: duckdb.DuckDBPyConnection, quarantined: pd.DataFrame) -> None:
    """Make the temporary table `quarantined_lines`, each column of the type that its contract says."""
    types = {
        column.name: column.physical_type
        for name in ("inspection_line", "quarantine")
        for column in load_contract(name).columns
    } | {"criteria": "varchar"}
    # Values travel as text, so that no type is guessed from the first rows.
    con.register("found_in_quarantine", quarantined)
    columns = ", ".join(f"{name}::varchar::{types[name]} as {name}" for name in quarantined.columns)
    con.execute(
        f"create or replace temp table quarantined_lines as select {columns} from found_in_quarantine"
    )
    con.unregister("found_in_quarantine")
