"""Charts with one line for each place: its removal rate, and its inspection interval."""

import altair as alt
import pandas as pd

from pipelines.charts.theme import BLUE, GRID, INK, LINE, ORANGE, QUIET, WIDTH, themed
from pipelines.wording import figure, per_exposure
from pipelines.wording_gear import of_gear
from pipelines.writing import written

LABELS, REMARKS = 210, 150  # width left and right of the plot [px]
PLOT_WIDTH = WIDTH - LABELS - REMARKS
ROW_HEIGHT = 22
LONGEST_LABEL = 36  # letters that fit left of the plot
MARKS = ["recommended", "recommended, sign-off needed"]


def environment_rates_chart(rates: pd.DataFrame) -> alt.VConcatChart:
    """Return the chart of removal rates by place, the one that is surely highest first.

    Parameters
    ----------
    rates : DataFrame
        Rows of `interval_recommendations`: one for each environment of each site, with its rate, the limits of
        the rate [removals per 100 shackle-years], removals and exposure.

    Returns
    -------
    VConcatChart
        A dot with its limits for each place, in the order of the lower limit, since an order by the rate
        itself puts the places one knows least about at both ends; one panel for each client.
    """
    drawn = _labelled(rates)
    drawn["rate"] = rates["rate_per_100_shackle_years"].to_numpy()
    drawn["lower"], drawn["upper"] = rates["rate_lower"].to_numpy(), rates["rate_upper"].to_numpy()
    removed, exposure = rates["removed_at_risk"], rates["shackle_years"]
    drawn["remark"] = [
        f"{written(count)} in {written(years)}"
        if pd.notna(rate)
        else f"no rate: {written(count)} in {written(years, 1)}"
        for count, years, rate in zip(removed, exposure, drawn["rate"], strict=True)
    ]
    drawn["said"] = [
        f"{row['place']}: {figure(row['rate'])} {per_exposure()} ({figure(row['lower'])} to {figure(row['upper'])})"
        if pd.notna(row["rate"])
        else f"{row['place']}: {row['remark']}"
        for _, row in drawn.iterrows()
    ]
    drawn = drawn.sort_values(["lower", "rate"], ascending=False, na_position="last")
    # Room for every rate; the limits of thin places may reach beyond the edge.
    top = float(pd.Series([1.6 * drawn["rate"].max(), drawn["upper"].max()]).min())
    x = alt.Scale(domain=[0, max(1.0, top)] if top > 0 else [0, 1])
    return _stacked([_rate_panel(panel, x) for panel in _panels(drawn)])


def _rate_panel(panel: pd.DataFrame, scale: alt.Scale) -> alt.LayerChart:
    base = _rows(panel)
    axis = alt.Axis(title=f"Removals {per_exposure()}", tickCount=6)
    limits = base.mark_rule(color=BLUE, strokeWidth=2, opacity=0.5, clip=True)
    dots = base.mark_point(color=BLUE, filled=True, size=60, opacity=1, aria=True)
    return _named(
        panel,
        limits.encode(x=alt.X("lower:Q", scale=scale, axis=axis), x2="upper:Q"),
        dots.encode(x=alt.X("rate:Q", scale=scale, axis=axis), description="said:N"),
        _remarks(base),
        _remarks_heading(panel, of_gear("removals in shackle-years")),
    )


def interval_chart(recommendations: pd.DataFrame) -> alt.VConcatChart:
    """Return the chart of current against recommended inspection intervals.

    Parameters
    ----------
    recommendations : DataFrame
        Rows of `interval_recommendations`: one for each environment of each site.

    Returns
    -------
    VConcatChart
        For each place an open ring at the current interval and a filled mark at the recommended one [months],
        a diamond where a qualified person must sign; the strongest shortening first; one panel for each client.
    """
    drawn = _labelled(recommendations)
    drawn["current"] = recommendations["current_interval_months"].astype(float).to_numpy()
    drawn["recommended"] = recommendations["recommended_interval_months"].astype(float).to_numpy()
    drawn["now"] = "current"
    drawn["mark"] = [MARKS[int(sign)] for sign in recommendations["needs_sign_off"]]
    drawn["remark"] = [
        _months_in_words(now, then, mark)
        for now, then, mark in zip(drawn["current"], drawn["recommended"], drawn["mark"], strict=True)
    ]
    drawn["said"] = [
        f"{place}, months between inspections: {remark}"
        for place, remark in zip(drawn["place"], drawn["remark"], strict=True)
    ]
    drawn["change"] = drawn["recommended"] - drawn["current"]
    drawn = drawn.sort_values(["change", "place"], na_position="last").drop(columns="change")
    longest = pd.Series([12, drawn["current"].max(), drawn["recommended"].max()]).max()
    panels = [
        _interval_panel(panel, int(longest), has_legend=number == 0)
        for number, panel in enumerate(_panels(drawn))
    ]
    return _stacked(panels).resolve_scale(shape="independent", color="independent")


