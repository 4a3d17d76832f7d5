"""The sentences of the monthly report that say what to do: who has to be asked, looked at, decided or corrected."""

from datetime import date

import pandas as pd

from pipelines.models.interval_advice import LENGTHEN, NOT_MET, SHORTEN, TO_BE_SET, TOO_LITTLE
from pipelines.wording import (
    LONGEST_LIST,
    NOT_STATED,
    PLACE,
    above_usual,
    bears_load,
    counted,
    day_in_words,
    figure,
    listed,
    month_in_words,
    per_exposure,
    percent,
    place_in_words,
    places_counted,
    removed_for,
    shortened,
)
from pipelines.writing import written, written_label

# With a greater share of removals without a criterion, asking for one is worth a line of its own.
MUCH_NOT_STATED = 0.1


def to_do(
    rates: pd.DataFrame,
    between: pd.DataFrame,
    due: pd.DataFrame,
    recommendations: pd.DataFrame,
    reasons: pd.DataFrame,
    files: pd.DataFrame,
    period: str,
) -> list[str]:
    """Return what a safety manager should have done in the month after a report, the most urgent first.

    Parameters
    ----------
    rates, due, recommendations : DataFrame
        Rows of `removal_rates`, `overdue_inspections` and `interval_recommendations` of the same places.
    between : DataFrame
        Their removals at frequent inspections of the month, as `removals_between` returns them.
    reasons : DataFrame
        One row per client and criterion: `criterion`, `removed` [items].
    files : DataFrame
        One row per file: `rows_quarantined` [rows], empty where the file is shared with other clients.
    period : str
        The month, YYYY-MM.
    """
    tasks = [
        *_ask(rates, period),
        *_see_to_the_rest(between),
        *_inspect(due),
        *_decide(recommendations),
        *_find(due),
        *_write_down(reasons),
        *_correct(files),
        *_sign(recommendations),
    ]
    return tasks or ["Nothing stands out this month. Keep to the intervals, and to the look before use."]


def soon_due_finding(due: pd.DataFrame, as_of: date) -> str:
    """Return for how many shackles the periodic inspection falls due in the month after `as_of`."""
    soon = _soon_due(due, as_of)
    month = month_in_words(f"{pd.Timestamp(as_of) + pd.DateOffset(days=1):%Y-%m}")
    if soon.empty:
        return f"No periodic inspection falls due in {month}."
    return (
        f"In {month} the periodic inspection falls due for {counted(int(soon['quantity'].sum()), 'shackle')} at "
        f"{places_counted(soon)}."
    )


def soon_due_places(due: pd.DataFrame, as_of: date) -> list[str]:
    """Return a sentence for each place with inspections due in the month after `as_of`, the earliest first."""
    places = (
        _soon_due(due, as_of)
        .groupby(PLACE, as_index=False)
        .agg(classes=("item_class", "size"), quantity=("quantity", "sum"), first=("due_on", "min"))
    )
    return [
        f"{place_in_words(row)}: {counted(row['quantity'], 'shackle')} of "
        f"{counted(row['classes'], 'item class', 'item classes')}, the first on {day_in_words(row['first'])}."
        for _, row in places.sort_values(["first", *PLACE]).iterrows()
    ]


def reason_changes(reasons: pd.DataFrame, site: str) -> list[str]:
    """Return, client by client or of the one `site` asked for, which criteria are behind more or fewer removals than in the year before, beyond chance.

    Takes one row per client and criterion, of `changes_at_the_same_places`.
    """
    return [_changes_of(site or str(client), rows) for client, rows in reasons.groupby("client", sort=True)]


def _changes_of(where: str, criteria: pd.DataFrame) -> str:
    if criteria["is_change_beyond_chance"].isna().all():
        return f"At {where} no place has exposure and removals enough in both years to compare reasons with the year before."
    changed = criteria[criteria["is_change_beyond_chance"].fillna(False).astype(bool)]
    changed = changed.assign(change=changed["rate_last_same_places"] - changed["rate_prior_same_places"])
    said = [
        f"removals for {row['criterion']} went {'up' if row['change'] > 0 else 'down'} from "
        f"{figure(row['rate_prior_same_places'])} to {figure(row['rate_last_same_places'])}"
        for _, row in changed.sort_values("change", key=abs, ascending=False, kind="stable").iterrows()
    ]
    if said:
        finding = (
            f"At {where}, against the 12 months before at the same places, {listed(said)} {per_exposure()}, more than "
            "chance explains"
        )
    else:
        finding = f"At {where} no criterion has a removal rate that changed beyond chance against the 12 months before at the same places"
    is_mix_changed = criteria["is_mix_change_beyond_chance"].iloc[0]
    if pd.isna(is_mix_changed):
        return f"{finding}."
    mix = "has changed beyond chance" if is_mix_changed else "has not changed beyond chance"
    return f"{finding}; the mix of reasons {mix}."


def _ask(rates: pd.DataFrame, period: str) -> list[str]:
    above = above_usual(rates, period)
    told = [
        f"Go and see {place_in_words(row)}: its removal rate is above its usual range. Ask what has changed since the look "
        "before: the work, the surroundings, the hardware bought, the person who looks."
        for _, row in above.head(LONGEST_LIST).iterrows()
    ]
    rest = len(above) - len(told)
    return told + [f"Go and see {counted(rest, 'more place')} above their usual range, named below."] * bool(
        rest
    )


