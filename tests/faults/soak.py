"""Kills intakes, recomputes and reports at random moments, looks at what is left each time, and prints what it counted.

    .venv/bin/python tests/faults/soak.py --kills 200 --seed 1

It stops at the first thing that is not whole, with its seed.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from shutil import copy

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipelines.store import open_store
from tests.faults.killing import KILLED, Warm, loads_of_whole, packs_of_whole, warm_process
from tests.faults.logs import write_logs

LOGS = 3
ROWS = 80  # lines of each log
MONTHS = ("2026-01", "2026-02")


class Soak:
    """One run: a store that is filled again and again, a whole store to report from, and the counts."""

    def __init__(self, folder: Path, warm: Warm, seed: int) -> None:
        self.folder, self.warm, self.chance = folder, warm, random.Random(seed)
        self.counts: Counter[str] = Counter()
        self.logs = write_logs(folder, LOGS, rows=ROWS)
        self.whole = folder / "whole.duckdb"
        self.lasts = {"intake": self._seconds("intake", store=self.whole, **self.logs)}
        self.lasts["recompute"] = self._seconds("recompute", store=self.whole)
        for job, names in (("empty_report", {}), ("report", {"names": ["intake_account"]})):
            asked = {"store": self.whole, "out": folder / job, "period": MONTHS[0], **names}
            self.lasts[job] = self._seconds(job, **asked)
        self.lines = self.content(self.whole)
        self.rounds = 0

    def _seconds(self, job: str, **arguments) -> float:
        start = time.monotonic()
        assert self.warm.do(job, **arguments) == 0
        return time.monotonic() - start

    def content(self, store: Path) -> list[tuple]:
        with open_store(store) as con:
            return con.execute(
                "select * exclude load_id from inspection_lines order by file_sha256, row"
            ).fetchall()

    def killed(self, job: str, **arguments) -> bool:
        status = self.warm.do(job, seconds=self.chance.uniform(0, self.lasts[job]), **arguments)
        assert status in (0, KILLED), f"{job} ended with status {status}"
        self.counts[f"{job}: {'killed' if status == KILLED else 'was done before'}"] += 1
        return status == KILLED

    def kill_an_intake(self) -> None:
        home = self.folder / f"round{self.rounds}"
        home.mkdir(exist_ok=True)
        store = home / "store.duckdb"
        self.killed("intake", store=store, **self.logs)
        if not store.exists():
            return
        loads = loads_of_whole(store)
        lines = self.content(store)
        self.counts["rows lost"] += max(0, loads * ROWS - len(lines))
        self.counts["rows doubled"] += len(lines) - len({(line[0], line[1]) for line in lines})
        if self.chance.random() < 0.2:
            assert self.warm.do("intake", store=store, **self.logs) == 0
            assert self.content(store) == self.lines
            left = [path.name for path in home.iterdir() if path.name != "store.duckdb"]
            assert left == [], left
            self.counts["runs done again to the end"] += 1
            self.rounds += 1

    def kill_a_recompute(self) -> None:
        store = copy(self.whole, self.folder / "recomputed.duckdb")
        Path(f"{store}.wal").unlink(missing_ok=True)
        self.killed("recompute", store=store)
        assert loads_of_whole(store) == LOGS
        assert self.content(store) == self.lines

    def kill_a_report(self, job: str, **names) -> None:
        out = self.folder / job
        before = packs_of_whole(out)
        self.killed(job, store=self.whole, out=out, period=self.chance.choice(MONTHS), **names)
        after = packs_of_whole(out)
        if missing := set(before) - set(after):
            self.counts["packs between two places"] += 1
            assert self.warm.do(job, store=self.whole, out=out, period="2025-02", **names) == 0
            assert missing <= set(packs_of_whole(out))
        assert loads_of_whole(self.whole) == LOGS

    def tidy(self) -> None:
        for job, names in (("empty_report", {}), ("report", {"names": ["intake_account"]})):
            out = self.folder / job
            assert self.warm.do(job, store=self.whole, out=out, period=MONTHS[0], **names) == 0
            assert [path.name for path in out.iterdir() if path.name.startswith(".")] == []


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    wanted = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder, warm_process() as warm:
        soak = Soak(Path(folder), warm, wanted.seed)
        while (
            kills := sum(n for what, n in soak.counts.items() if what.endswith(": killed"))
        ) < wanted.kills:
            kind = soak.chance.random()
            if kind < 0.5:
                soak.kill_an_intake()
            elif kind < 0.7:
                soak.kill_a_recompute()
            elif kind < 0.9:
                soak.kill_a_report("empty_report")
            else:
                soak.kill_a_report("report", names=["intake_account"])
            if (kills + 1) % 20 == 0:
                print(kills + 1, dict(soak.counts), flush=True)
        soak.tidy()
    print(f"seed {wanted.seed}: {kills} kills survived")
    for what, count in sorted(soak.counts.items()):
        print(f"  {what}: {count}")


if __name__ == "__main__":
    main()
