"""The sentences of a report, made from the same figures that its charts and tables show.

Every function takes rows of a result table and gives back a sentence, or a list of sentences in the order in which
they matter. A rate is always said with what it is per, and every figure as a person would say it.
"""

from collections.abc import Iterable, Sequence
from datetime import date

import pandas as pd

from pipelines.contracts import benchmark_rules, risk_targets
from pipelines.models.hazard import PLACE
from pipelines.models.interval_advice import (
    ANY,
    HELD_BACK,
    KEEP,
    LENGTHEN,
    LOAD_BEARING,
    NOT_MET,
    SHARE_FOUND,
    SHORTEN,
    TARGET_RULES,
    TIERS,
    TO_BE_SET,
    TOO_LITTLE,
)
from pipelines.models.intervals import share_found, share_in_service
from pipelines.settings import Units, carried
from pipelines.wording_gear import of_gear
from pipelines.writing import long_day, significant, written, written_label

CAUTIONS = (
    "The figures describe records. They do not say in what state the shackle in your hand is.",
    "The look before use, on every shift, stays as it is, whatever a report says.",
    "A recommended interval is advice to a qualified person, who decides.",
    "Of the standard, the manufacturer's instruction, the law of the place and the site's own rule, the shortest "
    "interval holds.",
    "No interval is lengthened by this tool: where a longer one seems possible, it marks that a qualified person "
    "must sign for it.",
    "Where records are thin the guideline interval stays. Thin records never lead to a longer interval.",
)

MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
# Each outcome of an interval, said of one place and of several, in the order of a report.
OUTCOMES_IN_WORDS = {
    SHORTEN: ("should be inspected more often", "should be inspected more often"),
    NOT_MET: (
        "needs a qualified person's decision, since no interval meets the targets",
        "need a qualified person's decision, since no interval meets the targets",
    ),
    TO_BE_SET: (
        "awaits the interval that a qualified person sets",
        "await the intervals that a qualified person sets",
    ),
    TOO_LITTLE: (
        "has too little experience for a longer interval",
        "have too little experience for a longer interval",
    ),
    HELD_BACK: (
        "is not offered a longer interval while its latest rate is above its usual range",
        "are not offered a longer interval while their latest rates are above their usual range",
    ),
    LENGTHEN: (
        "could be inspected less often with a qualified person's signature",
        "could be inspected less often with a qualified person's signature",
    ),
    KEEP: ("keeps its interval", "keep their intervals"),
}
# Of a criterion and of its tier.
NOT_STATED = "not stated"
NO_BREAK = "\N{NO-BREAK SPACE}"
# Two years count as about the same while neither rate is more than a tenth above the other.
NOTICEABLE = 1.1
LONGEST_LIST = 6


def cautions() -> list[str]:
    """Return the standing cautions, which close every report."""
    return [of_gear(caution) for caution in CAUTIONS]


def per_exposure() -> str:
    """Return what a removal rate is counted by.

    >>> per_exposure()
    'per 100 shackle-years'
    """
    return of_gear("per 100 shackle-years")


def month_in_words(month: str) -> str:
    """Return a month as a person says it.

    >>> month_in_words("2026-09")
    'September 2026'
    """
    return f"{MONTH_NAMES[int(month[5:]) - 1]} {month[:4]}"


def day_in_words(day: date) -> str:
    """Return a day as a sentence has it: in English, in the order of the English that the user chose, if any.

    >>> day_in_words(date(2026, 9, 30))
    '30 September 2026'
    """
    if carried("language").startswith("en"):
        return long_day(day)
    return f"{day.day} {month_in_words(f'{day:%Y-%m}')}"


def figure(value: float) -> str:
    """Return a figure of 0 or more, rounded as a person would say it.

    >>> figure(1234.5), figure(12.4), figure(3.26), figure(4.0), figure(0.02), figure(0)
    ('1,234', '12', '3.3', '4', 'under 0.1', '0')
    """
    if value == 0:
        return "0"
    if value < 0.05:
        return f"under {written(0.1, 1)}"
    is_whole = value >= 9.95 or f"{value:.1f}".endswith(".0")
    return written(value, 0 if is_whole else 1)


def percent(share: float) -> str:
    """Return a share as per cent; only all of it is 100 %.

    >>> print(percent(0.0459), percent(0.31), percent(0.9962), percent(1.0))  # no line break before the sign
    4.6 % 31 % over 99 % 100 %
    """
    said = "over 99" if 0.995 <= share < 1 else figure(100 * share)
    return f"{said}{NO_BREAK}%"


def level_in_words(level: float) -> str:
    """Return a level of confidence as per cent, to its last digit, since 99.5 is neither 99 nor 100.

    >>> print(level_in_words(0.9), level_in_words(0.995))
    90 % 99.5 %
    """
    in_percent = round(100 * level, 6)
    decimals = len(f"{in_percent:.6f}".rstrip("0").partition(".")[2])
    return f"{written(in_percent, decimals)}{NO_BREAK}%"


def limits_level() -> str:
    """Return the two-sided level of the limits of a rate, as the risk targets state it."""
    return level_in_words(risk_targets().rate_limits_level)


def counted(number: int, singular: str, plural: str = "") -> str:
    """Return a count with its noun, which is of the gear that is spoken of.

    Parameters
    ----------
    number : int
        How many.
    singular, plural : str
        The noun for one, and for several; '' adds an s to the former.

    Examples
    --------
    >>> counted(1, "shackle"), counted(1230, "shackle"), counted(2, "inspection day", "inspection days")
    ('1 shackle', '1,230 shackles', '2 inspection days')
    """
    return f"{written(number)} {of_gear(singular if number == 1 else plural or singular + 's')}"


