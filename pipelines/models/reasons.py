"""Shares and rates of removals by removal criterion."""

import numpy as np
import pandas as pd

from pipelines.contracts import RiskTargets
from pipelines.models.limits import simultaneous_share_limits
from pipelines.models.rates import joined_notes, note, too_little_exposure


def shares_with_limits(criteria: pd.DataFrame, whole: list[str], targets: RiskTargets) -> pd.DataFrame:
    """Return each criterion's share of the removals of its whole, with limits that hold for all criteria together.

    Parameters
    ----------
    criteria : DataFrame
        One row per whole and criterion: `removed` [items by primary criterion] and the columns of `whole`. Criteria
        that nobody could have ticked are left out beforehand.
    whole : list of str
        Columns that together name a whole, such as client, site and environment.
    targets : RiskTargets
        Gives the least number of removals for shares and the level of the limits.

    Returns
    -------
    DataFrame with the index of `criteria`
        `share`, `share_lower`, `share_upper` [share of removals], and `share_note`, filled where those are empty.
    """
    removed_of_whole = criteria.groupby(whole)["removed"]
    total = removed_of_whole.transform("sum")
    classes = removed_of_whole.transform("size")
    has_share = total >= targets.least_removals_for_shares
    removed = criteria.loc[has_share, "removed"]
    lower, upper = simultaneous_share_limits(
        removed, total[has_share], classes[has_share], targets.rate_limits_level
    )
    shares = pd.DataFrame(np.nan, index=criteria.index, columns=["share", "share_lower", "share_upper"])
    shares.loc[has_share] = np.column_stack([removed / total[has_share], lower, upper])
    shares["share_note"] = note(~has_share, f"under {targets.least_removals_for_shares} removals, no shares")
    return shares


def rates_by_criterion(criteria: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return each criterion's removal rate: of the whole history, of the last 12 months and of the 12 before.

    Parameters
    ----------
    criteria : DataFrame
        One row per criterion of a place: `removed_at_risk`, `removed_last_12_months`, `removed_prior_12_months`
        [items with exposure] and `shackle_years`, `shackle_years_last_12_months`, `shackle_years_prior_12_months` of
        the place.
    targets : RiskTargets
        Gives the least exposure for a rate.

    Returns
    -------
    DataFrame with the index of `criteria`
        `per_100_shackle_years`, `rate_last_12_months`, `rate_prior_12_months`, `change_vs_prior_year` [removals per
        100 shackle-years], and `rate_note`, filled where one of them is empty. Rates of the criteria of one place
        add up to its removal rate.
    """
    least = targets.least_shackle_years_for_a_rate

    def rate(removed: str, shackle_years: str) -> pd.Series:
        return 100 * criteria[removed] / criteria[shackle_years].where(criteria[shackle_years] >= least)

    rates = pd.DataFrame(
        {
            "per_100_shackle_years": rate("removed_at_risk", "shackle_years"),
            "rate_last_12_months": rate("removed_last_12_months", "shackle_years_last_12_months"),
            "rate_prior_12_months": rate("removed_prior_12_months", "shackle_years_prior_12_months"),
        }
    )
    rates["change_vs_prior_year"] = rates["rate_last_12_months"] - rates["rate_prior_12_months"]
    reason = too_little_exposure(targets)
    rates["rate_note"] = joined_notes(
        note(rates["per_100_shackle_years"].isna(), reason),
        note(rates["rate_last_12_months"].isna(), f"{reason} in the last 12 months"),
        note(rates["rate_prior_12_months"].isna(), f"{reason} in the 12 months before the last 12"),
    )
    return rates
