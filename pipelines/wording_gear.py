"""Says of another family of gear what is written here of shackles.

Sentences, headings and charts are written of shackles, the family that is meant where none is named. Which family they
are to speak of is set once in a process, as a language would be, when the tables of a report are opened.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager

from pipelines.contracts import GearFamily, gear_families, usual_family

# One for the process, as its language is: a kernel runs each cell in a context of its own, and a pack is made by threads.
_SPOKEN_OF = [usual_family().name]


def speak_of(family: str) -> None:
    """Have words from now on speak of a gear family, by its name."""
    _SPOKEN_OF[0] = gear_families()[family].name


def spoken_of() -> GearFamily:
    """Return the gear family that words speak of."""
    return gear_families()[_SPOKEN_OF[0]]


@contextmanager
def own_speech() -> Iterator[None]:
    """Have words speak afterwards of the gear family that they speak of now, whatever is set in between."""
    before = spoken_of().name
    try:
        yield
    finally:
        speak_of(before)


def of_gear(text: str) -> str:
    """Return a text of ours, written of shackles, as one about the gear that is spoken of.

    What others wrote, such as the name of a site, must not be in it: it would be rewritten too.

    >>> of_gear("A shackle lives for shackle-years.")
    'A shackle lives for shackle-years.'
    >>> with own_speech():
    ...     speak_of("links and rings")
    ...     of_gear("A shackle lives for shackle-years, not a shackle-year. Sizes and pins differ.")
    'An item lives for item-years, not an item-year. Sizes and kinds differ.'
    """
    said = spoken_of().says
    if not said:
        return text
    longest_first = sorted(said, key=len, reverse=True)
    pattern = rf"\b(?:{'|'.join(map(re.escape, longest_first))})\b(?!-)"
    return re.sub(
        pattern, lambda found: _as_written(said[found[0].lower()], found[0]), text, flags=re.IGNORECASE
    )


def _as_written(word: str, instead_of: str) -> str:
    return word[0].upper() + word[1:] if instead_of[0].isupper() else word
