"""The buyer's charts: removals to come, and stock against demand."""

import altair as alt
import pandas as pd

from pipelines.charts.theme import BLUE, GRID, INK, ORANGE, SKY_BLUE, VERMILLION, WIDTH, themed
from pipelines.wording import figure, month_in_words
from pipelines.wording_gear import of_gear
from pipelines.wording_orders import short_class
from pipelines.writing import written

AXIS_WIDTH = 40
SHORT_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
LABELS, REMARKS = 270, 150  # width left and right of the plot [px]
ROW_HEIGHT = 22
MOST_CLASSES = 20
FORECAST_KEY = [
    "Thick line: 80 % band; thin line: 95 % band. Add up no bands: the sum of months has its own."
]
STOCK_KEY = [
    "Bars: what is there to meet the demand. Upright stroke: the demand that the service level plans for."
]
HELD = {"in stock": BLUE, "on order": SKY_BLUE}
NOW, ADVISED = "intervals as they are", "intervals as recommended"


def forecast_chart(totals: pd.DataFrame) -> alt.LayerChart:
    """Return the chart of removals to come, month by month, with the intervals as they are and as recommended.

    Parameters
    ----------
    totals : DataFrame
        Rows of `forecast_totals` of one client, site or item class, one for each month.

    Returns
    -------
    LayerChart
        For each month a dot with its 80 % and 95 % prediction bands [items], filled for the current intervals, and an
        open diamond for what is expected with the recommended ones.
    """
    drawn = totals[["month", "expected", "lower_80", "upper_80", "lower_95", "upper_95"]].astype(
        {"lower_80": float, "upper_80": float, "lower_95": float, "upper_95": float}
    )
    drawn = drawn.assign(advised=totals["expected_at_recommended"], now_words=NOW, advised_words=ADVISED)
    drawn["said"] = [
        f"{month_in_words(row['month'])}: {figure(row['expected'])} expected, 80 % band {written(row['lower_80'])} to "
        f"{written(row['upper_80'])}, 95 % band {written(row['lower_95'])} to {written(row['upper_95'])}; "
        f"{figure(row['advised'])} with the recommended intervals"
        for _, row in drawn.iterrows()
    ]
    drawn = drawn.sort_values("month")
    months = drawn["month"].tolist()
    labels = {
        month: f"{SHORT_MONTHS[int(month[5:]) - 1]}" + (f"|{month[:4]}" if not i or month[5:] == "01" else "")
        for i, month in enumerate(months)
    }
    words = ", ".join(f"'{month}': '{label}'" for month, label in labels.items())
    x = alt.X(
        "month:O",
        scale=alt.Scale(domain=months),
        axis=alt.Axis(title=None, labelExpr=f"split({{{words}}}[datum.value], '|')", labelAngle=0),
    )
    top = max(1.0, float(drawn[["upper_95", "advised"]].max().max()))
    y_axis = alt.Axis(
        title="Removals in the month", tickCount=5, tickMinStep=1, minExtent=AXIS_WIDTH, titleX=-AXIS_WIDTH
    )

    def y(column: str) -> alt.Y:
        return alt.Y(f"{column}:Q", scale=alt.Scale(domain=[0, top]), axis=y_axis)

    base = alt.Chart(drawn).encode(x=x)
    legend = alt.Legend(title=None, symbolSize=80, orient="bottom")
    marks = alt.Scale(domain=[NOW, ADVISED], range=["circle", "diamond"])
    colours = alt.Scale(domain=[NOW, ADVISED], range=[BLUE, ORANGE])
    layers = [
        base.mark_rule(color=BLUE, opacity=0.55, strokeWidth=1.4).encode(y=y("lower_95"), y2="upper_95:Q"),
        base.mark_rule(color=BLUE, opacity=0.35, strokeWidth=7).encode(y=y("lower_80"), y2="upper_80:Q"),
        *(
            base.mark_point(filled=is_filled, size=70, opacity=1, strokeWidth=1.8, aria=True).encode(
                y=y(column),
                description="said:N",
                shape=alt.Shape(f"{label}:N", scale=marks, legend=legend),
                color=alt.Color(f"{label}:N", scale=colours, legend=legend),
            )
            for column, label, is_filled in (
                ("expected", "now_words", True),
                ("advised", "advised_words", False),
            )
        ),
    ]
    return themed(
        alt.LayerChart(layer=layers).properties(width=WIDTH - AXIS_WIDTH - 10, height=240, title=FORECAST_KEY)
    )


def stock_chart(orders: pd.DataFrame) -> alt.LayerChart:
    """Return the chart of stock against demand, the item classes most likely to run out first.

    Parameters
    ----------
    orders : DataFrame
        Rows of `order_plan` of one client.

    Returns
    -------
    LayerChart
        For each of the first item classes a bar of items in stock and on order, a stroke at the demand that the service
        level plans for until the order after this one arrives, and what to order beside it.
    """
    shown = orders[orders["demand_over_lead_time"].notna()]
    shown = shown.sort_values(["risk_of_running_out", "item_class"], ascending=[False, True], kind="stable")
    shown = shown.head(MOST_CLASSES)
    names = [short_class(name) for name in shown["item_class"]]
    held = pd.concat(
        [
            pd.DataFrame(
                {"name": names, "items": shown[column].astype(float).fillna(0).to_numpy(), "held": words}
            )
            for column, words in (("on_hand", "in stock"), ("on_order", "on order"))
        ]
    )
    held["said"] = [
        f"{name}: {written(items)} {where}" for name, items, where in held.itertuples(index=False, name=None)
    ]
    drawn = pd.DataFrame(
        {
            "name": names,
            "demand": shown["demand_over_lead_time"].astype(float).to_numpy(),
            "remark": [
                f"order {written(int(quantity))}, risk {_percent(risk)}"
                if quantity
                else f"no order, risk {_percent(risk)}"
                for quantity, risk in zip(shown["order_quantity"], shown["risk_of_running_out"], strict=True)
            ],
        }
    )
    width = WIDTH - LABELS - REMARKS
    scale = alt.Scale(domain=names)
    y = alt.Y("name:N", scale=scale, axis=alt.Axis(title=None, labelLimit=LABELS, grid=True, gridColor=GRID))
    axis = alt.Axis(title=of_gear("Shackles"), tickCount=5, tickMinStep=1, format=",d")
    colour = alt.Color(
        "held:N",
        scale=alt.Scale(domain=list(HELD), range=list(HELD.values())),
        legend=alt.Legend(title=None, symbolType="square"),
    )
    order = alt.Order("held:N", sort="ascending")
    bars = (
        alt.Chart(held)
        .mark_bar(height=12, stroke="white", strokeWidth=1, aria=True)
        .encode(
            y=y,
            x=alt.X("items:Q", stack="zero", axis=axis),
            color=colour,
            order=order,
            description="said:N",
        )
    )
    base = alt.Chart(drawn).encode(y=y)
    strokes = base.mark_tick(color=VERMILLION, thickness=3, height=18).encode(x=alt.X("demand:Q", axis=axis))
    remarks = base.mark_text(align="left", color=INK, fontSize=11).encode(
        text="remark:N", x=alt.value(width + 12)
    )
    return themed(
        alt.LayerChart(layer=[bars, strokes, remarks]).properties(
            width=width, height=ROW_HEIGHT * max(len(names), 1), title=STOCK_KEY
        )
    )


def _percent(share: float) -> str:
    return "under 1 %" if share < 0.01 else f"{written(100 * share)} %"
