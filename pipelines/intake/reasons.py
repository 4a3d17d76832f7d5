"""Reads why items were removed: the exporter's phrases or columns to the coded removal criteria.

`mentions` are items for which a criterion was written down; `primary_removed` gives every removed item to one
criterion, so that these add up to the removals of the line. A reasons text is taken in the order written; of
reason columns, which have no order, the criterion that bears most on strength comes first. A reason without a
count speaks of all removed items where it is the only one, else of one item. What no criterion was written for
is `not stated`, and so is a phrase that the profile does not know; its text is kept.
"""

import re

import duckdb
import pandas as pd

from pipelines.contracts import removal_criteria
from pipelines.shipped import statement
from pipelines.sources.profiles import Profile

NOT_STATED = "not stated"
_COUNTED = re.compile(
    r"(?P<phrase>.+?)\s*[x×]\s*(?P<count>\d+)|(?P<before>\d+)\s*[x×]\s*(?P<after>.+)", re.IGNORECASE
)
_COLUMNS = ["written", "place", "criterion", "count", "phrase", "is_known"]


def stage_reasons(con: duckdb.DuckDBPyConnection, cells: dict[str, str], profile: Profile) -> None:
    """Make `staged_reasons` (row, criterion, mentions, primary_removed, phrase) and `unmatched_phrases`."""
    con.execute(
        "create or replace table stated_reasons"
        " (row bigint, place bigint, criterion varchar, count bigint, phrase varchar, is_known boolean)"
    )
    if profile.reasons.column:
        _state_from_text(con, cells[profile.reasons.column], profile)
    for header, criterion in profile.reasons.columns.items():
        _state_from_column(con, cells[header], header, criterion)
    _count_items(con)


def split_reasons(text: str, profile: Profile) -> list[tuple[str, int | None, str, bool]]:
    """Return the reasons in `text` as (criterion, count or None, phrase, whether the profile knows the phrase)."""
    known = {
        " ".join(said.split()).casefold(): criterion for said, criterion in profile.reasons.phrases.items()
    }
    known |= {criterion: criterion for criterion in removal_criteria()["criterion"]}
    reasons = []
    for part in filter(None, (part.strip() for part in text.split(profile.reasons.separator))):
        counted = _COUNTED.fullmatch(part)
        phrase = (counted["phrase"] or counted["after"]) if counted else part
        count = int(counted["count"] or counted["before"]) if counted else None
        folded = " ".join(phrase.split()).casefold()
        reasons.append((known.get(folded, NOT_STATED), count, phrase.strip(), folded in known))
    return reasons


def _state_from_text(con: duckdb.DuckDBPyConnection, cell: str, profile: Profile) -> None:
    texts = con.execute(
        f"select distinct {cell} from raw_rows where {cell} is not null order by 1"
    ).fetchall()
    reasons = [
        (text, place, *reason)
        for (text,) in texts
        for place, reason in enumerate(split_reasons(text, profile))
    ]
    con.register("split", pd.DataFrame(reasons, columns=_COLUMNS).astype({"count": "Int64"}))
    con.execute(
        "insert into stated_reasons select raw.row, split.place, split.criterion, split.count, split.phrase, split.is_known"
        f" from raw_rows as raw join split on split.written = raw.{cell}"
    )


def _state_from_column(con: duckdb.DuckDBPyConnection, cell: str, header: str, criterion: str) -> None:
    # A tick without a number is a mention whose count nobody wrote down.
    con.execute(
        "insert into stated_reasons"
        f" select row, null, $criterion, try_cast({cell} as bigint), $header, true from raw_rows"
        f" where nullif(trim({cell}), '') is not null and try_cast({cell} as bigint) is distinct from 0",
        {"criterion": criterion, "header": header},
    )


def _count_items(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(statement("pipelines.intake", "stage_reasons.sql"))
    con.execute(
        "create or replace table unmatched_phrases as"
        " select phrase, count(*) as lines from stated_reasons where not is_known group by phrase order by phrase"
    )
    con.execute("drop table stated_reasons")
