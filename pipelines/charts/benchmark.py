"""Charts of sites compared: the funnel, the ratios in order, and what one ratio is made of."""

from typing import Literal

import altair as alt
import numpy as np
import pandas as pd

from pipelines.charts.theme import (
    BLUE,
    BLUISH_GREEN,
    GRID,
    INK,
    LINE,
    ORANGE,
    QUIET,
    VERMILLION,
    WIDTH,
    themed,
)
from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark import by_ratio
from pipelines.models.benchmark.funnel import Spread, funnel_limits
from pipelines.models.benchmark.parts import RAW, REMAINS
from pipelines.wording import figure
from pipelines.writing import written

# Each standing of a site, with the shape and the colour that both say it.
STANDINGS = {
    "far above": ("above the 99.8 % limit", "triangle-up", VERMILLION),
    "above": ("above the 95 % limit", "triangle-up", ORANGE),
    "within": ("within the limits", "circle", BLUE),
    "below": ("below the 95 % limit", "triangle-down", BLUISH_GREEN),
    "far below": ("below the 99.8 % limit", "triangle-down", INK),
    "": ("too little expected", "square", QUIET),
}
PEER = "other clients' sites"
FUNNEL_KEY = [
    "Lines: limits that a site like the others keeps within, inner pair 95 % of the time, outer pair 99.8 %.",
    "A site's own limits also allow for how well its reference is known, so that one just outside may not be marked.",
]
UNNAMED = "Names that found no room are left out; the table below has them."
CATERPILLAR_KEY = ["Dot: shrunken ratio with its 95 % limits; upright tick: the ratio itself."]
LABELS, REMARKS = 210, 150  # width left and right of the plot [px]
PLOT_WIDTH = WIDTH - LABELS - REMARKS
ROW_HEIGHT = 22
FUNNEL_WIDTH, FUNNEL_HEIGHT = WIDTH - 60, 400
Align = Literal["left", "right", "center"]
Side = tuple[Align, int, int]
Box = tuple[float, float, float, float]  # left, right, top, bottom [px]
# Where a name may stand beside its mark: alignment, and how far right of it and below it [px].
SIDES: list[Side] = [
    ("left", 9, 0),
    ("right", -9, 0),
    ("center", 0, -13),
    ("center", 0, 13),
]
NAME_SIZE = 10.5
MOST_COVERED = (
    40.0  # of another name or mark by that of a site within its limits [square px]: an edge that touches
)


def funnel_chart(sites: pd.DataFrame, peers: pd.DataFrame) -> alt.LayerChart:
    """Return the funnel plot: each site's ratio over its expected removals, between funnel limits.

    Parameters
    ----------
    sites : DataFrame
        Rows of `site_benchmark` with a ratio, named in the drawing.
    peers : DataFrame
        Rows of `anonymous_peers`, drawn as rings without a name; may be empty.

    Returns
    -------
    LayerChart
        Expected removals on a log axis; exact limits at 95 % and 99.8 %, widened where sites spread beyond chance.
    """
    drawn = pd.DataFrame(
        {
            "site": sites["site"],
            "expected": sites["expected"].astype(float),
            "ratio": sites["ratio"].astype(float),
            "standing": [STANDINGS[flag][0] for flag in sites["flag"].astype(object).fillna("")],
        }
    )
    drawn["said"] = [
        f"{row['site']}: {written(row['ratio'], 2)} times the {figure(row['expected'])} removals expected, {row['standing']}"
        for _, row in drawn.iterrows()
    ]
    expected = pd.concat([drawn["expected"], peers["expected"].astype(float)])
    ends = [expected.min() / 1.4, expected.max() * 2.2]
    limits = _limit_lines(sites, ends)
    ratios = pd.concat([drawn["ratio"], peers["ratio"].astype(float)])
    top = 1.1 * max(min(2.0, limits["ratio"].max()), ratios.max())
    x = alt.X(
        "expected:Q",
        scale=alt.Scale(type="log", domain=ends, nice=False),
        axis=alt.Axis(
            title="Removals expected (log scale)", grid=False, values=_round_numbers(ends), format=",~r"
        ),
    )
    y = alt.Y(
        "ratio:Q",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(title="Observed over expected removals; 1 is as expected", tickCount=6),
    )
    layers: list[alt.Chart | alt.LayerChart] = [
        _limit_layer(limits, x, y, level, dash) for level, dash in (("95 %", [1, 0]), ("99.8 %", [5, 3]))
    ]
    one = pd.DataFrame({"expected": ends, "ratio": 1.0})
    layers.append(alt.Chart(one).mark_line(color=LINE, strokeWidth=1.2).encode(x=x, y=y))
    if len(peers):
        rings = alt.Chart(peers[["expected", "ratio"]].assign(standing=PEER))
        layers.append(rings.mark_point(color=QUIET, size=60, opacity=0.9, strokeWidth=1.4).encode(x=x, y=y))
    sides = _sides(drawn, peers, ends, top)
    layers += [_site_marks(drawn, x, y), _site_names(drawn, sides, x, y)]
    key = [*FUNNEL_KEY, *([UNNAMED] if None in sides else [])]
    return themed(
        alt.LayerChart(layer=layers).properties(width=FUNNEL_WIDTH, height=FUNNEL_HEIGHT, title=key)
    )


