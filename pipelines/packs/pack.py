"""Makes a report pack: pages from notebooks, a workbook, text tables and an index, moved into place when whole."""

import os
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future, as_completed
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path
from secrets import token_hex

import pandas as pd

from pipelines.contracts import order_terms, usual_family
from pipelines.faults import Fault, RequestFault, refusal
from pipelines.packs.choosing import WITH_PEERS, Page, chosen_reports, file_name, pages_to_make
from pipelines.packs.computed import computed_store
from pipelines.packs.exports import write_table, write_workbook
from pipelines.packs.making import MadePage, Wanted, make_page
from pipelines.packs.pages import Report, index_html, masthead_of, scope_in_words
from pipelines.packs.reading import OpenTables, open_tables
from pipelines.packs.workers import workers_here, workers_of_cluster
from pipelines.scratch import held_folder, scratch_folder
from pipelines.settings import CARRIED, carried
from pipelines.shipped import shipped_folder
from pipelines.store import open_store
from pipelines.store.folder import is_folder_of_tables, write_folder
from pipelines.terminal import as_typed
from pipelines.wording import month_in_words, sources_in_words, units_in_words
from pipelines.wording_gear import own_speech, spoken_of
from pipelines.wording_orders import assumptions

# A pack is made in a folder of this prefix beside its place; the pack that it replaces goes into it under this name.
ASIDE, EARLIER = ".pack-", "earlier"


def run_pack(
    names: Iterable[str],
    store: Path,
    period: str,
    client: str,
    site: str,
    out: Path,
    jobs: int = 0,
    salt: str = "",
    paper: str = "",
    keep_notebooks: bool = False,
    by_site: bool = False,
    scheduler: str = "",
    gear: str = "",
) -> Path:
    """Run notebooks into a report pack and return the path of its index page.

    Parameters
    ----------
    names : iterable of str
        Reports to make, from `REPORTS`, or `all`.
    store : Path
        The store's file, or the folder that it was exported to; it is only read.
    period : str
        Month of the report, YYYY-MM; '' for the month of the store's own tables.
    client, site : str
        Tell of this client or site only; '' for all.
    out : Path
        Folder in which a folder named after the month is made; an earlier pack there is replaced.
    jobs : int
        Notebooks run side by side; 0 for as many as this machine has cores.
    salt : str
        Key of the names that other clients' sites have in this pack; '' for one made up at random, kept nowhere.
    paper : str
        `a4` or `us-letter`, to have each page as a PDF too; '' for none.
    keep_notebooks : bool
        Whether to put the notebooks as they were run into the pack.
    by_site : bool
        Whether to make each report once for each site of the client, instead of once for all of them.
    scheduler : str
        Address of a Dask scheduler whose workers run the notebooks; '' for this machine.
    gear : str
        Gear family that the reports tell of; '' for that of the store's own tables. The pack of another one than that has
        the family in the name of its folder.

    Raises
    ------
    RequestFault
        There is no such report, store, month, gear family, client or site, the folder to be written is not a pack, or no worker of
        the scheduler can do it.
    Fault
        A notebook stopped. The pack is made without its page, and its index says so; where all stopped, nothing is
        written.
    """
    chosen = chosen_reports(names, client, site)
    with _readable(store, period, client, gear, bool(scheduler)) as readable, own_speech():
        tables = open_tables(str(readable), period, client, site, salt := salt or token_hex())
        _refuse_several_clients(tables, by_site)
        place = out / _folder_name(tables)
        _refuse_foreign_folder(place)
        pages = pages_to_make(chosen, site, tables.sites(), by_site)
        kept_as = store.name if keep_notebooks else ""
        wanted = [_wanted(page, tables, readable, salt, paper, kept_as) for page in pages]
        out.mkdir(parents=True, exist_ok=True)
        with (
            _workers(jobs, len(pages), scheduler, readable) as workers,
            scratch_folder(out, ASIDE, _bring_back) as aside,
        ):
            failures = _write_pack(aside / "pack", wanted, workers, tables)
            _move_into_place(aside / "pack", place, aside)
    if failures:
        raise Fault(
            f"{place / 'index.html'} was made without {len(failures)} of {len(pages)} pages. {' '.join(failures)}"
        )
    return place / "index.html"


def _folder_name(tables: OpenTables) -> str:
    if tables.gear == usual_family().name:
        return tables.period
    # No two families are told apart by their capitals, hence those of a name that `file_name` leaves as it is.
    return f"{tables.period}-{file_name(tables.gear.title())}"


