"""Lengths, loads and numbers: as logs write them, converted once at intake, and as a reader wants them, in reports."""

import math
import re
import unicodedata
from fractions import Fraction

MM_PER_INCH = 25.4
TONNES_PER = {
    "t": 1.0,
    "short ton": 0.90718474,  # 2 000 lb of 0.45359237 kg each (international avoirdupois pound, 1959)
    "kg": 0.001,
    "lb": 0.00045359237,
}
LENGTH_UNITS = ("mm", "in")

# Nominal sizes in inches go up by sixteenths to 9/16, by eighths to 2, by quarters to 4 and by halves from there. A metric
# nominal size stands for the inch size nearest to it, up to 6 % off as 6 mm and 1/4 in (common practice, no source).
_STEPS_OF_INCHES = ((9 / 16, 16), (2.0, 8), (4.0, 4), (math.inf, 2))
_FARTHEST_OFF = 0.06

_LENGTH_MARKS = {"mm": "mm", "in": "in", "inch": "in", "inches": "in", '"': "in", "''": "in"}
_LOAD_MARKS = {
    **dict.fromkeys(("tonne", "tonnes", "te", "metric ton", "metric tons"), "t"),
    **dict.fromkeys(("short ton", "short tons", "us ton", "us tons"), "short ton"),
    **dict.fromkeys(("kg", "kgs"), "kg"),
    **dict.fromkeys(("lb", "lbs"), "lb"),
}
_EITHER_TON = ("t", "ton", "tons")
_NUMBER = re.compile(r"(?P<sign>-?)(?:(?P<whole>\d+)[ -])?(?P<over>\d+)/(?P<under>[1-9]\d*)")


def number(text: str, decimal: str = ".") -> float | None:
    """Return the number that `text` writes, or None where it is none.

    Takes decimals ('0.625', '0,625' where `decimal` is ','), fractions ('5/8'), mixed numbers ('1-1/4', '1 1/4')
    and the single fraction signs ('1¼'). A thousands mark is not taken: '1,250' may mean either.

    >>> number("1-1/4"), number("3¼"), number("0,75", decimal=","), number("12 ea")
    (1.25, 3.25, 0.75, None)
    """
    text = _spelt_out(text).strip()
    mixed = _NUMBER.fullmatch(text)
    if mixed:
        parts = Fraction(int(mixed["over"]), int(mixed["under"])) + int(mixed["whole"] or 0)
        return float(-parts if mixed["sign"] else parts)
    if re.fullmatch(rf"[+-]?\d+(?:{re.escape(decimal)}\d+)?", text):
        value = float(text.replace(decimal, "."))
        return value if math.isfinite(value) else None
    return None


def whole_number(text: str, decimal: str = ".") -> int | None:
    """Return the whole number that `text` writes, or None; '5.0', as workbooks store 5, is whole.

    >>> whole_number("25"), whole_number("5.0"), whole_number("2.5"), whole_number("12 ea")
    (25, 5, None, None)
    """
    value = number(text, decimal)
    return int(value) if value is not None and value.is_integer() and "/" not in text else None


def length(text: str, unit: str, decimal: str = ".") -> tuple[float, str] | None:
    """Return the number and unit ('mm' or 'in') of a length; `unit` holds where the text names none.

    Parameters
    ----------
    text : str
        As a log writes it.
    unit : str
        `mm` or `in`, which holds where the text names none.
    decimal : str
        The decimal mark.

    Examples
    --------
    >>> length('5/8"', "mm"), length("16 mm", "in"), length("0.625", "in"), length("big", "in")
    ((0.625, 'in'), (16.0, 'mm'), (0.625, 'in'), None)
    """
    figure, mark = _split_mark(text)
    value = number(figure, decimal)
    unit_written = _LENGTH_MARKS.get(mark) if mark else unit
    return (value, unit_written) if value is not None and unit_written else None


