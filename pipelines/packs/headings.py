"""What the head of a column says: the trade's word for it, and its unit, from the contracts."""

import re
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
    "pooled_rate": "Pooled rate",
    "pooled_rate_lower": "Pooled rate, lower limit",
    "pooled_rate_upper": "Pooled rate, upper limit",
    "rate_basis": "The highest rate rests on",
    "covariate": "What makes a difference",
    "estimate_lower": "Estimate, lower limit",
    "estimate_upper": "Estimate, upper limit",
    "highest_rate": "Highest rate that agrees",
    "highest_load_bearing_rate": "Highest load-bearing rate that agrees",
    "load_bearing_at_risk": "Removed, load-bearing",
    "is_pooled": "Borrows from other places",
    "usual_step_months": "As a usual step",
    "load_bearing_in_service_at_recommended": "In service while due, load-bearing",
    "shackle_years_to_settle": "Exposure that would settle it",
    "hours_a_year_at_current": "Hours a year, interval now",
    "hours_a_year_at_recommended": "Hours a year, recommended",
    "binding_rule": "Set by",
    "share_found_at_current": "Found at a look, interval now",
    "share_found_at_recommended": "Found at a look, recommended",
    "share_in_service_at_recommended": "In service while due for removal",
    "needs_sign_off": "Sign-off needed",
    "least_shackle_years": "Exposure needed",
    "expected": "Removals expected",
    "lower_80": "Band of 80 %, from",
    "upper_80": "Band of 80 %, to",
    "lower_95": "Band of 95 %, from",
    "upper_95": "Band of 95 %, to",
    "expected_at_recommended": "Removals expected, recommended intervals",
    "lower_80_at_recommended": "Band of 80 %, from, recommended",
    "upper_80_at_recommended": "Band of 80 %, to, recommended",
    "lower_95_at_recommended": "Band of 95 %, from, recommended",
    "upper_95_at_recommended": "Band of 95 %, to, recommended",
    "basis": "The rate rests on",
    "demand_expected": "Demand expected",
    "demand_over_lead_time": "Demand planned for",
    "order_quantity": "To order",
    "order_on": "Order by",
    "risk_of_running_out": "Risk if nothing is ordered",
    "risk_before_delivery": "Risk even if ordered today",
    "pins_over_lead_time": "Matching pins needed",
    "stock_by_site": "Stock if kept by site",
    "unit_cost": "Price",
    "order_cost": "Cost of the order",
    "cost_per_month": "Cost a month",
    "cost_per_month_lower": "Cost a month, 80 % band from",
    "cost_per_month_upper": "Cost a month, 80 % band to",
    "lead_time_days": "Lead time",
    "share_rejected": "Refused on receipt",
    "share_rejected_lower": "Refused, lower limit",
    "share_rejected_upper": "Refused, upper limit",
    "rejected": "Refused",
    "to_order": "Item classes to order",
    "plan_note": "Remark",
    "last_periodic_on": "Last periodic inspection",
    "due_on": "Due on",
    "days_overdue": "Days late",
    "quantity": "Shackles",
    "loaded_at": "Loaded on",
    "source": "Source profile",
    "rows_read": "Rows read",
    "rows_accepted": "Accepted",
    "rows_quarantined": "Quarantined",
    "rows_flagged": "Accepted with a flag",
    "rows_superseded": "Earlier lines superseded",
    "lines_in_use": "Lines in use",
    "first_on": "First day",
    "last_on": "Last day",
    "description": "Rule broken",
    "severity": "A breach leads to",
    "rows_failing": "Rows that break it",
    "scenario": "Plan",
    "removals_expected": "Removals in 12 months",
    "removals_lower": "Band of 80 %, from",
    "removals_upper": "Band of 80 %, to",
    "cost_lower": "Band of 80 %, from",
    "cost_upper": "Band of 80 %, to",
    "summed_over": "Added up over",
    "forecasts": "Counts compared",
    "inside_80": "Inside the 80 % band",
    "inside_95": "Inside the 95 % band",
    "bias": "Expected more than came",
    "loss_to_last_year": "Loss against same month last year",
    "loss_to_last_12": "Loss against mean of last 12 months",
}
# Columns that no contract describes: kind and unit, and what they mean.
OWN_COLUMNS = {
    "loaded_at": ("date", None, "Day the file was loaded"),
    "rows_read": ("integer", "rows", "Records in the file; empty where the file is shared with other clients"),
    "rows_accepted": ("integer", "rows", "Records that keep every rule that may refuse a row"),
    "rows_quarantined": ("integer", "rows", "Records set aside, with their reason"),
    "rows_flagged": ("integer", "rows", "Accepted records that break a rule which only flags"),
    "rows_superseded": ("integer", "lines", "Lines of earlier exports that this file revises"),
    "lines_in_use": ("integer", "lines", "Accepted and not superseded lines of this client and site"),
    "first_on": ("date", None, "Day of the first of these lines"),
    "last_on": ("date", None, "Day of the last of these lines"),
    "description": ("string", None, "The rule of the data contract, in words"),
    "severity": ("string", None, "What a breach does: quarantine or flag acts on the row, stop on the whole file"),
    "assumption": ("string", None, "What the plan takes for granted"),
    "scenario": ("string", None, "The plan as things stand, or as they might"),
    "removals_expected": ("number", "items", "Removals expected over the next 12 months"),
    "removals_lower": ("integer", "items", "Lower end of the 80 % band of that sum"),
    "removals_upper": ("integer", "items", "Upper end of the 80 % band of that sum"),
    "cost_expected": ("number", "currency", "Cost of replacing what is removed in the month"),
    "cost_lower": ("number", "currency", "Lower end of the 80 % band of that cost"),
    "cost_upper": ("number", "currency", "Upper end of the 80 % band of that cost"),
    "summed_over": ("string", None, "What is added up before forecast and count are compared"),
    "forecasts": ("integer", None, "Monthly counts that were forecast and have come since"),
    "inside_80": ("number", "share of counts", "Counts inside the 80 % band"),
    "inside_95": ("number", "share of counts", "Counts inside the 95 % band"),
    "bias": ("number", "share of removals", "Removals expected over removals that came, less one"),
    "loss_to_last_year": ("number", "share of its loss", "Pinball loss against that of the same month of the year before"),
    "loss_to_last_12": ("number", "share of its loss", "Pinball loss against that of the mean of the last 12 months"),
    "rows_failing": ("integer", "rows", "Records of these files that break the rule"),
}  # fmt: skip
UNITS = {
    "as the figure charted": "removals per 100 shackle-years",
    "removals per 100 shackle-years": "per 100 shackle-years",
    "removals per 100 inspected": "per 100 inspected",
    "share of items": "% of items",
    "share of removals": "% of removals",
    "share of goods received": "% of goods received",
    "share of counts": "% of counts",
    "share of its loss": "% of its loss",
    "probability": "% probability",
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
    return Heading(words, UNITS.get(unit, unit), kind, unit.startswith("%"), description)


def plain_words(sentence: str) -> str:
    """Return a sentence with column names in it as words.

    >>> plain_words("nominal_size_mm is filled in")
    'Nominal size is filled in'
    """
    words = re.sub(r"\b[a-z]+(_[a-z0-9]+)+\b", lambda found: _plain(found[0]), sentence)
    return words[0].upper() + words[1:]


def _plain(name: str) -> str:
    if name == "inspected_on":
        return "the inspection day"
    return name.removesuffix("_mm").removesuffix("_t").replace("_", " ")


@cache
def _columns() -> dict[str, Column]:
    every = (column for name in contract_names() for column in load_contract(name).columns)
    return {column.name: column for column in every}


def _described(name: str) -> tuple[str, str | None, str]:
    column = _columns()[name]
    return column.kind, column.unit, column.description
