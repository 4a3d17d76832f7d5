"""A process that has everything imported, and does each job it is asked for in a child of its own, to be killed at will.

Run as a program: it reads a job in JSON from each line of its standard input and answers with the number of the child, or
the number of a child, and answers, once it has ended, with its exit status, as `subprocess` writes it, and the most memory it used [MB].
"""

import encodings.utf_8_sig  # noqa: F401  found where the installation lies, which another user may not read
import importlib
import json
import os
import resource
import signal
import sys
import time
import traceback
from pathlib import Path
from typing import Any, NoReturn

import duckdb_engine  # noqa: F401  this and the next are imported where needed, at the first file
import great_expectations  # noqa: F401

from pipelines import jobs
from pipelines.cli import main
from pipelines.contracts import contract_names, load_contract
from pipelines.packs import pack, run_pack

LONGEST_SECONDS = 120  # a child that takes longer hangs, and is ended


def intake(store: str, files: list[Any], profile: Any, register: Any) -> None:
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
    real, pack.pages_to_make = pack.pages_to_make, lambda *_: []
    run_pack(["monthly"], Path(store), period, "", "", Path(out), jobs=1)
    pack.pages_to_make = real


def slow_report(store: str, out: str, period: str, seconds: float) -> None:
    """Make a pack without pages, so many seconds after its store was opened."""
    pack.pages_to_make = lambda *_: time.sleep(seconds) or []
    run_pack(["monthly"], Path(store), period, "", "", Path(out), jobs=1)


def command(
    words: list[str],
    folder: str,
    user: int = 0,
    most_bytes: int = 0,
    environment: dict[str, str | None] | None = None,
) -> None:
    """Run the command line in a folder, as another user, with a limit to the size of files, in another environment."""
    os.chdir(folder)
    for name, value in (environment or {}).items():
        os.environ.pop(name, None)
        if value is not None:
            os.environ[name] = value
    time.tzset()
    if most_bytes:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    if user:
        os.setgid(user)
        os.setuid(user)
    sys.argv = ["rigging-removals", *words]
    main()


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def lose(path: str) -> None:
    Path(path).unlink()


def grow(path: str) -> None:
    with Path(path).open("a", encoding="utf-8") as log:
        log.write("one more line, not written to its end")


def meanwhile(room: str, name: str, call: int, deed: str = "die", *arguments: str) -> None:
    """Have something done before a function is called for the `call`th time; `room` is a module or a class in one."""
    module, _, owner = room.partition(":")
    place: Any = importlib.import_module(module)
    place = getattr(place, owner) if owner else place
    real, calls = getattr(place, name), 0

    def counted(*args: Any, **kwargs: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == call:
            globals()[deed](*arguments)
        return real(*args, **kwargs)

    setattr(place, name, counted)


def _child(asked: dict[str, Any]) -> NoReturn:
    os.setsid()
    signal.alarm(LONGEST_SECONDS)
    os.dup2(os.open(os.devnull, os.O_RDWR), 0)
    said = os.open(asked["said"], os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    os.dup2(said, 1)
    os.dup2(said, 2)
    if asked["meanwhile"]:
        meanwhile(*asked["meanwhile"])
    status = 0
    try:
        globals()[asked["job"]](**asked["arguments"])
    except SystemExit as end:
        status = int(end.code or 0)
    except BaseException:
        traceback.print_exc()
        status = 1
    sys.stdout.flush()
    os._exit(status)


def _warm_up() -> None:
    """Read and import what every intake needs; no database is opened, since its threads would not come along in a child."""
    for name in contract_names():
        load_contract(name)


if __name__ == "__main__":
    _warm_up()
    print("ready", flush=True)
    for line in sys.stdin:
        asked = json.loads(line)
        if isinstance(asked, int):
            _, status, used = os.wait4(asked, 0)
            print(os.waitstatus_to_exitcode(status), used.ru_maxrss // 1024, flush=True)
            continue
        pid = os.fork()
        if pid == 0:
            _child(asked)
        print(pid, flush=True)
