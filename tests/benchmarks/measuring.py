"""Runs the steps of a benchmark, each in a process of its own, and says how long each took and how much memory.

A benchmark is a module run as `python -m tests.benchmarks.NAME`, with steps that take a folder and return figures.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

Step = Callable[[Path], dict[str, float]]


@contextmanager
def stopwatch(found: dict[str, float]) -> Iterator[None]:
    """Put the time on the clock and that of the processor [s] into `found`: others on the machine disturb the latter less."""
    started, busy = time.perf_counter(), time.process_time()
    yield
    found |= {"clock": time.perf_counter() - started, "processor": time.process_time() - busy}


def add_step_options(asked: argparse.ArgumentParser, steps: Mapping[str, Step]) -> None:
    """Add the two options by which `measured` runs a step."""
    asked.add_argument("--step", choices=steps, help=argparse.SUPPRESS)
    asked.add_argument("--folder", type=Path, help=argparse.SUPPRESS)


def is_step_done(options: argparse.Namespace, steps: Mapping[str, Step]) -> bool:
    """Run the step that was asked for, if one was, and print its figures."""
    if options.step:
        found = steps[options.step](options.folder)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(json.dumps(found | {"peak": peak}))
    return bool(options.step)


def measured(module: str, step: str, folder: Path) -> dict[str, float]:
    """Return what one step says of itself, run in a process of its own, and the most memory it took [GB]."""
    done = subprocess.run(
        [sys.executable, "-m", f"tests.benchmarks.{module}", "--step", step, "--folder", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def best(module: str, step: str, folder: Path, rounds: int) -> dict[str, float]:
    """Return the least of each measure over some rounds, and the most memory."""
    found = [measured(module, step, folder) for _ in range(rounds)]
    return {name: min(each[name] for each in found) for name in found[0]} | {
        "peak": max(each["peak"] for each in found)
    }
