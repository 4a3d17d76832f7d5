"""Tells the column of an unknown log in which several counts stand in one cell, such as "25 looked at, 3 removed"."""

import re
from collections import defaultdict
from dataclasses import dataclass

from pipelines.sources.matching import Sample
from pipelines.sources.profiles import ALL_WORDS, NONE_WORDS
from pipelines.sources.vocabulary import plain, vocabulary

LEAST_SHARE = 0.5  # of the records, that hold both counts
MOST_WAYS = 6  # of writing them, that a draft proposes

_COUNT = re.compile(rf"\d+|\b(?:{'|'.join([*NONE_WORDS, *ALL_WORDS])})\b", re.IGNORECASE)


@dataclass(frozen=True)
class SeveralCounts:
    """A header, the ways in which the cells below it hold items looked at and removed, and the share of records that do."""

    header: str
    written: list[str]
    share: float


def several_counts(sample: Sample) -> SeveralCounts | None:
    """Return the column of which most cells hold two counts, of which one is of items removed; None where there is none."""
    found = [_counts_below(header, values, sample.record_count) for header, values in sample.values.items()]
    best = max((counts for counts in found if counts.written), key=lambda counts: counts.share, default=None)
    return best if best and best.share >= LEAST_SHARE else None


def _counts_below(header: str, values: dict[str, int], records: int) -> SeveralCounts:
    """Return the ways of writing two counts below a header, the most frequent first, and the share of records so written."""
    texts: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for text in values:
        words = _COUNT.split(text)
        if len(words) == 3 and words[1].strip() and _tells_of_removal(f"{header} {text}"):
            texts[tuple(words)].append(text)
    seen = {way: sum(values[text] for text in of_way) for way, of_way in texts.items()}
    ways = sorted(seen, key=lambda way: -seen[way])[:MOST_WAYS]
    share = sum(seen[way] for way in ways) / max(records, 1)
    return SeveralCounts(header, [_written(way, texts[way]) for way in ways], share)


def _tells_of_removal(text: str) -> bool:
    said = f" {plain(text)} "
    return any(f" {word} " in said for word in vocabulary()["headers"]["removed"])


def _written(words: tuple[str, ...], texts: list[str]) -> str:
    """Return a way of writing two counts with their names in place; no more items are removed than were looked at."""
    counts = [[int(found) if found.isdigit() else 0 for found in _COUNT.findall(text)] for text in texts]
    first, second = (sum(of_place) for of_place in zip(*counts, strict=True))
    names = ("{removed}", "{quantity}") if first < second else ("{quantity}", "{removed}")
    return f"{words[0]}{names[0]}{words[1]}{names[1]}{words[2]}"
