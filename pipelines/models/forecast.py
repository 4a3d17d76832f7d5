"""Removals to come: drawn together for the whole fleet, so that any sum of them has a distribution of its own.

A removal happens when somebody looks. Each draw therefore has rates, a calendar of looks, and removals at each look;
sums over places, item classes or months are sums within a draw, which adding up bands would overstate.
"""

from collections.abc import Hashable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from os import cpu_count
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import iqr, norm

from pipelines.models.hazard import PLACE, in_words
from pipelines.models.limits import Floats
from pipelines.models.pooling import Gammas, gammas_of_counts, gammas_of_limits, ratios, spread_of_ratios

DAYS_IN_YEAR, DAYS_IN_MONTH = 365.25, 365.25 / 12
HORIZON_MONTHS = 12
DRAWS, SEED = 1000, 20
OVERDUE_HELD_AFTER_DAYS = (
    15  # an inspection past its day is taken to be held in the middle of the first month
)
LEAST_GAPS = 8  # fewer say little about how inspections slip
LEVELS = (80, 95)
KIND_COVARIATES = ["environment", "service_class", "use_frequency"]
BANDS = ["expected", *(f"{end}_{level}" for level in LEVELS for end in ("lower", "upper"))]

POOLED, OWN, KIND, FLEET, NONE = (
    "pooled rate of the place",
    "the place's own looks",
    "no history at the place, rate of its kind",
    "no history at the place, rate of the whole fleet",
    "no exposure to forecast from",
)

Counts = NDArray[np.int32]
Samples = NDArray[np.unsignedinteger]  # of the narrowest kind that holds them


@dataclass(frozen=True)
class Rates:
    """What is known of the removal rate of each row of a fleet, in parts that rows share.

    `place` and `item_class` number the place and the class of each row, as `places` and `classes` name them; a class whose
    ratio rests on one client alone is named with it. A row's rate [removals per shackle-year] is
    the product of its `factor`, the rate of its place, the ratio of the coming year to the place's long run, the
    ratio of its class over all places, and its own ratio. `basis` says in words what the rate of the row's place
    rests on; rows with the basis `NONE` have no rate.
    """

    places: list[str]
    classes: list[str]
    place: NDArray[np.intp]
    item_class: NDArray[np.intp]
    factor: Floats
    of_place: Gammas
    of_year: Gammas
    of_class: Gammas
    of_row: Gammas
    basis: pd.Series

    @property
    def has_rate(self) -> NDArray[np.bool_]:
        """Whether each row has a rate."""
        return (self.basis != NONE).to_numpy()


@dataclass(frozen=True)
class Calendar:
    """How looks fall: `slips`, for each interval [months] how far looks came from their day [share of the interval];
    `look_sd`, by how much a place's rate differs from look to look, relative to it; `growth` of the fleet a year.
    """

    slips: dict[int, Floats] = field(default_factory=dict)
    look_sd: float = 0.0
    growth: float = 0.0


@dataclass(frozen=True)
class Round:
    """Groups that are looked at together every `interval_months`: their `rows`, `days` from today (looks, draws), `removed`
    (looks, draws, rows).
    """

    rows: NDArray[np.intp]
    interval_months: int
    days: Floats
    removed: Counts


