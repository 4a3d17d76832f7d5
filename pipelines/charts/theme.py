"""The look that all charts share: palette, type and axes."""

import re
from typing import TypeVar

import altair as alt

from pipelines.settings import Palette, carried

# The palette that people with the common kinds of colour blindness can tell apart: Okabe, M. & Ito, K. (2008),
# Color Universal Design. No colour ever stands alone: shape, position or a word says the same.
BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"

# For printers without colour: greys as far apart as eight can be, what stands out the darkest. The last is the accent of
# pages.
GREYS = {
    BLACK: "#000000",
    VERMILLION: "#141414",
    BLUE: "#4f4f4f",
    BLUISH_GREEN: "#6b6b6b",
    REDDISH_PURPLE: "#858585",
    ORANGE: "#9e9e9e",
    SKY_BLUE: "#b8b8b8",
    YELLOW: "#d6d6d6",
    "#7d3c1a": "#383838",
}

INK = "#23282d"
QUIET = "#5f676e"
LINE = "#9aa1a7"
GRID = "#e4e6e3"

# An unknown font leaves a picture without any text, so each name is one that a plain system has.
SANS = "Liberation Sans, Arial, Helvetica, DejaVu Sans, sans-serif"

# Width of a whole chart [px], axis labels included: the width of a page's column on paper.
WIDTH = 740


Drawing = TypeVar("Drawing", bound=alt.TopLevelMixin)


def in_palette(drawing: str) -> str:
    """Return a drawing, or the style of a page, in the palette that the user chose."""
    if carried("palette") != Palette.GREY:
        return drawing
    of = {colour.lower(): grey for colour, grey in GREYS.items()}
    return re.sub("|".join(of), lambda found: of[found[0].lower()], drawing, flags=re.IGNORECASE)


def themed(chart: Drawing) -> Drawing:
    """Return the whole chart in this project's look; a part of a larger chart is left as it is."""
    text = {"labelFont": SANS, "titleFont": SANS, "labelColor": INK, "titleColor": INK}
    sizes = {"labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal"}
    return chart.configure(
        background="transparent",
        font=SANS,
        padding={"left": 2, "right": 4, "top": 4, "bottom": 2},
        axis={
            **text,
            **sizes,
            "domainColor": LINE,
            "tickColor": LINE,
            "gridColor": GRID,
            "labelLimit": 0,
            "tickSize": 4,
            "labelPadding": 5,
        },
        # The name and unit of an upright axis stand level above it, where they need no turned head.
        axisY={
            "titleAngle": 0,
            "titleAlign": "left",
            "titleAnchor": "end",
            "titleBaseline": "bottom",
            "titleY": -7,
            "domain": False,
            "ticks": False,
        },
        legend={
            **text,
            **sizes,
            "orient": "top",
            "symbolStrokeWidth": 1.5,
            "titleOrient": "left",
            "labelLimit": 0,
            "offset": 14,
        },
        title={"font": SANS, "fontSize": 13, "color": INK, "anchor": "start", "frame": "bounds"},
        view={"stroke": None},
        concat={"spacing": 26},
        # Marks say nothing by themselves; those with a description show it to whoever points at them.
        mark={"font": SANS, "aria": False},
        text={"font": SANS, "fontSize": 12, "color": INK},
    )
