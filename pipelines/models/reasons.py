"""Shares and rates of removals by removal criterion, and whether they differ by more than chance."""

import numpy as np
import pandas as pd

from pipelines.contracts import RiskTargets
from pipelines.models.comparisons import (
    adjusted_for_several,
    chance_of_common_change,
    chance_of_mix,
    compared_with_others,
    ratios_to_others,
)
from pipelines.models.limits import chance_of_rate_ratio, simultaneous_share_limits
from pipelines.models.rates import joined_notes, note, rates_with_limits, too_little_exposure


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


def changes_by_criterion(criteria: pd.DataFrame, whole: list[str], targets: RiskTargets) -> pd.DataFrame:
    """Return whether the rate of each criterion, and the mix of all, changed against the year before beyond chance.

    Parameters
    ----------
    criteria : DataFrame
        One row per whole and criterion: `removed_last_12_months`, `removed_prior_12_months` [items with exposure],
        `shackle_years_last_12_months`, `shackle_years_prior_12_months` of the whole, and the columns of `whole`.
    whole : list of str
        Columns that together name a whole, such as client, site and environment.
    targets : RiskTargets
        Gives the least exposure for a rate, the least removals for shares, and how rare chance must be.

    Returns
    -------
    DataFrame with the index of `criteria`
        `change_chance`, the probability by chance alone of so great a change of the criterion's rate, adjusted for all
        criteria of the whole (Holm 1979); empty where a year has too little exposure or neither has a removal.
        `is_change_beyond_chance`, empty with it. `mix_chance`, the same on every row of a whole: that of so great a
        change of the mix; empty where a year has too few removals. `is_mix_change_beyond_chance`, empty with it.

    Notes
    -----
    The rates are compared by the exact test of two Poisson rates, see `chance_of_rate_ratio`. The mix is that of the
    removals, whatever their number: `chance_of_mix`. Both take for granted that items go one by one, so that a batch
    condemned together can look like a change.
    """
    least = targets.least_shackle_years_for_a_rate
    last, prior = (criteria[f"removed_{year}_12_months"] for year in ("last", "prior"))
    last_years, prior_years = (criteria[f"shackle_years_{year}_12_months"] for year in ("last", "prior"))
    is_tested = (last_years >= least) & (prior_years >= least) & (last + prior > 0)
    chance = pd.Series(np.nan, index=criteria.index)
    chance[is_tested] = chance_of_rate_ratio(
        last[is_tested], prior[is_tested], last_years[is_tested] / prior_years[is_tested]
    )
    adjusted = adjusted_for_several(chance, [criteria[name] for name in whole])

    years = np.array([last, prior])
    mix = np.full(len(criteria), np.nan)
    for rows in criteria.groupby(whole).indices.values():
        if years[:, rows].sum(axis=1).min() >= targets.least_removals_for_shares:
            mix[rows] = chance_of_mix(*years[:, rows])
    return pd.DataFrame(
        {
            "change_chance": adjusted,
            "is_change_beyond_chance": is_beyond(adjusted, targets),
            "mix_chance": mix,
            "is_mix_change_beyond_chance": is_beyond(pd.Series(mix, criteria.index), targets),
        }
    )


