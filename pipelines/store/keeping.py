"""Backs a store up, and puts a backup in its place."""

import os
from contextlib import closing
from pathlib import Path

from pipelines.faults import DataFault, HeldFault, RequestFault
from pipelines.scratch import scratch_folder
from pipelines.store.checking import disagreements
from pipelines.store.file import SCHEMA_VERSION, connected, copied_store, free_name, give_name, version_of


def back_up(store: Path, out: Path | None) -> Path:
    """Copy a store as it stands at one moment, and return the path of the copy: `out`, or a new name beside the store.

    Raises RequestFault where there is no store or `out` is there already.
    """
    target = out or free_name(store, "backup")
    if target.exists():
        raise RequestFault(f"{target} is there already. Give another name with --out, or remove it.")
    target.parent.mkdir(parents=True, exist_ok=True)
    with scratch_folder(target.parent, f".{target.name}-") as aside:
        copied_store(store, aside / target.name).close()
        give_name(aside / target.name, target)
    return target


def restore(backup: Path, store: Path) -> tuple[int, Path | None]:
    """Put what a backup holds in the place of a store; return the number of its loads and where the former store is kept.

    Raises DataFault where the backup is not whole or another process holds the store; both stay as they are then.
    """
    store.parent.mkdir(parents=True, exist_ok=True)
    with scratch_folder(store.parent, f".{store.name}-") as aside:
        new = aside / store.name
        with closing(copied_store(backup, new)) as con:
            if version_of(con, backup) == SCHEMA_VERSION and (wrong := disagreements(con)):
                raise DataFault(f"{backup} is not whole: {wrong[0]}. Choose another backup.")
            (loads,) = con.execute("select count(*) from loads").fetchall()[0]
        kept = _kept(store) if store.exists() else None
        os.replace(new, store)
    return loads, kept


def _kept(store: Path) -> Path:
    """Keep a store, whole or damaged, under a second name, which is returned."""
    try:
        # Takes in what a killed run left in the log beside it, and makes sure that nobody holds it.
        connected(store, read_only=False).close()
    except HeldFault:
        raise
    except DataFault:
        pass  # a damaged one is kept as it is
    kept = free_name(store, "before-restore")
    log = Path(f"{store}.wal")
    if log.exists():
        log.rename(f"{kept}.wal")
    give_name(store, kept)
    return kept
