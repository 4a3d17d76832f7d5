"""The chart of what became of the rows of each file."""

import altair as alt
import pandas as pd

from pipelines.charts.theme import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    INK,
    ORANGE,
    REDDISH_PURPLE,
    SKY_BLUE,
    VERMILLION,
    WIDTH,
    themed,
)
from pipelines.writing import written

COLOURS = [BLUE, VERMILLION, BLUISH_GREEN, ORANGE, SKY_BLUE, REDDISH_PURPLE, BLACK]
OTHER_RULES = "other rules"
LABELS, REMARKS = 250, 150  # width left and right of the plot [px]


def intake_chart(account: pd.DataFrame) -> alt.LayerChart:
    """Return the chart of rows quarantined in each file, by the rule they broke.

    Parameters
    ----------
    account : DataFrame
        One row for each file and rule: file, rows_read [rows], rule (in words), rows_quarantined [rows]; a file
        with nothing quarantined has one row without a rule.

    Returns
    -------
    LayerChart
        A bar for each file, made of its rules, with "quarantined of read" beside it. Accepted rows are not
        drawn: hundreds of them would hide the few that matter here.
    """
    drawn = account[["file", "rule", "rows_quarantined"]].dropna(subset=["rule"])
    drawn = drawn.assign(rule=_most_frequent(drawn))
    drawn = drawn.groupby(["file", "rule"], sort=False)["rows_quarantined"].sum().reset_index()
    totals = account.groupby("file", as_index=False).agg(
        quarantined=("rows_quarantined", "sum"), read=("rows_read", "first")
    )
    totals["remark"] = [
        f"{written(int(out))} of {written(int(read))} rows"
        for out, read in zip(totals["quarantined"], totals["read"], strict=True)
    ]
    drawn["said"] = [
        f"{rule}: {written(count)}"
        for rule, count in zip(drawn["rule"], drawn["rows_quarantined"], strict=True)
    ]
    order = totals.sort_values(["quarantined", "file"], ascending=[False, True])["file"].tolist()
    y = alt.Y("file:N", scale=alt.Scale(domain=order), axis=alt.Axis(title=None, labelLimit=LABELS))
    width = WIDTH - LABELS - REMARKS
    remarks = alt.Chart(totals[["file", "remark"]]).mark_text(align="left", color=INK)
    layers = [_bars(drawn, y), remarks.encode(y=y, text="remark:N", x=alt.value(width + 12))]
    return themed(alt.LayerChart(layer=layers).properties(width=width, height=30 * len(order)))


def _bars(drawn: pd.DataFrame, y: alt.Y) -> alt.Chart:
    rules = drawn.groupby("rule")["rows_quarantined"].sum().sort_values(ascending=False).index.tolist()
    rules = [rule for rule in rules if rule != OTHER_RULES] + [OTHER_RULES] * (OTHER_RULES in rules)
    colour = alt.Color(
        "rule:N",
        scale=alt.Scale(domain=rules, range=COLOURS),
        legend=alt.Legend(
            title="Rule broken",
            titleOrient="top",
            orient="bottom",
            columns=1,
            labelLimit=0,
            symbolType="square",
        ),
    )
    x = alt.X(
        "rows_quarantined:Q",
        stack="zero",
        axis=alt.Axis(title="Rows quarantined", tickMinStep=1, format=",d", tickCount=5),
    )
    return (
        alt.Chart(drawn)
        .mark_bar(height=14, stroke="white", strokeWidth=1, aria=True)
        .encode(x=x, y=y, color=colour, description="said:N")
    )


def _most_frequent(drawn: pd.DataFrame) -> list[str]:
    """Return each row's rule, the rare ones as one group, so that every rule drawn has a colour of its own."""
    by_rule = drawn.groupby("rule")["rows_quarantined"].sum().sort_values(ascending=False)
    if len(by_rule) <= len(COLOURS):
        return drawn["rule"].tolist()
    kept = set(by_rule.index[: len(COLOURS) - 1])
    return [rule if rule in kept else OTHER_RULES for rule in drawn["rule"]]