def listed(words: Iterable[str]) -> str:
    """Return words as a list in a sentence.

    >>> listed(["bent", "worn", "cracked"])
    'bent, worn and cracked'
    """
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def shortened(names: list[str]) -> str:
    """Return words as a list in a sentence, the first `LONGEST_LIST` of them by name.

    >>> shortened([*"ABCDEFGH"])
    'A, B, C, D, E, F and 2 more'
    """
    rest = len(names) - LONGEST_LIST
    return listed([*names[:LONGEST_LIST], f"{rest} more"] if rest > 0 else names)


def place_in_words(row: pd.Series) -> str:
    """Return the name of a place: its site and environment."""
    return f"{row['site']} ({row['environment']})"


def places_counted(rows: pd.DataFrame) -> str:
    """Return how many places these rows are of."""
    return counted(len(rows[["client", "site", "environment"]].drop_duplicates()), "place")


def monthly_finding(trend: pd.DataFrame, period: str) -> str:
    """Return what a month brought at one client or site, from its rows of `removal_trend`.

    Parameters
    ----------
    trend : DataFrame
        Rows of `removal_trend` of one client or one site.
    period : str
        The month, YYYY-MM.
    """
    place = _place_of(trend)
    month = trend[trend["month"] == period]
    if month.empty or month["inspected"].iloc[0] == 0:
        return _nothing_inspected(trend, period, place)
    row = month.iloc[0]
    counts = f"In {month_in_words(period)}, {_removed_out_of(row)} at {place}"
    if pd.isna(row["removed_per_100_shackle_years"]):
        return f"{counts}; no removal rate can be given ({_first_note(row)})."
    rate = f"removal rate of {figure(row['removed_per_100_shackle_years'])} {per_exposure()}{_other_removals_counted(row)}"
    match row["signal"]:
        case "above":
            return (
                f"{counts}; the {rate} is above its usual range, which ends at {figure(row['limit_upper'])}."
            )
        case "below":
            return f"{counts}; the {rate} is below its usual range, which begins at {figure(row['limit_lower'])}."
        case "within":
            return f"{counts}; the {rate} is within its usual range."
    return f"{counts}, a {rate}; what is usual there cannot be said yet ({_first_note(row)})."


def month_in_brief(
    trends: Sequence[pd.DataFrame],
    rates: pd.DataFrame,
    between: pd.DataFrame,
    overdue: pd.DataFrame,
    period: str,
) -> list[str]:
    """Return what a safety manager should know of a month before anything else: how it went, and where to look next.

    Parameters
    ----------
    trends : sequence of DataFrame
        Rows of `removal_trend`, of one client or site each.
    rates, overdue : DataFrame
        Rows of `removal_rates` and `overdue_inspections` of the same clients.
    between : DataFrame
        Their removals at frequent inspections of the month, as `between_finding` takes them.
    period : str
        The month, YYYY-MM.
    """
    return [
        *_findings_of_month(trends, rates, between, period),
        _with_first(places_finding(rates, period), "Look there first", places_above_usual(rates, period)),
        _with_first(overdue_finding(overdue), "Longest overdue", overdue_places(overdue)),
    ]


def months_headline(
    trends: Sequence[pd.DataFrame], rates: pd.DataFrame, between: pd.DataFrame, period: str
) -> str:
    """Return what a month brought at each client or site, in one line.

    Parameters
    ----------
    trends, rates, between, period
        As `month_in_brief` takes them.
    """
    return " ".join(_findings_of_month(trends, rates, between, period))


def yearly_finding(trend: pd.DataFrame, period: str) -> str:
    """Return how the removal rate of the last 12 months compares with the 12 before, at one client or site.

    Notes
    -----
    Whether chance alone could explain the difference is answered by the exact conditional test of two Poisson
    rates: Przyborowski, J. & Wilenski, H. (1940). Biometrika 31, 313-323.
    """
    last, before, is_by_mix = _two_years(trend, period)
    least = risk_targets().least_shackle_years_for_a_rate
    opening = f"Over the 12 months to {month_in_words(period)}"
    if last["shackle_years"] < least:
        return f"{opening} there is under {least:g} {of_gear('shackle-year')} of exposure at {_place_of(trend)}, too little for a rate."
    rate = 100 * last["removed"] / last["shackle_years"]
    said = f"{opening} the removal rate at {_place_of(trend)} was {figure(rate)} {per_exposure()}"
    if before["shackle_years"] < least:
        return f"{said}; the 12 months before have too little exposure to compare it with."
    earlier = 100 * before["removed"] / before["shackle_years"]
    if _could_be_chance(last, before):
        return f"{said}, against {figure(earlier)} in the 12 months before: chance and the mix of places looked at could explain the difference."
    if 0 in (last["removed"], before["removed"]):
        return f"{said}, against {figure(earlier)} in the 12 months before, more than chance explains."
    change = (last["removed"] / last["expected"]) / (before["removed"] / before["expected"])
    if max(change, 1 / change) < NOTICEABLE:
        return (
            f"{said}, about the same as in the 12 months before ({figure(earlier)}) for the places looked at."
        )
    direction = "up" if change > 1 else "down"
    return (
        f"{said}, against {figure(earlier)} in the 12 months before. {'Allowing for which places were looked at, it' if is_by_mix else 'It'} "
        f"is {direction} by {percent(abs(change - 1))}, more than chance explains."
    )


