"""Numbers and days as reports write them: in one plain way, or as the language does that the user chose."""

import re
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Any

from pipelines.settings import PLAIN, carried
from pipelines.units import in_units

if TYPE_CHECKING:
    from babel import Locale
    from babel.numbers import NumberPattern


def written(value: Any, decimals: int = 0) -> str:
    """Return a number with so many decimals.

    >>> written(1234.56, 1), written(0)
    ('1,234.6', '0')
    """
    figures = f"{value:,.{decimals}f}"
    if (language := carried("language")) == PLAIN:
        return figures
    locale, pattern = _numbers_of(language, decimals)
    return str(pattern.apply(Decimal(figures.replace(",", "")), locale))


def significant(value: float, digits: int) -> str:
    """Return a number to so many figures.

    >>> significant(0.1234, 2), significant(0.06, 1), significant(1234.0, 2), significant(0.00005, 1)
    ('0.12', '0.06', '1,234', '0.00005')
    """
    exponent = Decimal(f"{value:.{digits}g}").as_tuple().exponent
    return written(value, max(0, -int(exponent)))


def written_label(label: str) -> str:
    """Return a label of the store that names sizes and loads, such as an item class, in the units and marks chosen.

    >>> written_label("bow shackle, screw pin, 16 mm, 2.95 t, carbon")
    'bow shackle, screw pin, 16 mm, 2.95 t, carbon'
    """
    return re.sub(r"(?<=\d)\.(?=\d)", number_marks()["decimal"], in_units(label, carried("units")))


def written_day(day: date) -> str:
    """Return a day in figures, as a table has it.

    >>> written_day(date(2026, 9, 30))
    '2026-09-30'
    """
    if (language := carried("language")) == PLAIN:
        return f"{day:%Y-%m-%d}"
    from babel.dates import format_date

    return format_date(_plain_day(day), format="medium", locale=_locale(language))


def long_day(day: date) -> str:
    """Return a day as the language has it in a sentence, its month by name."""
    from babel.dates import format_date

    return format_date(_plain_day(day), format="long", locale=_locale(carried("language")))


def number_marks() -> Mapping[str, Any]:
    """Return the decimal and thousands marks of the language, as charts take them."""
    if (language := carried("language")) == PLAIN:
        return {"decimal": ".", "thousands": ",", "grouping": [3], "currency": ["", ""]}
    locale, pattern = _numbers_of(language, 0)
    marks = locale.number_symbols["latn"]
    return {
        "decimal": marks["decimal"],
        "thousands": marks["group"],
        "grouping": [pattern.grouping[0], *([pattern.grouping[1]] * 5)],
        "currency": ["", ""],
    }


def _plain_day(day: date) -> date:
    return day.date() if isinstance(day, datetime) else day


@cache
def _locale(language: str) -> "Locale":
    from babel import Locale

    return Locale.parse(language.replace("-", "_"))


@cache
def _numbers_of(language: str, decimals: int) -> "tuple[Locale, NumberPattern]":
    from copy import copy

    locale = _locale(language)
    pattern = copy(locale.decimal_formats[None])
    pattern.frac_prec = (decimals, decimals)
    return locale, pattern