def _limit_lines(sites: pd.DataFrame, ends: list[float]) -> pd.DataFrame:
    rules = benchmark_rules()
    expected = np.geomspace(ends[0], ends[1], 120)
    row = sites.dropna(subset=["spread"]).head(1)
    kind, phi, tau2 = row[["spread", "spread_phi", "spread_tau2"]].iloc[0] if len(row) else ("none", 1.0, 0.0)
    extra = Spread(str(kind), float(phi), float(tau2)).extra_variance(expected)
    lines = []
    for level, tail in (("95 %", rules.funnel_tail), ("99.8 %", rules.far_funnel_tail)):
        for side, limit in zip(("lower", "upper"), funnel_limits(expected, tail, extra), strict=True):
            lines.append(
                pd.DataFrame({"expected": expected, "ratio": limit, "level": level, "side": side}).round(4)
            )
    return pd.concat(lines, ignore_index=True)


def _limit_layer(limits: pd.DataFrame, x: alt.X, y: alt.Y, level: str, dash: list[int]) -> alt.Chart:
    of_level = limits[limits["level"] == level].drop(columns="level")
    marks = alt.Chart(of_level).mark_line(color=LINE, strokeWidth=1.2, strokeDash=dash, clip=True)
    return marks.encode(x=x, y=y, detail="side:N")


def _round_numbers(ends: list[float]) -> list[float]:
    steps = [step * 10.0**power for power in range(-1, 7) for step in (1, 2, 5)]
    return [step for step in steps if ends[0] <= step <= ends[1]]


def _site_marks(drawn: pd.DataFrame, x: alt.X, y: alt.Y) -> alt.Chart:
    seen = [standing for standing in STANDINGS.values() if standing[0] in set(drawn["standing"])]
    names, shapes, colours = ([each[part] for each in seen] for part in range(3))
    legend = alt.Legend(title=None, symbolSize=90, offset=30)
    marks = alt.Chart(drawn[["expected", "ratio", "standing", "said"]])
    return marks.mark_point(
        filled=True, size=90, opacity=1, stroke="white", strokeWidth=0.6, aria=True
    ).encode(
        x=x,
        y=y,
        description="said:N",
        shape=alt.Shape("standing:N", scale=alt.Scale(domain=names, range=shapes), legend=legend),
        color=alt.Color("standing:N", scale=alt.Scale(domain=names, range=colours), legend=legend),
    )


def _site_names(drawn: pd.DataFrame, sides: list[Side | None], x: alt.X, y: alt.Y) -> alt.LayerChart:
    layers = []
    for align, dx, dy in SIDES:
        is_here = [side == (align, dx, dy) for side in sides]
        names = alt.Chart(drawn.loc[is_here, ["site", "expected", "ratio"]])
        marks = names.mark_text(align=align, dx=dx, dy=dy, fontSize=NAME_SIZE, color=INK, limit=150)
        layers.append(marks.encode(x=x, y=y, text="site:N"))
    return alt.LayerChart(layer=layers)


