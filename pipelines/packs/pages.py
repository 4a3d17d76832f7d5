"""Turns a notebook that was run into a page that needs no network, and writes the index of a pack."""

import copy
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from pipelines.charts.theme import in_palette
from pipelines.contracts import usual_family
from pipelines.packs.exports import SHEETS
from pipelines.packs.reading import OpenTables
from pipelines.packs.showing import Cautions
from pipelines.shipped import statement
from pipelines.wording import month_in_words, sources_in_words, units_in_words
from pipelines.wording_gear import spoken_of
from pipelines.writing import written_day

# Cells that the page frame shows by itself, or that only the pack reads.
HIDDEN_TAGS = ["parameters", "injected-parameters", "cautions", "completed"]


@dataclass(frozen=True)
class Masthead:
    """What stands at the head and foot of a page: whose it is ('' for all), of what gear and month, what it rests on."""

    client: str
    site: str
    gear: str
    month: str
    sources: str


@dataclass(frozen=True)
class Report:
    """What the index says of one report, and of which site it tells ('' for all)."""

    name: str
    title: str
    question: str
    headline: str
    site: str


def masthead_of(tables: OpenTables, site: str) -> Masthead:
    """Return the masthead of pages that rest on these tables and tell of this site ('' for all)."""
    sources = sources_in_words(tables.files, tables.as_of)
    return Masthead(tables.client, site, tables.gear, month_in_words(tables.period), sources)


def report_of(notebook: Any, name: str, headline: str, site: str) -> Report:
    """Return what a notebook says of itself: its first cell is its title and, below, the question it answers.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook, run or not.
    name : str
        Name of the page's file, without its ending.
    headline : str
        The sentence that the index shows of it.
    site : str
        Site that it tells of; '' for all.
    """
    title, _, question = notebook.cells[0].source.partition("\n")
    return Report(name, title.removeprefix("# ").strip(), question.strip(), headline, site)


def page_html(notebook: Any, masthead: Masthead) -> str:
    """Return the page of one report, from its notebook as it was run."""
    title = report_of(notebook, "", "", "").title
    return _rendered("page.html.j2", masthead, title=title, body=_body(notebook))


def index_html(
    reports: list[Report], failures: list[str], table_names: list[str], masthead: Masthead, has_pdf: bool
) -> str:
    """Return the index page of a pack.

    Parameters
    ----------
    reports : list of Report
        What was made, in order.
    failures : list of str
        Names of the pages that could not be made; why is for whoever made the pack, not for its readers.
    table_names : list of str
        The tables of the pack.
    masthead : Masthead
        Whose pack it is.
    has_pdf : bool
        Whether each report is there as a PDF too.
    """
    return _rendered(
        "index.html.j2",
        masthead,
        title=spoken_of().inspections,
        pages=len(reports),
        groups=[
            (*of_what, list(of_report))
            for of_what, of_report in groupby(reports, key=lambda report: (report.title, report.question))
        ],
        failures=failures,
        downloads=[{"name": name, "words": SHEETS[name]} for name in table_names],
        has_pdf=has_pdf,
    )


def without_empty_parts(notebook: Any) -> Any:
    """Return a notebook without its parts, from one heading to the next, of which no cell shows anything.

    A heading with nothing under it, such as that of orders where nobody may see them, reads as a fault.
    """
    parts: list[list[Any]] = [[]]
    for cell in notebook.cells:
        if cell.cell_type == "markdown" and cell.source.startswith("## "):
            parts.append([])
        parts[-1].append(cell)
    opening, *others = parts
    kept = copy.copy(notebook)
    kept.cells = [*opening, *(cell for part in others if any(map(_shows, part)) for cell in part)]
    return kept


def _shows(cell: Any) -> bool:
    is_hidden = bool(set(HIDDEN_TAGS) & set(cell.metadata.get("tags", [])))
    shown = (output.get("data", {}).get("text/html", "") for output in cell.get("outputs", []))
    return not is_hidden and any(html.strip() for html in shown)


def scope_in_words(client: str, site: str) -> str:
    """Return whose report it is.

    >>> scope_in_words("", ""), scope_in_words("Harrow Marine", "North Quay")
    ('all clients and sites', 'North Quay, Harrow Marine')
    """
    return ", ".join(name for name in (site, client) if name) or "all clients and sites"


def _body(notebook: Any) -> str:
    from jinja2 import DictLoader
    from nbconvert import HTMLExporter
    from traitlets.config import Config

    exporter = HTMLExporter(
        config=Config({"TagRemovePreprocessor": {"enabled": True, "remove_cell_tags": HIDDEN_TAGS}}),
        extra_loaders=[DictLoader({"body.html.j2": _text("body.html.j2")})],
        template_file="body.html.j2",
        exclude_anchor_links=True,
    )
    body, _ = exporter.from_notebook_node(without_empty_parts(notebook))
    return body


def _rendered(template: str, masthead: Masthead, title: str, **shown: Any) -> str:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    now = datetime.now(UTC)
    pages = Environment(
        loader=FunctionLoader(_text), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return pages.get_template(template).render(
        title=title,
        scope=scope_in_words(masthead.client, masthead.site),
        client=masthead.client,
        gear="" if masthead.gear == usual_family().name else masthead.gear,
        site=masthead.site,
        month=masthead.month,
        style=in_palette(_text("page.css")),
        cautions=Cautions()._repr_html_(),
        sources=masthead.sources,
        units=units_in_words(),
        written_at=f"{written_day(now)} {now:%H:%M} UTC",
        **shown,
    )


def _text(name: str) -> str:
    return statement("pipelines.packs", name)