def trend_in_words(trend: pd.DataFrame, period: str) -> str:
    """Return what the chart of one client or site shows, for those who do not see it."""
    months = trend.sort_values("month")
    opening = (
        f"Chart of the removal rate at {_place_of(trend)} by month, {month_in_words(months['month'].iloc[0])} to "
        f"{month_in_words(months['month'].iloc[-1])}, with {of_gear('shackles')} inspected and removed below"
    )
    rated = months.dropna(subset=["removed_per_100_shackle_years"])
    if rated.empty:
        return f"{opening}. No month has a removal rate."
    rates = rated.set_index("month")["removed_per_100_shackle_years"]
    latest = rated.iloc[-1]
    sentences = [
        f"{opening}.",
        f"{counted(len(rated), 'month')} of {len(months)} have a rate: it runs from {figure(rates.min())} "
        f"({month_in_words(str(rates.idxmin()))}) to {figure(rates.max())} ({month_in_words(str(rates.idxmax()))}) {per_exposure()}.",
        f"The latest, of {month_in_words(latest['month'])}, is {figure(latest['removed_per_100_shackle_years'])}, with "
        f"{limits_level()} limits of {figure(latest['rate_lower'])} to {figure(latest['rate_upper'])}.",
    ]
    return " ".join(sentences + _months_outside(rated))


def above_usual(rates: pd.DataFrame, period: str) -> pd.DataFrame:
    """Return the rows of `removal_rates` of a month, YYYY-MM, that lie above their usual range, the farthest first."""
    above = rates[(rates["month"] == period) & (rates["signal"] == "above")]
    how_far = above["removed_per_100_shackle_years"] / above["limit_upper"]
    return above.loc[how_far.sort_values(ascending=False, kind="stable").index]


def places_above_usual(rates: pd.DataFrame, period: str) -> list[str]:
    """Return a sentence for each place whose rate lies above its usual range in a month, as `above_usual` takes them."""
    return [
        f"{place_in_words(row)}: {counted(row['removed_at_risk'], 'shackle')} removed since the look before, "
        f"{figure(row['removed_per_100_shackle_years'])} {per_exposure()}; the usual range ends at {figure(row['limit_upper'])}."
        for _, row in above_usual(rates, period).iterrows()
    ]


def above_usual_now(rates: pd.DataFrame, period: str, what_follows: str) -> str:
    """Return which places lie above their usual range in a month, for pages that rest on longer records; '' for none.

    Parameters
    ----------
    rates, period
        As `above_usual` takes them.
    what_follows : str
        What that means for the page, a sentence.
    """
    names = [place_in_words(row) for _, row in above_usual(rates, period).iterrows()]
    if not names:
        return ""
    verb = "lies" if len(names) == 1 else "lie"
    return f"In {month_in_words(period)} {shortened(names)} {verb} above the usual range. {what_follows}"


def places_finding(rates: pd.DataFrame, period: str) -> str:
    """Return how many places were inspected in a month, and how many of them lie above their usual range."""
    month = rates[(rates["month"] == period) & (rates["inspected"] > 0)]
    if month.empty:
        return f"No periodic inspection was made in {month_in_words(period)}."
    signals = month["signal"].fillna("")
    unknown = int((signals == "").sum())
    above = int((signals == "above").sum())
    said = {0: "none of them lies", 1: "1 of them lies"}.get(above, f"{above} of them lie")
    if len(month) == 1:
        said = "it lies" if above else "it does not lie"
    inspected = f"{counted(len(month), 'place was', 'places were')} inspected in {month_in_words(period)}"
    if unknown == len(month):
        return f"{inspected}; what is usual there cannot be said yet."
    finding = f"{inspected}; {said} above the usual range of the place"
    return f"{finding}, and for {unknown} what is usual cannot be said yet." if unknown else f"{finding}."


def between_finding(between: pd.DataFrame, rates: pd.DataFrame, period: str) -> str:
    """Return how many items frequent inspections of a month removed, out of how many and on which criteria.

    Parameters
    ----------
    between : DataFrame
        One row per item class, place and criterion: `criterion`, `tier`, `removed`, `removed_since_look` [items], as
        `removals_between` returns them.
    rates : DataFrame
        Rows of `removal_rates` of the same places.
    period : str
        The month, YYYY-MM.
    """
    total = int(between["removed"].sum())
    if total == 0:
        return (
            f"Between periodic inspections {of_gear('no shackle')} was removed in {month_in_words(period)}."
        )
    inspected = int(rates.loc[rates["month"] == period, "frequent_inspected"].sum())
    finding = (
        f"Between periodic inspections, {counted(total, 'shackle was', 'shackles were')} removed in {month_in_words(period)} out of "
        f"{written(inspected)} looked at by shift or day; {_how_serious(between)}."
    )
    uncounted = int(between["removed_since_look"].sum())
    if uncounted == 0:
        return finding
    which = "it" if total == 1 else "them" if uncounted == total else f"{written(uncounted)} of them"
    whose = "its" if uncounted == 1 else "their"
    return f"{finding} No removal rate counts {which} before the next periodic inspection of {whose} item class and place."


def between_places(between: pd.DataFrame) -> list[str]:
    """Return a sentence for each item class and place with removals of a month at frequent inspections, the most first.

    Takes rows as `between_finding` does.
    """
    classes = between.groupby([*PLACE, "item_class"], sort=False)
    most_first = sorted(classes, key=lambda one: -one[1]["removed"].sum())
    return [
        f"{place_in_words(rows.iloc[0])}: {written(int(rows['removed'].sum()))} removed of {written_label(rows['item_class'].iloc[0])}; "
        f"{_how_serious(rows)}."
        for _, rows in most_first
    ]


