"""Runs notebooks and writes what a reader opens: pages, a workbook, text tables and the index of a report pack."""

from pipelines.packs.pack import REPORTS, run_pack

__all__ = ["REPORTS", "run_pack"]
