"""Runs notebooks and writes what a reader opens: pages, a workbook, text tables and the index of a report pack."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipelines.packs.choosing import REPORTS
    from pipelines.packs.pack import run_pack

__all__ = ["REPORTS", "run_pack"]


def __getattr__(name: str) -> Any:
    # Charts and notebooks take seconds to import: whoever only writes a table is spared that.
    if name in __all__:
        from pipelines.packs import choosing, pack

        return {"REPORTS": choosing.REPORTS, "run_pack": pack.run_pack}[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
