"""One exported file to canonical lines: reads it, stages it, checks it, and hands it to the store."""

from pipelines.intake.account import account_lines
from pipelines.intake.files import check_files, load_files
from pipelines.intake.registers import load_registers

__all__ = ["account_lines", "check_files", "load_files", "load_registers"]
