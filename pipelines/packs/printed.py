"""Turns the page of a report into a PDF of the same: its words, tables and drawings, set for paper."""

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.shipped import statement
from pipelines.wording_gear import of_gear

if TYPE_CHECKING:
    from bs4 import Tag

# At the foot of every sheet.
CAUTION = "Figures describe records, not the shackle in someone's hand. A qualified person decides."


def pdf_of_page(page: str, paper: str = "a4") -> bytes:
    """Return a page of a report as a PDF file, with text that can be searched and read aloud.

    Parameters
    ----------
    page : str
        The page, as `page_html` makes it.
    paper : str
        `a4` or `us-letter`.

    Notes
    -----
    What a page says reaches the typesetter as data and never as markup, so nothing in a log can change the layout.
    Nothing is fetched. The typesetter brings its own fonts; those of the machine only help out with scripts that these
    do not have. The same page gives the same file.
    """
    import typst
    import vl_convert
    from bs4 import BeautifulSoup

    parsed = BeautifulSoup(page, "html.parser")
    drawings: list[str] = []
    blocks = [*_blocks(parsed.main, drawings), *_blocks(parsed.footer, drawings)]
    place = [" ".join(entry.get_text(" ", strip=True).split()) for entry in parsed.select(".masthead dl div")]
    report = {
        "title": parsed.title.get_text() if parsed.title else "",
        "place": place,
        "paper": paper,
        "blocks": blocks,
        "caution": of_gear(CAUTION),
    }
    with tempfile.TemporaryDirectory(prefix="rr") as folder:
        layout = Path(folder) / "printed.typ"
        layout.write_text(statement("pipelines.packs", "printed.typ"), encoding="utf-8")
        for number, drawing in enumerate(drawings):
            (Path(folder) / f"{number}.pdf").write_bytes(vl_convert.svg_to_pdf(drawing))
        pdf = typst.compile(
            str(layout),
            root=folder,
            sys_inputs={"report": json.dumps(report)},
            format="pdf",
            timestamp=0,
        )
    assert isinstance(pdf, bytes)
    return pdf


def _blocks(part: "Tag | None", drawings: list[str]) -> Iterator[dict[str, Any]]:
    """Yield what a part of the page shows, in order; drawings are added to `drawings` and named by their position."""
    from bs4 import Tag

    for child in part.children if part else ():
        if not isinstance(child, Tag):
            continue
        match child.name:
            case "h1" | "h2" | "h3":
                yield {"kind": "heading", "level": int(child.name[1]), "text": _text(child)}
            case "p":
                yield {
                    "kind": "words",
                    "text": _text(child),
                    "is_note": bool({"note", "made"} & _classes(child)),
                }
            case "ol" | "ul":
                items = [_text(item) for item in child.find_all("li", recursive=False)]
                yield {"kind": "list", "is_numbered": child.name == "ol", "items": items}
            case "figure":
                yield _figure(child, drawings)
            case "table":
                yield _table(child)
            case _:
                yield from _blocks(child, drawings)


def _figure(figure: "Tag", drawings: list[str]) -> dict[str, Any]:
    drawing = figure.svg
    assert drawing is not None
    drawing["xmlns"] = "http://www.w3.org/2000/svg"
    drawing["xmlns:xlink"] = "http://www.w3.org/1999/xlink"
    drawings.append(_with_names_in_their_case(str(drawing)))
    return {
        "kind": "figure",
        "finding": _text(figure.figcaption),
        "key": _text(figure.p),
        "alternative": str(drawing.get("aria-label", "")),
        "file": f"{len(drawings) - 1}.pdf",
    }


def _with_names_in_their_case(drawing: str) -> str:
    # The parser writes names of SVG in small letters, and SVG tells capitals apart.
    for name in (
        "viewBox",
        "clipPath",
        "textLength",
        "lengthAdjust",
        "linearGradient",
        "preserveAspectRatio",
    ):
        drawing = drawing.replace(f"<{name.lower()}", f"<{name}").replace(f"</{name.lower()}", f"</{name}")
        drawing = drawing.replace(f" {name.lower()}=", f" {name}=")
    return drawing


def _table(table: "Tag") -> dict[str, Any]:
    heads = []
    for cell in table.select("thead th"):
        unit = cell.select_one(".unit")
        words = _text(unit.extract()) if unit else ""
        heads.append({"words": _text(cell), "unit": words, "is_figure": "figure" in _classes(cell)})
    rows = []
    for row in table.select("tbody tr"):
        cells = row.find_all(["th", "td"], recursive=False)
        is_group = "group" in _classes(cells[0])
        rows.append({"is_group": is_group, "cells": [_text(cell) for cell in cells]})
    return {"kind": "table", "caption": _text(table.caption), "heads": heads, "rows": rows}


def _text(element: "Tag | None") -> str:
    return " ".join(element.get_text().split(" ")).replace("\n", " ").strip() if element else ""


def _classes(element: "Tag") -> set[str]:
    return set(element.get_attribute_list("class")) - {None}  # type: ignore[arg-type]
