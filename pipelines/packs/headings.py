"""What the head of a column says: the trade's word for it, and its unit, from the contracts."""

from dataclasses import dataclass
from functools import cache

from pipelines.contracts import Column, contract_names, load_contract

# The words of a heading where the column's name, with spaces for underscores, does not read well.
WORDS = {
    "file_sha256": "Fingerprint of the file (SHA-256)",
    "row": "Record",
    "raw": "The row as the file had it",
    "detail": "What was wrong and what to do",
    "rule": "Rule",
    "on_hand": "In stock",
    "tier": "Bears on",
    "removed_per_100_inspected": "Removed at inspections",
    "removed_per_100_shackle_years": "Removal rate",
    "rate_per_100_shackle_years": "Removal rate",
    "per_100_shackle_years": "Removal rate of the criterion",
    "first_look_inspected": "Inspected at first looks",
    "first_look_removed": "Removed at first looks",
    "frequent_inspected": "Inspected by shift or day",
    "frequent_removed": "Removed by shift or day",
    "initial_inspected": "Inspected on receipt",
    "initial_removed": "Rejected on receipt",
    "removed_at_risk": "Removed, with exposure",
    "shackle_years": "Exposure",
    "rate_lower": "Rate, lower limit",
    "rate_upper": "Rate, upper limit",
    "rate_note": "Remark",
    "centre": "Usual rate",
    "limit_lower": "Usual range from",
    "limit_upper": "Usual range to",
    "signal": "Against usual range",
    "share": "Share",
    "share_lower": "Share, lower limit",
    "share_upper": "Share, upper limit",
    "rate_last_12_months": "Rate, last 12 months",
    "rate_prior_12_months": "Rate, 12 months before",
    "change_vs_prior_year": "Change of rate",
    "current_interval_months": "Interval now",
    "guideline_interval_months": "Longest allowed",
    "computed_interval_months": "Longest that meets the targets",
    "recommended_interval_months": "Interval recommended",
    "binding_rule": "Set by",
    "share_found_at_current": "Found at a look, interval now",
    "share_found_at_recommended": "Found at a look, recommended",
    "share_in_service_at_recommended": "In service while due for removal",
    "needs_sign_off": "Sign-off needed",
    "least_shackle_years": "Exposure needed",
    "last_periodic_on": "Last periodic inspection",
    "due_on": "Due on",
    "days_overdue": "Days late",
    "quantity": "Shackles",
    "loaded_at": "Loaded on",
    "source": "Source profile",
    "rows_read": "Rows read",
    "rows_accepted": "Accepted",
    "rows_quarantined": "Quarantined",
    "rows_set_aside": "Set aside",
    "rows_corrected": "Corrected since",
    "kind": "What it is",
    "phrase": "Reason as written",
    "likeness": "Likeness",
    "lines": "Lines",
    "rows_flagged": "Accepted with a flag",
    "rows_superseded": "Earlier lines superseded",
    "lines_in_use": "Lines in use",
    "first_on": "First day",
    "last_on": "Last day",
    "description": "Rule broken",
    "severity": "A breach leads to",
    "rows_failing": "Rows that break it",
}
# Columns that no contract describes: kind and unit, and what they mean.
OWN_COLUMNS = {
    "loaded_at": ("date", None, "Day the file was loaded"),
    "rows_read": ("integer", "rows", "Records in the file; empty where the file is shared with other clients"),
    "rows_accepted": ("integer", "rows", "Records that keep every rule that may refuse a row"),
    "rows_quarantined": ("integer", "rows", "Records that no figure rests on, with their reason"),
    "rows_set_aside": ("integer", "rows", "Records that are no part of the log: blank, a repeated header, a total"),
    "rows_corrected": ("integer", "rows", "Accepted records that were quarantined first and then corrected by a person"),
    "kind": ("string", None, "Why the record is no part of the log: blank, a repeated header, a total"),
    "likeness": ("number", "of 100", "How like the reason is to a known one; below 90 it is not taken for it"),
    "lines": ("integer", "lines", "Lines with this reason"),
    "rows_flagged": ("integer", "rows", "Accepted records that break a rule which only flags"),
    "rows_superseded": ("integer", "lines", "Lines of earlier exports that this file revises"),
    "lines_in_use": ("integer", "lines", "Accepted and not superseded lines of this client and site"),
    "first_on": ("date", None, "Day of the first of these lines"),
    "last_on": ("date", None, "Day of the last of these lines"),
    "description": ("string", None, "The rule of the data contract, in words"),
    "severity": ("string", None, "What a breach does: quarantine or flag acts on the row, stop on the whole file"),
    "rows_failing": ("integer", "rows", "Records of these files that break the rule"),
}  # fmt: skip
UNITS = {
    "as the figure charted": "removals per 100 shackle-years",
    "removals per 100 shackle-years": "per 100 shackle-years",
    "removals per 100 inspected": "per 100 inspected",
    "share of items": "% of items",
    "share of removals": "% of removals",
    "items": "",
    "rows": "",
    "lines": "",
}


@dataclass(frozen=True)
class Heading:
    """The head of one column: `words`, the unit shown with them (may be empty), and how its values are written."""

    words: str
    unit: str
    kind: str
    is_share: bool
    description: str


@cache
def heading(name: str) -> Heading:
    """Return the heading of the column `name`; one name means one thing in every table."""
    kind, unit, description = OWN_COLUMNS.get(name) or _described(name)
    words = WORDS.get(name) or name.replace("_", " ").removesuffix(" mm").capitalize()
    unit = UNITS.get(unit or "", unit or "")
    return Heading(words, UNITS.get(unit, unit), kind, unit.startswith("% of"), description)


@cache
def _columns() -> dict[str, Column]:
    every = (column for name in contract_names() for column in load_contract(name).columns)
    return {column.name: column for column in every}


def _described(name: str) -> tuple[str, str | None, str]:
    column = _columns()[name]
    return column.kind, column.unit, column.description
