"""The result tables: one module and one SQL file for each, computed once per store state under its own contract."""

from typing import TYPE_CHECKING, Any

from pipelines.tables.names import FLEET_TABLES, TABLES
from pipelines.tables.read import is_computed_for, known_places, read_table, refuse_unknown

if TYPE_CHECKING:
    from pipelines.tables.compute import compute_tables, count_gear

__all__ = [
    "FLEET_TABLES",
    "TABLES",
    "compute_tables",
    "count_gear",
    "is_computed_for",
    "known_places",
    "read_table",
    "refuse_unknown",
]


def __getattr__(name: str) -> Any:
    # The models take a second or two to import: whoever only reads a table is spared that.
    if name in ("compute_tables", "count_gear"):
        from pipelines.tables import compute

        return getattr(compute, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
