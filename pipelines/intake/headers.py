"""Makes a header out of the rows that hold it."""

import re
from collections.abc import Sequence
from itertools import zip_longest

from pipelines.faults import DataFault
from pipelines.sources.profiles import FileForm

Row = list[str | None]


def last_header_row(form: FileForm) -> int:
    """Return the number of the last row of the header, counted from 1."""
    return form.header_row + form.header_rows - 1


def header_from(rows: Sequence[Row], form: FileForm) -> list[str]:
    """Return the header in the first rows of a file, or an empty list where there are too few rows.

    Two rows are joined by a space. An empty cell of the upper one takes the text to its left, since only the first
    cell of a merged range has it. A column without a name is called after its place.

    >>> form = FileForm(kind="csv", header_rows=2)
    >>> header_from([["Day", "Reasons", None], [None, "worn", "bent"]], form)
    ['Day', 'Reasons worn', 'Reasons bent']
    >>> header_from([["Day", None, "Size\\n(in)"]], FileForm(kind="csv"))
    ['Day', 'column 2', 'Size (in)']
    """
    if len(rows) < last_header_row(form):
        return []
    lower = rows[last_header_row(form) - 1]
    return named(lower if form.header_rows == 1 else _joined(rows[form.header_row - 1], lower))


def named(cells: Sequence[str | None]) -> list[str]:
    """Return the cells of a header as names, each on one line; an empty one is called after its place."""
    names = [re.sub(r"\s*[\r\n]+\s*", " ", cell or "").strip() for cell in cells]
    return [name or f"column {place}" for place, name in enumerate(names, start=1)]


def refuse_twice(header: Sequence[str], where: str) -> None:
    """Raise DataFault where two columns of a header have one name; `where` says whose it is."""
    twice = next((name for name in header if header.count(name) > 1), None)
    if twice:
        raise DataFault(
            f'{where}: the column "{twice}" stands twice in the header. Rename one of them in the export.'
        )


def _joined(upper: Row, lower: Row) -> Row:
    joined: Row = []
    merged = None
    for above, below in zip_longest(upper, lower):
        merged = above or (merged if below else None)
        joined.append(" ".join(filter(None, (merged, below))))
    return joined
