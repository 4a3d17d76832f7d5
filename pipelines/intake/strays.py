"""Takes the lines with a stray quote out of a delimited file, so that they cost themselves and not the lines after them.

The reader of delimited files takes everything up to the next quote for one cell, and keeps no sure account of what it
refuses once a record has two such quotes. This slower way, line by line, is for the files that have some.
"""

import re
from collections.abc import Iterable, Iterator
from typing import TextIO

STRAY = "\x1a"  # starts the cell that a line taken out is kept in; no log has this control character
LONGEST_JOINED = (
    10_000  # characters of a record with line breaks; beyond, its quote is held to be a stray one
)
_LONGEST_KEPT = 10_000


def write_without_strays(
    lines: Iterable[str], target: TextIO, delimiter: str, quote: str, width: int
) -> None:
    """Write each record of a delimited text but the empty ones; a line with a stray quote becomes a record of its own.

    That record has the line, of a very long one the beginning, in its first cell after `STRAY`; the others are empty.

    Parameters
    ----------
    lines : iterable of str
        Lines of the text, each with its line feed.
    target : file of text
        Where the records are written.
    delimiter, quote : str
        One character each; '' for no quote, where every line is a record.
    width : int
        Cells of a record [columns].
    """
    for text, is_whole in split_records(lines, delimiter, quote):
        if is_whole:
            target.write("" if text == "\n" else text)
        else:
            kept = text.rstrip("\n")[:_LONGEST_KEPT].replace(quote, quote * 2)
            target.write(f"{quote}{STRAY}{kept}{quote}{delimiter * (width - 1)}\n")


def split_records(lines: Iterable[str], delimiter: str, quote: str) -> Iterator[tuple[str, bool]]:
    r"""Yield each record as its text and whether it is whole; one that is not is a single line with a stray quote.

    Parameters
    ----------
    lines : iterable of str
        Lines of a delimited text, each with its line feed.
    delimiter, quote : str
        One character each; '' for no quote, where every line is a whole record.

    Examples
    --------
    >>> list(split_records(['1,"a\n', 'b"\n', '2,"5/8"",3\n', '3,c\n'], ",", '"'))
    [('1,"a\nb"\n', True), ('2,"5/8"",3\n', False), ('3,c\n', True)]
    """
    if not quote:
        yield from ((line, True) for line in lines)
        return
    whole, unclosed = _record_patterns(delimiter, quote)
    source = iter(lines)
    waiting: list[str] = []  # lines looked at and given back, the next one last

    def next_line() -> str:
        return waiting.pop() if waiting else next(source, "")

    while line := next_line():
        if quote not in line or whole.fullmatch(line):
            yield line, True
            continue
        text, taken = line, []
        is_open = bool(unclosed.fullmatch(text))
        while is_open and len(text) < LONGEST_JOINED and (following := next_line()):
            taken.append(following)
            text += following
            is_open = quote not in following or bool(unclosed.fullmatch(text))
        if whole.fullmatch(text):
            yield text, True
        else:
            waiting += reversed(taken)
            yield line, False


def _record_patterns(delimiter: str, quote: str) -> tuple[re.Pattern[str], re.Pattern[str]]:
    """Return the pattern of a whole record and of one that breaks off within quotes."""
    d, q = re.escape(delimiter), re.escape(quote)
    inside = rf" *{q}(?:[^{q}]|{q}{q})*+"
    cell = rf"(?:{inside}{q}|(?! *{q})[^{d}\n]*+)"
    return re.compile(rf"{cell}(?:{d}{cell})*+\n?"), re.compile(rf"(?:{cell}{d})*+{inside}")
