"""The interval between periodic inspections to advise at each place, and the grounds for it."""

import numpy as np
import pandas as pd

from pipelines.contracts import RiskTargets
from pipelines.models.intervals import (
    least_shackle_years,
    longest_months,
    shackle_years_to_settle,
    share_found,
    share_in_service,
    whole_months,
)
from pipelines.models.limits import Floats
from pipelines.models.rates import joined_notes, note, rates_with_limits

SHORTEN = "shorten"
KEEP = "keep"
LENGTHEN = "may lengthen, sign-off needed"
TOO_LITTLE = "too little experience, guideline kept"
HELD_BACK = "latest rate above its usual range, not lengthened"
NOT_MET = "no interval in the list meets the targets"
TO_BE_SET = "qualified person to set"

CLOSE_LOOKS = (
    "looks at the same items follow one another within a week: where one inspection takes several days, write visit_days"
    " into the site register, or else fleet and exposure are counted too small"
)
ANY, LOAD_BEARING = "any criterion", "load-bearing"
# Of each tier: the removals that bear on it, the highest rate that agrees with the records, and what its rules are called.
TIERS = {
    ANY: ("removed_at_risk", "highest_rate", ""),
    LOAD_BEARING: ("load_bearing_at_risk", "highest_load_bearing_rate", ", load-bearing criteria"),
}
SHARE_FOUND, SHARE_IN_SERVICE = "share found", "share in service"
# Each rule that a target makes, as `binding_rule` names it: its tier and the share it limits.
TARGET_RULES = {
    share + words: (tier, share)
    for tier, (_, _, words) in TIERS.items()
    for share in (SHARE_FOUND, SHARE_IN_SERVICE)
}


