"""Reads what one column's distinct texts stand for; None where a text cannot be read."""

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date, datetime
from functools import cache

from pipelines import units
from pipelines.contracts import Column, rated_loads
from pipelines.sources.profiles import COUNT_PLACE, COUNTED_BY_RESULT, Counts, Profile

Place = str | None
MOST_ROUNDED_MM = 0.05  # by so much may a size in mm differ from the inch size that it was converted from
LEAST_LOAD_STEP = 0.005  # t; loads nearer than this have one label
_TONS = (units.TONNES_PER["t"], units.TONNES_PER["short ton"])
_DATE_SHAPED = re.compile(r"(?P<year>\d{4})-(?P<month>\d\d)-(?P<day>\d\d)")


def readings(column: Column, texts: list[str], profile: Profile) -> dict[str, object]:
    """Return what each distinct text of a column stands for; None where it cannot be read.

    Parameters
    ----------
    column : Column
        The column, as the contract has it; one of days is read by `day_readings`.
    texts : list of str
        All its distinct texts: a size that a spreadsheet has turned into a date is told by the others.
    profile : Profile
        The words, units and decimal mark of the log.

    Examples
    --------
    >>> from pipelines.contracts import load_contract
    >>> from pipelines.sources import known_profiles
    >>> size = next(c for c in load_contract("inspection_line").columns if c.name == "nominal_size_mm")
    >>> readings(size, ["16 mm", '5/8"', "big"], known_profiles()[0])
    {'16 mm': 16.0, '5/8"': 16.0, 'big': None}
    """
    read = _reader(column, texts, profile)
    return {text: read(text) for text in texts}


def day_readings(
    days: Iterable[tuple[Place, str]], patterns: list[str]
) -> list[tuple[Place, str, date | None]]:
    """Return the day that each (place, text) stands for.

    Where the profile names more than one order of day and month, a text that two of them read differently is read
    only if the whole column, or else every other row of the same place, leaves one order standing.

    >>> day_readings([("A", "03/04/2026"), ("A", "25/04/2026")], ["%d/%m/%Y", "%m/%d/%Y"])[0][2]
    datetime.date(2026, 4, 3)
    >>> print(day_readings([("A", "03/04/2026")], ["%d/%m/%Y", "%m/%d/%Y"])[0][2])
    None
    """
    days = list(days)
    by_place: dict[Place, set[str]] = defaultdict(set)
    for place, text in days:
        by_place[place].add(text)
    column_order = _proven_order({text for _, text in days}, patterns)
    orders = {place: column_order or _proven_order(texts, patterns) for place, texts in by_place.items()}
    return [(place, text, _day(text, patterns, orders[place])) for place, text in days]


def _day(text: str, patterns: list[str], proven: str | None) -> date | None:
    if proven:
        return _parsed(text, proven)
    possible = possible_days(text, patterns)
    return possible[0] if len(possible) == 1 else None


def possible_days(text: str, patterns: list[str]) -> list[date]:
    """Return the days that a text may stand for, the earliest first; several where the order of day and month is open.

    >>> [day.isoformat() for day in possible_days("05/02/2024", ["%d/%m/%Y", "%m/%d/%Y"])]
    ['2024-02-05', '2024-05-02']
    """
    return sorted({day for pattern in patterns if (day := _parsed(text, pattern))})


def _proven_order(texts: set[str], patterns: list[str]) -> str | None:
    """Return the one pattern that reads every text, or None where none does or several do."""
    fitting = [pattern for pattern in patterns if all(_parsed(text, pattern) for text in texts)]
    return fitting[0] if len(fitting) == 1 else None


def _parsed(text: str, pattern: str) -> date | None:
    try:
        return datetime.strptime(text, pattern).date()
    except ValueError:
        return None


def named_load_t(
    load_t: float, gear_family: str | None, body: str | None, nominal_size_mm: float | None
) -> float:
    """Return the rated load in t of the named size that a load is rounded from, to a tenth; else the load itself.

    Sheets print 4.7 for 4.75 and 3.2 for 3.25, and a load of short tons as tonnes to a tenth. Where the reference table
    has loads of several grades of the size that the load may come from, it stays as it is.

    Parameters
    ----------
    load_t : float
        Rated load [t], as read.
    gear_family, body : str
        What kind of item it is; None where that cannot be read.
    nominal_size_mm : float
        Its nominal size [mm]; None where that cannot be read.

    Examples
    --------
    >>> [named_load_t(load, "shackle", "bow", 19.0) for load in (4.7, 4.75, 4.8, 4.6, 7.0)]
    [4.75, 4.75, 4.75, 4.6, 7.0]
    """
    figures = _loads_of_sizes().get((gear_family, nominal_size_mm), {})
    # One figure stands for short tons on some sheets and for tonnes on others.
    known = {
        figure * ton for of in ("", body) if of is not None for figure in figures.get(of, ()) for ton in _TONS
    }
    if any(abs(load_t - load) < LEAST_LOAD_STEP for load in known):
        return load_t
    found = {load for load in known for ton in _TONS if _is_rounded(load_t / ton, load / ton)}
    return found.pop() if len(found) == 1 else load_t


def _is_rounded(rounded: float, figure: float) -> bool:
    """Return whether a figure comes to another one where its hundredths are rounded, up or down, or left out."""
    tenths = 10 * round(figure, 4)
    return any(abs(10 * rounded - whole) < 1e-6 for whole in (math.floor(tenths), math.floor(tenths + 0.5)))


