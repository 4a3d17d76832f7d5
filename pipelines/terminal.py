"""Rows as lines of a table for a terminal, and commands as one types them there."""

import os
import shlex
import subprocess
from collections.abc import Sequence


def text_table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    """Return a table as lines of text: columns in line with one another, each cell on one line.

    >>> text_table(["file", "row", "why"], [["a.csv", 7, "torn\\nline"], ["long.csv", 12, None]])
    ['file      row  why', 'a.csv     7    torn line', 'long.csv  12']
    """
    table = [[_on_one_line(cell) for cell in cells] for cells in (heads, *rows)]
    widths = [max(len(cells[place]) for cells in table) for place in range(len(heads))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()
        for cells in table
    ]


def _on_one_line(cell: object) -> str:
    text = "" if cell is None else str(cell)
    return "".join(sign if sign.isprintable() else " " for sign in text)


def printable(text: str) -> str:
    r"""Return the text with what a terminal would obey, or not show, written out; line breaks stay.

    >>> print(printable("Sea Wall \x1b[31m\u202e, 5 °C"))
    Sea Wall \x1b[31m\u202e, 5 °C
    """
    return "".join(
        sign if sign.isprintable() or sign in "\n\xa0\u202f" else sign.encode("unicode_escape").decode()
        for sign in text
    )


def as_typed(*words: object) -> str:
    """Return a command of this tool as it is typed into the shell of this machine: words with spaces stand in quotes.

    >>> as_typed("check", "march.csv")
    'rigging-removals check march.csv'
    """
    written = ["rigging-removals", *(str(word) for word in words)]
    return subprocess.list2cmdline(written) if os.name == "nt" else shlex.join(written)
