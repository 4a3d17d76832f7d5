"""Makes a report pack: pages from notebooks, a workbook, text tables and an index, moved into place when whole."""

import sys
import tempfile
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from difflib import get_close_matches
from pathlib import Path
from secrets import token_hex

import pandas as pd

from pipelines.contracts import order_terms
from pipelines.faults import RequestFault
from pipelines.packs.exports import write_table, write_workbook
from pipelines.packs.pages import index_html, page_html, report_of, scope_in_words
from pipelines.packs.reading import OpenTables, copy_for_period, is_computed_for, open_tables
from pipelines.packs.running import Run, run_notebook
from pipelines.shipped import shipped_folder
from pipelines.wording import month_in_words, sources_in_words
from pipelines.wording_orders import assumptions

# In the order of the index page; each is the name of a notebook.
REPORTS = (
    "removal_rates",
    "interval_recommendations",
    "order_plan",
    "site_benchmark",
    "intake_account",
    "evidence",
)
# Of these, the ones that tell of all clients together, left out of the pack of one client or site.
FOR_ALL_CLIENTS = ("evidence",)
# Of these, the ones that show sites of others, under names that are made up for each pack.
WITH_PEERS = ("site_benchmark",)


def run_pack(
    names: Iterable[str],
    store: Path,
    period: str,
    client: str,
    site: str,
    out: Path,
    jobs: int = 2,
    salt: str = "",
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

    Raises
    ------
    RequestFault
        There is no such report, store, month, client or site, or the folder to be written is not a pack.
    Fault
        A notebook stopped; nothing is written then.
    """
    chosen = _chosen(names, is_for_all=not (client or site))
    salt = salt or token_hex()
    tables = open_tables(str(store), period, client, site, salt)
    place = out / tables.period
    _refuse_foreign_folder(place)
    out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory(prefix="rr") as scratch,
        tempfile.TemporaryDirectory(prefix=".pack-", dir=out) as aside,
    ):
        readable = _readable_store(store, tables.period, Path(scratch))
        parameters = {"store": str(readable), "period": tables.period, "client": client, "site": site}
        runs = _run_all(chosen, parameters, salt, Path(scratch), jobs)
        whole = Path(aside) / "pack"
        _write_pack(whole, runs, tables)
        _move_into_place(whole, place, Path(aside))
    return place / "index.html"


def _chosen(names: Iterable[str], is_for_all: bool) -> list[str]:
    asked = list(REPORTS) if "all" in (names := list(names)) else names
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
    return [name for name in REPORTS if name in asked and (is_for_all or name not in FOR_ALL_CLIENTS)]


def _refuse_foreign_folder(place: Path) -> None:
    if place.exists() and not (place / "index.html").is_file():
        raise RequestFault(
            f"{place} is there already and is not a report pack, so it is left as it is. Choose another folder with --out."
        )


def _readable_store(store: Path, period: str, scratch: Path) -> Path:
    """Return the store, or a copy with the tables of the month where its own are of another one."""
    if is_computed_for(store, period):
        return store.resolve()
    copy = scratch / "month.duckdb"
    copy_for_period(store, period, str(copy)).close()
    return copy


def _run_all(names: list[str], parameters: dict[str, str], salt: str, scratch: Path, jobs: int) -> list[Run]:
    from tqdm import tqdm

    def run(number: int) -> Run:
        own = scratch / str(number)
        own.mkdir()
        salted = {"salt": salt} if names[number] in WITH_PEERS else {}
        return run_notebook(shipped_folder("notebooks") / f"{names[number]}.ipynb", parameters | salted, own)

    # The kernels do the work, so threads serve; a bar shows on a terminal only.
    with ThreadPoolExecutor(max_workers=jobs) as workers:
        runs = workers.map(run, range(len(names)))
        return list(tqdm(runs, total=len(names), desc="Reports", disable=None, file=sys.stderr, leave=False))


def _write_pack(folder: Path, runs: list[Run], tables: OpenTables) -> None:
    (folder / "tables").mkdir(parents=True)
    frames = _frames(tables)
    for name, frame in frames.items():
        write_table(frame, "csv", folder / "tables" / f"{name}.csv")
    write_workbook(folder / "tables.xlsx", frames, _about(tables), tables.as_of)
    for run in runs:
        (folder / f"{run.name}.html").write_text(page_html(run, tables), encoding="utf-8")
    reports = [report_of(run) for run in runs]
    (folder / "index.html").write_text(index_html(reports, list(frames), tables), encoding="utf-8")


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
        f"Shackle inspections, {month_in_words(tables.period)}",
        f"The tables behind the reports for {scope}.",
        sources_in_words(tables.files, tables.as_of),
        'Each sheet is one table; "Column notes" says what every column means.',
    ]


def _move_into_place(whole: Path, place: Path, aside: Path) -> None:
    if place.exists():
        place.rename(aside / "earlier")
    whole.rename(place)
