"""A process that has everything imported, and does each job it is asked for in a child of its own, to be killed at will.

Run as a program: it reads a job in JSON from each line of its standard input, answers with the number of the child, and
with the child's exit status once it has ended, as `subprocess` writes it.
"""

import importlib
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import great_expectations  # noqa: F401  imported where needed, at the first file: seconds of every child's life

from pipelines import jobs
from pipelines.packs import pack, run_pack


def intake(store: str, files: list[str], profile: str, register: str) -> None:
    for _ in jobs.load_and_compute(
        [Path(file) for file in files], Path(store), [Path(register)], Path(profile)
    ):
        pass


def recompute(store: str) -> None:
    jobs.compute_for_store(Path(store))


def report(store: str, out: str, period: str, names: list[str]) -> None:
    run_pack(names, Path(store), period, "", "", Path(out), jobs=1)


def empty_report(store: str, out: str, period: str) -> None:
    """Make a pack without pages of notebooks: what is left is the writing and the moving."""
    pack._run_all = lambda *_: []
    run_pack(["monthly"], Path(store), period, "", "", Path(out), jobs=1)


def die_at(room: str, name: str, call: int) -> None:
    """Have this process killed before a function is called for the `call`th time; `room` is a module or class."""
    module, _, owner = room.partition(":")
    place: Any = importlib.import_module(module)
    place = getattr(place, owner) if owner else place
    real, calls = getattr(place, name), 0

    def counted(*args: Any, **kwargs: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == call:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **kwargs)

    setattr(place, name, counted)


def _child(asked: dict[str, Any]) -> None:
    os.setsid()
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing, 1)
    if asked.get("die_at"):
        die_at(*asked["die_at"])
    globals()[asked["job"]](**asked["arguments"])


if __name__ == "__main__":
    print("ready", flush=True)
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                _child(json.loads(line))
            except BaseException as error:
                print(f"{type(error).__name__}: {error}", file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        print(pid, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
