"""Makes a report pack: pages from notebooks, a workbook, text tables and an index, moved into place when whole."""

import re
import sys
import unicodedata
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import count
from pathlib import Path
from queue import Empty, SimpleQueue
from secrets import token_hex

import pandas as pd

from pipelines.contracts import order_terms, usual_family
from pipelines.faults import RequestFault
from pipelines.packs.computed import computed_store
from pipelines.packs.exports import write_table, write_workbook
from pipelines.packs.kernels import WarmKernel
from pipelines.packs.pages import index_html, page_html, report_of, scope_in_words
from pipelines.packs.printed import pdf_of_page
from pipelines.packs.reading import OpenTables, open_tables
from pipelines.packs.running import Run, run_notebook, without_machine_paths
from pipelines.scratch import held_folder, scratch_folder
from pipelines.shipped import shipped_folder
from pipelines.wording import month_in_words, sources_in_words
from pipelines.wording_gear import own_speech, spoken_of
from pipelines.wording_orders import assumptions

# In the order of the index page; each is the name of a notebook.
REPORTS = (
    "monthly",
    "interval_recommendations",
    "procurement",
    "benchmark",
    "site_page",
    "intake_account",
    "evidence",
)
# Of these, the ones that tell of all clients together, left out of the pack of one client or site.
FOR_ALL_CLIENTS = ("evidence",)
# Of these, the ones that show sites of others, under names that are made up for each pack.
WITH_PEERS = ("benchmark", "site_page")
# Of these, the one that makes a page for each site of a client, to be handed over as it is; it goes with the benchmark.
OF_EACH_SITE = "site_page"
# A pack is made in a folder of this prefix beside its place; the pack that it replaces goes into it under this name.
ASIDE, EARLIER = ".pack-", "earlier"


@dataclass(frozen=True)
class Page:
    """A page to be made: the name of its file, the report it is of, and the site it tells of ('' for all)."""

    name: str
    report: str
    site: str


def run_pack(
    names: Iterable[str],
    store: Path,
    period: str,
    client: str,
    site: str,
    out: Path,
    jobs: int = 2,
    salt: str = "",
    paper: str = "",
    keep_notebooks: bool = False,
    gear: str = "",
) -> Path:
    """Run notebooks into a report pack and return the path of its index page.

    Parameters
    ----------
    names : iterable of str
        Reports to make, from `REPORTS`, or `all`.
    store : Path
        The store's file; it is only read.
    period : str
        Month of the report, YYYY-MM; '' for the month of the store's own tables.
    client, site : str
        Tell of this client or site only; '' for all.
    out : Path
        Folder in which a folder named after the month is made; an earlier pack there is replaced.
    jobs : int
        Notebooks run side by side.
    salt : str
        Key of the names that other clients' sites have in this pack; '' for one made up at random, kept nowhere.
    paper : str
        `a4` or `us-letter`, to have each page as a PDF too; '' for none.
    keep_notebooks : bool
        Whether to put the notebooks as they were run into the pack.
    gear : str
        Gear family that the reports tell of; '' for that of the store's own tables. The pack of another one than that has
        the family in the name of its folder.

    Raises
    ------
    RequestFault
        There is no such report, store, month, gear family, client or site, or the folder to be written is not a pack.
    Fault
        A notebook stopped; nothing is written then.
    """
    chosen = _chosen(names, client, site)
    salt = salt or token_hex()
    with computed_store(store, period, client, gear) as readable, scratch_folder() as scratch, own_speech():
        tables = open_tables(str(readable), period, client, site, salt)
        place = out / _folder_name(tables)
        _refuse_foreign_folder(place)
        out.mkdir(parents=True, exist_ok=True)
        parameters = {"store": str(readable), "period": tables.period, "client": client}
        runs = _run_all(_pages(chosen, tables), parameters, salt, scratch, jobs)
        with scratch_folder(out, ASIDE, _bring_back) as aside:
            whole = aside / "pack"
            _write_pack(whole, runs, tables, paper)
            if keep_notebooks:
                _write_notebooks(whole, runs, store.name)
            _move_into_place(whole, place, aside)
    return place / "index.html"


def _folder_name(tables: OpenTables) -> str:
    if tables.gear == usual_family().name:
        return tables.period
    return f"{tables.period}-{file_names([tables.gear])[tables.gear]}"


def _chosen(names: Iterable[str], client: str, site: str) -> list[str]:
    is_for_all = not (client or site)
    asked = set(REPORTS if "all" in (names := list(names)) else names)
    for name in names:
        if name not in (*REPORTS, "all"):
            near = get_close_matches(name, REPORTS, n=1, cutoff=0.5)
            advice = (
                f"Did you mean {near[0]}?" if near else f"Reports to be had: {', '.join(REPORTS)}, or all."
            )
            raise RequestFault(f'There is no report "{name}". {advice}')
        if name in FOR_ALL_CLIENTS and not is_for_all:
            raise RequestFault(
                f'The report "{name}" tells of all clients together. Ask for it without --client and --site.'
            )
        if name == OF_EACH_SITE and not client:
            raise RequestFault(f'The report "{name}" is for one client. Ask for it with --client.')
    if "benchmark" in asked:
        asked.add(OF_EACH_SITE)
    left_out = {*(() if is_for_all else FOR_ALL_CLIENTS), *(() if client else (OF_EACH_SITE,))}
    return [name for name in REPORTS if name in asked - left_out]


