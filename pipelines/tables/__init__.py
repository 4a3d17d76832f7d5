"""The result tables: one module and one SQL file for each, computed once per store state under its own contract."""

from pipelines.tables.compute import TABLES, compute_tables
from pipelines.tables.read import read_table

__all__ = ["TABLES", "compute_tables", "read_table"]