def guideline_intervals(places: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return the longest interval that the outer limits allow at each place, and which limit that is.

    Parameters
    ----------
    places : DataFrame
        One row per place: `service_class`, `legal_limit_months`, `site_rule_months` [months, empty where none].
    targets : RiskTargets
        Gives the standard's limit and the guideline of each service class.

    Returns
    -------
    DataFrame with the index of `places`
        `months`, the shortest of all limits, and `rule`, its name in words.
    """
    service_class = places["service_class"]
    limits = pd.DataFrame(
        {
            "law": places["legal_limit_months"],
            "site": places["site_rule_months"],
            "class": service_class.map(targets.guideline_months),
            "standard": targets.outer_limit_months,
        },
        index=places.index,
    ).astype(float)
    months = limits.min(axis="columns")
    # Where two limits are equal the first one is named.
    rule = np.select(
        [limits["law"] == months, limits["site"] == months, limits["class"] == months],
        ["legal limit", "site rule", "guideline for " + service_class + " service"],
        default=f"{targets.outer_limit_months} months, the longest the standard allows",
    )
    return pd.DataFrame({"months": months, "rule": rule})


def recommend_intervals(places: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return the inspection interval to advise at each place, the rule that sets it and what it achieves.

    Parameters
    ----------
    places : DataFrame
        One row per place: `inspected`, `removed_at_risk`, `load_bearing_at_risk` [items; a removal with no criterion
        stated counts as load-bearing, since nobody can rule it out], `shackle_years`, `highest_rate`,
        `highest_load_bearing_rate` [removals per 100 shackle-years, empty where unknown], `is_pooled`, whether these
        two borrow from other places, `look_weight` as for `rates_with_limits`, `service_class`, `current_interval_months`, `legal_limit_months`,
        `site_rule_months` [months, the last two may be empty], `is_above_usual`, whether the latest month with a rate
        lies above the usual range of the place, `has_close_looks`, whether looks at the same items follow one another within
        days, and `items_in_service`.
    targets : RiskTargets
        What an interval must achieve, and the outer limits.

    Returns
    -------
    DataFrame with the index of `places`
        The columns of the contract `interval_recommendations` from `rate_per_100_shackle_years` on, without
        `current_interval_months`.

    Notes
    -----
    The interval rests on the highest rates that agree with the records, never on the rates themselves, and never
    exceeds the guideline: the shortest of law, site rule, service class and standard. Each tier of removal criteria has
    targets of its own, and the strictest outcome holds. The interval is longer than the current one only with a
    sign-off. Special service without a site rule keeps its current interval, since a qualified person sets that one.

    Nothing is lengthened where experience is thin, that is under the exposure that could support the guideline even
    with no removal, nor while the latest rate lies above its usual range. Where experience is thin and nothing is
    borrowed from other places no interval is computed: the guideline is kept, or the current interval where that is
    shorter. Where even the lower rate limit breaks a target there, a sign-off is asked for and the note says why.
    """
    rates = rates_with_limits(places, targets)
    guideline = guideline_intervals(places, targets)
    current = places["current_interval_months"].astype(float)
    least = _least_experience(guideline["months"], targets)
    is_thin = (places["shackle_years"] < least) | places["highest_rate"].isna()
    is_unknown = is_thin & ~places["is_pooled"].astype(bool)
    to_be_set = (places["service_class"] == "special") & places["site_rule_months"].isna()

    by_rule = _months_by_rule(places, targets)
    computed = pd.Series(whole_months(by_rule.min(axis="columns")), index=places.index).mask(is_unknown)
    not_met = (computed < 1) & ~to_be_set

    supported = computed.fillna(np.inf)
    recommended = supported.clip(lower=1).mask(to_be_set, current).clip(upper=guideline["months"])
    is_longer = recommended > current
    stays_thin = is_longer & is_thin
    held_back = is_longer & ~is_thin & places["is_above_usual"].astype(bool)
    recommended = recommended.mask(stays_thin | held_back, current)
    binding_rule = np.select(
        [
            to_be_set & (current <= guideline["months"]),
            held_back,
            stays_thin,
            to_be_set | (supported >= guideline["months"]),
        ],
        [
            "current interval, until a qualified person sets one",
            "current interval, while the latest rate is above its usual range",
            "current interval, until there is more experience",
            guideline["rule"],
        ],
        default=by_rule.fillna(np.inf).idxmin(axis="columns"),
    )
    refuted = is_unknown & _breaks_a_target(rates["rate_lower"], recommended, targets)
    hours = places["items_in_service"] * targets.minutes_per_item / 60

    return pd.DataFrame(
        {
            "rate_per_100_shackle_years": rates["removed_per_100_shackle_years"],
            "rate_lower": rates["rate_lower"],
            "rate_upper": rates["rate_upper"],
            "guideline_interval_months": guideline["months"],
            "computed_interval_months": computed,
            "recommended_interval_months": recommended,
            "usual_step_months": _usual_step(recommended, targets),
            "binding_rule": binding_rule,
            "outcome": np.select(
                [
                    to_be_set,
                    not_met,
                    recommended < current,
                    is_unknown | stays_thin,
                    held_back,
                    recommended == current,
                ],
                [TO_BE_SET, NOT_MET, SHORTEN, TOO_LITTLE, HELD_BACK, KEEP],
                default=LENGTHEN,
            ),
            "share_found_at_current": share_found(places["highest_rate"], current),
            "share_found_at_recommended": share_found(places["highest_rate"], recommended),
            "share_in_service_at_recommended": share_in_service(places["highest_rate"], recommended),
            "load_bearing_in_service_at_recommended": share_in_service(
                places["highest_load_bearing_rate"], recommended
            ),
            "needs_sign_off": to_be_set | not_met | refuted | (recommended > current),
            "least_shackle_years": least,
            "shackle_years_to_settle": _experience_to_settle(places, guideline["months"], targets),
            "hours_a_year_at_current": hours * 12 / current,
            "hours_a_year_at_recommended": hours * 12 / recommended,
            "rate_note": joined_notes(
                rates["rate_note"],
                note(is_unknown, "too little experience to compute an interval"),
                note(
                    refuted, "yet even the lower rate limit breaks a target, a qualified person should look"
                ),
                note(places["has_close_looks"].astype(bool), CLOSE_LOOKS),
            ),
        }
    )


def _months_by_rule(places: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return, for each place, the longest months under each target, in columns named as the rule is."""
    months: list[Floats] = []
    for tier, (_, highest, _) in TIERS.items():
        target = targets.targets[tier]
        months += longest_months(places[highest], target.share_found, target.share_in_service)
    return pd.DataFrame(dict(zip(TARGET_RULES, months, strict=True)), index=places.index)


def _least_experience(months: pd.Series, targets: RiskTargets) -> pd.Series:
    least = [
        limit
        for target in targets.targets.values()
        for limit in least_shackle_years(
            months, targets.confidence_level, target.share_found, target.share_in_service
        )
    ]
    return pd.Series(np.maximum.reduce(least), index=months.index)


def _experience_to_settle(places: pd.DataFrame, months: pd.Series, targets: RiskTargets) -> pd.Series:
    has_exposure = places["shackle_years"] >= targets.least_shackle_years_for_a_rate
    needed = []
    for tier, (removed, _, _) in TIERS.items():
        target = targets.targets[tier]
        rate = (100 * places[removed] / places["shackle_years"].where(has_exposure)).fillna(0)
        needed.append(
            shackle_years_to_settle(
                rate, months, targets.confidence_level, target.share_found, target.share_in_service
            )
        )
    settling = pd.Series(np.maximum.reduce(needed), index=places.index)
    return settling.where(settling > places["shackle_years"])


def _usual_step(months: pd.Series, targets: RiskTargets) -> pd.Series:
    steps = np.array(sorted(targets.usual_steps_months))
    position = np.searchsorted(steps, months, side="right") - 1
    step = np.where(position < 0, months, steps[position])
    return pd.Series(step, index=months.index).astype(steps.dtype)


def _breaks_a_target(rate: pd.Series, months: pd.Series, targets: RiskTargets) -> pd.Series:
    target = targets.targets[ANY]
    is_broken = (share_found(rate, months) > target.share_found) | (
        share_in_service(rate, months) > target.share_in_service
    )
    return pd.Series(is_broken, index=rate.index)
