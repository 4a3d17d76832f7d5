"""A chart with its finding in words, as a page shows it."""

import hashlib
import re
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import Any

import altair as alt
import vl_convert

from pipelines.charts.theme import in_palette
from pipelines.writing import number_marks

# Words of the scripts that run from right to left, with the spaces and hyphens between them.
_LETTERS = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff]+"
_FROM_RIGHT = re.compile(f"{_LETTERS}(?:[ -]{_LETTERS})*")

# What XML 1.0 has no place for (its section 2.2, "Characters").
UNDRAWABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


@dataclass(frozen=True, repr=False)
class Figure:
    """A chart below the sentence that says what it shows; JupyterLab and report pages show it as a drawing.

    `finding` is read by everybody, `alternative` by those who do not see the drawing: it says in words what
    the marks say. The title of a whole chart is its key, which a page shows as text above the drawing. On a narrow
    screen a chart whose latest month stands at its right end opens there.
    """

    chart: alt.TopLevelMixin
    finding: str
    alternative: str
    opens_at_right: bool = False

    @cached_property
    def _described(self) -> dict[str, Any]:
        return self.chart.to_dict(validate=False)

    def __repr__(self) -> str:
        return self.alternative

    def svg(self) -> str:
        """Return the drawing: static, and with nothing to fetch from a network."""
        drawn = {name: _drawable(value) for name, value in self._described.items() if name != "title"}
        drawing = in_palette(vl_convert.vegalite_to_svg(drawn, format_locale=dict(number_marks())))
        drawing = _with_tips(drawing)
        drawing = _with_own_names(re.sub(r' xmlns(:xlink)?="[^"]*"', "", drawing))
        return drawing.replace("<svg", f'<svg role="img" aria-label="{escape(self.alternative)}"', 1)

    def _repr_html_(self) -> str:
        place = "drawing from-right" if self.opens_at_right else "drawing"
        key = " ".join(self._described.get("title", []))
        return (
            f"<figure><figcaption>{escaped(self.finding)}</figcaption>"
            + (f'<p class="note">{escaped(key)}</p>' if key else "")
            + f'<div class="{place}" role="group" tabindex="0" aria-label="Chart">{self.svg()}</div></figure>'
        )


def _drawable(value: Any) -> Any:
    """Return a chart's description with a sign for each character that a drawing cannot hold: one ends the whole process."""
    if isinstance(value, str):
        return UNDRAWABLE.sub("\ufffd", value)
    if isinstance(value, dict):
        return {_drawable(name): _drawable(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_drawable(each) for each in value]
    return value


def _with_tips(drawing: str) -> str:
    """Return a drawing whose described marks show their description to whoever points at them, with no script."""
    mark = re.compile(
        r'<(path|text|line|rect)( aria-label="([^"]*)"[^>]*role="graphics-symbol"[^>]*?)(/>|></\1>)'
    )
    return mark.sub(r"<\1\2><title>\3</title></\1>", drawing)


def _with_own_names(drawing: str) -> str:
    """Return a drawing whose named parts, its clip paths, have names that no other drawing of the page has.

    The renderer counts them through a whole process, so the same chart would come out differently each time, and
    charts of two processes on one page would refer to one another's.
    """
    for number, name in enumerate(re.findall(r'\bid="([^"]+)"', drawing)):
        drawing = re.sub(rf'(\bid="|url\(#){re.escape(name)}(?=["\)])', rf"\g<1>part{number}", drawing)
    own = "f" + hashlib.sha256(drawing.encode()).hexdigest()[:8]
    return re.sub(r'(\bid="|url\(#)(?=part)', rf"\g<1>{own}-", drawing)


def escaped(text: str) -> str:
    """Return text as a page takes it, names written from right to left set apart from the figures after them.

    >>> escaped("2 of 5 < מנוף צפון, 3 in all")
    '2 of 5 &lt; <bdi>מנוף צפון</bdi>, 3 in all'
    """
    return _FROM_RIGHT.sub(r"<bdi>\g<0></bdi>", escape(text))
