"""Has jobs done in other processes, which may be killed in the midst of them, and says what must hold afterwards."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from pipelines.packs import pack
from pipelines.store import open_store
from pipelines.store.checking import disagreements

ROOT = Path(__file__).parents[2]
KILLED = -signal.SIGKILL


class Warm:
    """A warm process; `do` has a job done, or killed after so many seconds, and returns its exit status."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.megabytes = 0

    def do(self, job: str, seconds: float | None = None, **asked: Any) -> int:
        pid = self.start(job, **asked)
        if seconds is not None:
            time.sleep(seconds)
            with suppress(ProcessLookupError):
                os.killpg(pid, signal.SIGKILL)
        return self.end(pid)

    def start(self, job: str, meanwhile: Any = None, said: Path | str = os.devnull, **arguments: Any) -> int:
        """Return the number of a process that does the job; what it says goes to the file `said`."""
        self._ask({"job": job, "arguments": arguments, "meanwhile": meanwhile, "said": said})
        return int(self._line())

    def end(self, pid: int) -> int:
        """Wait for a process and return its exit status; the most memory it used is in `megabytes` then."""
        self._ask(pid)
        status, self.megabytes = map(int, self._line().split())
        return status

    def _ask(self, asked: Any) -> None:
        assert self.process.stdin
        self.process.stdin.write(json.dumps(asked, default=str) + "\n")
        self.process.stdin.flush()

    def _line(self) -> str:
        assert self.process.stdout
        return self.process.stdout.readline()


@contextmanager
def warm_process() -> Iterator[Warm]:
    with subprocess.Popen(
        [sys.executable, Path(__file__).parent / "warm.py"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:
        assert process.stdout
        assert process.stdout.readline() == "ready\n"
        yield Warm(process)
        assert process.stdin
        process.stdin.close()


def loads_of_whole(store: Path) -> int:
    """Return how many loads a store holds, after making sure that it holds each of them whole."""
    with open_store(store) as con:
        assert disagreements(con) == []
        (loads, highest) = con.execute("select count(*), coalesce(max(load_id), 0) from loads").fetchall()[0]
        assert loads == highest
        if con.execute("select 1 from duckdb_tables() where table_name = 'table_state'").fetchall():
            state = con.execute("select computed_for_load from table_state").fetchall()
            assert len(state) == 1
            assert state[0][0] is None or state[0][0] <= loads
    return loads


def packs_of_whole(out: Path) -> list[str]:
    """Return the months that have a pack, after making sure that each is whole; what was left aside does not count."""
    months = [path for path in out.glob("*") if path.is_dir() and not path.name.startswith(pack.ASIDE)]
    for month in months:
        assert (month / "index.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
        assert (month / "tables.xlsx").is_file()
        pages = list(month.glob("*.html"))
        assert all(page.read_text(encoding="utf-8").rstrip().endswith("</html>") for page in pages)
    return sorted(month.name for month in months)