def forecast_rates(
    fleet: pd.DataFrame,
    history: pd.DataFrame,
    places: pd.DataFrame,
    level: float,
    alone: pd.MultiIndex | None = None,
) -> Rates:
    """Return what is known of the rate of each row of a fleet.

    Parameters
    ----------
    fleet : DataFrame
        One row per item class in service at a place: `client`, `site`, `environment`, `item_class`, `kind_factor`,
        what its size and pin make of a rate [ratio].
    history : DataFrame
        One row per place, item class and `years_ago`, 0 for the last 12 months: `removed` at risk [items],
        `shackle_years`, `kind_factor`. Classes no longer in service belong in it as well.
    places : DataFrame
        One row per place of the fleet: `pooled_rate_lower`, `pooled_rate_upper`, of its own mix of classes, and
        `kind_rate_lower`, `kind_rate_upper`, of a place of its kind at a kind factor of 1 [removals per 100
        shackle-years, empty where unknown], and `is_pooled`.
    level : float
        Two-sided level of the limits.
    alone : MultiIndex
        Each client and item class whose ratio rests on the client's own history alone, though others have such a class.

    Returns
    -------
    Rates

    Notes
    -----
    A place without a pooled rate stands on its own looks where they hold a shackle-year, else on the rate of its
    kind, else on that of all looks together; where even those hold less than a shackle-year there is no rate. The
    ratios are gamma-Poisson: of a class over all places, of a class at a place, and of the last 12 months at a
    place. How far each kind of ratio strays is estimated from all places, so that a class with little history is
    taken like its size and pin, and a place keeps only so much of its latest year as years are seen to differ.

    References
    ----------
    Clayton, D. & Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping. Biometrics 43, 671-681 (from memory).
    """
    known = _place_rates(places, history, level)
    place_of = _positions(known[PLACE])
    past = history.assign(place=_numbers(history[PLACE], place_of)).query("place >= 0")
    past["expected"] = (
        past["shackle_years"]
        * (known["mean"] / known["mix"]).to_numpy()[past["place"]]
        * past["kind_factor"].to_numpy()
    )
    past = past[past["expected"] > 0]

    class_names = _class_names(fleet, alone)
    classes = pd.Index(class_names.unique())
    past["class_name"] = _class_names(past, alone)
    is_alone = past["class_name"] != past["item_class"]
    of_all = pd.concat([past.assign(class_name=past["item_class"]), past[is_alone]])
    of_class, class_ratio = _shared_ratios(of_all, ["class_name"])
    class_known = of_class.reindex(classes, fill_value=0.0)
    past["expected"] *= past["class_name"].map(class_ratio).to_numpy()
    of_row, _ = _shared_ratios(past, [*PLACE, "item_class"])
    row_known = of_row.reindex(pd.MultiIndex.from_frame(fleet[[*PLACE, "item_class"]]), fill_value=0.0)
    of_year, _ = _shared_ratios(past, [*PLACE, "years_ago"])
    latest = pd.MultiIndex.from_frame(known[PLACE].assign(years_ago=0))
    year_known = of_year.reindex(latest, fill_value=0.0)

    place = _numbers(fleet[PLACE], place_of)
    return Rates(
        places=["|".join(names) for names in known[PLACE].itertuples(index=False)],
        classes=list(classes),
        place=place,
        item_class=classes.get_indexer(pd.Index(class_names)),
        factor=fleet["kind_factor"].to_numpy() / known["mix"].to_numpy()[place],
        of_place=Gammas(known["shape"].to_numpy(), known["scale"].to_numpy()),
        of_year=_ratio_gammas(of_year, year_known),
        of_class=_ratio_gammas(of_class, class_known),
        of_row=_ratio_gammas(of_row, row_known),
        basis=pd.Series(known["basis"].to_numpy()[place], index=fleet.index),
    )


