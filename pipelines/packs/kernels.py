"""Kernels kept warm: one notebook after another runs in the same process, each in a namespace with nothing in it.

A notebook's start-up and imports take longer than its work. A kernel belongs to the thread that starts it, and lives no
longer than the block that holds it.
"""

import os
import signal
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

ENGINE = "warm"
LONGEST_START_SECONDS = 120
# A kernel that is told to stop while it still tidies up logs an error that means nothing; what goes wrong in a cell comes
# with the cell.
QUIET = "--IPKernelApp.log_level=CRITICAL"
# What one notebook has named or shown is gone before the next, and cells are counted from 1 again.
CLEAN = "get_ipython().reset(new_session=True)"


class WarmKernel:
    """A kernel to run notebooks in, started at the first of them; `scratch` is a folder with a short path for its sockets."""

    def __init__(self, scratch: Path) -> None:
        self._scratch = scratch
        self._manager: Any = None
        self._client: Any = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def run(self, notebook: Path, parameters: dict[str, str], longest_cell_seconds: int) -> Any:
        """Return a notebook with its outputs, run in this kernel, which is started where there is none.

        Parameters
        ----------
        notebook : Path
            The notebook; it stays as it is.
        parameters : dict of str
            Values by name.
        longest_cell_seconds : int
            What one cell may take at most [s].

        Raises
        ------
        Exception
            What papermill raises. The kernel is stopped then, and the next notebook starts a new one.
        """
        import papermill

        _register()
        if self._manager is None:
            self._start()
        try:
            # Papermill would write it anew before and after each cell, which takes a quarter of the time.
            done = papermill.execute_notebook(
                str(notebook),
                None,
                parameters=parameters,
                kernel_name="python3",
                engine_name=ENGINE,
                progress_bar=False,
                execution_timeout=longest_cell_seconds,
                manager=self._manager,
                client=self._client,
            )
            self._clean()
            return done
        except BaseException:
            self._stop()
            raise

    def kill(self) -> None:
        """Kill the process, from any thread; what runs in it fails."""
        process = self._manager and self._manager.provisioner
        if process is not None and process.pid is not None:
            with suppress(ProcessLookupError):
                os.kill(process.pid, signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)

    def _start(self) -> None:
        from jupyter_client.manager import AsyncKernelManager
        from jupyter_core.utils import run_sync
        from traitlets.config import Config

        # Sockets in files end the port races of kernels started side by side; each needs a name of its own.
        settings = {"KernelManager": {"transport": "ipc", "ip": str(self._scratch / "k")}}
        config = Config() if sys.platform == "win32" else Config(settings)
        self._manager = AsyncKernelManager(kernel_name="python3", config=config)
        run_sync(self._manager.start_kernel)(extra_arguments=[QUIET, "--HistoryManager.hist_file=:memory:"])
        self._client = self._manager.client()
        self._client.start_channels()
        run_sync(self._client.wait_for_ready)(timeout=LONGEST_START_SECONDS)

    def _clean(self) -> None:
        from jupyter_core.utils import run_sync

        run_sync(self._client.execute_interactive)(
            CLEAN, store_history=False, output_hook=lambda message: None, timeout=LONGEST_START_SECONDS
        )

    def _stop(self) -> None:
        from jupyter_core.utils import run_sync

        manager, client = self._manager, self._client
        self._manager = self._client = None
        if client is not None:
            client.stop_channels()
        if manager is not None and manager.has_kernel:
            run_sync(manager.shutdown_kernel)(now=True)


@cache
def _register() -> None:
    """Tell papermill of the engine that runs a notebook in a kernel that is there already."""
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import Engine, papermill_engines

    class WarmEngine(Engine):  # type: ignore[misc]
        """Runs a notebook in the kernel of a `manager`, to which `client` is connected, and leaves both as they are."""

        @classmethod
        def execute_managed_notebook(
            cls,
            nb_man: Any,
            kernel_name: str,
            manager: Any = None,
            client: Any = None,
            execution_timeout: int | None = None,
            **others: Any,
        ) -> Any:
            runner = PapermillNotebookClient(
                nb_man, km=manager, kernel_name=kernel_name, timeout=execution_timeout
            )
            runner.kc = client
            return runner.execute()

    papermill_engines.register(ENGINE, WarmEngine)