def removed_for(rows: pd.DataFrame) -> str:
    """Return how many items were removed for which criteria, the most frequent first; takes `criterion` and `removed` [items]."""
    removed = rows.groupby("criterion")["removed"].sum().sort_values(ascending=False, kind="stable")
    return listed(
        f"{written(count)} with no criterion stated"
        if criterion == NOT_STATED
        else f"{written(count)} for {criterion}"
        for criterion, count in removed.items()
    )


def bears_load(rows: pd.DataFrame) -> pd.Series:
    """Return which rows are of a load-bearing criterion, by their `tier`; not stated counts as such, since nobody can rule it out."""
    return rows["tier"].isin([LOAD_BEARING, NOT_STATED])


def _how_serious(rows: pd.DataFrame) -> str:
    bearing, total = rows[bears_load(rows)], int(rows["removed"].sum())
    number = int(bearing["removed"].sum())
    if number == 0:
        said = "it does not count" if total == 1 else "none of them counts"
        return f"{said} as load-bearing ({removed_for(rows)})"
    which = "all" if number == total else written(number)
    said = "it counts" if total == 1 else f"{which} of them {'counts' if number == 1 else 'count'}"
    return f"{said} as load-bearing ({removed_for(bearing)})"


def signals_finding(rates: pd.DataFrame, period: str) -> str:
    """Return how many places chance alone would put outside their usual range in a month, from rows of `removal_rates`."""
    month = rates[(rates["month"] == period) & rates["signal"].notna()]
    if month.empty:
        return "No place inspected this month has a usual range yet."
    expected = month["false_signal_chance"].sum()
    places = counted(len(month), "place with a usual range was", "places with a usual range were")
    return f"{places} inspected; chance alone would put about {significant(expected, 1)} of them outside it."


def drifting_places(rates: pd.DataFrame, period: str) -> list[str]:
    """Return a sentence for each place whose rate creeps upwards without a single month above its usual range.

    Takes rows of `removal_rates`; a place counts with its latest month up to `period` that has a rate.
    """
    rated = rates[(rates["month"] <= period) & rates["removed_per_100_shackle_years"].notna()].sort_values(
        "month"
    )
    latest = rated.groupby(["client", "site", "environment"], sort=True).tail(1)
    drifting = latest[(latest["drift_signal"] == "above") & (latest["signal"] != "above")]
    return [
        f"{place_in_words(row)}: its smoothed rate has crept up to {figure(row['smoothed_rate'])} {per_exposure()}, where about "
        f"{figure(row['centre'])} is usual."
        for _, row in drifting.sort_values(["client", "site", "environment"]).iterrows()
    ]


def changes_finding(changes: pd.DataFrame) -> str:
    """Return at how many places the rate changes from year to year beyond chance, from rows of `rate_changes`."""
    places = changes[changes["environment"].notna()]
    known = places[places["change_per_year"].notna()]
    if known.empty:
        return "No place has enough months with a rate to say how it changes from year to year."
    beyond = int((known["change_p_value_adjusted"] < risk_targets().chance_level).sum())
    said = {0: "none has a rate that changes", 1: "1 has a rate that changes"}.get(
        beyond, f"{beyond} have a rate that changes"
    )
    return (
        f"Of {counted(len(known), 'place')} with enough months to tell, {said} from year to year by more than chance "
        "explains, all of them looked at together."
    )


def changing_places(changes: pd.DataFrame) -> list[str]:
    """Return a sentence for each place whose rate changes beyond chance, the surest first."""
    is_beyond_chance = changes["change_p_value_adjusted"] < risk_targets().chance_level
    places = changes[changes["environment"].notna() & is_beyond_chance]
    return [
        f"{place_in_words(row)}: {'rising' if row['change_per_year'] > 1 else 'falling'} by "
        f"{percent(abs(row['change_per_year'] - 1))} a year; with {limits_level()} confidence it becomes "
        f"{written(row['change_per_year_lower'], 2)} to {written(row['change_per_year_upper'], 2)} times as high each year."
        for _, row in places.sort_values(["change_p_value", "client", "site", "environment"]).iterrows()
    ]


def overdue_places(overdue: pd.DataFrame) -> list[str]:
    """Return a sentence for each place with inspections past their due day, the longest overdue first.

    Takes rows of `overdue_inspections`, of which those with a day still to come are left out.
    """
    late = overdue[overdue["days_overdue"] > 0]
    places = late.groupby(["client", "site", "environment"], as_index=False).agg(
        classes=("item_class", "size"), quantity=("quantity", "sum"), days=("days_overdue", "max")
    )
    return [
        f"{place_in_words(row)}: {counted(row['quantity'], 'shackle')} of {counted(row['classes'], 'item class', 'item classes')}, "
        f"up to {counted(row['days'], 'day')} late."
        for _, row in places.sort_values(["days", "quantity"], ascending=False).iterrows()
    ]


def overdue_finding(overdue: pd.DataFrame) -> str:
    """Return how many shackles are past the due day of their periodic inspection, and how many nobody presented.

    Those were expected at the last look and are unaccounted for since: they are not overdue, they are to be found.
    """
    late = overdue[overdue["days_overdue"] > 0]
    missing = overdue[overdue["unaccounted_for"] > 0]
    finding = "No periodic inspection is overdue."
    if len(late):
        finding = (
            f"{counted(int(late['quantity'].sum()), 'shackle is', 'shackles are')} past the due day of the periodic "
            f"inspection, at {places_counted(late)}."
        )
    if missing.empty:
        return finding
    total = int(missing["unaccounted_for"].sum())
    is_so, they_were = ("is", "it was") if total == 1 else ("are", "they were")
    return (
        f"{finding} {'Apart from them, ' if len(late) else ''}{counted(total, 'shackle')} at {places_counted(missing)} {is_so} "
        f"unaccounted for: {they_were} not presented when last expected."
    )


