"""Folders of a run's own: taken away when it ends, and at a later run where it was killed before it could."""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

try:
    import fcntl
except (
    ImportError
):  # a system without such locks: nothing is known of other runs there, so their folders stay
    fcntl = None  # type: ignore[assignment]

PREFIX = "rigging-removals-"


@contextmanager
def scratch_folder(
    parent: Path | None = None, prefix: str = PREFIX, rescue: Callable[[Path], None] | None = None
) -> Iterator[Path]:
    """Lend a new folder, gone afterwards; those that killed runs left beside it are taken away first.

    Parameters
    ----------
    parent : Path
        Where to make it; by default where the system keeps temporary files.
    prefix : str
        What its name begins with; only folders whose names begin so are taken away.
    rescue : callable
        Called with a folder before it is taken away, to bring back what must not be lost with it.
    """
    parent = parent or Path(tempfile.gettempdir())
    for left in parent.glob(f"{_exact(prefix)}*"):
        _take_away(left, rescue)
    folder, lock = _new_folder(parent, prefix)
    try:
        yield folder
    finally:
        if rescue:
            rescue(folder)
        shutil.rmtree(folder, ignore_errors=True)
        _release(lock)


@contextmanager
def held_folder(folder: Path) -> Iterator[None]:
    """Keep other runs that ask for the same folder waiting; the lock ends with the process at the latest."""
    lock = _lock(folder, waits=True)
    try:
        yield
    finally:
        _release(lock)


def _new_folder(parent: Path, prefix: str) -> tuple[Path, int | None]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
        lock = _lock(folder)
        # Another run may have taken it for one left behind before it was locked.
        if fcntl is None or (lock is not None and folder.exists()):
            return folder, lock
        _release(lock)


def _take_away(folder: Path, rescue: Callable[[Path], None] | None) -> None:
    if fcntl is None or (lock := _lock(folder)) is None:
        return
    try:
        if rescue:
            rescue(folder)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        _release(lock)


def _lock(folder: Path, waits: bool = False) -> int | None:
    """Return an open lock on a folder, or None where another run holds it, it is gone, or it is somebody else's."""
    if fcntl is None:
        return None
    try:
        lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | (0 if waits else fcntl.LOCK_NB))
    except OSError:
        os.close(lock)
        return None
    return lock


def _release(lock: int | None) -> None:
    if lock is not None:
        os.close(lock)


def _exact(prefix: str) -> str:
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in prefix)