@contextmanager
def _readable(store: Path, period: str, client: str, gear: str, by_many: bool) -> Iterator[Path]:
    """Yield a store with the tables asked for, `by_many` machines to be read: where it is made, it is made beside the store."""
    if by_many and not is_folder_of_tables(store):
        raise RequestFault(
            f"{store} is a file, which only this machine reads. Export it to a folder that all workers see, and report"
            f" from there: {as_typed('export', '--store', store, '--out', 'FOLDER')}"
        )
    with computed_store(store, period, client, gear) as readable:
        if not by_many or is_folder_of_tables(readable):
            yield readable
            return
        with scratch_folder(store.resolve().parent, ASIDE) as shared, closing(open_store(readable)) as con:
            yield write_folder(con, shared / "tables")


def _workers(jobs: int, pages: int, scheduler: str, store: Path) -> AbstractContextManager[Executor]:
    if scheduler:
        return workers_of_cluster(scheduler, store)
    return workers_here(max(1, min(jobs or _cores(), pages)))


def _cores() -> int:
    # Not every system tells which of its cores this process may use.
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _refuse_several_clients(tables: OpenTables, by_site: bool) -> None:
    clients = sorted(tables.tables["removal_rates"]["client"].unique())
    if by_site and tables.site:
        raise RequestFault("--by-site makes a page for each site. Leave --site out, or --by-site.")
    if by_site and len(clients) > 1:
        raise RequestFault(f"--by-site is for one client. Name it with --client: {', '.join(clients)}.")


def _wanted(page: Page, tables: OpenTables, store: Path, salt: str, paper: str, kept_as: str) -> Wanted:
    parameters = {"store": str(store), "period": tables.period, "client": tables.client, "site": page.site}
    salted = {"salt": salt} if page.report in WITH_PEERS else {}
    return Wanted(
        name=page.name,
        report=page.report,
        notebook=(shipped_folder("notebooks") / f"{page.report}.ipynb").read_text(encoding="utf-8"),
        parameters=parameters | salted,
        chosen={name: carried(name) for name in CARRIED},
        masthead=masthead_of(tables, page.site),
        paper=paper,
        store_name=kept_as,
    )


def _refuse_foreign_folder(place: Path) -> None:
    if place.exists() and not (place / "index.html").is_file():
        raise RequestFault(
            f"{place} is there already and is not a report pack, so it is left as it is. Choose another folder with --out."
        )


def _write_pack(folder: Path, wanted: list[Wanted], workers: Executor, tables: OpenTables) -> list[str]:
    """Write a pack, its tables while its pages are made; return a sentence for each page that could not be made.

    Raises the first fault where no page could be made.
    """
    (folder / "tables").mkdir(parents=True)
    making = {workers.submit(make_page, each): number for number, each in enumerate(wanted)}
    frames = _frames(tables)
    for name, frame in frames.items():
        write_table(frame, "csv", folder / "tables" / f"{name}.csv")
    write_workbook(folder / "tables.xlsx", frames, _about(tables), tables.as_of)
    reports, faults = _written_pages(folder, making)
    if faults and not reports:
        raise faults[min(faults)]
    failures = [f"{wanted[number].name}: {faults[number]}" for number in sorted(faults)]
    index = index_html(
        [reports[number] for number in sorted(reports)],
        [wanted[number].name for number in sorted(faults)],
        list(frames),
        masthead_of(tables, tables.site),
        has_pdf=any(each.paper for each in wanted),
    )
    (folder / "index.html").write_text(index, encoding="utf-8")
    return failures


def _written_pages(
    folder: Path, making: dict[Future[MadePage], int]
) -> tuple[dict[int, Report], dict[int, Fault]]:
    """Write pages as they are made; return what the index says of each, and what stopped the others, by their numbers."""
    from tqdm import tqdm

    reports, faults = {}, {}
    # A bar, with the time that is left, shows on a terminal only.
    with tqdm(total=len(making), desc="Reports", disable=None, file=sys.stderr, leave=False) as bar:
        for future in as_completed(making):
            try:
                page = future.result()
            except Exception as error:
                fault = error if isinstance(error, Fault) else refusal(error)
                if fault is None:
                    raise
                faults[making[future]] = fault
            else:
                _write_page(folder, page)
                reports[making[future]] = page.report
            bar.update()
    return reports, faults


def _write_page(folder: Path, page: MadePage) -> None:
    (folder / f"{page.report.name}.html").write_text(page.html, encoding="utf-8")
    if page.pdf:
        (folder / f"{page.report.name}.pdf").write_bytes(page.pdf)
    if page.notebook:
        (folder / f"{page.report.name}.ipynb").write_text(page.notebook, encoding="utf-8")


def _frames(tables: OpenTables) -> dict[str, pd.DataFrame]:
    files = tables.files.drop(columns=["load_id", "is_hidden"])
    others = {"peers": tables.peers, "peer_environments": tables.peer_environments} if tables.client else {}
    plan = {} if "order_plan" not in tables.tables else {"order_assumptions": _order_assumptions()}
    return {
        **tables.stored,
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
        units_in_words(),
        "The CSV files keep millimetres and tonnes whatever the units here.",
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
