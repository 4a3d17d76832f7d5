"""Logs to be loaded while something goes wrong."""

from pathlib import Path
from typing import Any

from tests.conftest import HEADER, PROFILE, REGISTER


def write_logs(folder: Path, count: int, rows: int = 40) -> dict[str, Any]:
    """Write so many logs, one for each year, with a register and a profile; return the arguments of an intake."""
    for number in range(count):
        lines = [
            f"{place},bow,screw pin,16 mm,2.95,carbon,,{2026 - number}-{month:02d}-{day:02d},yearly,25,{day % 2},no tag"
            for place in ("North Shed,indoor dry", "Sea Wall,marine spray")
            for month in (1, 2)
            for day in range(1, rows // 4 + 1)
        ]
        (folder / f"log{number}.csv").write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    (folder / "register.csv").write_text(REGISTER, encoding="utf-8")
    return {
        "files": [folder / f"log{number}.csv" for number in range(count)],
        "profile": folder / "profile.yaml",
        "register": folder / "register.csv",
    }
