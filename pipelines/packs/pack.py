"""Runs notebooks into a report pack: built aside and moved into place when it is whole."""

import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pipelines.faults import DataFault, RequestFault
from pipelines.packs.exports import csv_text, write_workbook
from pipelines.packs.reading import OpenTables, copy_for_period, is_computed_for, open_tables
from pipelines.packs.showing import COMPLETED
from pipelines.shipped import shipped_folder, statement
from pipelines.wording import CAUTIONS, counted, month_in_words

REPORTS = ("removal_rates", "interval_recommendations", "intake_account")
LONGEST_RUN_S = 600


@dataclass(frozen=True)
class _Page:
    """One page of a pack, as the index speaks of it."""

    file: str
    title: str
    question: str
    headline: str


def run_pack(
    names: list[str],
    store: Path,
    period: str,
    client: str,
    site: str,
    out: Path,
    jobs: int = 2,
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Run the reports `names` ('all' for every one) into `out`/<period>; return the path of the index page.

    `period` is YYYY-MM ('' for the month of the store's latest line), `client` and `site` keep one of them ('' for
    all), `jobs` notebooks run side by side, `progress` is told each page that is done. Raises RequestFault for an
    unknown name, month, client or site; DataFault where a notebook failed. What stood in `out` before then stays.
    """
    reports = _known(names)
    _refuse_odd_month(period)
    tables = open_tables(str(store), period, client, site)
    out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory(prefix=".pack-", dir=out) as aside,
        tempfile.TemporaryDirectory(prefix="rr") as work,
    ):
        source = (
            store.resolve()
            if is_computed_for(store, tables.period)
            else _copied(store, tables.period, Path(work))
        )
        given = {"store": str(source), "period": tables.period, "client": client, "site": site}
        pack = Path(aside) / "pack"
        pack.mkdir()

        def make(position: int) -> _Page:
            page = _make_page(reports[position], given, tables, pack, Path(work), position)
            if progress:
                progress(f"{page.title}: done")
            return page

        with ThreadPoolExecutor(max_workers=jobs) as pool:
            pages = list(pool.map(make, range(len(reports))))
        _write_tables(tables, pack)
        _write_index(pages, tables, pack)
        target = out / tables.period
        if target.exists():
            target.rename(Path(aside) / "before")
        pack.rename(target)
    return target / "index.html"


def _known(names: list[str]) -> list[str]:
    unknown = [name for name in names if name != "all" and name not in REPORTS]
    if unknown:
        raise RequestFault(f'There is no report "{unknown[0]}". Known: {", ".join(REPORTS)}, or all.')
    return list(REPORTS) if "all" in names else list(dict.fromkeys(names))


def _refuse_odd_month(period: str) -> None:
    try:
        datetime.strptime(period or "2000-01", "%Y-%m")
    except ValueError as error:
        raise RequestFault(f'"{period}" is not a month. Write it as YYYY-MM, such as 2026-09.') from error


def _copied(store: Path, period: str, work: Path) -> Path:
    copy = work / "tables.duckdb"
    copy_for_period(store, period, str(copy)).close()
    return copy


def _make_page(
    name: str, given: dict[str, str], tables: OpenTables, pack: Path, work: Path, position: int
) -> _Page:
    from nbconvert import HTMLExporter

    notebook = _run_notebook(name, given, work, position)
    title, question = _title_and_question(notebook)
    exporter = HTMLExporter(
        extra_loaders=[_template()], template_file="page.html.j2", exclude_anchor_links=True
    )
    page = {
        "title": f"{title}, {month_in_words(tables.period)}",
        "style": statement("pipelines.packs", "page.css"),
        "scope": _scope(tables),
        "made_from": _made_from(tables),
        "made_on": _today(),
    }
    html, _ = exporter.from_notebook_node(notebook, resources={"page": page})
    (pack / f"{name}.html").write_text(html, encoding="utf-8")
    return _Page(f"{name}.html", title, question, _headline(notebook, name))


def _template() -> Any:
    from jinja2 import DictLoader

    return DictLoader({"page.html.j2": statement("pipelines.packs", "page.html.j2")})


def _run_notebook(name: str, given: dict[str, str], work: Path, position: int) -> Any:
    import papermill
    from papermill.exceptions import PapermillExecutionError
    from traitlets.config import Config

    path = shipped_folder("notebooks") / f"{name}.ipynb"
    stated = set(papermill.inspect_notebook(str(path)))
    if stated != set(given):
        raise DataFault(
            f"{path.name}: its parameters cell names {sorted(stated)}, where {sorted(given)} are given. Mend the cell."
        )
    # Kernels on file sockets race for no port; each needs a name of its own.
    sockets = Config({"KernelManager": {"transport": "ipc", "ip": str(work / f"k{position}")}})
    try:
        return papermill.execute_notebook(
            str(path),
            str(work / f"{name}.ipynb"),
            parameters=given,
            kernel_name="python3",
            progress_bar=False,
            execution_timeout=LONGEST_RUN_S,
            config=sockets,
        )
    except PapermillExecutionError as error:
        raise DataFault(
            f"The report {name} stopped: {error.ename}: {error.evalue} No page was written."
        ) from error


def _title_and_question(notebook: Any) -> tuple[str, str]:
    first, _, rest = notebook.cells[0].source.partition("\n")
    return first.removeprefix("# ").strip(), " ".join(rest.split())


def _headline(notebook: Any, name: str) -> str:
    marks = [
        output["data"][COMPLETED]["headline"]
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if COMPLETED in output.get("data", {})
    ]
    if not marks:
        raise DataFault(f"The report {name} ended before its last cell. No page was written.")
    return str(marks[-1])


def _scope(tables: OpenTables) -> str:
    who = ", ".join(part for part in (tables.site, tables.client) if part) or "All clients"
    return f"{who} · {month_in_words(tables.period)}"


def _made_from(tables: OpenTables) -> str:
    lines = int(tables.files["lines_in_use"].sum())
    return f"From {counted(lines, 'inspection line')} of {counted(len(tables.files), 'loaded file')}, up to {tables.as_of.isoformat()}."


def _today() -> str:
    return datetime.now().date().isoformat()


def _write_tables(tables: OpenTables, pack: Path) -> None:
    write_workbook(tables.tables, pack / "tables.xlsx")
    (pack / "tables").mkdir()
    for name, frame in tables.tables.items():
        (pack / "tables" / f"{name}.csv").write_text(csv_text(frame), encoding="utf-8")


def _write_index(pages: list[_Page], tables: OpenTables, pack: Path) -> None:
    from jinja2 import Environment
    from markupsafe import Markup

    page = Environment(autoescape=True).from_string(statement("pipelines.packs", "index.html.j2"))
    html = page.render(
        title=f"Shackle removals, {month_in_words(tables.period)}",
        style=Markup(statement("pipelines.packs", "page.css")),
        scope=_scope(tables),
        pages=pages,
        tables=list(tables.tables),
        cautions=CAUTIONS,
        made_from=_made_from(tables),
        made_on=_today(),
    )
    (pack / "index.html").write_text(html, encoding="utf-8")
