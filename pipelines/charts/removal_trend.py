"""The month by month chart of one client or one site."""

import altair as alt
import pandas as pd

from pipelines.charts.theme import BLUE, BLUISH_GREEN, GRID, INK, LINE, QUIET, VERMILLION, WIDTH, themed
from pipelines.wording import figure, limits_level, month_in_words, per_exposure
from pipelines.wording_gear import of_gear
from pipelines.writing import written

# Each standing of a month, with the shape and the colour that both say it.
STANDINGS = {
    "above": ("above the usual range", "triangle-up", VERMILLION),
    "below": ("below the usual range", "triangle-down", BLUISH_GREEN),
    "within": ("within the usual range", "circle", BLUE),
    "": ("no usual range yet", "square", QUIET),
}
KEY = [
    "Grey bar: usual range of the month; dash: its centre. Thin line: {level} limits of the rate.",
    "The smaller the mark, the fewer shackle-years it rests on.",
]
CUT = "What leaves the drawing at its top goes on."
AXIS_WIDTH = 40  # room for the figures of an upright axis [px]
PLOT_WIDTH = WIDTH - AXIS_WIDTH - 10
WIDEST_BAR = 60  # [px]
LABELLED_MONTHS = {"01": "Jan", "04": "Apr", "07": "Jul", "10": "Oct"}
LONGEST_WITH_QUARTERS = 48


def removal_trend_chart(trend: pd.DataFrame) -> alt.VConcatChart:
    """Return the chart of a removal rate by month, with the counts it rests on below.

    Parameters
    ----------
    trend : DataFrame
        Rows of `removal_trend` of one client or one site, one for each month.

    Returns
    -------
    VConcatChart
        Above: the rate [removals per 100 shackle-years] with its limits, centre and control limits where
        there are any; a month with little exposure has a small mark. Below: shackles inspected and removed.
    """
    drawn = _drawn(trend)
    months = drawn["month"].tolist()
    return themed(
        alt.vconcat(
            _rates(drawn, months),
            _counts(
                drawn, _months(months, has_labels=False), "inspected", of_gear("Shackles inspected"), LINE
            ),
            _counts(drawn, _months(months, has_labels=True), "removed", of_gear("Shackles removed"), INK),
            title=[
                *(of_gear(line.format(level=limits_level())) for line in KEY),
                *([CUT] if _is_cut(drawn.dropna(subset=["rate"])) else []),
            ],
        )
    )


def _drawn(trend: pd.DataFrame) -> pd.DataFrame:
    # A chart carries every column of its frame into the page, so only what is drawn goes in.
    columns = {
        "month": "month",
        "inspected": "inspected",
        "removed": "removed",
        "shackle_years": "shackle_years",
        "removed_per_100_shackle_years": "rate",
        "rate_lower": "rate_lower",
        "rate_upper": "rate_upper",
        "centre": "centre",
        "limit_lower": "limit_lower",
        "limit_upper": "limit_upper",
    }
    drawn = trend[list(columns)].rename(columns=columns)
    drawn["said"] = [_said(row) for _, row in drawn.iterrows()]
    drawn["standing"] = [STANDINGS[signal][0] for signal in trend["signal"].fillna("")]
    return drawn.sort_values("month", ignore_index=True)


def _said(row: pd.Series) -> str:
    """Return what a month's mark says to whoever points at it."""
    counts = f"{month_in_words(row['month'])}: {written(row['removed'])} removed of {written(row['inspected'])} inspected"
    if pd.isna(row["rate"]):
        return counts
    limits = f"{figure(row['rate_lower'])} to {figure(row['rate_upper'])}"
    usual = (
        f"; usual {figure(row['limit_lower'])} to {figure(row['limit_upper'])}"
        if pd.notna(row["limit_upper"])
        else ""
    )
    return f"{counts}; {figure(row['rate'])} {per_exposure()} ({limits}){usual}"


def _months(months: list[str], has_labels: bool) -> alt.X:
    # Months are sent as text: sent as time they are read as UTC and slip a month west of Greenwich.
    scale = alt.Scale(domain=months)
    if not has_labels:
        return alt.X(
            "month:O",
            scale=scale,
            axis=alt.Axis(title=None, labels=False, ticks=False, domain=True, domainColor=GRID),
        )
    labels: dict[str, str] = {}
    for month in months:
        name = LABELLED_MONTHS.get(month[5:])
        if name and (name == "Jan" or len(months) <= LONGEST_WITH_QUARTERS):
            labels[month] = f"{name}|{month[:4]}" if name == "Jan" or not labels else name
    labels = labels or {month: f"{month[5:]}|{month[:4]}" for month in months}
    words = ", ".join(f"'{month}': '{label}'" for month, label in labels.items())
    axis = alt.Axis(
        title=None, values=list(labels), labelExpr=f"split({{{words}}}[datum.value], '|')", labelAngle=0
    )
    return alt.X("month:O", scale=scale, axis=axis)


