"""Takes people's names out of what was read, where intake is asked to: inspectors by a pseudonym, notes left out."""

import hashlib
import hmac
import re

import duckdb
import pandas as pd

from pipelines.sources import Profile

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
    """Change the read `cells`: pseudonyms of inspectors, and nothing in columns that the profile does not read.

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
        named = con.execute(f"select distinct {of_inspector} from cells where {of_inspector} is not null")
        names = [str(name) for (name,) in named.fetchall()]
        con.register(
            "pseudonyms",
            pd.DataFrame(
                {"name": names, "instead": [pseudonym(name, key) for name in names]}, dtype="object"
            ),
        )
        con.execute(
            f"update cells set {of_inspector} = instead::varchar from pseudonyms where {of_inspector} = name::varchar"
        )
        con.unregister("pseudonyms")
    for name in ("refused_rows", "set_aside_rows"):
        con.execute(f"update {name} set raw = '{{}}'")
