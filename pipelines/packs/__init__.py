"""Runs notebooks and writes what a reader opens: pages, a workbook, text tables and the index of a report pack."""

from pipelines.packs.choosing import REPORTS
from pipelines.packs.pack import run_pack

__all__ = ["REPORTS", "run_pack"]