def _rates(drawn: pd.DataFrame, months: list[str]) -> alt.LayerChart:
    rated = drawn.dropna(subset=["rate"])
    scale = alt.Scale(domain=[0, _top(rated)], nice=False)
    axis = alt.Axis(title=f"Removals {per_exposure()}", tickCount=5, minExtent=AXIS_WIDTH, titleX=-AXIS_WIDTH)

    def y(column: str) -> alt.Y:
        return alt.Y(f"{column}:Q", scale=scale, axis=axis)

    band = _width(0.82, len(months))
    base = alt.Chart(rated).encode(x=_months(months, has_labels=False))
    usual = base.mark_bar(color=GRID, width=band, clip=True).encode(y=y("limit_lower"), y2="limit_upper:Q")
    centre = (
        base.transform_filter("isValid(datum.centre)")
        .mark_tick(color=LINE, orient="horizontal", thickness=1.5, width=band, clip=True)
        .encode(y=y("centre"))
    )
    confidence = base.mark_rule(color=INK, opacity=0.55, strokeWidth=1.2, clip=True).encode(
        y=y("rate_lower"), y2="rate_upper:Q"
    )
    return alt.LayerChart(layer=[usual, centre, confidence, _marks(base, rated, y("rate"))]).properties(
        width=PLOT_WIDTH, height=230
    )


def _marks(base: alt.Chart, rated: pd.DataFrame, y: alt.Y) -> alt.Chart:
    # A key without entries would have no end, and the drawing no size.
    seen = [standing for standing in STANDINGS.values() if standing[0] in set(rated["standing"])] or [
        STANDINGS[""]
    ]
    standings = [standing for standing, _, _ in seen]
    shapes = [shape for _, shape, _ in seen]
    colours = [colour for _, _, colour in seen]
    legend = alt.Legend(title=None, symbolSize=90)
    return base.mark_point(filled=True, opacity=1, stroke="white", strokeWidth=0.6, aria=True).encode(
        y=y,
        description="said:N",
        size=alt.Size("shackle_years:Q", scale=alt.Scale(range=[34, 130], domainMin=0), legend=None),
        shape=alt.Shape("standing:N", scale=alt.Scale(domain=standings, range=shapes), legend=legend),
        color=alt.Color("standing:N", scale=alt.Scale(domain=standings, range=colours), legend=legend),
    )


def _top(rated: pd.DataFrame) -> float:
    """Return the top of the rate axis: room for every rate, while one thin month does not flatten the rest."""
    if rated.empty:
        return 1.0
    reach = [
        rated["rate"].max() * 1.15,
        rated["rate_upper"].quantile(0.75),
        rated["limit_upper"].quantile(0.75),
        1.0,
    ]
    return float(pd.Series(reach).max())


def _is_cut(rated: pd.DataFrame) -> bool:
    return bool((rated[["rate_upper", "limit_upper"]].max() > _top(rated)).any())


def _width(share: float, months: int) -> dict[str, float] | int:
    """Return the width of a bar: a share of the room its month has, but never that of a wall where months are few."""
    return {"band": share} if share * PLOT_WIDTH / months <= WIDEST_BAR else WIDEST_BAR


def _counts(drawn: pd.DataFrame, months: alt.X, column: str, title: str, colour: str) -> alt.Chart:
    # Months without a single item would leave the axis without an end.
    most = max(1, int(drawn[column].max()))
    ticks = {"values": [0, 1]} if most == 1 else {"tickCount": 2, "tickMinStep": 1}
    axis = alt.Axis(title=title, minExtent=AXIS_WIDTH, titleX=-AXIS_WIDTH, format=",d", **ticks)
    scale = alt.Scale(domain=[0, most])
    return (
        alt.Chart(drawn[["month", column, "said"]])
        .mark_bar(color=colour, width=_width(0.62, len(drawn)), aria=True)
        .encode(x=months, y=alt.Y(f"{column}:Q", axis=axis, scale=scale), description="said:N")
        .properties(width=PLOT_WIDTH, height=54)
    )