def changes_at_the_same_places(
    criteria: pd.DataFrame, whole: list[str], targets: RiskTargets
) -> pd.DataFrame:
    """Return how the rate of each criterion, and the mix of all, changed against the year before at the same places.

    Where other places are looked at than in the year before, sums over all of them change though nothing changed
    anywhere: what is compared is each place with itself.

    Parameters
    ----------
    criteria : DataFrame
        As for `changes_by_criterion`, one row per whole, place and criterion, with `criterion`, and `site` and
        `environment`, which name a place within its whole.
    whole : list of str
        Columns that together name a whole, such as the client.
    targets : RiskTargets
        Gives the least exposure for a rate, the least removals for shares, and how rare chance must be.

    Returns
    -------
    DataFrame
        One row per whole and criterion: `rate_last_same_places` and `rate_prior_same_places` [removals per 100
        shackle-years], over the places with enough exposure in both years, those of the year before at the exposure
        that the places had in the last one; empty where there is no such place. Then the columns of
        `changes_by_criterion`, from `chance_of_common_change` and `chance_of_mix`, place by place.
    """
    least = targets.least_shackle_years_for_a_rate
    last_years, prior_years = (criteria[f"shackle_years_{year}_12_months"] for year in ("last", "prior"))
    shared = criteria[(last_years >= least) & (prior_years >= least)]
    ratio = shared["shackle_years_last_12_months"] / shared["shackle_years_prior_12_months"]
    shared = shared.assign(ratio=ratio, standard=shared["removed_prior_12_months"] * ratio)
    key = [*whole, "criterion"]
    table = criteria[key].drop_duplicates().sort_values(key, ignore_index=True)
    sums = shared.groupby(key)[["removed_last_12_months", "standard", "shackle_years_last_12_months"]].sum()
    sums = sums.reindex(pd.MultiIndex.from_frame(table[key])).reset_index(drop=True)
    chance = {
        of: chance_of_common_change(
            *(
                rows[name].to_numpy()
                for name in ("removed_last_12_months", "removed_prior_12_months", "ratio")
            )
        )
        for of, rows in shared.groupby(key)
        if rows[["removed_last_12_months", "removed_prior_12_months"]].to_numpy().any()
    }
    adjusted = adjusted_for_several(
        pd.MultiIndex.from_frame(table[key]).map(chance).to_series(index=table.index).astype(float),
        [table[name] for name in whole],
    )
    mixes = {}
    for of, rows in shared.groupby(whole):
        years = [
            rows.pivot_table(
                index=["site", "environment"], columns="criterion", values=name, aggfunc="sum", fill_value=0
            )
            for name in ("removed_last_12_months", "removed_prior_12_months")
        ]
        if min(year.to_numpy().sum() for year in years) >= targets.least_removals_for_shares:
            mixes[of] = chance_of_mix(*years)
    mix = pd.MultiIndex.from_frame(table[whole]).map(mixes).to_series(index=table.index).astype(float)
    exposure = sums["shackle_years_last_12_months"] / 100
    return table.assign(
        rate_last_same_places=sums["removed_last_12_months"] / exposure,
        rate_prior_same_places=sums["standard"] / exposure,
        change_chance=adjusted,
        is_change_beyond_chance=is_beyond(adjusted, targets),
        mix_chance=mix,
        is_mix_change_beyond_chance=is_beyond(mix, targets),
    )


def criteria_by_environment(cells: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return removals and rate of each criterion in each environment of a client, beside its other environments.

    Parameters
    ----------
    cells : DataFrame
        One row per place, kind of pin and criterion that could have been ticked there: `client`, `environment`, `pin`,
        `criterion`, `tier`, `removed`, `removed_at_risk` [items], `shackle_years`.
    targets : RiskTargets
        Gives the least exposure for a rate, the level of the limits, and how rare chance must be.

    Returns
    -------
    DataFrame
        The columns of the contract `reasons_by_environment`.

    Notes
    -----
    What is expected are the removals under the criterion that the rates of all other environments of the client would
    have given, pin by pin, since a screw pin has no cotter to miss: indirect standardisation, see
    `compared_with_others`. Exposure counts only where somebody could have ticked the criterion. The probabilities by
    chance are adjusted for all criteria of an environment (Holm 1979).
    """
    key = ["client", "environment", "criterion"]
    sums = cells.groupby([*key, "tier"], as_index=False)[
        ["removed", "removed_at_risk", "shackle_years"]
    ].sum()
    rates = rates_with_limits(sums.assign(inspected=1), targets)
    at_risk = cells.drop(columns="removed").rename(columns={"removed_at_risk": "removed"})
    compared = compared_with_others(
        at_risk,
        ["client", "criterion"],
        ["environment"],
        [["pin"]],
        targets.least_shackle_years_for_a_rate,
    )
    ratios = ratios_to_others(compared, targets.rate_limits_level)
    beside = pd.concat([compared, ratios], axis="columns")
    table = sums.merge(beside, on=key)
    chance = table.pop("chance").where(table["removed_compared"] + table["others_removed"] > 0)
    adjusted = adjusted_for_several(chance, [table["client"], table["environment"]])
    return table.assign(
        per_100_shackle_years=rates["removed_per_100_shackle_years"],
        rate_lower=rates["rate_lower"],
        rate_upper=rates["rate_upper"],
        times_others=table["ratio"],
        times_others_lower=table["ratio_lower"],
        times_others_upper=table["ratio_upper"],
        difference_chance=adjusted,
        is_difference_beyond_chance=is_beyond(adjusted, targets),
        rate_note=joined_notes(
            rates["rate_note"],
            note(table["exposure_ratio"].isna(), "no other environment to compare with"),
            note(
                table["exposure_ratio"].notna() & table["ratio"].isna(),
                "none removed for it in other environments",
            ),
        ),
    )


def is_beyond(chance: pd.Series, targets: RiskTargets) -> pd.Series:
    """Return whether a probability by chance is so small that more than chance is at work; empty where it is."""
    return (chance <= targets.chance_level).astype("boolean").mask(chance.isna())