def rates_finding(recommendations: pd.DataFrame) -> str:
    """Return which place has the removal rate that is surely highest, and how many places have none.

    Takes rows of `interval_recommendations`. The order is that of the lower limit of the rate, since an order by
    the rate itself puts the places one knows least about first.
    """
    rated = recommendations.dropna(subset=["rate_per_100_shackle_years"])
    unrated = len(recommendations) - len(rated)
    least = f"under {risk_targets().least_shackle_years_for_a_rate:g} {of_gear('shackle-year')} of exposure"
    if rated.empty:
        return f"No place has a removal rate yet: each has {least}."
    first = rated.sort_values(["rate_lower", "rate_per_100_shackle_years"], ascending=False).iloc[0]
    if first["rate_lower"] == 0:
        finding = f"Nothing was removed at the {counted(len(rated), 'place')} with a removal rate."
    else:
        finding = (
            f"Over all its records, {place_in_words(first)} has the highest removal rate that is well supported: "
            f"{figure(first['rate_per_100_shackle_years'])} {per_exposure()} "
            f"({figure(first['rate_lower'])} to {figure(first['rate_upper'])} with {limits_level()} confidence)."
        )
    if unrated:
        finding += f" {counted(unrated, 'place has', 'places have')} no rate: {least}."
    return finding


def unaccounted_finding(recommendations: pd.DataFrame) -> list[str]:
    """Return what shackles nobody presented could change: how many there are, then each place where it matters.

    Takes rows of `interval_recommendations`. It matters where the rate would leave its own confidence limits if all
    of them were fit, or if all were due for removal; the place with most at stake comes first.
    """
    missing = recommendations[recommendations["unaccounted_for"] > 0]
    if missing.empty:
        return [of_gear("No shackle is unaccounted for.")]
    total = int(missing["unaccounted_for"].sum())
    matters = missing[
        (missing["rate_if_unaccounted_removed"] > missing["rate_upper"])
        | (missing["rate_if_unaccounted_fit"] < missing["rate_lower"])
    ]
    opening = (
        f"Over all records, {counted(total, 'shackle was', 'shackles were')} expected at a periodic inspection and not presented: neither "
        "inspected nor recorded as removed. No rate counts them. Where a log counts by quantity, those that turned up later "
        "are among them."
    )
    if matters.empty:
        return [f"{opening} Whatever became of them, no rate would leave its {limits_level()} limits."]
    at_stake = matters["rate_if_unaccounted_removed"] / matters["rate_upper"]
    return [
        f"{opening} At {counted(len(matters), 'place')} they could change the picture.",
        *(
            f"{place_in_words(row)}: {counted(row['unaccounted_for'], 'shackle')} unaccounted for. The removal rate of "
            f"{figure(row['rate_per_100_shackle_years'])} {per_exposure()} would be "
            f"{figure(row['rate_if_unaccounted_removed'])} if all were due for removal, and "
            f"{figure(row['rate_if_unaccounted_fit'])} if all were fit."
            for _, row in matters.loc[at_stake.sort_values(ascending=False, kind="stable").index].iterrows()
        ),
    ]


def rates_in_words(recommendations: pd.DataFrame) -> str:
    """Return what the chart of removal rates by place shows, for those who do not see it."""
    rated = recommendations.dropna(subset=["rate_per_100_shackle_years"])
    ordered = rated.sort_values(["rate_lower", "rate_per_100_shackle_years"], ascending=False)
    said = [
        f"{place_in_words(row)} {figure(row['rate_per_100_shackle_years'])} ({figure(row['rate_lower'])} to {figure(row['rate_upper'])})"
        for _, row in ordered.head(LONGEST_LIST).iterrows()
    ]
    opening = f"Chart of removal rates {per_exposure()} with {limits_level()} limits, by place"
    if not said:
        return f"{opening}: no place has a rate."
    rest = len(ordered) - len(said)
    more = f" The table below has the other {rest} as well." if rest else ""
    return f"{opening}, the best supported high rate first: {'; '.join(said)}.{more}"


def reasons_finding(reasons: pd.DataFrame) -> str:
    """Return what shackles were removed for, the most frequent criteria first.

    Takes rows with `criterion` and `removed` [items, each under its primary criterion], one or more a criterion.
    """
    removed = reasons.groupby("criterion")["removed"].sum()
    total = int(removed.sum())
    if total == 0:
        return "No removal from service is recorded."
    stated = removed.drop(NOT_STATED, errors="ignore").sort_values(ascending=False, kind="stable")
    leading = stated[stated > 0].head(3)
    if total < risk_targets().least_removals_for_shares:
        named = [f"{written(count)} for {criterion}" for criterion, count in leading.items()]
        detail = f": {listed(named)}" if named else ""
        return f"{counted(total, 'removal')} from service{detail}. That is too few for shares."
    missing = total - int(stated.sum())
    named = [f"{percent(count / total)} were for {criterion}" for criterion, count in leading.items()]
    named += [f"{percent(missing / total)} have no criterion written down"] * (missing > 0)
    return f"Of {counted(total, 'removal')} from service, {listed(named)}."