def kind_rates(model: pd.DataFrame, kinds: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the limits of the rate of a place of each kind, from the factors that a hazard model gives its levels.

    Parameters
    ----------
    model : DataFrame
        The table `hazard_model`: `covariate`, `level`, `estimate`, `estimate_lower`, `estimate_upper`.
    kinds : DataFrame
        One row per place: its `environment`, `service_class` and `use_frequency`.
    level : float
        Two-sided level of the limits of the model, and of those returned.

    Returns
    -------
    DataFrame with the index of `kinds`
        `kind_rate_lower`, `kind_rate_upper` [removals per 100 shackle-years]; empty where there is no model.

    Notes
    -----
    The doubts about base rate, factors and the spread of places are added as if they had nothing to do with one
    another, which overstates them a little. A level that the model knows nothing of is taken with the reference.
    """
    facts = model.set_index("covariate")["estimate"]
    if "all" not in facts.index:
        return pd.DataFrame(np.nan, index=kinds.index, columns=["kind_rate_lower", "kind_rate_upper"])
    reach = _log_reach(model)
    (base,) = model.index[model["covariate"] == "all"]
    log_rate = pd.Series(np.log(model.loc[base, "estimate"]), index=kinds.index)
    variance = pd.Series(reach[base] ** 2, index=kinds.index)
    for covariate in KIND_COVARIATES:
        rows = _levels_of(model.assign(reach=reach), covariate)
        log_factor = pd.Series(np.log(rows["estimate"].astype(float)))
        own = rows["reach"]
        log_rate += kinds[covariate].map(log_factor.to_dict()).astype(float).fillna(0)
        variance += kinds[covariate].map((own**2).to_dict()).astype(float).fillna(0)
    spread = float(facts.get("spread of places", 0.0) or 0.0) * norm.ppf((1 + level) / 2)
    total = np.sqrt(variance + spread**2)
    return pd.DataFrame(
        {"kind_rate_lower": np.exp(log_rate - total), "kind_rate_upper": np.exp(log_rate + total)}
    )


def kind_factors(model: pd.DataFrame, classes: pd.DataFrame) -> pd.Series:
    """Return what size band and pin make of a rate [ratio to the reference levels], 1 where the model does not say.

    Takes the table `hazard_model` and one row per item class with `size_band` and `pin`.
    """
    factor = pd.Series(1.0, index=classes.index)
    for covariate in ("size_band", "pin"):
        levels = _levels_of(model, covariate)["estimate"].astype(float)
        factor *= classes[covariate].map(levels.to_dict()).astype(float).fillna(1.0)
    return factor


def observed_slips(gaps: pd.DataFrame) -> dict[int, Floats]:
    """Return how far looks came from their day, for each interval in months [share of the interval].

    Takes one row per gap between two looks: `gap_days` and `interval_months`. An interval with few gaps is given those
    of all intervals. Gaps of more than three intervals are left out: nobody would plan on them.
    """
    slip = gaps["gap_days"] / (gaps["interval_months"] * DAYS_IN_MONTH) - 1
    slip = slip[slip <= 2]
    months = gaps["interval_months"][slip.index]
    if slip.empty:
        return {}
    return {
        int(interval): slip[months == interval].to_numpy()
        if (months == interval).sum() >= LEAST_GAPS
        else slip.to_numpy()
        for interval in gaps["interval_months"].unique()
    }


def simulate_removals(
    fleet: pd.DataFrame,
    rates: Rates,
    calendar: Calendar,
    is_wanted: NDArray[np.bool_] | None = None,
    horizon_days: int = 366,
    draws: int = DRAWS,
    seed: int = SEED,
    drawn: Sequence[Round] = (),
) -> list[Round]:
    """Return draws of the removals of a fleet over a horizon, round of looks by round of looks.

    Parameters
    ----------
    fleet : DataFrame
        One row per item class in service at a place: `client`, `site`, `environment`, `quantity` [items], 1 or more,
        `days_since_start` since its last look or receipt, `interval_months` between looks, 1 or more, and
        `share_found_between`, the share of removals found between looks.
    rates : Rates
        Of the same rows; rows without a rate are left out.
    calendar : Calendar
        How looks fall.
    is_wanted : ndarray of bool, one for each row
        Leaves out the other rows; by default all are drawn.
    horizon_days : int
        Looks after so many days from today are left out.
    draws, seed : int
        How many draws, and the seed that makes them the same each time. Each place and class has draws of its own
        by its name: they stay what they are when other rows are added or left out.
    drawn : sequence of Round
        Drawn before with other intervals, all else being the same: where an interval is the same as well, so are the
        draws, and they are taken from here.

    Notes
    -----
    Each item looked at is removed with probability 1 - exp(-rate * gap). The fleet is held at its count, or grows by
    `calendar.growth`, since what is removed is replaced. Classes of a place that were last looked at in one month go
    on being looked at together: they share the day of the look and the strictness of whoever looks, a gamma variable
    of mean 1. Look k falls k intervals after the last one, give or take a slip; an inspection past its day is taken
    to be held soon. Of what is found, a share is found on some day of the gap before.
    """
    fleet = fleet.reset_index(drop=True)
    of_place = _draw_each(rates.of_place, rates.places, draws, seed)
    of_place *= _draw_each(rates.of_year, [f"year|{name}" for name in rates.places], draws, seed)
    of_class = _draw_each(rates.of_class, rates.classes, draws, seed)
    bandwidths = {interval: _bandwidth(slips) for interval, slips in calendar.slips.items()}
    together = _rounds(fleet[rates.has_rate if is_wanted is None else rates.has_rate & is_wanted])
    firsts = fleet.iloc[[rows[0] for rows in together]].to_dict("records")
    quantity = fleet["quantity"].to_numpy()
    before = {(round_.rows[0], round_.interval_months): round_ for round_ in drawn}

    def draw(rows: NDArray[np.intp], first: Mapping[Hashable, Any]) -> Round:
        if same := before.get((rows[0], first["interval_months"])):
            return same
        generator = own_generator(seed, *(first[name] for name in PLACE), str(first["days_since_start"]))
        days, gaps = _looks(first, calendar, bandwidths, horizon_days, draws, generator)
        own = Gammas(rates.of_row.shape[rows], rates.of_row.scale[rows]).draw(draws, generator)
        rate = rates.factor[rows] * of_place[:, rates.place[rows]] * of_class[:, rates.item_class[rows]] * own
        strictness = _strictness(calendar.look_sd, days.shape, generator)
        share = -np.expm1(-rate[:, :, None] * (gaps * strictness / DAYS_IN_YEAR)[:, None, :])
        items = quantity[rows, None]
        if calendar.growth:
            grown = 1 + calendar.growth * days[:, None, :] / DAYS_IN_YEAR
            items = np.floor(items * np.maximum(grown, 0) + 0.5).astype(np.int64)
        removed = generator.binomial(items, share)
        on_days, by_day = days, _by_day(removed)
        if first["share_found_between"] > 0:
            between = _by_day(generator.binomial(removed, first["share_found_between"]))
            on_days = np.hstack([days, _found_on(days, gaps, generator)])
            by_day = np.concatenate([by_day - between, between])
        return Round(rows, first["interval_months"], np.ascontiguousarray(on_days.T), by_day)

    # Most of the time goes into drawing numbers, which threads do side by side.
    with ThreadPoolExecutor(cpu_count()) as pool:
        return list(pool.map(draw, together, firsts))


def own_generator(seed: int, *names: str) -> np.random.Generator:
    """Return a generator that depends on a seed and on names only, so that one's draws do not hang on another's."""
    return np.random.default_rng([seed, crc32("|".join(names).encode())])


def removed_by_month(
    rounds: list[Round], month_ends: ArrayLike, groups: NDArray[np.intp], items: NDArray[np.int64]
) -> Samples:
    """Return the removals of groups of rows in each month, shape (groups, months, draws).

    Parameters
    ----------
    rounds : list of Round
        As drawn.
    month_ends : array_like of int
        The last day of each month, counted from today.
    groups : ndarray of int, one for each row of the fleet
        The group of each row, numbered from 0; -1 for rows that were not drawn.
    items : ndarray of int, one for each row of the fleet
        Items in service [items]: no row loses more in a month.
    """
    ends = np.asarray(month_ends)
    draws = rounds[0].days.shape[1] if rounds else 0
    is_in = groups >= 0
    total = no_removals(groups[is_in], items[is_in], (len(ends), draws))
    each_draw = np.arange(draws)
    for round_ in rounds:
        # One month more, for what comes after them. All rows of a round share the days of its looks.
        by_month = np.zeros((len(ends) + 1, draws, len(round_.rows)), dtype=round_.removed.dtype)
        for month, removed in zip(np.searchsorted(ends, round_.days), round_.removed, strict=True):
            by_month[month, each_draw] += removed
        # Draws are added up and sorted from here on, which is quickest where those of one cell lie side by side.
        of_rows = np.empty((len(round_.rows), *total.shape[1:]), dtype=total.dtype)
        most = items[round_.rows, None, None].astype(by_month.dtype)
        np.minimum(by_month[:-1].transpose(2, 0, 1), most, out=of_rows, casting="unsafe")
        for group, of_row in zip(groups[round_.rows], of_rows, strict=True):
            total[group] += of_row
    return total


def no_removals(groups: NDArray[np.intp], items: NDArray[np.int64], each: tuple[int, int]) -> Samples:
    """Return zeros to add up removals in, shape (groups, *each), of a kind that holds all items of any group.

    Parameters
    ----------
    groups, items : ndarray of int, shape (n,)
        The group of each row, numbered from 0, and its items.
    each : tuple of int
        What is added up for each group, such as months and draws.

    Examples
    --------
    >>> no_removals(np.array([0, 1, 1]), np.array([200, 200, 200]), (12, 1000)).dtype
    dtype('uint16')
    """
    most = int(np.bincount(groups, items).max(initial=0))
    return np.zeros((int(groups.max(initial=-1)) + 1, *each), dtype=np.min_scalar_type(most))


def bands(samples: NDArray) -> pd.DataFrame:
    """Return the mean and the prediction bands of draws, shape (n, draws): the columns `BANDS`, one row for each of n.

    An end of a band is the least count that so many of the draws reach at most, so a band covers its level or more.

    >>> bands(np.arange(100.0)[None, :]).to_numpy().tolist()
    [[49.5, 9.0, 89.0, 2.0, 97.0]]
    """
    shares = [share for level in LEVELS for share in ((100 - level) / 200, (100 + level) / 200)]
    ranks = [max(int(np.ceil(share * samples.shape[1] - 1e-9)) - 1, 0) for share in shares]
    # Sorting is quicker than a partition at several ranks, and a stable sort of narrow numbers quicker still.
    ends = np.sort(samples, axis=1, kind="stable" if samples.itemsize <= 2 else None)[:, ranks]
    return pd.DataFrame(np.column_stack([samples.mean(axis=1, dtype=float), ends]), columns=BANDS)


def _place_rates(places: pd.DataFrame, history: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the gamma of each place's rate [per shackle-year], the kind factor it holds for, and what it rests on."""
    weighted = history.assign(weighted=history["shackle_years"] * history["kind_factor"])
    sums = weighted.groupby(PLACE)[["removed", "shackle_years", "weighted"]].sum()
    own = sums.reindex(pd.MultiIndex.from_frame(places[PLACE]), fill_value=0.0).reset_index(drop=True)
    places = places.reset_index(drop=True)
    everything = sums.sum()
    basis = pd.Series(
        np.select(
            [
                places["is_pooled"].astype(bool),
                own["shackle_years"] >= 1,
                places["kind_rate_lower"].notna(),
                np.full(len(places), everything["shackle_years"] >= 1),
            ],
            [POOLED, OWN, KIND, FLEET],
            default=NONE,
        )
    )
    # A place without a rate keeps a scale of 0, and its rows are left out of every draw.
    shape, scale = pd.Series(1.0, places.index), pd.Series(0.0, places.index)
    found = {
        POOLED: _of_limits(places[basis == POOLED], "pooled_rate", level),
        KIND: _of_limits(places[basis == KIND], "kind_rate", level),
        OWN: gammas_of_counts(own["removed"][basis == OWN], own["shackle_years"][basis == OWN]),
    }
    if everything["shackle_years"] > 0:
        alike = int((basis == FLEET).sum())
        found[FLEET] = gammas_of_counts(
            np.full(alike, everything["removed"]), np.full(alike, everything["shackle_years"])
        )
    for name, gammas in found.items():
        shape[basis == name], scale[basis == name] = gammas.shape, gammas.scale
    mix = (own["weighted"] / own["shackle_years"]).where(basis.isin([POOLED, OWN]), 1.0)
    if everything["shackle_years"] > 0:
        mix = mix.mask(basis == FLEET, everything["weighted"] / everything["shackle_years"])
    return places[PLACE].assign(
        shape=shape, scale=scale, mean=shape * scale, mix=mix.fillna(1.0), basis=basis
    )


def _class_names(rows: pd.DataFrame, alone: pd.MultiIndex | None) -> pd.Series:
    """Return what the class of each row is called: by its item class, and by its client too where its ratio stands alone."""
    if alone is None or rows.empty:
        return rows["item_class"]
    is_alone = pd.MultiIndex.from_frame(rows[["client", "item_class"]]).isin(alone)
    return rows["item_class"].where(~is_alone, rows["client"] + "|" + rows["item_class"])


def _of_limits(places: pd.DataFrame, name: str, level: float) -> Gammas:
    return gammas_of_limits(places[f"{name}_lower"] / 100, places[f"{name}_upper"] / 100, level)


def _shared_ratios(past: pd.DataFrame, by: list[str]) -> tuple[pd.DataFrame, pd.Series]:
    """Return the counts of each cell, with the shape that their ratios come from, and the mean ratio of each."""
    cells = past.groupby(by)[["removed", "expected"]].sum()
    shape = spread_of_ratios(cells["removed"], cells["expected"])
    cells.attrs["shape"] = shape
    return cells, (shape + cells["removed"]) / (shape + cells["expected"])


def _ratio_gammas(cells: pd.DataFrame, known: pd.DataFrame) -> Gammas:
    return ratios(known["removed"], known["expected"], cells.attrs["shape"])


def _levels_of(model: pd.DataFrame, covariate: str) -> pd.DataFrame:
    """Return the rows of the table `hazard_model` of a covariate, named as its column is, by level."""
    return model[model["covariate"] == in_words(covariate)].set_index("level")


def _log_reach(model: pd.DataFrame) -> pd.Series:
    # Facts of the whole fit, which have no level, are no rates and may lie below 0.
    is_rate = model["level"].notna()
    limits = np.log(model[["estimate_lower", "estimate_upper"]].astype(float).where(is_rate))
    return (limits["estimate_upper"] - limits["estimate_lower"]).fillna(0.0) / 2


def _positions(places: pd.DataFrame) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(places)


def _numbers(rows: pd.DataFrame, places: pd.MultiIndex) -> NDArray[np.intp]:
    return places.get_indexer(pd.MultiIndex.from_frame(rows))


def _rounds(fleet: pd.DataFrame) -> list[NDArray[np.intp]]:
    """Return the positions of the rows that are looked at together: those of a place last looked at in one month."""
    month = (fleet["days_since_start"] // DAYS_IN_MONTH).rename("month")
    keys = [*(fleet[name] for name in PLACE), month]
    return [fleet.index[rows].to_numpy() for rows in fleet.groupby(keys, sort=True).indices.values()]


def _draw_each(gammas: Gammas, names: list[str], draws: int, seed: int) -> Floats:
    """Return draws of each gamma, shape (draws, n), each from a generator of its own."""
    drawn = np.empty((draws, len(names)))
    for column, (name, shape, scale) in enumerate(zip(names, gammas.shape, gammas.scale, strict=True)):
        drawn[:, column] = own_generator(seed, name).gamma(shape, scale, draws)
    return drawn


def _looks(
    first: Mapping[Hashable, Any],
    calendar: Calendar,
    bandwidths: dict[int, float],
    horizon_days: int,
    draws: int,
    generator: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Return the day of each look from today and the days since the one before, both (draws, looks)."""
    interval = first["interval_months"] * DAYS_IN_MONTH
    next_on = max(interval - first["days_since_start"], OVERDUE_HELD_AFTER_DAYS)
    looks = max(int(np.ceil((horizon_days - next_on) / interval)), 0) + 1
    slips = calendar.slips.get(int(first["interval_months"]), np.zeros(1))
    smoothing = bandwidths.get(int(first["interval_months"]), 0.0)
    slip = generator.choice(slips, (draws, looks)) + generator.normal(0, smoothing, (draws, looks))
    days = np.maximum(np.sort(next_on + interval * (np.arange(looks) + slip), axis=1), 1.0)
    before = np.column_stack([np.full(draws, -float(first["days_since_start"])), days[:, :-1]])
    return days, days - before


def _bandwidth(values: Floats) -> float:
    """Return by how much to smooth values that stand for all that might come: the robust rule of thumb for kernels.

    Silverman, B. W. (1986). Density Estimation for Statistics and Data Analysis, section 3.4 (from memory).
    """
    if len(values) < 2:
        return 0.0
    spread = min(float(np.std(values, ddof=1)), float(iqr(values)) / 1.34)
    return 0.9 * spread * len(values) ** -0.2


def _strictness(look_sd: float, shape: tuple[int, ...], generator: np.random.Generator) -> Floats:
    if look_sd == 0:
        return np.ones(shape)
    return generator.gamma(look_sd**-2, look_sd**2, shape)


def _found_on(days: Floats, gaps: Floats, generator: np.random.Generator) -> Floats:
    """Return some day of the gap before each look that is still to come."""
    from_on = np.maximum(days - gaps, 0.0)
    return from_on + (days - from_on) * generator.random(days.shape)


def _by_day(counts: NDArray[np.int64]) -> Counts:
    """Return counts (draws, rows, looks) as (looks, draws, rows): what is on one day lies side by side."""
    return counts.transpose(2, 0, 1).astype(np.int32, order="C")