def _pages(reports: list[str], tables: OpenTables) -> list[Page]:
    pages = []
    for report in reports:
        if report != OF_EACH_SITE:
            pages.append(Page(report, report, tables.site))
            continue
        sites = tables.sites()
        names = file_names(sites)
        pages += [Page(f"{report}_{names[site]}", report, site) for site in sites]
    return pages


def file_names(names: list[str]) -> dict[str, str]:
    """Return for each name one that any file system takes, in small letters and figures, none of them twice.

    >>> file_names(["North Quay", "Nörth quay!", "../..", "造船所"])
    {'North Quay': 'north-quay', 'Nörth quay!': 'north-quay-2', '../..': 'site', '造船所': 'site-2'}
    """
    found: dict[str, str] = {}
    for name in names:
        plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
        base = re.sub("[^a-z0-9]+", "-", plain).strip("-")[:60] or "site"
        numbered = (base if number == 1 else f"{base}-{number}" for number in count(1))
        found[name] = next(each for each in numbered if each not in found.values())
    return found


def _refuse_foreign_folder(place: Path) -> None:
    if place.exists() and not (place / "index.html").is_file():
        raise RequestFault(
            f"{place} is there already and is not a report pack, so it is left as it is. Choose another folder with --out."
        )


def _run_all(pages: list[Page], parameters: dict[str, str], salt: str, scratch: Path, jobs: int) -> list[Run]:
    from tqdm import tqdm

    waiting: SimpleQueue[int] = SimpleQueue()
    for number in range(len(pages)):
        waiting.put(number)
    runs: dict[int, Run] = {}

    def work(worker: int) -> None:
        """Run the pages that are waiting, one after the other in one kernel, until none is left."""
        own = scratch / str(worker)
        own.mkdir()
        with WarmKernel(own) as kernel, suppress(Empty):
            while True:
                number = waiting.get_nowait()
                page = pages[number]
                salted = {"salt": salt} if page.report in WITH_PEERS else {}
                notebook = shipped_folder("notebooks") / f"{page.report}.ipynb"
                run = run_notebook(notebook, parameters | {"site": page.site} | salted, own, kernel)
                runs[number] = replace(run, name=page.name)
                bar.update()

    # The kernels do the work, so threads serve; a bar shows on a terminal only.
    workers = min(jobs, len(pages))
    with (
        tqdm(total=len(pages), desc="Reports", disable=None, file=sys.stderr, leave=False) as bar,
        ThreadPoolExecutor(max_workers=workers) as threads,
    ):
        list(threads.map(work, range(workers)))
    return [runs[number] for number in range(len(pages))]


def _write_pack(folder: Path, runs: list[Run], tables: OpenTables, paper: str) -> None:
    (folder / "tables").mkdir(parents=True)
    frames = _frames(tables)
    for name, frame in frames.items():
        write_table(frame, "csv", folder / "tables" / f"{name}.csv")
    write_workbook(folder / "tables.xlsx", frames, _about(tables), tables.as_of)
    for run in runs:
        page = page_html(run, replace(tables, site=run.site))
        (folder / f"{run.name}.html").write_text(page, encoding="utf-8")
        if paper:
            (folder / f"{run.name}.pdf").write_bytes(pdf_of_page(page, paper))
    reports = [report_of(run) for run in runs]
    index = index_html(reports, list(frames), tables, has_pdf=bool(paper))
    (folder / "index.html").write_text(index, encoding="utf-8")


def _write_notebooks(folder: Path, runs: list[Run], store: str) -> None:
    import nbformat

    for run in runs:
        kept = without_machine_paths(run.notebook, store)
        (folder / f"{run.name}.ipynb").write_text(nbformat.writes(kept) + "\n", encoding="utf-8")


def _frames(tables: OpenTables) -> dict[str, pd.DataFrame]:
    files = tables.files.drop(columns=["load_id", "is_hidden"])
    others = {"peers": tables.peers, "peer_environments": tables.peer_environments} if tables.client else {}
    plan = {} if "order_plan" not in tables.tables else {"order_assumptions": _order_assumptions()}
    return {
        **{name: tables.table(name) for name in tables.tables},
        **others,
        **plan,
        "files_loaded": files,
        "contract_rules": tables.rules,
        "quarantine": tables.quarantined,
        "reasons_not_known": tables.phrases,
        "rows_set_aside": tables.set_aside,
        "count_jumps": tables.jumps,
    }


def _order_assumptions() -> pd.DataFrame:
    return pd.DataFrame({"assumption": assumptions(order_terms())})


def _about(tables: OpenTables) -> list[str]:
    scope = scope_in_words(tables.client, tables.site)
    return [
        f"{spoken_of().inspections}, {month_in_words(tables.period)}",
        f"The tables behind the reports for {scope}.",
        sources_in_words(tables.files, tables.as_of),
        'Each sheet is one table; "Column notes" says what every column means.',
    ]


def _move_into_place(whole: Path, place: Path, aside: Path) -> None:
    with held_folder(place.parent):
        if place.exists():
            (aside / EARLIER).mkdir()
            place.rename(aside / EARLIER / place.name)
        whole.rename(place)


def _bring_back(aside: Path) -> None:
    """Put an earlier pack back where the run that was to replace it stopped in between."""
    with held_folder(aside.parent):
        for earlier in aside.glob(f"{EARLIER}/*"):
            if not (place := aside.parent / earlier.name).exists():
                earlier.rename(place)