def interval_finding(recommendations: pd.DataFrame) -> str:
    """Return for how many places a shorter, the same or a longer interval is advised."""
    if recommendations.empty:
        return "There is no place with an inspection interval yet."
    outcomes = recommendations["outcome"].value_counts()
    parts = [
        f"{outcomes[outcome]} {one if outcomes[outcome] == 1 else many}"
        for outcome, (one, many) in OUTCOMES_IN_WORDS.items()
        if outcome in outcomes
    ]
    return f"Of {counted(len(recommendations), 'place')}, {listed(parts)}."


def interval_targets(client: str) -> str:
    """Return what an interval must achieve, and the longest that any place may have; `client` is whose report it is."""
    targets = risk_targets()
    classes = [
        f"{counted(months, 'month')} in {name} service"
        for name, months in targets.guideline_months.items()
        if months
    ]
    every, bearing = targets.targets[ANY], targets.targets[LOAD_BEARING]
    return (
        f"An interval is recommended when, at the highest removal rate that agrees with the records "
        f"({level_in_words(targets.confidence_level)} sure), at most {percent(every.share_found)} of the {of_gear('shackles')} are found "
        f"due for removal at a look, and on average at most {percent(every.share_in_service)} are in service in that "
        f"state; for load-bearing criteria alone, {percent(bearing.share_found)} and {percent(bearing.share_in_service)}. A "
        f"removal with no criterion stated counts as load-bearing. Where there are enough sites, a place with few records "
        f"borrows from its like for that rate{_borrowed_from(client)}. None is longer than {listed(classes)}, nor than the law "
        "or the site's own rule allows."
    )


def _borrowed_from(client: str) -> str:
    if not client:
        return ""
    rules = benchmark_rules()
    return (
        f", from other clients' places only in environments where {counted(rules.least_peer_sites, 'site')} or more of "
        f"{counted(rules.least_peer_clients, 'other client')} or more stand together"
    )


def interval_proposals(recommendations: pd.DataFrame) -> list[str]:
    """Return a sentence for each place whose interval should change, is held back or needs a decision, with the reason.

    Takes rows of `interval_recommendations`.
    """
    order = list(OUTCOMES_IN_WORDS)
    changes = recommendations["recommended_interval_months"] != recommendations["current_interval_months"]
    held_back = recommendations["outcome"] == HELD_BACK
    told = recommendations[changes | held_back | recommendations["needs_sign_off"].astype(bool)].copy()
    told["turn"] = told["outcome"].map(order.index)
    told["change"] = told["recommended_interval_months"] - told["current_interval_months"]
    told = told.sort_values(["turn", "change", "client", "site", "environment"])
    return [_proposal(row) for _, row in told.iterrows()]


def hours_finding(recommendations: pd.DataFrame) -> str:
    """Return what the intervals cost a designated person in time, as they are and as recommended."""
    now, then = (recommendations[f"hours_a_year_at_{which}"].sum() for which in ("current", "recommended"))
    return (
        f"At {figure(risk_targets().minutes_per_item)} minutes {of_gear('a shackle')}, periodic inspections take about {figure(now)} hours a "
        f"year with the intervals as they are, and about {figure(then)} as recommended."
    )


def intervals_in_words(recommendations: pd.DataFrame) -> str:
    """Return what the chart of intervals shows, for those who do not see it."""
    opening = "Chart of current and recommended months between periodic inspections, by place"
    changed = recommendations["recommended_interval_months"] != recommendations["current_interval_months"]
    said = []
    for _, row in recommendations[changed].iterrows():
        sign = ", sign-off needed" if row["needs_sign_off"] else ""
        said.append(
            f"{place_in_words(row)} from {row['current_interval_months']} to {row['recommended_interval_months']}{sign}"
        )
    kept = int((~changed).sum())
    said += [f"{counted(kept, 'place stays', 'places stay')} as now"] * (kept > 0)
    return f"{opening}: {'; '.join(said)}." if said else f"{opening}: no place yet."


def intake_finding(files: pd.DataFrame) -> str:
    """Return how many files and rows were loaded, and what became of the rows.

    Parameters
    ----------
    files : DataFrame
        One row per file: `rows_read`, `rows_accepted`, `rows_quarantined`, `rows_set_aside` [rows], empty where the file is shared
        with other clients, and `lines_in_use` [lines].
    """
    if files.empty:
        return "No file with lines of this place is loaded."
    own, shared = files.dropna(subset=["rows_read"]), files[files["rows_read"].isna()]
    sentences = []
    if len(own):
        read, accepted, quarantined, aside = (
            int(own[name].sum())
            for name in ("rows_read", "rows_accepted", "rows_quarantined", "rows_set_aside")
        )
        no_part = (
            f"{counted(aside, 'row is', 'rows are')} no part of a log: blank, a repeated header or a total."
        )
        sentences.append(
            f"{counted(len(own), 'file was', 'files were')} loaded: of {counted(read, 'row')} read, "
            f"{written(accepted)} {'was' if accepted == 1 else 'were'} accepted and "
            f"{written(quarantined) if quarantined else 'none'} {'were' if quarantined > 1 else 'was'} quarantined."
            + (f" {no_part}" if aside else "")
        )
    if len(shared):
        lines = int(shared["lines_in_use"].sum())
        sentences.append(
            f"{counted(len(shared), 'file', 'files')} shared with other clients {'holds' if len(shared) == 1 else 'hold'} "
            f"{counted(lines, 'line')} of this one; what was quarantined there is not counted here, "
            "since nobody can say whose it was."
        )
    return " ".join(sentences)


