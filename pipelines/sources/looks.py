"""Tells from the records of an unknown log which rows speak of one look, and by which columns a later export revises one."""

from collections import defaultdict

from pipelines import units
from pipelines.sources.matching import Match, Sample, phrases_of
from pipelines.sources.profiles import OWN_COUNT, REVISION_KEY, WHOLE_COUNT

ITEM_CLASS = ("gear_family", "body", "pin", "nominal_size_mm", "rated_load_t", "grade")
ITEM_KEY = ["client", "serial", "inspected_on", "inspection_type"]
TELLING_APART = ("supplier", "inspector")  # looks of one day and item class that are two all the same
SURE_SHARE = 0.9  # of looks told in several rows, that are told as a row for each reason is

Matches = dict[str, Match]
Record = dict[str, str | None]


def row_per_reason(sample: Sample, matches: Matches, separator: str) -> tuple[str, str] | None:
    """Return how rows count that each give one reason of a look, and why that is not sure; None where no rows do.

    They do where rows agree in all that names a look and in its quantity, and each has a reason, not all the same one.

    Parameters
    ----------
    sample : Sample
        What was seen of the log.
    matches : dict of Match
        By column of the contract or role: the headers that are likely to be these.
    separator : str
        What stands between two reasons of one text.

    Returns
    -------
    count : str
        `OWN_COUNT` where the removed items that a row counts are those of its own reason; `WHOLE_COUNT` where every row
        has those of the whole look.
    doubt : str
        Why that is not sure, in words.
    """
    if "reasons" not in matches or "inspected_on" not in matches:
        return None
    header = matches["reasons"].header
    if any(len(phrases_of(text, separator)) > 1 for text in sample.values[header]):
        return None
    several = [rows for rows in _looks(sample, matches, REVISION_KEY) if len(rows) > 1]
    told_so = [rows for rows in several if _has_a_row_for_each_reason(rows, header, matches)]
    if not told_so or len(told_so) < SURE_SHARE * len(several):
        return None
    looks = f"{len(told_so):,} look{'s stand' if len(told_so) > 1 else ' stands'} in several rows, a reason in each"
    if "result" in matches or "removed" not in matches:
        return WHOLE_COUNT, f"{looks}; are they the same item?"
    if any(_remove_more_than_was_there(rows, matches) for rows in told_so):
        return WHOLE_COUNT, f"{looks}, and added up they remove more items than were there"
    counts = [{row[matches["removed"].header] for row in rows} for rows in told_so]
    if any(len(of_look) > 1 for of_look in counts):
        return OWN_COUNT, f"{looks}, and their counts of removed items differ"
    if counts == [{"1"}] * len(counts):
        return (
            OWN_COUNT,
            f"{looks}, each of 1 item; if it is one item with several reasons, write {WHOLE_COUNT}",
        )
    return WHOLE_COUNT, f"{looks}, and all of them count the same removed items"


def revision_key(sample: Sample, matches: Matches) -> tuple[list[str], str] | None:
    """Return the columns by which a later export may revise a line, and why that is not sure; None for the usual ones."""
    if "inspected_on" not in matches:
        return None
    if "serial" in matches and not sample.empty[matches["serial"].header]:
        if _tells_apart(sample, matches, ITEM_KEY):
            return ITEM_KEY, "no two records agree in these; may a later export correct the rest of a line?"
        return None
    if _tells_apart(sample, matches, REVISION_KEY):
        return None
    for column in TELLING_APART:
        key = [*REVISION_KEY, column]
        if column in matches and _tells_apart(sample, matches, key):
            return key, f"only {column} tells some records apart; would a later export change it?"
    return None


def _tells_apart(sample: Sample, matches: Matches, key: list[str] | tuple[str, ...]) -> bool:
    return all(len(rows) == 1 for rows in _looks(sample, matches, key))


def _looks(sample: Sample, matches: Matches, key: list[str] | tuple[str, ...]) -> list[list[Record]]:
    """Return the records that agree in the columns of a key, as far as the log has these, together."""
    columns = [part for name in key for part in (ITEM_CLASS if name == "item_class" else (name,))]
    headers = [matches[column].header for column in columns if column in matches]
    looks: dict[tuple[str, ...], list[Record]] = defaultdict(list)
    for record in sample.records:
        looks[tuple((record[header] or "").strip().casefold() for header in headers)].append(record)
    return list(looks.values())


def _has_a_row_for_each_reason(rows: list[Record], header: str, matches: Matches) -> bool:
    reasons = {row[header] for row in rows}
    quantities = {row[matches["quantity"].header] for row in rows} if "quantity" in matches else {""}
    return None not in reasons and len(reasons) > 1 and len(quantities) == 1


def _remove_more_than_was_there(rows: list[Record], matches: Matches) -> bool:
    if "quantity" not in matches:
        return False
    removed = [units.whole_number(row[matches["removed"].header] or "") or 0 for row in rows]
    quantity = units.whole_number(rows[0][matches["quantity"].header] or "")
    return quantity is not None and sum(removed) > quantity
