from collections.abc import Callable

import duckdb
import pandas as pd
import pytest

from pipelines.store import create_tables
from tests.lines import append_lines

PLACE = {
    "client": "Brackle Docks",
    "site": "North Shed",
    "environment": "indoor dry",
    "item_class": "bow 16 mm",
    "source": "brackle-log",
    "serial": None,
}
COLUMNS = ("inspection_type", "inspected_on", "quantity", "removed")
REGISTERED = {"service_class": "normal", "current_interval_months": 12}


@pytest.fixture(scope="session")
def store_of() -> Callable[..., duckdb.DuckDBPyConnection]:
    """A function that takes lines (type, day, quantity, removed, further columns) and returns an open store.

    `reasons` among the further columns lists the criteria of the line as (criterion, primary removals, mentions);
    a line with removals and none of them is `not stated`. Every place has an interval of 12 months unless
    `register` says more of it.
    """

    def make(*lines: tuple, register: dict | None = None) -> duckdb.DuckDBPyConnection:
        con = duckdb.connect()
        create_tables(con)
        con.execute("insert into loads (load_id) values (1), (2)")
        rows, reasons = [], []
        for number, line in enumerate(lines, start=1):
            row = PLACE | dict(zip(COLUMNS, line, strict=False)) | (line[4] if len(line) > 4 else {})
            stated = row.pop("reasons", [("not stated", row["removed"], row["removed"])])
            rows.append(row | {"file_sha256": "f", "row": number})
            reasons += [("f", number, *reason) for reason in stated if row["removed"]]
        if rows:
            frame = pd.DataFrame(rows)
            frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
            append_lines(con, frame)
            names = ["file_sha256", "row", "criterion", "primary_removed", "mentions"]
            con.append("removal_reasons", pd.DataFrame(reasons, columns=names), by_name=True)
            places = frame[["client", "site", "environment"]].drop_duplicates()
            con.append("site_register", places.assign(**REGISTERED | (register or {})), by_name=True)
        return con

    return make