def _sides(drawn: pd.DataFrame, peers: pd.DataFrame, ends: list[float], top: float) -> list[Side | None]:
    """Return for each site the first of `SIDES` on which its name is free of marks, the axis and the names before it.

    Sites outside their limits come first; where there is no such room theirs stand where they cover least, and those of
    the others nowhere.
    """
    marks = pd.concat([drawn[["expected", "ratio"]], peers[["expected", "ratio"]]])
    across = np.log(marks["expected"] / ends[0]) / np.log(ends[1] / ends[0]) * FUNNEL_WIDTH
    down = (1 - marks["ratio"] / top) * FUNNEL_HEIGHT
    taken: list[Box] = [
        (left - 6, left + 6, middle - 6, middle + 6) for left, middle in zip(across, down, strict=True)
    ]
    sides: list[Side | None] = [None] * len(drawn)
    is_within = drawn["standing"].eq(STANDINGS["within"][0]).to_numpy()
    for number in np.argsort(is_within, kind="stable"):
        own = taken[number]
        name = drawn["site"].iloc[number]
        boxes = [_box(across.iloc[number], down.iloc[number], name, side) for side in SIDES]
        covered = [
            _outside(box) + sum(_cover(box, other) for other in taken if other is not own) for box in boxes
        ]
        best = int(np.argmin(covered))
        if is_within[number] and covered[best] > MOST_COVERED:
            continue
        sides[number] = SIDES[best]
        taken.append(boxes[best])
    return sides


def _box(across: float, down: float, name: str, side: Side) -> Box:
    align, dx, dy = side
    length = min(150.0, 0.55 * NAME_SIZE * len(name))
    left = across + dx - {"left": 0.0, "center": length / 2, "right": length}[align]
    return left, left + length, down + dy - NAME_SIZE / 2, down + dy + NAME_SIZE / 2


def _outside(box: Box) -> float:
    """Return how much of a name would stand on the axis or beyond the drawing."""
    return (max(0.0, -box[0]) + max(0.0, box[1] - FUNNEL_WIDTH)) * (box[3] - box[2])


def _cover(one: Box, other: Box) -> float:
    wide = min(one[1], other[1]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[2], other[2])
    return max(0.0, wide) * max(0.0, high)


def caterpillar_chart(sites: pd.DataFrame, peers: pd.DataFrame) -> alt.LayerChart:
    """Return the shrunken ratios in order, each with its limits and with the rank that they leave it.

    Parameters
    ----------
    sites : DataFrame
        Rows of `site_benchmark` with a ratio.
    peers : DataFrame
        Rows of `anonymous_peers`; may be empty. A peer has no rank.
    """
    own = pd.DataFrame(
        {
            "place": sites["site"],
            "whose": "named",
            "ratio": sites["ratio"].astype(float),
            "shrunken_ratio": sites["shrunken_ratio"].astype(float),
            "lower": sites["shrunken_lower"].astype(float),
            "upper": sites["shrunken_upper"].astype(float),
            "remark": [_rank_in_words(row) for _, row in sites.iterrows()],
        }
    )
    of_peers = peers.rename(columns={"peer": "place", "shrunken_lower": "lower", "shrunken_upper": "upper"})
    of_peers = of_peers.assign(whose="peer", remark="")[list(own.columns)]
    together = own.dropna(subset=["shrunken_ratio"])
    drawn = by_ratio(pd.concat([together, of_peers], ignore_index=True) if len(of_peers) else together)
    drawn["said"] = [
        f"{row['place']}: {written(row['shrunken_ratio'], 2)} ({written(row['lower'], 2)} to {written(row['upper'], 2)}), {written(row['ratio'], 2)} "
        "before it was drawn toward the fleet"
        for _, row in drawn.iterrows()
    ]
    top = max(1.5, 1.05 * drawn["upper"].max()) if len(drawn) else 1.5
    scale = alt.Scale(domain=[0, top], nice=False)
    axis = alt.Axis(
        title="Observed over expected removals, drawn toward the fleet; 1 is as expected", tickCount=6
    )
    y_axis = alt.Axis(title=None, labelLimit=LABELS, minExtent=LABELS, grid=True, gridColor=GRID)
    base = alt.Chart(drawn).encode(
        y=alt.Y("place:N", scale=alt.Scale(domain=drawn["place"].tolist()), axis=y_axis)
    )
    colour = alt.Color("whose:N", scale=alt.Scale(domain=["named", "peer"], range=[BLUE, LINE]), legend=None)
    x = alt.X("shrunken_ratio:Q", scale=scale, axis=axis)
    one = (
        alt.Chart(pd.DataFrame({"shrunken_ratio": [1.0]})).mark_rule(color=LINE, strokeWidth=1.2).encode(x=x)
    )
    limits = base.mark_rule(strokeWidth=2, opacity=0.6, clip=True)
    remarks = base.mark_text(align="left", color=INK, fontSize=11)
    layers = [
        one,
        limits.encode(x=alt.X("lower:Q", scale=scale, axis=axis), x2="upper:Q", color=colour),
        base.mark_tick(color=QUIET, thickness=1.6, size=11).encode(
            x=alt.X("ratio:Q", scale=scale, axis=axis)
        ),
        base.mark_point(filled=True, size=60, opacity=1, aria=True).encode(
            x=x, color=colour, description="said:N"
        ),
        remarks.encode(text="remark:N", x=alt.value(PLOT_WIDTH + 12)),
    ]
    height = ROW_HEIGHT * max(1, len(drawn))
    return themed(
        alt.LayerChart(layer=layers).properties(width=PLOT_WIDTH, height=height, title=CATERPILLAR_KEY)
    )