def load_t(text: str, unit: str, decimal: str = ".") -> float | None:
    """Return a rated load in tonnes of 1 000 kg; `unit` says what a bare number, 't' or 'ton' means in this log.

    A short ton (2 000 lb) and a tonne stand under the same letter on many tags and lie 10 % apart, so `unit`
    must be one of 't', 'short ton', 'kg', 'lb'. A unit that is spelt out, such as 'tonnes', goes before it.

    Parameters
    ----------
    text : str
        As a log writes it.
    unit : str
        What a bare number means: `t`, `short ton`, `kg` or `lb`.
    decimal : str
        The decimal mark.

    Examples
    --------
    >>> round(load_t("3 1/4 T", "short ton"), 2), load_t("3250 kg", "t"), load_t("4.75", "t")
    (2.95, 3.25, 4.75)
    """
    figure, mark = _split_mark(text)
    value = number(figure, decimal)
    unit_written = unit if not mark or mark in _EITHER_TON else _LOAD_MARKS.get(mark)
    return value * TONNES_PER[unit_written] if value is not None and unit_written else None


def nominal_inches(mm: float) -> str:
    """Return the nominal size in inches that a metric one stands for; in decimals where none is near.

    >>> nominal_inches(16), nominal_inches(35), nominal_inches(25), nominal_inches(17)
    ('5/8', '1-3/8', '1', '0.67')
    """
    inches = mm / MM_PER_INCH
    steps = next(each for up_to, each in _STEPS_OF_INCHES if inches <= up_to * (1 + _FARTHEST_OFF))
    nominal = Fraction(round(inches * steps), steps)
    if not nominal or abs(inches / nominal - 1) > _FARTHEST_OFF:
        return f"{inches:.2f}"
    whole, part = divmod(nominal, 1)
    return "-".join(str(each) for each in (whole, part) if each)


def short_tons(tonnes: float) -> float:
    """Return a load in short tons of 2 000 lb, to the hundredth.

    >>> short_tons(2.95)
    3.25
    """
    return round(tonnes / TONNES_PER["short ton"], 2)


def in_units(label: str, units: str) -> str:
    """Return a label of the store, which names sizes in mm and loads in t, with those of `units` ("metric" or "us").

    >>> in_units("bow shackle, screw pin, 16 mm, 2.95 t, carbon", "us")
    'bow shackle, screw pin, 5/8 in, 3.25 short tons, carbon'
    >>> in_units("above 19 to 38 mm", "us"), in_units("above 19 to 38 mm", "metric")
    ('above 3/4 to 1-1/2 in', 'above 19 to 38 mm')
    """
    if units != "us":
        return label
    inches = re.sub(
        r"(?:(\d+(?:\.\d+)?) to )?(\d+(?:\.\d+)?) mm\b",
        lambda size: " to ".join(nominal_inches(float(each)) for each in size.groups() if each) + " in",
        label,
    )
    return re.sub(r"(\d+(?:\.\d+)?) t\b", lambda load: _in_short_tons(float(load[1])), inches)


def _in_short_tons(tonnes: float) -> str:
    tons = short_tons(tonnes)
    return f"{tons:g} short ton{'' if tons == 1 else 's'}"


def _spelt_out(text: str) -> str:
    """Write the single fraction signs as fractions: '1¼' as '1 1/4'."""
    parts = []
    for sign in text:
        if unicodedata.decomposition(sign).startswith("<fraction>"):
            parts.append(" " + unicodedata.normalize("NFKC", sign).replace("\u2044", "/"))
        else:
            parts.append(sign)
    return "".join(parts)


def _split_mark(text: str) -> tuple[str, str]:
    """Split a measured value into its figure and its unit mark, in lower case."""
    text = text.strip().lower().replace("\u201d", '"').replace("\u2033", '"').rstrip(".")
    found = re.fullmatch(r"(.*?[\d\u00bc-\u00be\u2150-\u215e])\s*([^\d\u00bc-\u00be\u2150-\u215e]*)", text)
    return (found[1], found[2].strip()) if found else (text, "")
