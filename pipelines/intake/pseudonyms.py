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
    """Make `raw_rows` anew from `numbered_cells`, with pseudonyms of inspectors and only the cells that `profile` reads.

    What could not be split into cells, or is no part of the log, may hold anybody's name: its text is left out.
    """
    read = set(without_notes(profile).headers)
    places = {name: f"c{place}" for place, name in enumerate(header, start=1)}
    of_inspector = places.get(profile.columns.get("inspector", ""))
    named = f"select distinct {of_inspector} from numbered_cells" if of_inspector else "select null"
    names = [str(name) for (name,) in con.execute(named).fetchall() if name is not None]
    con.register(
        "made_up",
        pd.DataFrame({"name": names, "instead": [pseudonym(name, key) for name in names]}, dtype="object"),
    )
    con.execute(
        "create or replace table pseudonyms as select name::varchar as name, instead::varchar as instead from made_up"
    )
    con.unregister("made_up")
    columns = [
        "pseudonyms.instead as " + place if place == of_inspector else place if name in read else f"null::varchar as {place}"
        for name, place in places.items()
    ]  # fmt: skip
    con.execute(
        f"create or replace view raw_rows as select row, {', '.join(columns)} from numbered_cells"
        f" left join pseudonyms on name = {of_inspector or 'null'} where mark is null"
    )
    for name in ("refused_rows", "set_aside_rows"):
        con.execute(f"update {name} set raw = '{{}}'")
