"""Makes one page of a pack, in whatever process or on whatever machine it is asked for."""

import threading
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from pipelines.packs.kernels import WarmKernel
from pipelines.packs.pages import Masthead, Report, page_html, report_of
from pipelines.packs.printed import pdf_of_page
from pipelines.packs.running import run_notebook, without_machine_paths
from pipelines.scratch import scratch_folder
from pipelines.settings import carry
from pipelines.wording_gear import speak_of


@dataclass(frozen=True)
class Wanted:
    """A page to be made: all that a process needs for it, but for the store, which it finds by its path.

    `chosen` holds the settings that the page depends on. `notebook` is the notebook itself, so that it need not lie where the page is made; `paper` is '' for no PDF, and
    `store_name` what a notebook that is kept calls the store, '' where none is kept.
    """

    name: str
    report: str
    notebook: str
    parameters: dict[str, str]
    chosen: dict[str, str]
    masthead: Masthead
    paper: str
    store_name: str


@dataclass(frozen=True)
class MadePage:
    """A page that was made, with what the index says of it; no `pdf` and no `notebook` where none was asked for."""

    report: Report
    html: str
    pdf: bytes
    notebook: str


class _Bench:
    """What a thread makes its pages with: a kernel, and a folder for its files, both gone when it is cleared."""

    def __init__(self) -> None:
        self._held = ExitStack()
        self.folder = self._held.enter_context(scratch_folder())
        self.kernel = self._held.enter_context(WarmKernel(self.folder))

    def clear(self) -> None:
        self._held.close()


_BENCHES: dict[int, _Bench] = {}  # by thread, since a kernel belongs to the thread that starts it


def make_page(wanted: Wanted) -> MadePage:
    """Return a page, its notebook run in the kernel that this thread keeps warm; raises as `run_notebook` does."""
    carry(**wanted.chosen)
    speak_of(wanted.masthead.gear)
    bench = _BENCHES.get(threading.get_ident()) or _BENCHES.setdefault(threading.get_ident(), _Bench())
    asked = bench.folder / f"{wanted.report}.ipynb"
    asked.write_text(wanted.notebook, encoding="utf-8")
    run = run_notebook(asked, wanted.parameters, bench.kernel)
    html = page_html(run.notebook, wanted.masthead)
    return MadePage(
        report=report_of(run.notebook, wanted.name, run.headline, wanted.masthead.site),
        html=html,
        pdf=pdf_of_page(html, wanted.paper) if wanted.paper else b"",
        notebook=without_machine_paths(run.notebook, wanted.store_name) if wanted.store_name else "",
    )


def clear_benches() -> None:
    """Stop the kernels that this process keeps warm, and take their folders away."""
    while _BENCHES:
        _BENCHES.popitem()[1].clear()


def kill_benches() -> None:
    """Kill the kernels of this process where there is no time to let them end."""
    for bench in [*_BENCHES.values()]:
        bench.kernel.kill()


def sees(path: str) -> bool:
    """Return whether this process sees a file or folder, as it must where it is to read a store there."""
    return Path(path).exists()
