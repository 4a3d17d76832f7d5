"""The DuckDB file that keeps accepted lines, quarantined rows, registers and result tables."""

from pipelines.store.file import attach_store, create_tables, make_store, open_store, remove_empty_store
from pipelines.store.loading import load_register, write_load

__all__ = [
    "attach_store",
    "create_tables",
    "load_register",
    "make_store",
    "open_store",
    "remove_empty_store",
    "write_load",
]
