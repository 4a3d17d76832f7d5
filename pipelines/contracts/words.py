"""Says the names of columns as words."""

import re

_WORDS = {"inspected_on": "the inspection day"}


def in_words(name: str) -> str:
    """Return the name of a column as words, without its unit.

    >>> in_words("not_presented"), in_words("rated_load_t"), in_words("inspected_on")
    ('not presented', 'rated load', 'the inspection day')
    """
    return _WORDS.get(name) or name.removesuffix("_mm").removesuffix("_t").replace("_", " ")


def plain_words(sentence: str) -> str:
    """Return a sentence with column names in it as words.

    >>> plain_words("nominal_size_mm is filled in")
    'Nominal size is filled in'
    """
    words = re.sub(r"\b[a-z]+(_[a-z0-9]+)+\b", lambda found: in_words(found[0]), sentence)
    return words[0].upper() + words[1:]
