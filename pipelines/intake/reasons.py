"""Reads why items were removed: the exporter's phrases or columns to the coded removal criteria.

`mentions` are items for which a criterion was written down; `primary_removed` gives every removed item to one
criterion, so that these add up to the removals of the line. In whatever order the reasons are written, the criterion that
bears most on strength comes first. A reason without a
count speaks of all removed items where it is the only one, else of one item. What no criterion was written for
is `not stated`. A phrase that the profile does not know goes to the criterion of a known phrase at least
`LEAST_LIKENESS` like it, else to `not stated`; its text is kept, and the account lists both kinds.
"""

import re

import duckdb
import pandas as pd
from rapidfuzz import fuzz, process

from pipelines import units
from pipelines.contracts import removal_criteria
from pipelines.intake.values import folded
from pipelines.shipped import statement
from pipelines.sources.profiles import OWN_COUNT, Profile
from pipelines.sources.vocabulary import vocabulary

NOT_STATED = "not stated"
EXACT = 100.0
LEAST_LIKENESS = 90.0  # of 100; lets a slip of the pen through and keeps "bent" from "dent"
_COUNTED = re.compile(
    r"(?P<phrase>.+?)\s*[x×]\s*(?P<count>\d+)|(?P<before>\d+)\s*[x×]\s*(?P<after>.+)", re.IGNORECASE
)
_COLUMNS = ["written", "place", "criterion", "count", "phrase", "likeness"]


def stage_reasons(con: duckdb.DuckDBPyConnection, cells: dict[str, str], profile: Profile) -> None:
    """Make `staged_reasons` (row, criterion, mentions, primary_removed, phrase) and `phrase_readings`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database, with `raw_rows`, the lines read of them, and the store attached as `store`.
    cells : dict of str
        Column of `raw_rows`, such as c3, by header.
    profile : Profile
        Where the log states its reasons, and in which words.
    """
    text = [cells[profile.reasons.column]] if profile.reasons.column else []
    _make_wordings(con, [*text, *(cells[header] for header in profile.reasons.columns)])
    if profile.reasons.column:
        _state_from_text(con, cells[profile.reasons.column], profile)
    for header, criterion in profile.reasons.columns.items():
        _state_from_column(con, cells[header], header, criterion, profile.decimal)
    if profile.reasons.row_per_reason:
        own_count = profile.reasons.row_per_reason == OWN_COUNT
        con.execute(statement("pipelines.intake", "gather_reasons.sql"), {"own_count": own_count})
    _count_items(con)


def split_reasons(text: str, profile: Profile) -> list[tuple[str, int | None, str, float]]:
    """Return the reasons in `text` as (criterion, count or None, phrase, likeness to a known phrase, 0 to 100)."""
    known = {folded(said): criterion for said, criterion in profile.reasons.phrases.items()}
    known |= {criterion: criterion for criterion in removal_criteria()["criterion"]}
    reasons = []
    for part in filter(None, (part.strip() for part in text.split(profile.reasons.separator))):
        counted = _COUNTED.fullmatch(part)
        phrase = (counted["phrase"] or counted["after"]).strip() if counted else part
        count = int(counted["count"] or counted["before"]) if counted else None
        criterion, likeness = _criterion_of(folded(phrase), known)
        reasons.append((criterion, count, phrase, likeness))
    return reasons


def _criterion_of(phrase: str, known: dict[str, str]) -> tuple[str, float]:
    if phrase in known:
        return known[phrase], EXACT
    nearest = process.extractOne(phrase, known.keys(), scorer=fuzz.ratio)
    likeness = nearest[1] if nearest else 0.0
    return (known[nearest[0]] if nearest and likeness >= LEAST_LIKENESS else NOT_STATED), likeness


def _make_wordings(con: duckdb.DuckDBPyConnection, cells: list[str]) -> None:
    """Make `reason_wordings`, one row: the cells that state the reasons of some records, few however long the log; `worded_rows`,
    the wording of each record; and an empty `stated_reasons`.
    """
    is_given = " or ".join(f"{cell} is not null" for cell in cells) or "false"
    same = (
        " and ".join(f"raw.{cell} is not distinct from reason_wordings.{cell}" for cell in cells) or "false"
    )
    con.execute(
        "create or replace table reason_wordings as select row_number() over () as wording, * from"
        f" (select distinct {', '.join(dict.fromkeys(cells)) or 'null'} from raw_rows where {is_given})"
    )
    con.execute(
        "create or replace table worded_rows as"
        f" select row, wording from raw_rows as raw join reason_wordings on {same}"
    )
    con.execute(
        "create or replace table stated_reasons"
        " (wording bigint, place bigint, criterion varchar, count bigint, phrase varchar, likeness double)"
    )


def _state_from_text(con: duckdb.DuckDBPyConnection, cell: str, profile: Profile) -> None:
    texts = con.execute(
        f"select distinct {cell} from reason_wordings where {cell} is not null order by 1"
    ).fetchall()
    reasons = [
        (text, place, *reason)
        for (text,) in texts
        for place, reason in enumerate(split_reasons(text, profile))
    ]
    con.register("split", pd.DataFrame(reasons, columns=_COLUMNS).astype({"count": "Int64"}))
    con.execute(
        "insert into stated_reasons"
        " select wording, split.place, split.criterion, split.count, split.phrase, split.likeness"
        f" from reason_wordings join split on split.written = {cell}"
    )


def _state_from_column(
    con: duckdb.DuckDBPyConnection, cell: str, header: str, criterion: str, decimal: str
) -> None:
    texts = con.execute(f"select distinct {cell} from reason_wordings where {cell} is not null").fetchall()
    ticks = [(text, *_tick(text, decimal)) for (text,) in texts]
    con.register(
        "ticks", pd.DataFrame(ticks, columns=["written", "is_ticked", "count"]).astype({"count": "Int64"})
    )
    con.execute(
        "insert into stated_reasons"
        " select wording, null, $criterion, ticks.count, $header, $exact"
        f" from reason_wordings join ticks on ticks.written = {cell} where is_ticked",
        {"criterion": criterion, "header": header, "exact": EXACT},
    )


def _tick(text: str, decimal: str) -> tuple[bool, int | None]:
    """Return whether a cell of a reason column states the reason, and of how many items; None where nobody wrote that down."""
    count = units.whole_number(text, decimal)
    if count is None or count < 0:
        return folded(text) not in {"", *vocabulary()["not_ticked"]}, None
    return count > 0, count


def _count_items(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(statement("pipelines.intake", "stage_reasons.sql"))
    con.execute(
        "create or replace table phrase_readings as"
        " select phrase, criterion, likeness, count(*) as lines from stated_reasons join worded_rows using (wording)"
        " where likeness < $exact"
        " group by all order by phrase",
        {"exact": EXACT},
    )
    for name in ("stated_reasons", "worded_rows", "reason_wordings"):
        con.execute(f"drop table {name}")
