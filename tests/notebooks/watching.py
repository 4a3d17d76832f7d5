"""What tests of packs look at: the pages of a pack without the time of their making, and the processes that make them."""

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil

MADE_AT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC")
LONGEST_SECONDS = 60


def pages(pack: Path) -> dict[str, str]:
    return {path.name: MADE_AT.sub("", path.read_text(encoding="utf-8")) for path in pack.glob("*.html")}


def is_kernel(process: psutil.Process) -> bool:
    try:
        return "ipykernel_launcher" in process.cmdline()
    except psutil.NoSuchProcess:
        return False


def until(found: Callable[[], list[Any]], count: int) -> list[Any]:
    """Return what is found once there are so many, as there must be within a minute."""
    end = time.monotonic() + LONGEST_SECONDS
    while len(there := found()) != count:
        assert time.monotonic() < end, there
        time.sleep(0.1)
    return there
