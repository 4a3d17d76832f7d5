"""The result tables: one module and one SQL file for each, computed once per store state under its own contract."""

from pipelines.tables.compute import FLEET_TABLES, TABLES, compute_tables, count_gear
from pipelines.tables.read import read_table

__all__ = ["FLEET_TABLES", "TABLES", "compute_tables", "count_gear", "read_table"]
