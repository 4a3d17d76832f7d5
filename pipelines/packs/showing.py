"""What a notebook shows beside its charts: sentences, tables, the cautions and the mark that it reached its end."""

from dataclasses import dataclass
from html import escape

import pandas as pd

from pipelines.charts.figure import escaped
from pipelines.packs.headings import Heading, heading
from pipelines.wording import cautions, month_in_words
from pipelines.writing import written, written_day, written_label

COMPLETED = "application/vnd.rigging-report.completed+json"


@dataclass(frozen=True, repr=False)
class Words:
    """A sentence, shown as a paragraph, or several in order, shown as a numbered list; nothing where there is none.

    A list of more than `most` ends with a line that says so: what it tells of stands in the tables of the report pack.
    """

    sentences: str | list[str]
    most: int = 30

    def __repr__(self) -> str:
        return " ".join([self.sentences] if isinstance(self.sentences, str) else self.sentences)

    def _repr_html_(self) -> str:
        if not self.sentences:
            return ""
        if isinstance(self.sentences, str):
            return f'<p class="said">{escaped(self.sentences)}</p>'
        if len(self.sentences) == 1:
            return Words(self.sentences[0])._repr_html_()
        items = "".join(f"<li>{escaped(sentence)}</li>" for sentence in self.sentences[: self.most])
        return f'<ol class="said">{items}</ol>{_rest(len(self.sentences), self.most, "points")}'


@dataclass(frozen=True, repr=False)
class Table:
    """A table of a report: some columns of a frame under the trade's words, with their units.

    Rows of several clients stand in one group for each. Longer ones than `most` rows end with a line that says
    so; the whole table is in the report pack. `of` is the table that the columns come from, where control limits are
    among them.
    """

    frame: pd.DataFrame
    columns: list[str]
    caption: str
    most: int = 40
    of: str = ""

    def __repr__(self) -> str:
        return f"{self.caption}: {len(self.frame):,} rows."

    def _repr_html_(self) -> str:
        shown = [name for name in self.columns if name != "client"]
        heads = [heading(name, self.of) for name in shown]
        head = "".join(_head_cell(each) for each in heads)
        rows = self.frame.head(self.most)
        if "client" in self.columns:
            groups = [
                _group(str(client), len(shown)) + _rows(of_client[shown], heads)
                for client, of_client in rows.groupby("client", sort=True)
            ]
        else:
            groups = [_rows(rows[shown], heads)]
        body = "".join(f"<tbody>{group}</tbody>" for group in groups)
        return (
            f'<div class="table" role="region" tabindex="0" aria-label="{escape(self.caption)}">'
            f"<table><caption>{escaped(self.caption)}</caption>"
            f"<thead><tr>{head}</tr></thead>{body}</table></div>"
            + (
                '<p class="note">No row.</p>'
                if self.frame.empty
                else _rest(len(self.frame), self.most, "rows")
            )
        )


@dataclass(frozen=True)
class Cautions:
    """The standing cautions, which close every report."""

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(caution)}</li>" for caution in cautions())
        return f"<h2>Before you use these figures</h2><ul>{items}</ul>"


@dataclass(frozen=True)
class Completed:
    """The mark that a notebook ran to its end, with the one sentence the index page quotes from it."""

    headline: str

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        return {COMPLETED: {"headline": self.headline}, "text/plain": "This report is complete."}


def cell_text(value: object, head: Heading) -> str:
    """Return a value as a table shows it; '' where it is missing.

    >>> cell_text(0.0459, heading("share_found_at_current")), cell_text(1234, heading("inspected"))
    ('4.6', '1,234')
    """
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    match head.kind:
        case "boolean":
            return "yes" if value else "no"
        case "integer":
            return written(int(value))  # type: ignore[call-overload]
        case "number" if head.unit.startswith("currency"):
            return written(value, 2)
        case "number":
            return written(value * (100 if head.is_share else 1), head.decimals)  # type: ignore[operator]
        case "date":
            return written_day(pd.Timestamp(value))  # type: ignore[arg-type]
    if head.names_sizes:
        return written_label(str(value))
    return month_in_words(str(value)) if head.words == "Month" else str(value)


def _rest(count: int, most: int, what: str) -> str:
    if count <= most:
        return ""
    return (
        f'<p class="note">The first {most} of {written(count)} {what}; '
        "all are in the tables that come with this report.</p>"
    )


def _group(name: str, width: int) -> str:
    return f'<tr><th scope="rowgroup" colspan="{width}" class="group">{escape(name)}</th></tr>'


def _rows(frame: pd.DataFrame, heads: list[Heading]) -> str:
    rows = []
    for values in frame.itertuples(index=False, name=None):
        first, *others = (_cell(value, head) for value, head in zip(values, heads, strict=True))
        cells = "".join(f"<td{kind}>{text}</td>" for kind, text in others)
        rows.append(f'<tr><th scope="row"{first[0]}>{first[1]}</th>{cells}</tr>')
    return "".join(rows)


def _head_cell(head: Heading) -> str:
    unit = f'<span class="unit">{escape(head.unit)}</span>' if head.unit else ""
    return f'<th scope="col"{_class_of(head)}>{escape(head.words)}{unit}</th>'


def _cell(value: object, head: Heading) -> tuple[str, str]:
    text = escape(cell_text(value, head)) or '<span class="none" role="img" aria-label="none">–</span>'
    return _class_of(head), text


def _class_of(head: Heading) -> str:
    classes = {"integer": "figure", "number": "figure", "date": "day"}
    return f' class="{classes[head.kind]}"' if head.kind in classes else ""