def _interval_panel(panel: pd.DataFrame, longest: int, has_legend: bool) -> alt.LayerChart:
    base = _rows(panel)
    scale = alt.Scale(domain=[0, longest])
    axis = alt.Axis(title="Months between periodic inspections", values=list(range(0, longest + 1, 3)))
    now, then = (alt.X(f"{column}:Q", scale=scale, axis=axis) for column in ("current", "recommended"))
    ring = alt.Legend(title=None, symbolSize=130, symbolFillColor="transparent", symbolStrokeColor=QUIET)
    filled = alt.Legend(title=None, symbolSize=70)
    link = base.mark_rule(color=LINE, strokeWidth=2).encode(x=now, x2="recommended:Q")
    current = base.mark_point(filled=False, size=130, strokeWidth=1.6, color=QUIET, opacity=1).encode(
        x=now,
        shape=alt.Shape(
            "now:N",
            scale=alt.Scale(domain=["current"], range=["circle"]),
            legend=ring if has_legend else None,
        ),
    )
    recommended = base.mark_point(filled=True, size=70, opacity=1, aria=True).encode(
        x=then,
        description="said:N",
        shape=alt.Shape(
            "mark:N",
            scale=alt.Scale(domain=MARKS, range=["circle", "diamond"]),
            legend=filled if has_legend else None,
        ),
        color=alt.Color(
            "mark:N",
            scale=alt.Scale(domain=MARKS, range=[BLUE, ORANGE]),
            legend=filled if has_legend else None,
        ),
    )
    return _named(panel, link, current, recommended, _remarks(base)).resolve_scale(
        shape="independent", color="independent"
    )


def _months_in_words(current: float, recommended: float, mark: str) -> str:
    sign = ", sign-off" if mark == MARKS[1] else ""
    if current == recommended:
        return f"stays {written(current)}{sign}"
    return f"{written(current)} to {written(recommended)}{sign}"


# A site's name that is too long is cut in its middle, so that the environment and a number at its end stay.
_ENVIRONMENT = "slice(datum.label, lastindexof(datum.label, ', '))"
_ROOM = f"({LONGEST_LABEL} - length({_ENVIRONMENT}))"
_SITE = "slice(datum.label, 0, lastindexof(datum.label, ', '))"
_SHORTENED = (
    f"length(datum.label) <= {LONGEST_LABEL} ? datum.label : slice({_SITE}, 0, ceil({_ROOM} / 2)) + '…'"
    f" + slice({_SITE}, -floor({_ROOM} / 2) + 1) + {_ENVIRONMENT}"
)


def _labelled(places: pd.DataFrame) -> pd.DataFrame:
    label = places["site"] + ", " + places["environment"]
    return pd.DataFrame({"client": places["client"].to_numpy(), "place": label.to_numpy()})


def _panels(drawn: pd.DataFrame) -> list[pd.DataFrame]:
    return [panel for _, panel in drawn.groupby("client", sort=True)]


def _rows(panel: pd.DataFrame) -> alt.Chart:
    """Return a chart of one line per place, in the order of the panel, with nothing drawn yet."""
    axis = alt.Axis(
        title=None,
        labelExpr=_SHORTENED,
        labelLimit=LABELS,
        labelPadding=9,  # a mark at 0 stands clear of the label
        minExtent=LABELS,
        grid=True,
        gridColor=GRID,
    )
    y = alt.Y("place:N", scale=alt.Scale(domain=panel["place"].tolist()), axis=axis)
    return alt.Chart(panel.drop(columns="client")).encode(y=y)


def _remarks(base: alt.Chart) -> alt.Chart:
    marks = base.mark_text(align="left", color=INK, fontSize=11)
    return marks.encode(text="remark:N", x=alt.value(PLOT_WIDTH + 12))


def _remarks_heading(panel: pd.DataFrame, heading: str) -> alt.Chart:
    marks = alt.Chart(panel.head(1)[["place"]]).mark_text(
        align="left", color=QUIET, fontSize=11, text=heading
    )
    return marks.encode(x=alt.value(PLOT_WIDTH + 12), y=alt.value(-9))


def _named(panel: pd.DataFrame, *layers: alt.Chart) -> alt.LayerChart:
    title = alt.Title(panel["client"].iloc[0], offset=10)
    return alt.LayerChart(layer=list(layers)).properties(
        width=PLOT_WIDTH, height=ROW_HEIGHT * len(panel), title=title
    )


def _stacked(panels: list[alt.LayerChart]) -> alt.VConcatChart:
    return themed(alt.vconcat(*panels))
