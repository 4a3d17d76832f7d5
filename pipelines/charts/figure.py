"""A chart with its finding in words, as a page shows it."""

import hashlib
import re
from dataclasses import dataclass
from html import escape

import altair as alt
import vl_convert


@dataclass(frozen=True)
class Figure:
    """A chart below the sentence that says what it shows; JupyterLab and report pages show it as a drawing.

    `finding` is read by everybody, `alternative` by those who do not see the drawing: it says in words what
    the marks say.
    """

    chart: alt.TopLevelMixin
    finding: str
    alternative: str

    def svg(self) -> str:
        """Return the drawing: static, and with nothing to fetch from a network."""
        drawing = vl_convert.vegalite_to_svg(self.chart.to_dict())
        drawing = re.sub(r' xmlns(:xlink)?="[^"]*"', "", drawing)
        # Clip paths are numbered from 0 in every drawing; on one page they would refer to one another's.
        own = "f" + hashlib.sha256(drawing.encode()).hexdigest()[:8]
        drawing = re.sub(r'(\bid="|url\(#)', rf"\g<1>{own}-", drawing)
        return drawing.replace("<svg", f'<svg role="img" aria-label="{escape(self.alternative)}"', 1)

    def _repr_html_(self) -> str:
        return (
            f'<figure class="drawn"><figcaption>{escape(self.finding)}</figcaption>'
            f'<div class="drawing" tabindex="0">{self.svg()}</div></figure>'
        )
