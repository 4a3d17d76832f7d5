"""What kind of item each item class is: its size band and its pin, or its body where it has none, by which models tell items apart."""

from collections.abc import Sequence
from itertools import pairwise

import duckdb
import numpy as np
import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.shipped import statement


def make_item_kinds(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table `item_kinds`: item_class, size_band and pin, one row per item class of the current lines."""
    classes = con.execute(
        "select item_class, any_value(nominal_size_mm) as nominal_size_mm, any_value(coalesce(pin, body)) as pin"
        " from wordings group by item_class"
    ).df()
    kinds = pd.DataFrame(
        {
            "item_class": classes["item_class"].astype("string"),
            "size_band": size_bands(classes["nominal_size_mm"], risk_targets().size_bands_up_to_mm).astype(
                "string"
            ),
            "pin": classes["pin"].astype("string"),
        }
    )
    con.execute(
        "create or replace temp table item_kinds (item_class varchar, size_band varchar, pin varchar)"
    )
    con.append("item_kinds", kinds, by_name=True)


def make_place_kinds(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary tables `item_kinds` and `place_kinds`, the kinds of item at each place, by number and by name."""
    make_item_kinds(con)
    con.execute(statement("pipelines.tables", "place_kinds.sql"))


def size_bands(nominal_size_mm: pd.Series, up_to_mm: Sequence[float]) -> pd.Series:
    """Return the size band of each size [mm] in words, by the upper ends of the bands; empty where there is no size.

    >>> size_bands(pd.Series([16.0, 19.0, 22.0, 51.0]), [19, 38]).tolist()
    ['up to 19 mm', 'up to 19 mm', 'above 19 to 38 mm', 'above 38 mm']
    """
    between = [f"above {low:g} to {high:g} mm" for low, high in pairwise(up_to_mm)]
    words = [f"up to {up_to_mm[0]:g} mm", *between, f"above {up_to_mm[-1]:g} mm"]
    banded = pd.cut(nominal_size_mm.astype(float), [0, *up_to_mm, np.inf], labels=words)
    return banded.astype(object).where(nominal_size_mm.notna(), None)  # type: ignore[call-overload]
