"""Guesses which header of an unknown log is which column, from the header's words and from the values below it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import product

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipelines import units
from pipelines.contracts import rated_loads
from pipelines.sources.profiles import FileForm
from pipelines.sources.vocabulary import header_likeness, meaning, plain, vocabulary

LEAST_SCORE = 0.5
LEAST_NAME = 0.6
TELLING_SCORE = 0.55  # of a strange header over values that speak for themselves
SURE_HEADER = 0.85
SURE_VALUES = 0.9
CLEAR_LEAD = 0.1
CRITERION_LIKENESS = 0.85

DAY_PATTERNS = (
    "%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d",
    "%d/%m/%y", "%m/%d/%y", "%d.%m.%y", "%d-%m-%y", "%m-%d-%y", "%d %b %Y", "%d-%b-%Y", "%d-%b-%y", "%d %B %Y",
    "%b %d, %Y", "%B %d, %Y", "%b %d %Y",
)  # fmt: skip
TIME_PATTERNS = ("", " %H:%M", " %H:%M:%S", "T%H:%M:%S", " %I:%M %p")

_PATTERNS = [day + time for day, time in product(DAY_PATTERNS, TIME_PATTERNS)]
# Columns whose values can be told from those of any other column, so that they count although the header is strange.
_TELLING = {
    "environment", "body", "pin", "grade", "inspection_type", "nominal_size_mm", "inspected_on", "result", "reasons",
}  # fmt: skip
SEPARATORS = (";", ",", " / ", "|", "\n", " + ", " & ")
TICKS = ("x", "y", "yes", "true")
MOST_VALUES_SEEN = 200  # of each column, for its score

_COUNTED = re.compile(r"\s*[x×]\s*\d+$|^\d+\s*[x×]\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Sample:
    """What was seen of the files of one exporter, without knowing what its columns mean.

    `values` gives, for each header, how many records hold each distinct text, the most frequent first; `empty` how many
    hold none; `records` the first records as the files have them. `doubts` says why an entry of `form` is not sure.
    """

    files: list[str]
    form: FileForm
    doubts: dict[str, str]
    header: list[str]
    record_count: int
    refused_count: int
    values: dict[str, dict[str, int]]
    empty: dict[str, int]
    records: list[dict[str, str | None]]


@dataclass(frozen=True)
class Match:
    """A column of the contract, or the role `result` or `reasons`, and the header it is likely to be."""

    column: str
    header: str
    score: float
    doubt: str  # why it is not sure, empty where it is


Scores = dict[str, dict[str, float]]  # column, then header


def match_columns(sample: Sample) -> list[Match]:
    """Return the most likely header of each column, no header twice, in the order of the contract."""
    headers = [header for header in sample.header if not _names_a_criterion(header, sample)]
    scores = {
        column: {header: _score(column, header, sample) for header in headers}
        for column in vocabulary()["headers"]
    }
    table = np.array([list(of_column.values()) for of_column in scores.values()])
    # To the third power, so that one sure match outweighs two weak ones.
    columns, places = linear_sum_assignment(np.where(table >= LEAST_SCORE, table, 0) ** 3, maximize=True)
    matches = [
        (list(scores)[column], headers[place])
        for column, place in zip(columns, places, strict=True)
        if table[column, place] >= LEAST_SCORE
    ]
    return [
        Match(column, header, scores[column][header], _doubt(column, header, sample, scores))
        for column, header in matches
    ]


def match_criteria(sample: Sample, taken: set[str]) -> dict[str, tuple[str, float]]:
    """Return the headers, none of those `taken`, that count items for one removal criterion, with their likeness."""
    found = {
        header: meaning(header, "reasons")
        for header in sample.header
        if header not in taken and _counts_share(sample, header) > SURE_VALUES
    }
    return {header: (criterion, likeness) for header, (criterion, likeness) in found.items() if criterion}


def fitting_patterns(texts: list[str]) -> list[str]:
    """Return the date patterns that every text fits; several where the order of day and month stays open.

    >>> fitting_patterns(["03/04/2026", "25/04/2026"]), fitting_patterns(["03/04/2026"])
    (['%d/%m/%Y'], ['%d/%m/%Y', '%m/%d/%Y'])
    """
    shared = set.intersection(*(set(_patterns_of(text)) for text in texts)) if texts else set()
    return [pattern for pattern in _PATTERNS if pattern in shared]


@cache
def _patterns_of(text: str) -> tuple[str, ...]:
    return tuple(pattern for pattern in _PATTERNS if _is_day(text, pattern))


def phrases_of(text: str, separator: str) -> list[str]:
    """Return the reasons written in a text, without their counts.

    >>> phrases_of("no tag x2; odd pin", ";")
    ['no tag', 'odd pin']
    """
    return [phrase for part in text.split(separator) if (phrase := _COUNTED.sub("", part.strip()).strip())]


def _score(column: str, header: str, sample: Sample) -> float:
    name = header_likeness(header, vocabulary()["headers"][column])
    values = _values_share(column, sample.values[header])
    weight = 0.6 if column in _TELLING else 0.8
    score = weight * name + (1 - weight) * values
    if column in _TELLING and values >= SURE_VALUES:
        score = max(score, TELLING_SCORE)
    is_out_of_question = values < 0.2 or (name < LEAST_NAME and column not in _TELLING)
    return 0.3 * score if is_out_of_question else score


def _doubt(column: str, header: str, sample: Sample, scores: Scores) -> str:
    values = _values_share(column, sample.values[header])
    if values < SURE_VALUES:
        return f"only {values:.0%} of its values look like this column"
    if header_likeness(header, vocabulary()["headers"][column]) < SURE_HEADER:
        return "the header is not a usual name of this column"
    rival = max((score, other) for other, score in {**scores[column], header: 0.0}.items())
    if rival[0] > scores[column][header] - CLEAR_LEAD:
        return f'the header "{rival[1]}" fits about as well'
    return ""


def _names_a_criterion(header: str, sample: Sample) -> bool:
    """Return whether a header is the name of a removal criterion rather than of a column, with counts below it."""
    likeness = max(header_likeness(header, said) for said in vocabulary()["reasons"].values())
    named = max(header_likeness(header, names) for names in vocabulary()["headers"].values())
    return likeness >= CRITERION_LIKENESS and likeness > named and _counts_share(sample, header) > SURE_VALUES


def _counts_share(sample: Sample, header: str) -> float:
    """Return the share of values that count items or are ticks; of a column without any, all."""
    values = sample.values[header]
    return _share(values, lambda text: text.isdigit() or plain(text) in TICKS) if values else 1.0


def _values_share(column: str, values: dict[str, int]) -> float:
    """Return the share of records whose value looks like one of the column, 0.5 where there is none to look at."""
    if not values:
        return 0.5
    return _share(values, _looks_like(column))


def _share(values: dict[str, int], test: Callable[[str], bool]) -> float:
    seen = list(values.items())[:MOST_VALUES_SEEN]
    return sum(count for text, count in seen if test(text)) / sum(count for _, count in seen)


def _looks_like(column: str) -> Callable[[str], bool]:
    """Return the test of whether a text may be a value of the column."""
    if column in vocabulary()["words"] or column == "result":
        return lambda text: meaning(text, column)[0] is not None
    if column == "reasons":
        return lambda text: any(
            meaning(phrase, "reasons")[0] for mark in SEPARATORS for phrase in phrases_of(text, mark)
        )
    if column == "inspected_on":
        return lambda text: bool(fitting_patterns([text]))
    if column == "nominal_size_mm":
        return _is_known_size
    if column == "rated_load_t":
        return lambda text: any(0.05 <= (units.load_t(text, "t", mark) or 0) <= 500_000 for mark in ".,")
    if column in ("quantity", "removed", "replaced", "not_presented"):
        return lambda text: (units.whole_number(text) or 0) >= 0 and units.whole_number(text) is not None
    if column == "serial":
        return lambda text: any(map(str.isdigit, text)) and not _is_known_size(text)
    return lambda text: any(map(str.isalpha, text))


def _is_known_size(text: str) -> bool:
    found = [units.length(text, "in", mark) for mark in ".,"]
    return any(size and size[0] in _known_sizes() for size in found)


@cache
def _known_sizes() -> set[float | None]:
    """Return the nominal sizes of the reference table, in inches and in millimetres."""
    table = rated_loads()
    return {*map(units.number, table["size_in"]), *table["nominal_size_mm"].astype(float)}


def _is_day(text: str, pattern: str) -> bool:
    try:
        return 1900 < datetime.strptime(text, pattern).year < 2100
    except ValueError:
        return False
