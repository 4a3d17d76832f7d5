"""Takes people's names out of what was read, where intake is asked to: inspectors by a pseudonym, notes left out, reasons kept where they are known."""

import hashlib
import hmac
import re
from collections.abc import Callable

import duckdb
import pandas as pd

from pipelines.intake.reasons import EXACT, NOT_STATED, split_reasons
from pipelines.sources import Profile

NOT_SHOWN = "not shown"
_PSEUDONYM = re.compile("inspector [0-9a-f]{8}")


def pseudonym(name: str, key: str) -> str:
    """Return what an inspector is called instead of `name`: the same for the same key and name, however that is spaced.

    A pseudonym stays as it is, so that corrected rows may be loaded again.

    >>> pseudonym("Ines  Halloran ", "a key") == pseudonym("ines halloran", "a key")
    True
    >>> pseudonym(pseudonym("Ines Halloran", "a key"), "a key") == pseudonym("Ines Halloran", "a key")
    True
    """
    if _PSEUDONYM.fullmatch(name):
        return name
    plain = " ".join(name.casefold().split())
    return f"inspector {hmac.new(key.encode(), plain.encode(), hashlib.sha256).hexdigest()[:8]}"


def without_notes(profile: Profile) -> Profile:
    """Return the profile as one that reads no notes."""
    return profile.model_copy(
        update={"columns": {name: header for name, header in profile.columns.items() if name != "note"}}
    )


def take_names_out(con: duckdb.DuckDBPyConnection, header: list[str], profile: Profile, key: str) -> None:
    """Change the read `cells`: pseudonyms of inspectors, known reasons alone, and nothing in columns that are not read.

    What could not be split into cells, or is no part of the log, may hold anybody's name: its text is left out.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database with what was read: `cells`, `refused_rows` and `set_aside_rows`.
    header : list of str
        Names of the columns c1, c2, ... of `cells`.
    profile : Profile
        The profile that they were read with; notes count as not read.
    key : str
        Key of the pseudonyms.
    """
    read = set(without_notes(profile).headers)
    places = {name: f"c{place}" for place, name in enumerate(header, start=1)}
    unread = [f"{place} = null" for name, place in places.items() if name not in read]
    if unread:
        con.execute(f"update cells set {', '.join(unread)}")
    if of_inspector := places.get(profile.columns.get("inspector", "")):
        _rewrite(con, of_inspector, lambda name: pseudonym(name, key))
    # Reasons are often remarks: of one that the profile does not know nothing is kept but what it was taken for.
    if of_reasons := places.get(profile.reasons.column or ""):
        _rewrite(con, of_reasons, lambda text: _known_reasons(text, profile))
    for name in ("refused_rows", "set_aside_rows"):
        con.execute(f"update {name} set raw = '{{}}'")


def _rewrite(con: duckdb.DuckDBPyConnection, place: str, instead: Callable[[str], str]) -> None:
    """Put something else into the cells of a column, for each text that stands there."""
    told = con.execute(f"select distinct {place} from cells where {place} is not null")
    texts = [str(text) for (text,) in told.fetchall()]
    con.register(
        "rewritten",
        pd.DataFrame({"text": texts, "instead": [instead(text) for text in texts]}, dtype="object"),
    )
    con.execute(f"update cells set {place} = instead::varchar from rewritten where {place} = text::varchar")
    con.unregister("rewritten")


def _known_reasons(text: str, profile: Profile) -> str:
    shown = []
    for criterion, count, phrase, likeness in split_reasons(text, profile):
        known = criterion if criterion != NOT_STATED else NOT_SHOWN
        shown.append((phrase if likeness == EXACT else known) + (f" x{count}" if count else ""))
    return f"{profile.reasons.separator} ".join(shown)
