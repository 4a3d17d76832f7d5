"""The sentences of the evidence report: how far the figures of the other reports can be trusted."""

import pandas as pd

from pipelines.models.hazard import PLACE
from pipelines.tables.pooled_rates import AGEING
from pipelines.wording import counted, figure, limits_level, percent, place_in_words, shortened
from pipelines.writing import significant, written, written_day


def backtest_finding(held: pd.DataFrame) -> str:
    """Return how often what came lay in the range foretold, from rows of `rate_backtest`."""
    if held.empty:
        return "There are too few months of records to hold rates against what came after them."
    inside = int(held["removed"].between(held["removed_lower"], held["removed_upper"]).sum())
    removed, expected, alone = (
        held[name].sum() for name in ("removed", "removed_expected", "removed_expected_alone")
    )
    return (
        f"Held against the {counted(held['origin_on'].nunique(), 'quarter')} that followed, {inside} of "
        f"{counted(len(held), 'forecast')} of a place's removals took in what came ({percent(inside / len(held))}, where {limits_level()} is "
        f"claimed). In all {figure(expected)} removals were expected and {figure(removed)} came; each place's own looks alone "
        f"gave {figure(alone)} to expect."
    )


def backtest_misses(held: pd.DataFrame) -> list[str]:
    """Return a sentence for each forecast that missed, the farthest out first."""
    missed = held[~held["removed"].between(held["removed_lower"], held["removed_upper"])]
    how_far = (missed["removed"] / missed["removed_expected"].clip(lower=0.5)).apply(
        lambda ratio: max(ratio, 1 / max(ratio, 0.01))
    )
    return [
        f"{row['site']} ({row['environment']}), the quarter after {written_day(row['origin_on'])}: {figure(row['removed'])} came, "
        f"{figure(row['removed_lower'])} to {figure(row['removed_upper'])} were foretold."
        for _, row in missed.loc[how_far.sort_values(ascending=False, kind="stable").index].iterrows()
    ]


def fit_finding(model: pd.DataFrame) -> list[str]:
    """Return what the model of all looks says of its own fit, from rows of `hazard_model`."""
    facts = model[model["level"].isna()]
    return [
        f"{row['covariate'].capitalize()}: {row['remark']}."
        if pd.isna(row["estimate"])
        else f"{row['covariate'].capitalize()}: {_number(row['estimate'])}{_limits(row)} ({row['remark']})."
        for _, row in facts.iterrows()
    ]


def ageing_finding(model: pd.DataFrame) -> str:
    """Return whether the records say that items wear out with age."""
    rows = model[model["covariate"] == AGEING]
    if rows.empty:
        return "No look says yet whether items wear out with age."
    row = rows.iloc[0]
    return f"Do items wear out with age? {row['remark'][0].upper()}{row['remark'][1:]}."


def detection_finding(sensitivity: pd.DataFrame) -> str:
    """Return what it would change if looks missed some of what is there, from rows of `detection_sensitivity`."""
    known = sensitivity[sensitivity["rate_factor"].notna()]
    without = sensitivity[sensitivity["rate_factor"].isna()].drop_duplicates(PLACE)
    none_given = ""
    if len(without):
        named = shortened([place_in_words(row) for _, row in without.iterrows()])
        none_given = (
            f" At {named} so much was removed that no rate can be given for some or all of these shares."
        )
    if known.empty:
        return f"There is no rate yet that missed defects could change.{none_given}"
    missing = known[known["detection"] < 1].groupby("detection")["rate_factor"].median()
    said = [
        f"if looks find {percent(float(str(detection)))} of them, the rate of a middling place is {written(factor, 2)} times as high"
        for detection, factor in missing.sort_index(ascending=False).items()
    ]
    worst = known[known["detection"] == known["detection"].min()]
    row = worst.loc[worst["in_service_if_missed"].idxmax()]
    return (
        f"Rates take it that a look finds every rejectable item; {'; '.join(said)}. The share in service while due for removal "
        f"would rise most at {row['site']} ({row['environment']}), to {percent(row['in_service_if_missed'])} with the "
        f"recommended interval.{none_given}"
    )


def study_finding(study: pd.DataFrame) -> str:
    """Return what simulated fleets of known rates say of the limits and the intervals."""
    whole = study[study["which_places"] == "all places"]
    return (
        f"In {counted(len(whole), 'kind')} of simulated fleets, a thousand of each, the pooled 90 % limits held the true rate of "
        f"{percent(whole['covered_pooled'].min())} to {percent(whole['covered_pooled'].max())} of places, and at most "
        f"{percent(whole['too_long'].max())} of places were advised an interval longer than the truly safe one."
    )


def _limits(row: pd.Series) -> str:
    if pd.isna(row["estimate_lower"]):
        return ""
    return f", with {limits_level()} limits of {_number(row['estimate_lower'])} to {_number(row['estimate_upper'])}"


def _number(value: float) -> str:
    return f"under {written(0.001, 3)}" if 0 <= value < 0.001 else significant(value, 2)
