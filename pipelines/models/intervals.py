"""The months between periodic inspections that removal experience supports.

Takes for granted that defects appear at a steady rate and that the next look finds them. Items that wear out with age,
misuse between looks, causes that many items share and defects a look misses are not covered.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import chi2

from pipelines.contracts import RiskTargets
from pipelines.models.limits import Floats, exact_rate_limits
from pipelines.models.rates import joined_notes, note, rates_with_limits

SHORTEN = "shorten"
KEEP = "keep"
LENGTHEN = "may lengthen, sign-off needed"
TOO_LITTLE = "too little experience, guideline kept"
HELD_BACK = "latest rate above its usual range, not lengthened"
NOT_MET = "no interval in the list meets the targets"
TO_BE_SET = "qualified person to set"

BELOW_SERIES = 1e-3  # under this, 1 - (1 - exp(-x))/x loses digits and its series does not


def share_found(rate: ArrayLike, months: ArrayLike) -> Floats:
    """Return the share of items found rejectable at a look after `months`.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Removal rate [removals per 100 shackle-years].
    months : array_like of float, shape (n,)
        Time between looks [months].

    Examples
    --------
    >>> print(f"{share_found(5.17, 12):.4f}")
    0.0504
    """
    return -np.expm1(-_removals_per_item(rate, months))


def share_in_service(rate: ArrayLike, months: ArrayLike) -> Floats:
    """Return the average share of items in service while rejectable, if looks are `months` apart.

    Parameters
    ----------
    rate : array_like of float, shape (n,)
        Removal rate [removals per 100 shackle-years].
    months : array_like of float, shape (n,)
        Time between looks [months].

    Notes
    -----
    The mean unavailability of an item that is tested at intervals. IEC 61508-6, Annex B, uses its first term, `x/2`.

    Examples
    --------
    >>> print(f"{share_in_service(5.17, 12):.4f}")
    0.0254
    """
    return _mean_unavailability(_removals_per_item(rate, months))


def longest_months(
    rate_upper: ArrayLike, target_found: float, target_in_service: float
) -> tuple[Floats, Floats]:
    """Return the longest time between looks that meets each of the two targets, in fractions of a month.

    Parameters
    ----------
    rate_upper : array_like of float, shape (n,)
        Upper limit of the removal rate [removals per 100 shackle-years], above 0. Never the rate itself.
    target_found, target_in_service : float
        Largest `share_found` and `share_in_service`, between 0 and 1.

    Returns
    -------
    months_found, months_in_service : ndarray of float, shape (n,)
        Longest time [months] under either target.
    """
    months_at_one = 12 * 100 / np.asarray(rate_upper, dtype=float)
    return (
        months_at_one * removals_per_item_found(target_found),
        months_at_one * removals_per_item_in_service(target_in_service),
    )


def removals_per_item_found(target: float) -> float:
    """Return the removals per item between looks at which `share_found` reaches `target`."""
    return float(-np.log1p(-target))


def removals_per_item_in_service(target: float) -> float:
    """Return the removals per item between looks at which `share_in_service` reaches `target`."""
    # The share rises, lies below x/2 and above 1 - 1/x, so the root lies between these two.
    return brentq(
        lambda x: float(_mean_unavailability(x)) - target, 2 * target, 1 / (1 - target), xtol=1e-12 * target
    )


def whole_months(months: ArrayLike) -> Floats:
    """Return `months` rounded down; a whisker is added so that 12.0 does not become 11."""
    return np.floor(np.asarray(months, dtype=float) + 1e-9)


def least_shackle_years(
    interval_months: ArrayLike, level: float, target_found: float, target_in_service: float
) -> tuple[Floats, Floats]:
    """Return the exposure under which not even a history without removals could support an interval.

    Parameters
    ----------
    interval_months : array_like of float, shape (n,)
        The interval to be supported [months].
    level : float
        One-sided confidence level of the upper rate limit.
    target_found, target_in_service : float
        Largest `share_found` and `share_in_service`, between 0 and 1.

    Returns
    -------
    for_found, for_in_service : ndarray of float, shape (n,)
        Exposure [shackle-years] that each target asks for; the larger one holds.
    """
    removals_at_most = chi2.ppf(level, 2) / 2 * np.asarray(interval_months, dtype=float) / 12
    return (
        removals_at_most / removals_per_item_found(target_found),
        removals_at_most / removals_per_item_in_service(target_in_service),
    )


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
        One row per place: `inspected`, `removed_at_risk` [items], `shackle_years`, `service_class`,
        `current_interval_months`, `legal_limit_months`, `site_rule_months` [months, the last two may be empty],
        `is_above_usual`, whether the latest month with a rate lies above the usual range of the place.
    targets : RiskTargets
        What an interval must achieve, and the outer limits.

    Returns
    -------
    DataFrame with the index of `places`
        The columns of the contract `interval_recommendations` from `rate_per_100_shackle_years` on, without
        `current_interval_months`.

    Notes
    -----
    The interval rests on the upper limit of the rate, never on the rate itself, and never exceeds the guideline:
    the shortest of law, site rule, service class and standard. It is longer than the current one only with a
    sign-off. Special service without a site rule keeps its current interval, since a qualified person sets that one.

    Nothing is lengthened where experience is thin, that is under the exposure that could support the guideline even
    with no removal, nor while the latest rate lies above its usual range. Where experience is thin no interval is
    computed: the guideline is kept, or the current interval where that is shorter. Where even the lower rate limit
    breaks a target there, a sign-off is asked for and the note says why.
    """
    rates = rates_with_limits(places, targets)
    guideline = guideline_intervals(places, targets)
    least = np.maximum(*least_shackle_years(guideline["months"], *_level_and_targets(targets)))
    has_rate = rates["rate_upper"].notna()
    is_thin = (places["shackle_years"] < least) | ~has_rate
    to_be_set = (places["service_class"] == "special") & places["site_rule_months"].isna()
    current = places["current_interval_months"].astype(float)

    upper = pd.Series(np.nan, index=places.index)
    upper[has_rate] = _one_sided_upper(places[has_rate], targets.confidence_level)
    months_found, months_in_service = longest_months(
        upper, targets.target_share_found, targets.target_share_in_service
    )
    computed = pd.Series(whole_months(np.minimum(months_found, months_in_service)), index=places.index)
    computed = computed.mask(is_thin)
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
            months_found < months_in_service,
        ],
        [
            "current interval, until a qualified person sets one",
            "current interval, while the latest rate is above its usual range",
            "current interval, until there is more experience",
            guideline["rule"],
            "share found",
        ],
        default="share in service",
    )
    refuted = is_thin & _breaks_a_target(rates["rate_lower"], recommended, targets)

    return pd.DataFrame(
        {
            "rate_per_100_shackle_years": rates["removed_per_100_shackle_years"],
            "rate_lower": rates["rate_lower"],
            "rate_upper": rates["rate_upper"],
            "guideline_interval_months": guideline["months"],
            "computed_interval_months": computed,
            "recommended_interval_months": recommended,
            "binding_rule": binding_rule,
            "outcome": np.select(
                [to_be_set, is_thin, not_met, held_back, recommended < current, recommended == current],
                [TO_BE_SET, TOO_LITTLE, NOT_MET, HELD_BACK, SHORTEN, KEEP],
                default=LENGTHEN,
            ),
            "share_found_at_current": share_found(upper, current),
            "share_found_at_recommended": share_found(upper, recommended),
            "share_in_service_at_recommended": share_in_service(upper, recommended),
            "needs_sign_off": to_be_set | not_met | refuted | (recommended > current),
            "least_shackle_years": least,
            "rate_note": joined_notes(
                rates["rate_note"],
                note(is_thin, "too little experience to compute an interval"),
                note(
                    refuted, "yet even the lower rate limit breaks a target, a qualified person should look"
                ),
            ),
        }
    )


def _removals_per_item(rate: ArrayLike, months: ArrayLike) -> Floats:
    return np.asarray(rate, dtype=float) / 100 * np.asarray(months, dtype=float) / 12


def _mean_unavailability(x: ArrayLike) -> Floats:
    x = np.asarray(x, dtype=float)
    series = x / 2 - x**2 / 6 + x**3 / 24
    large = np.maximum(x, BELOW_SERIES)
    return np.where(x < BELOW_SERIES, series, 1 + np.expm1(-large) / large)


def _one_sided_upper(places: pd.DataFrame, level: float) -> Floats:
    # The upper end of a two-sided interval leaves half of what a one-sided limit may leave.
    return exact_rate_limits(places["removed_at_risk"], places["shackle_years"], 2 * level - 1)[1]


def _breaks_a_target(rate: pd.Series, months: pd.Series, targets: RiskTargets) -> pd.Series:
    found = share_found(rate, months) > targets.target_share_found
    in_service = share_in_service(rate, months) > targets.target_share_in_service
    return pd.Series(found | in_service, index=rate.index)


def _level_and_targets(targets: RiskTargets) -> tuple[float, float, float]:
    return targets.confidence_level, targets.target_share_found, targets.target_share_in_service