def _rank_in_words(row: pd.Series) -> str:
    if pd.isna(row["rank"]):
        return ""
    if row["rank_lower"] == row["rank_upper"]:
        return f"rank {row['rank_lower']}"
    return f"rank {row['rank_lower']} to {row['rank_upper']}"


def parts_chart(parts: pd.DataFrame) -> alt.LayerChart:
    """Return how the raw ratio of one site becomes what remains, one part taken out after the other.

    Parameters
    ----------
    parts : DataFrame
        Rows of `site_benchmark_parts` of one site.

    Returns
    -------
    LayerChart
        A bar for each part on a log axis, from where the parts before it have left the ratio; first the raw ratio, last
        what remains, both from 1. A part that is not known has no bar.
    """
    told = parts.dropna(subset=["log_contribution"]).sort_values("position")
    named = dict(zip(told["part"], told["log_contribution"].astype(float), strict=True))
    # Without a removal the raw ratio has no logarithm, and the mix is taken apart from 1.
    left, rows = named.get(RAW, 0.0), []
    for part, step in named.items():
        is_end = part in (RAW, REMAINS)
        start, end = (0.0, step) if is_end else (left, left - step)
        left = left if is_end else end
        rows.append(
            (
                part,
                np.exp(start).round(4),
                np.exp(end).round(4),
                f"× {written(np.exp(step), 2)}",
                "whole" if is_end else "taken out",
            )
        )
    drawn = pd.DataFrame(rows, columns=["part", "start", "end", "remark", "kind"])
    drawn["said"] = [f"{part} {remark}" for part, remark in zip(drawn["part"], drawn["remark"], strict=True)]
    reach = pd.concat([drawn["start"], drawn["end"], pd.Series([0.8, 1.25])])
    ends = [float(reach.min()) / 1.15, float(reach.max()) * 1.15]
    scale = alt.Scale(type="log", domain=ends, nice=False)
    axis = alt.Axis(
        title="Times the reference (log scale)", values=_ratio_ticks(ends), format=".2~f", gridColor=GRID
    )
    y_axis = alt.Axis(title=None, labelLimit=LABELS, minExtent=LABELS)
    base = alt.Chart(drawn).encode(
        y=alt.Y("part:N", scale=alt.Scale(domain=drawn["part"].tolist()), axis=y_axis)
    )
    colour = alt.Color(
        "kind:N",
        scale=alt.Scale(domain=["whole", "taken out"], range=[BLUE, ORANGE]),
        legend=alt.Legend(title=None, symbolType="square"),
    )
    x = alt.X("start:Q", scale=scale, axis=axis)
    one = alt.Chart(pd.DataFrame({"start": [1.0]})).mark_rule(color=LINE, strokeWidth=1.2).encode(x=x)
    layers = [
        one,
        base.mark_bar(height=13, aria=True).encode(x=x, x2="end:Q", color=colour, description="said:N"),
        base.mark_text(align="left", color=INK, fontSize=11).encode(
            text="remark:N", x=alt.value(PLOT_WIDTH + 12)
        ),
    ]
    height = ROW_HEIGHT * max(1, len(drawn))
    return themed(alt.LayerChart(layer=layers).properties(width=PLOT_WIDTH, height=height))


def _ratio_ticks(ends: list[float]) -> list[float]:
    ticks = [0.1, 0.2, 0.25, 0.5, 0.8, 1.0, 1.25, 2.0, 4.0, 5.0, 10.0]
    return [tick for tick in ticks if ends[0] <= tick <= ends[1]]
