from collections.abc import Callable

import duckdb
import pandas as pd
import pytest

from pipelines.exposure import build_exposures
from pipelines.store import create_tables
from tests.lines import append_lines

PLACE = {
    "client": "Brackle Docks",
    "site": "North Shed",
    "environment": "indoor dry",
    "item_class": "bow 16 mm",
}


@pytest.fixture
def exposures() -> Callable[..., pd.DataFrame]:
    """A function that takes lines (type, day, quantity, removed, further columns) and returns their exposures.

    With `interval_months` every place of the lines stands in the site register with that interval, and with `visit_days`.
    """

    def build(
        *lines: tuple, interval_months: int | None = None, visit_days: int | None = None, **options
    ) -> pd.DataFrame:
        con = duckdb.connect()
        create_tables(con)
        columns = ("inspection_type", "inspected_on", "quantity", "removed")
        rows = [
            PLACE
            | {"serial": None}
            | dict(zip(columns, line, strict=False))
            | (line[4] if len(line) > 4 else {})
            for line in lines
        ]
        frame = pd.DataFrame(rows)
        frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
        append_lines(con, frame)
        if interval_months:
            places = frame[["client", "site", "environment"]].drop_duplicates()
            places = places.assign(current_interval_months=interval_months, visit_days=visit_days)
            con.append("site_register", places.astype({"visit_days": "Int64"}), by_name=True)
        build_exposures(con, **options)
        return con.execute("select * from exposures order by item_class, serial, inspected_on").df()

    return build
