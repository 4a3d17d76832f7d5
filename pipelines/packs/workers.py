"""Where the pages of a pack are made: in processes of this machine, or on the machines of a Dask cluster."""

import multiprocessing
import multiprocessing.util
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from pipelines.faults import RequestFault
from pipelines.packs.making import clear_benches, kill_benches, sees

LONGEST_SEARCH_SECONDS = 10  # for a scheduler that does not answer


@contextmanager
def workers_here(count: int) -> Iterator[Executor]:
    """Lend so many processes that make pages; one alone works in this process, whose imports it then shares.

    They and their kernels are gone at the end of the block: at once where it is left by an error or the keyboard, and
    at once too where this process is killed.
    """
    if count == 1:
        with ThreadPoolExecutor(1) as thread:
            try:
                yield thread
            except BaseException:
                kill_benches()
                raise
            finally:
                thread.submit(clear_benches).result()
        return
    # Each worker waits for the end of this pipe, of which nobody else holds the other one.
    ends, kept = multiprocessing.Pipe(duplex=False)
    pool = ProcessPoolExecutor(count, _processes(), _begin, (ends,))
    try:
        yield pool
    except BaseException:
        kept.close()
        raise
    finally:
        pool.shutdown(cancel_futures=True)
        kept.close()


@contextmanager
def workers_of_cluster(address: str, store: Path) -> Iterator[Executor]:
    """Lend the workers of the Dask cluster whose scheduler is at `address`; the store must be seen by each of them.

    Raises RequestFault where Dask is not installed, no scheduler answers or has workers, or one of them has another
    software or does not see the store.
    """
    try:
        from distributed import Client, Lock
    except ImportError as error:
        raise RequestFault(
            "--scheduler needs Dask, which is not installed. Install it here and on each worker:"
            " pip install 'rigging-removals[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=LONGEST_SEARCH_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RequestFault(
            f"No Dask scheduler answers at {address}. Start one with: dask scheduler, or leave --scheduler out."
        ) from error
    # Kernels and what a process was told to show are the workers' own: a second pack waits until they are free.
    with client, Lock("rigging-removals", client.scheduler, client.loop):
        _refuse_unfit_workers(client, address, store)
        executor = client.get_executor(pure=False)
        try:
            yield executor
        finally:
            executor.shutdown(wait=False)
            client.run(clear_benches)


def _processes() -> Any:
    # A process forked from this one would inherit the locks of its threads, in whatever state they are.
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["pipelines.packs.making", "papermill", "nbconvert"])
    return context


def _begin(ends: Connection) -> None:
    """Make this process a worker: the keyboard is left to the process that it works for, and so is its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(ends,), daemon=True).start()
    multiprocessing.util.Finalize(None, clear_benches, exitpriority=100)


def _end_with(ends: Connection) -> None:
    ends.poll(None)
    kill_benches()
    os._exit(1)


def _refuse_unfit_workers(client: Any, address: str, store: Path) -> None:
    try:
        seen = client.run(sees, str(store))
    except Exception as error:
        raise RequestFault(
            f"A worker of {address} cannot run this: {error}. Install the same version of Rigging Removals on each of them."
        ) from error
    if not seen:
        raise RequestFault(
            f"The scheduler at {address} has no workers. Start some with: dask worker {address}"
        )
    if blind := sorted(worker for worker, is_seen in seen.items() if not is_seen):
        raise RequestFault(
            f"{blind[0]} does not see {store}. Put the exported folder where every worker finds it under the same path."
        )