def sources_in_words(files: pd.DataFrame, as_of: date) -> str:
    """Return from which data a report is made, and up to which day.

    Takes one row per file: `loaded_at` (day), `lines_in_use` [lines].
    """
    made_of = f"Made from {counted(len(files), 'file')}"
    if len(files):
        latest = files["loaded_at"].max()
        made_of += f", the latest loaded on {day_in_words(latest)}"
    lines = int(files["lines_in_use"].sum())
    return f"{made_of}, with {counted(lines, 'line')} in use. Figures take in inspections up to {day_in_words(as_of)}."


def units_in_words() -> str:
    """Return in which units sizes and rated loads are given, and which ton is meant: two go by that name, a tenth apart."""
    if carried("units") == Units.US:
        return f"Sizes are nominal inches, rated loads short tons of {written(2000)} lb."
    return f"Sizes are in mm, rated loads in tonnes (t) of {written(1000)} kg."


def set_aside_finding(set_aside: pd.DataFrame) -> str:
    """Return how many records are no part of a log, and what they are.

    Takes one row per record: `kind` (blank, repeated header or total).
    """
    if set_aside.empty:
        return "No record was set aside as no part of a log."
    kinds = set_aside["kind"].value_counts()
    told = listed(f"{kind} {written(count)}" for kind, count in sorted(kinds.items()))
    return f"{counted(len(set_aside), 'record is', 'records are')} no part of a log and not counted: {told}."


def jumps_finding(jumps: pd.DataFrame) -> str:
    """Return how many sites had a count far from that of their earlier looks when a file was loaded, and what to do.

    Takes one row per file and site: `site`, `client`, `looks`, `counted`, `usual` [items].
    """
    if jumps.empty:
        return "No site counted far more or fewer items in a file than at its earlier looks."
    told = listed(
        f"{jump.site} ({jump.client}) {written(jump.counted)} where {written(jump.usual)} were usual"
        for jump in jumps.itertuples()
    )
    return (
        f"{counted(len(jumps), 'count jumps', 'counts jump')} against the site's earlier looks: {told}."
        " The lines are loaded; ask whether the export was whole and its counts are of items."
    )


def phrases_finding(phrases: pd.DataFrame) -> str:
    """Return how many reasons no source profile knows, and what was made of them.

    Takes one row per file and phrase: `criterion` (what it was taken for) and `lines` [lines].
    """
    if phrases.empty:
        return "Every reason written in the logs is in the words of its source profile."
    unmatched = phrases[phrases["criterion"] == NOT_STATED]
    likened = len(phrases) - len(unmatched)
    sentences = []
    if len(unmatched):
        lines = counted(int(unmatched["lines"].sum()), "line")
        sentences.append(
            f"{counted(len(unmatched), 'reason is', 'reasons are')} in no source profile and counted as not stated, in {lines}:"
            " add the words to the profile."
        )
    if likened:
        sentences.append(
            f"{counted(likened, 'reason was', 'reasons were')} read by {'its' if likened == 1 else 'their'} likeness to a"
            " known one: look whether rightly."
        )
    return " ".join(sentences)


def quarantine_in_words(files: pd.DataFrame) -> str:
    """Return what the chart of quarantined rows shows, for those who do not see it."""
    said = [
        f"{row['file']} {written(int(row['rows_quarantined']))} of {counted(int(row['rows_read']), 'row')}"
        for _, row in files.dropna(subset=["rows_read"]).iterrows()
    ]
    opening = "Chart of rows quarantined, by file and rule"
    return f"{opening}: {'; '.join(said)}." if said else f"{opening}: no file."


def rules_finding(rules: pd.DataFrame) -> str:
    """Return how many contract rules were run and how many found rows to complain of.

    Takes one row per rule: `description` (in words) and `rows_failing` [rows].
    """
    if rules.empty:
        return "No contract rule was run on a file of this client alone."
    broken = int((rules["rows_failing"] > 0).sum())
    opening = f"{counted(len(rules), 'contract rule was', 'contract rules were')} run on every row"
    if broken == 0:
        return f"{opening}, and every row keeps all of them."
    return f"{opening}; {counted(broken, 'rule', 'rules')} found rows that break {'it' if broken == 1 else 'them'}."


def _findings_of_month(
    trends: Sequence[pd.DataFrame], rates: pd.DataFrame, between: pd.DataFrame, period: str
) -> list[str]:
    findings = [monthly_finding(trend, period) for trend in trends]
    return [*findings, between_finding(between, rates, period)] if len(between) else findings


def _with_first(finding: str, opening: str, places: list[str]) -> str:
    return f"{finding} {opening}: {places[0]}" if places else finding


def _place_of(trend: pd.DataFrame) -> str:
    row = trend.iloc[0]
    return str(row["client"]) if pd.isna(row["site"]) else f"{row['site']} ({row['client']})"


def _removed_out_of(row: pd.Series) -> str:
    inspected = f"out of {written(row['inspected'])} inspected"
    if row["removed"] == 0:
        return f"{of_gear('no shackle')} was removed {inspected}"
    return f"{counted(row['removed'], 'shackle was', 'shackles were')} removed {inspected}"


def _other_removals_counted(row: pd.Series) -> str:
    """Return, where a rate counts more or fewer removals than the looks of its month made, how many and why."""
    if row["removed_at_risk"] == row["removed"]:
        return ""
    why = (
        "those between looks included"
        if row["removed_at_risk"] > row["removed"]
        else "not those at first looks"
    )
    removals = "no removal" if row["removed_at_risk"] == 0 else counted(row["removed_at_risk"], "removal")
    return f" ({removals} since the look before, {why})"


def _nothing_inspected(trend: pd.DataFrame, period: str, place: str) -> str:
    finding = f"No periodic inspection is recorded at {place} in {month_in_words(period)}, so the month has no removal rate"
    earlier = trend.loc[(trend["inspected"] > 0) & (trend["month"] < period), "month"]
    return (
        f"{finding}." if earlier.empty else f"{finding}; the last one was in {month_in_words(earlier.max())}."
    )