def _see_to_the_rest(between: pd.DataFrame) -> list[str]:
    """Return the tasks where a load-bearing removal between looks leaves a doubt about its like; common practice, no source."""
    bearing = between[bears_load(between) & (between["removed_since_look"] > 0)]
    bearing = bearing.assign(removed=bearing["removed_since_look"])
    classes = [rows for _, rows in bearing.groupby([*PLACE, "item_class"])]
    classes.sort(key=lambda rows: -rows["removed"].sum())
    told = [
        f"Ask a qualified person whether the other items of {written_label(rows['item_class'].iloc[0])} at "
        f"{place_in_words(rows.iloc[0])} can wait for the next periodic inspection: this month frequent inspections removed "
        f"{removed_for(rows)}."
        for rows in classes[:LONGEST_LIST]
    ]
    rest = len(classes) - len(told)
    if rest:
        told.append(f"Ask the same of {counted(rest, 'more item class', 'more item classes')}, named below.")
    return told


def _inspect(due: pd.DataFrame) -> list[str]:
    late = due[due["days_overdue"] > 0]
    if late.empty:
        return []
    latest = late.sort_values(["days_overdue", "quantity"], ascending=False, kind="stable").iloc[0]
    return [
        f"Have {counted(int(late['quantity'].sum()), 'shackle')} at {places_counted(late)} inspected that "
        f"{'is' if late['quantity'].sum() == 1 else 'are'} past the day, first at {place_in_words(latest)}, "
        f"{counted(int(latest['days_overdue']), 'day')} late. Nobody knows what state they are in."
    ]


def _decide(recommendations: pd.DataFrame) -> list[str]:
    tasks = []
    shorter = recommendations[recommendations["outcome"] == SHORTEN]
    if len(shorter):
        by_rate = shorter.sort_values("highest_rate", ascending=False, kind="stable")
        named = [
            f"{place_in_words(row)} from {row['current_interval_months']} to "
            f"{counted(row['recommended_interval_months'], 'month')}"
            for _, row in by_rate.iterrows()
        ]
        tasks.append(f"Decide with a qualified person on shorter intervals: {shortened(named)}.")
    open_ones = recommendations[recommendations["outcome"].isin([NOT_MET, TO_BE_SET])]
    if len(open_ones):
        named = [place_in_words(row) for _, row in open_ones.iterrows()]
        tasks.append(f"Ask a qualified person to set the interval at {shortened(named)}.")
    refuted = recommendations[
        (recommendations["outcome"] == TOO_LITTLE) & recommendations["needs_sign_off"].astype(bool)
    ]
    if len(refuted):
        by_rate = refuted.sort_values("rate_lower", ascending=False, kind="stable")
        named = [
            f"{place_in_words(row)} with {counted(row['recommended_interval_months'], 'month')}"
            for _, row in by_rate.iterrows()
        ]
        tasks.append(
            f"Ask a qualified person whether the interval is short enough: {shortened(named)}. There is too little "
            "experience to compute one, yet even the lower limit of the removal rate breaks a target."
        )
    return tasks


def _find(due: pd.DataFrame) -> list[str]:
    missing = due[due["unaccounted_for"] > 0]
    if missing.empty:
        return []
    by_place = missing.groupby(PLACE)["unaccounted_for"].sum().sort_values(ascending=False, kind="stable")
    most = pd.Series(dict(zip(PLACE, by_place.index[0], strict=True)))
    return [
        f"Find out what became of {counted(int(by_place.sum()), 'shackle')} that nobody presented, the largest "
        f"number ({written(by_place.iloc[0])}) at {place_in_words(most)}."
        if len(by_place) > 1
        else f"Find out what became of {counted(int(by_place.sum()), 'shackle')} that nobody presented at {place_in_words(most)}."
    ]


def _write_down(reasons: pd.DataFrame) -> list[str]:
    total = reasons["removed"].sum()
    missing = reasons.loc[reasons["criterion"] == NOT_STATED, "removed"].sum()
    if total == 0 or missing / total <= MUCH_NOT_STATED:
        return []
    return [
        f"Ask for a reason with each removal: {percent(missing / total)} have none written down, and a removal without one "
        "counts as load-bearing."
    ]


def _correct(files: pd.DataFrame) -> list[str]:
    rows = int(files["rows_quarantined"].sum())
    if rows == 0:
        return []
    return [
        f"Have {counted(rows, 'row')} of the logs corrected that could not be taken in: they count in no figure here "
        "until then. The account of the records names each."
    ]


def _sign(recommendations: pd.DataFrame) -> list[str]:
    longer = recommendations[recommendations["outcome"] == LENGTHEN]
    if longer.empty:
        return []
    return [
        f"Not urgent: a longer interval would be possible at {counted(len(longer), 'place')}, but only if a qualified person "
        "signs for it."
    ]


def _soon_due(due: pd.DataFrame, as_of: date) -> pd.DataFrame:
    end = pd.Timestamp(as_of) + pd.offsets.MonthEnd(1)
    return due[(due["due_on"] > pd.Timestamp(as_of)) & (due["due_on"] <= end)]
