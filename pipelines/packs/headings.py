"""What the head of a column says: the trade's word for it, and its unit, from the contracts."""

from dataclasses import dataclass, replace
from functools import cache

from pipelines.contracts import Column, contract_names, load_contract
from pipelines.wording_gear import of_gear

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
    "unaccounted_for": "Unaccounted for",
    "shackle_years_unaccounted_for": "Exposure of those unaccounted for",
    "rate_if_unaccounted_fit": "Rate, if those unaccounted for are fit",
    "rate_if_unaccounted_removed": "Rate, if those unaccounted for are removed",
    "rate_note": "Remark",
    "centre": "Usual rate",
    "limit_lower": "Usual range from",
    "limit_upper": "Usual range to",
    "signal": "Against usual range",
    "origin_on": "Forecast made on",
    "removed_expected": "Expected",
    "removed_lower": "Range from",
    "removed_upper": "Range to",
    "removed_expected_alone": "Expected from its own looks",
    "detection": "Looks find",
    "rate_if_missed": "Rate, if so",
    "rate_factor": "Times the rate now",
    "in_service_if_missed": "In service while due, if so",
    "smoothed_rate": "Smoothed rate",
    "drift_signal": "Slow drift",
    "p_value": "Chance of straying so far",
    "false_signal_chance": "Chance of a false signal",
    "change_per_year": "Change per year, factor",
    "change_per_year_lower": "Change, lower limit",
    "change_per_year_upper": "Change, upper limit",
    "change_p_value": "Chance of as much change",
    "change_p_value_adjusted": "The same for all series together",
    "change_note": "Remark",
    "share": "Share",
    "share_lower": "Share, lower limit",
    "share_upper": "Share, upper limit",
    "rate_last_12_months": "Rate, last 12 months",
    "rate_prior_12_months": "Rate, 12 months before",
    "rate_last_same_places": "Rate at the same places, last 12 months",
    "rate_prior_same_places": "Rate at the same places, 12 months before",
    "change_vs_prior_year": "Change of rate",
    "removed_last_12_months": "Removed, last 12 months",
    "removed_prior_12_months": "Removed, 12 months before",
    "change_chance": "Chance alone, change",
    "is_change_beyond_chance": "Change beyond chance",
    "mix_chance": "Chance alone, change of mix",
    "is_mix_change_beyond_chance": "Change of mix beyond chance",
    "removed_compared": "Removed, compared",
    "expected_removals": "Removals expected",
    "times_others": "Times the others",
    "times_others_lower": "Times the others, lower limit",
    "times_others_upper": "Times the others, upper limit",
    "difference_chance": "Chance alone, difference",
    "is_difference_beyond_chance": "Difference beyond chance",
    "current_interval_months": "Interval now",
    "interval_in_force_months": "Interval in force",
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
    "look_weight": "Share of the exposure that counts",
    "is_pooled": "Borrows from other places",
    "usual_step_months": "As a usual step",
    "load_bearing_in_service_at_recommended": "In service while due, load-bearing",
    "shackle_years_to_settle": "Own exposure that would settle it",
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
    "to_order_without_price": "Of them without a price",
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
    "main_inspector": "Who looked most",
    "is_inspector_changed": "Another than before",
    "shackle_years_compared": "Exposure compared",
    "strictness_lower": "Strictness, lower limit",
    "strictness_upper": "Strictness, upper limit",
    "strictness_note": "Remark",
    "observed": "Removed, with exposure, compared",
    "ratio": "Observed over expected",
    "ratio_lower": "Ratio, lower limit",
    "ratio_upper": "Ratio, upper limit",
    "far_limit_lower": "Outer limit from",
    "far_limit_upper": "Outer limit to",
    "shrunken_lower": "Shrunken ratio, lower limit",
    "shrunken_upper": "Shrunken ratio, upper limit",
    "flag": "Against its funnel limits",
    "false_discovery_value": "Chance findings so far out",
    "stands_out": "Stands out among all sites",
    "rank": "Rank, most removals first",
    "rank_lower": "Rank, from",
    "rank_upper": "Rank, to",
    "probability_highest_tenth": "Chance to be in the highest tenth",
    "is_left_out": "Left out of its own reference",
    "fewest_reference_sites": "Fewest other sites in an environment",
    "observed_not_compared": "Removed, not compared",
    "shackle_years_not_compared": "Exposure not compared",
    "spread": "Spread of the sites beyond chance",
    "spread_phi": "Spread, phi",
    "spread_tau2": "Spread, tau squared",
    "benchmark_note": "Remark",
    "part": "Part of the ratio",
    "position": "Order",
    "log_contribution": "Contribution, log scale",
    "looks": "Looks after an earlier one",
    "looks_on_time": "Looks on time",
    "share_on_time": "On time",
    "overdue": "Overdue",
    "share_overdue": "Overdue inspections",
    "not_stated": "Removed, no criterion stated",
    "share_not_stated": "No criterion stated",
    "items_expected": "Expected at looks",
    "items_unaccounted_for": "Unaccounted for at looks",
    "share_unaccounted_for": "Unaccounted for",
    "places_over_guideline": "Environments with an interval above the guideline",
    "received": "Inspected on receipt, all",
    "whose": "Client",
    "raw_ratio": "Raw ratio",
    "expected_band": "Removals expected, about",
    "peer_sites": "Sites of others",
    "peer_removals": "Removals of others",
    "peer_shackle_years": "Exposure of others",
    "peer_rate": "Removal rate of others",
    "own_rate": "Own removal rate",
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
    "counted": "Items counted",
    "usual": "At earlier looks",
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
    "fleets": ("string", None, "How the simulated fleets were made"),
    "which_places": ("string", None, "Which of their places"),
    "places_simulated": ("integer", None, "Places simulated"),
    "covered_pooled": ("number", "share of items", "Share of places whose true rate lies in the pooled limits"),
    "covered_exact": ("number", "share of items", "Share of places whose true rate lies in the exact limits"),
    "too_long": ("number", "share of items", "Share of places advised an interval longer than the truly safe one"),
    "loaded_at": ("date", None, "Day the file was loaded, by UTC"),
    "rows_read": ("integer", "rows", "Records in the file; empty where the file is shared with other clients"),
    "rows_accepted": ("integer", "rows", "Records that keep every rule that may refuse a row"),
    "rows_quarantined": ("integer", "rows", "Records that no figure rests on, with their reason"),
    "rows_set_aside": ("integer", "rows", "Records that are no part of the log: blank, a repeated header, a total"),
    "rows_corrected": ("integer", "rows", "Accepted records that were quarantined first and then corrected by a person"),
    "kind": ("string", None, "Why the record is no part of the log: blank, a repeated header, a total"),
    "likeness": ("number", "of 100", "How like the reason is to a known one; below 90 it is not taken for it"),
    "lines": ("integer", "lines", "Lines with this reason"),
    "counted": ("integer", "items", "Items that these looks count"),
    "usual": ("integer", "items", "Items that the same groups had at an earlier look, added up likewise"),
    "rows_flagged": ("integer", "rows", "Accepted records that break a rule which only flags"),
    "rows_superseded": ("integer", "lines", "Lines of earlier exports that this file revises"),
    "lines_in_use": ("integer", "lines", "Accepted and not superseded lines of this client and site"),
    "first_on": ("date", None, "Day of the first of these lines"),
    "last_on": ("date", None, "Day of the last of these lines"),
    "description": ("string", None, "The rule of the data contract, in words"),
    "severity": ("string", None, "What a breach does: quarantine or flag acts on the row, stop or warn on the whole file"),
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
    "rate_last_same_places": ("number", "removals per 100 shackle-years", "Rate in the last 12 months at the places that were looked at in both years"),
    "rate_prior_same_places": ("number", "removals per 100 shackle-years", "Rate in the 12 months before at the same places, at the exposure that each had since"),
    "rows_failing": ("integer", "rows", "Records of these files that break the rule"),
    "raw_ratio": ("number", "ratio", "Removals per item inspected, over the same figure of the sites compared with"),
    "whose": ("string", None, "Whose hardware it is"),
    "sites": ("integer", "sites", "Sites of the client that are compared"),
    "peer": ("string", None, "Name of a site of another client in this report pack; another pack names it otherwise"),
    "expected_band": ("string", None, "Removals expected of the peer, as a band"),
    "peer_sites": ("integer", "sites", "Sites of other clients in this environment; empty where too few to be shown"),
    "peer_removals": ("number", "items", "Their removals with exposure, to two figures; empty where too few to be shown"),
    "peer_shackle_years": ("number", "shackle-years", "Their exposure, to two figures; empty where too few to be shown"),
    "peer_rate": ("number", "removals per 100 shackle-years", "Their removal rate, to a tenth; empty where too few to be shown"),
    "own_rate": ("number", "removals per 100 shackle-years", "Removal rate of this client in the same environment"),
}  # fmt: skip
# Columns whose texts name sizes and loads.
WITH_SIZES = ("item_class", "level")
# In these tables the figure charted, of which there are control limits, is not a rate.
CHARTED = {"site_benchmark": "ratio"}
UNITS = {
    "as the figure charted": "removals per 100 shackle-years",
    "removals per 100 shackle-years": "per 100 shackle-years",
    "removals per 100 inspected": "per 100 inspected",
    "share of items": "% of items",
    "share of removals": "% of removals",
    "share of looks": "% of looks",
    "share of findings": "% of findings",
    "probability": "%",
    "ratio": "1 is as expected",
    "looks at a group": "",
    "sites": "",
    "environments": "",
    "place among the sites ranked": "",
    "place in order": "",
    "share of goods received": "% of goods received",
    "share of counts": "% of counts",
    "share of its loss": "% of its loss",
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
    names_sizes: bool = False  # its texts name sizes and loads, which are shown in the units chosen

    @property
    def decimals(self) -> int:
        """Decimals that its numbers are shown with."""
        return 2 if self.unit == UNITS["ratio"] else 1


def heading(name: str, table: str = "") -> Heading:
    """Return the heading of the column `name`; one name means one thing in every table.

    Only for the unit of control limits `table` matters: they have that of the figure charted there. The words are those
    of the gear that is spoken of.
    """
    found = _heading(name, table)
    return replace(
        found, words=of_gear(found.words), unit=of_gear(found.unit), description=of_gear(found.description)
    )


@cache
def _heading(name: str, table: str) -> Heading:
    kind, unit, description = OWN_COLUMNS.get(name) or _described(name)
    if unit == "as the figure charted":
        unit = CHARTED.get(table, unit)
    words = WORDS.get(name) or name.replace("_", " ").removesuffix(" mm").capitalize()
    unit = UNITS.get(unit or "", unit or "")
    return Heading(
        words, UNITS.get(unit, unit), kind, unit.startswith("%"), description, names_sizes=name in WITH_SIZES
    )


@cache
def _columns() -> dict[str, Column]:
    every = (column for name in contract_names() for column in load_contract(name).columns)
    return {column.name: column for column in every}


def _described(name: str) -> tuple[str, str | None, str]:
    column = _columns()[name]
    return column.kind, column.unit, column.description