def _first_note(row: pd.Series) -> str:
    return str(row["rate_note"]).split(";")[0].removesuffix(", no control limits")


def _months_outside(rated: pd.DataFrame) -> list[str]:
    sentences = []
    for signal in ("above", "below"):
        months = rated.loc[rated["signal"] == signal, "month"].tolist()[::-1]
        if months:
            named = shortened([month_in_words(month) for month in months])
            sentences.append(f"Months {signal} the usual range, latest first: {named}.")
    return sentences


def _two_years(trend: pd.DataFrame, period: str) -> tuple[dict[str, float], dict[str, float], bool]:
    """Return the counts of the 12 months to `period` and of the 12 before, and whether what is expected allows for the mix.

    Where one of them has no centre line, or one of 0, nothing is known of the mix: then exposure stands for both.
    """
    last, before = _year_up_to(trend, period, years_ago=0), _year_up_to(trend, period, years_ago=1)
    is_by_mix = last["expected"] > 0 and before["expected"] > 0
    if not is_by_mix:
        last["expected"], before["expected"] = last["shackle_years"], before["shackle_years"]
    return last, before, is_by_mix


def _year_up_to(trend: pd.DataFrame, period: str, years_ago: int) -> dict[str, float]:
    last = f"{int(period[:4]) - years_ago}{period[4:]}"
    first = f"{int(last[:4]) - 1}{last[4:]}"
    year = trend[(trend["month"] > first) & (trend["month"] <= last)]
    return {
        "removed": int(year["removed_at_risk"].sum()),
        "shackle_years": float(year["shackle_years"].sum()),
        "expected": float((year["centre"] * year["shackle_years"]).sum() / 100),
    }


def _could_be_chance(last: dict[str, float], before: dict[str, float]) -> bool:
    total = last["removed"] + before["removed"]
    if total == 0:
        return True
    from scipy.stats import binomtest

    share = last["expected"] / (last["expected"] + before["expected"])
    return bool(binomtest(int(last["removed"]), int(total), share).pvalue > risk_targets().chance_level)


def _proposal(row: pd.Series) -> str:
    now, then = row["current_interval_months"], row["recommended_interval_months"]
    change = f"{place_in_words(row)}: from {now} to {counted(then, 'month')}"
    if now == then:
        change = f"{place_in_words(row)}: stays at {counted(now, 'month')}"
    match row["outcome"]:
        case outcome if outcome == SHORTEN:
            return f"{change}. {_why_shorter(row)}"
        case outcome if outcome == NOT_MET:
            return f"{change}. Not even a look every month meets the targets: a qualified person must decide what to do."
        case outcome if outcome == TO_BE_SET:
            return (
                f"{change}. In special service a qualified person sets the interval, and none is set by rule."
            )
        case outcome if outcome == TOO_LITTLE:
            return f"{change}. {_why_guideline(row)}"
        case outcome if outcome == HELD_BACK:
            return (
                f"{change}. Its whole history would support a longer interval, up to {counted(_supported(row), 'month')}, but its "
                "latest rate lies above its usual range. Find out why first."
            )
    return (
        f"{change} would be possible, but only if a qualified person signs for it. Even at the highest rate that "
        f"agrees with the records ({figure(row['highest_rate'])} {per_exposure()}), a look every "
        f"{counted(then, 'month')} would find {percent(row['share_found_at_recommended'])} of the {of_gear('shackles')} due for removal."
    )


def _supported(row: pd.Series) -> int:
    return int(min(row["computed_interval_months"], row["guideline_interval_months"]))


def _why_shorter(row: pd.Series) -> str:
    if row["binding_rule"] not in TARGET_RULES:
        return f"No longer interval is allowed: {row['binding_rule']}."
    tier, share = TARGET_RULES[row["binding_rule"]]
    target, rate = risk_targets().targets[tier], row[TIERS[tier][1]]
    now, then = row["current_interval_months"], row["recommended_interval_months"]
    of_tier, due = {
        ANY: ("removals", "due for removal"),
        LOAD_BEARING: ("removals on load-bearing criteria", "due for removal on such a criterion"),
    }[tier]
    highest = (
        f"At the highest rate of {of_tier} that agrees with the records ({figure(rate)} {per_exposure()}),"
    )
    if share == SHARE_FOUND:
        return (
            f"{highest} a look every {counted(now, 'month')} would find {percent(float(share_found(rate, now)))} of the "
            f"{of_gear('shackles')} {due}, where {percent(target.share_found)} is the most allowed; every {counted(then, 'month')} it is "
            f"{percent(float(share_found(rate, then)))}."
        )
    return (
        f"{highest} more than the {percent(target.share_in_service)} allowed would on average be in service while "
        f"{due}; with {counted(then, 'month')} it is {percent(float(share_in_service(rate, then)))}."
    )


def _why_guideline(row: pd.Series) -> str:
    why = (
        f"Too little experience to compute an interval: {figure(row['shackle_years'])} {of_gear('shackle-years')}, where at least "
        f"{figure(row['least_shackle_years'])} are needed. What holds is the {row['binding_rule']}."
    )
    if pd.notna(row["shackle_years_to_settle"]):
        why += (
            f" Were removals to go on as they are, {figure(row['shackle_years_to_settle'])} would settle it."
        )
    if row["needs_sign_off"]:
        why += " Yet even the lower limit of the removal rate breaks a target: a qualified person must look at it."
    return why
