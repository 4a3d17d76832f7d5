"""Resolves the names of clients and sites through the site register.

Case, spaces, punctuation and accents do not tell names apart; a number or a leading zero does. Another spelling
counts only where the register lists it under `aliases`: a likeness is offered to a person, never acted on.
"""

import unicodedata
from collections import defaultdict

import duckdb
import pandas as pd
from rapidfuzz import fuzz, process

NEAREST = 3


def stage_names(con: duckdb.DuckDBPyConnection) -> None:
    """Make `resolved_names` (raw_client, raw_site, client, site, nearest) for the names in `raw_groups`.

    A name the register does not know keeps its own spelling, and `nearest` lists the sites most like it.
    """
    known = con.execute(
        "select distinct client, site, aliases from store.site_register order by 1, 2"
    ).fetchall()
    clients = _by_folded_name((client, client) for client, _, _ in known)
    sites = {
        client: _by_folded_name(
            (spelling, site)
            for owner, site, aliases in known
            if owner == client
            for spelling in (site, *(aliases or "").split(";"))
            if spelling.strip()
        )
        for client in {client for client, _, _ in known}
    }
    found = con.execute("select distinct raw_client, raw_site from raw_groups order by 1, 2").fetchall()
    rows = []
    for raw_client, raw_site in found:
        client = clients.get(folded_name(raw_client), raw_client) if raw_client else None
        of_client = sites.get(client, {})
        site = of_client.get(folded_name(raw_site), raw_site) if raw_site else None
        is_known = site in of_client.values()
        nearest = None if is_known or not raw_site else _nearest(raw_site, sorted(set(of_client.values())))
        rows.append((raw_client, raw_site, client, site, nearest))
    con.register(
        "names",
        pd.DataFrame(rows, columns=["raw_client", "raw_site", "client", "site", "nearest"], dtype="object"),
    )
    con.execute(
        "create or replace table resolved_names as select raw_client::varchar as raw_client, raw_site::varchar as raw_site,"
        " client::varchar as client, site::varchar as site, nearest::varchar as nearest from names"
    )


def folded_name(name: str) -> str:
    """Return a name without what does not tell names apart.

    >>> folded_name("Saltgarth-Yard  No. 01"), folded_name("SALTGÀRTH yard, no 01"), folded_name("Saltgarth Yard No 1")
    ('saltgarth yard no 01', 'saltgarth yard no 01', 'saltgarth yard no 1')
    """
    letters = unicodedata.normalize("NFKD", name.casefold())
    kept = "".join(sign if sign.isalnum() else " " for sign in letters if not unicodedata.combining(sign))
    return " ".join(kept.split())


def _by_folded_name(spellings) -> dict[str, str]:
    """Return folded name -> register name; a folded name that stands for two of them resolves to neither."""
    meanings: dict[str, set[str]] = defaultdict(set)
    for spelling, name in spellings:
        meanings[folded_name(spelling)].add(name)
    return {folded: names.pop() for folded, names in meanings.items() if len(names) == 1}


def _nearest(name: str, known: list[str]) -> str | None:
    found = process.extract(name, known, scorer=fuzz.WRatio, processor=folded_name, limit=NEAREST)
    return ", ".join(match for match, _, _ in found) or None