@cache
def _loads_of_sizes() -> dict[tuple[str | None, float | None], dict[str, list[float]]]:
    """Return the figures of rated loads by family and size, and in these by body, '' for every body of the family."""
    found: dict[tuple[str | None, float | None], dict[str, list[float]]] = {}
    table = rated_loads()
    for family, body, size, figure in zip(
        table["gear_family"],
        table["body"],
        table["nominal_size_mm"],
        table["rated_load_short_tons"],
        strict=True,
    ):
        found.setdefault((family, float(size)), {}).setdefault(body, []).append(float(figure))
    return found


def folded(text: str) -> str:
    """Return a text as words are compared: one space between words, no capitals."""
    return " ".join(text.split()).casefold()


def _reader(column: Column, texts: list[str], profile: Profile) -> Callable[[str], object]:
    decimal = profile.decimal
    if profile.result and column.name in COUNTED_BY_RESULT:
        counts = _result_counts(profile, column.name)
        # An unknown word is a fault of the column `removed`, and of that one alone.
        unknown = {"quantity": 1, "not_presented": 0}.get(column.name)
        return lambda text: counts.get(folded(text), unknown)
    if profile.counts and column.name in profile.counts.names:
        return _count_reader(profile.counts, column.name, decimal)
    if column.allowed:
        words = {word: word for word in column.allowed}
        words |= {folded(said): word for said, word in profile.words.get(column.name, {}).items()}
        return lambda text: words.get(folded(text))
    if column.name == "nominal_size_mm":
        return _size_reader(texts, profile)
    if column.name == "rated_load_t":
        return lambda text: units.load_t(text, profile.units.rated_load_t, decimal)
    if column.kind == "integer":
        return lambda text: units.whole_number(text, decimal)
    return lambda text: units.number(text, decimal)


def _result_counts(profile: Profile, column: str) -> dict[str, int]:
    """Return what each result word of a log with one row per item counts for in one of the count columns."""
    assert profile.result
    counted_in = {
        "quantity": (profile.result.fit, profile.result.removed, profile.result.put_back),
        "removed": (profile.result.removed,),
        "not_presented": (profile.result.not_presented,),
    }[column]
    every_word = [
        *profile.result.fit,
        *profile.result.removed,
        *profile.result.put_back,
        *profile.result.not_presented,
    ]
    ones = {folded(word) for words in counted_in for word in words}
    return {folded(word): int(folded(word) in ones) for word in every_word}


def _count_reader(counts: Counts, column: str, decimal: str) -> Callable[[str], int | None]:
    """Return the reader of one count of a cell that holds several, such as "25 looked at, none removed"."""
    none, every = ({folded(word) for word in words} for words in (counts.none, counts.all))
    count = "|".join([r"\d\S*?", *map(re.escape, sorted(none | every, key=len, reverse=True))])
    ways = []
    for written in counts.written:
        parts = [re.escape(part) for part in COUNT_PLACE.split(folded(written))]
        parts[1::2] = [f"(?P<{name}>{count})" for name in parts[1::2]]
        ways.append(re.compile("".join(parts)))

    def read(text: str) -> int | None:
        found = next((found for way in ways if (found := way.fullmatch(folded(text)))), None)
        if not found or found[column] in none:
            return 0 if found else None
        return units.whole_number(found["quantity" if found[column] in every else column], decimal)

    return read


def _size_reader(texts: list[str], profile: Profile) -> Callable[[str], float | None]:
    """Return the reader of nominal sizes in mm: an inch size takes the trade's whole millimetres where known.

    So does one that the log has converted itself, to a tenth of a millimetre or finer: 12.7 mm is 1/2 in.
    """
    sizes = rated_loads().drop_duplicates("size_in")
    whole_mm = {
        units.number(size): float(mm)
        for size, mm in zip(sizes["size_in"], sizes["nominal_size_mm"], strict=True)
    }

    def size_mm(text: str) -> float | None:
        found = units.length(text, profile.units.nominal_size_mm, profile.decimal)
        if found is None:
            return None
        value, unit = found
        inches = _inches_behind_mm(value) if unit == "mm" else value
        return value if inches is None else whole_mm.get(inches, round(inches * units.MM_PER_INCH, 1))

    spoilt = {text: _inches_behind_date(text, whole_mm) for text in texts if _DATE_SHAPED.match(text)}
    others_are_fractions = any("/" in text and size_mm(text) for text in texts if text not in spoilt)
    if profile.units.nominal_size_mm == "in" and others_are_fractions and all(spoilt.values()):
        return lambda text: whole_mm[spoilt[text]] if text in spoilt else size_mm(text)
    return size_mm


def _inches_behind_mm(size_mm: float) -> float | None:
    """Return the inches, in sixteenths, that a size was converted from, None where it is a size in mm; a whole one is."""
    if size_mm.is_integer():
        return None
    inches = round(16 * size_mm / units.MM_PER_INCH) / 16
    is_converted = round(abs(inches * units.MM_PER_INCH - size_mm), 3) <= MOST_ROUNDED_MM
    return inches if inches > 0 and is_converted else None


def _inches_behind_date(text: str, whole_mm: dict[float | None, float]) -> float | None:
    """Return the inch size that a spreadsheet turned into a date (5/8 into 8 May or 5 August), where only one fits."""
    parts = _DATE_SHAPED.match(text)
    assert parts
    month, day = int(parts["month"]), int(parts["day"])
    possible = {over / under for over, under in ((month, day), (day, month))} & set(whole_mm)
    return possible.pop() if len(possible) == 1 else None
