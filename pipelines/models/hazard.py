"""Removal rates from grouped looks: covariates, and effects of places that let a thin place borrow from its like.

At each look the removed are Binomial(inspected, 1 - exp(-rate * gap)): nobody saw when in the gap an item became
rejectable. Takes for granted that the hazard is steady (`gap_exponent` asks), that a look finds what is there
(`detection_sensitivity` asks), and that items go one by one, or no more unevenly than `LookSpread` allows for.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaln
from scipy.stats import chi2, norm

from pipelines.faults import DataFault
from pipelines.models.grouped_likelihood import (
    Cells,
    Ints,
    Spread,
    effect_modes,
    integrated_likelihood,
    likely_spreads,
    maximum,
    place_log_rates,
    place_quantiles,
    pooled_likelihood,
)
from pipelines.models.limits import Floats, exact_rate_limits
from pipelines.models.look_spread import LookSpread, look_spread, sums

SITE = ["client", "site"]
PLACE = [*SITE, "environment"]
LOOK = [*PLACE, "inspected_on"]

LEAST_SITES = 5  # fewer say next to nothing about how far sites differ
CHANCE_LEVEL = 0.05  # what chance gives less often than this is called real
LEAST_DAYS = 0.5  # in service, of items that came on the day of their look
LEAST_EFFECT_SD = 0.01  # places that differ by less than a hundredth are alike
WEIGHTING_ROUNDS = 2  # weights and rates depend on one another; after two rounds neither moves any more

ALL, REFERENCE = "all", "reference levels"
NOT_STATED = "not stated"
ALONE = "from its own looks only"
NOTHING_REMOVED = "exact upper limit from its own looks, because nothing was removed"
EVERYTHING_REMOVED = "lower limit from its own looks, because everything was removed"


@dataclass(frozen=True)
class HazardFit:
    """What grouped looks say about removal rates.

    Attributes
    ----------
    rates : DataFrame
        One row per place: `client`, `site`, `environment`; `looks`, `inspected`, `removed` [items]; `rate`,
        `rate_lower`, `rate_upper` (two-sided) and `rate_upper_one_sided` [removals per 100 shackle-years]; `is_pooled`
        and `basis`, what the rate rests on, in words. Where only an upper limit is known, `rate` and `rate_lower` are
        0; where only a lower one is, `rate` and the upper limits are empty.
    coefficients : DataFrame
        One row per level of each covariate but the reference: `covariate`, `level`, `estimate`, `standard_error`
        [log], `factor`, `factor_lower`, `factor_upper` [ratio to the reference]. The first row is the rate of a
        middling place at all reference levels [its factor in removals per 100 shackle-years]. No rows where no model
        was fitted, no figures where the search for the best fit did not settle.
    covariance : ndarray
        Covariance of the estimates, in the order of `coefficients`.
    effects : DataFrame
        One row per place, or per site where sites have the effects: its columns, `effect` and `effect_error` [log].
        No rows where places were not pooled.
    effect_sd, log_effect_sd_error : float or None
        Standard deviation of the effects [log], and the standard error of its log. 0 is an answer: places of one kind
        are alike as far as the data show. None where places were not pooled, or the search did not settle.
    log_likelihood : float or None
        Complete, with binomial coefficients. None where looks were weighted down: a quasi-likelihood has no scale.
    look_spread : LookSpread or None
        The test of fit. None where no model was fitted.
    references : dict
        The reference level of each covariate, the one with the most removals.
    is_settled : bool
        Whether the search for the maximum came to rest. Where it did not, `rates` come from each place's own looks.
    notes : tuple of str
        What was done otherwise than usual, and why.
    steady : object or None
        The fit itself, for `gap_exponent` to go on from. None where no model was fitted.
    """

    rates: pd.DataFrame
    coefficients: pd.DataFrame
    covariance: Floats
    effects: pd.DataFrame
    effect_sd: float | None
    log_effect_sd_error: float | None
    log_likelihood: float | None
    look_spread: LookSpread | None
    references: dict[str, str]
    is_settled: bool
    notes: tuple[str, ...]
    steady: "_Steady | None"


@dataclass(frozen=True)
class GapExponent:
    """How the hazard of a gap grows with its length: 1 where it is steady.

    Where gaps are much alike it can be any number, below 0 too, and `standard_error` says how little that means.
    `words` reads above 1 as wear-out; below 1 as looks that differ for other reasons than chance, defects missed and
    carried over, or rejects of the first weeks.
    """

    estimate: float
    standard_error: float
    likelihood_ratio: float
    p_value: float
    words: str


@dataclass(frozen=True)
class _Looks:
    names: (
        pd.DataFrame
    )  # of each place, in the order of their numbers, with the numbers of its unit and its site
    place: Ints  # one for each row of looks, as all that follows
    look: Ints  # rows of one place and day are one look
    gap_years: Floats
    inspected: Ints
    removed: Ints
    levels: dict[
        str, tuple[Ints, list[str]]
    ]  # of each covariate: the number of each row's level, and their names

    @property
    def kept(self) -> Ints:
        return self.inspected - self.removed

    @property
    def unit(self) -> Ints:
        return self.names["unit"].to_numpy()[self.place]

    def rows(self, chosen: NDArray) -> "_Looks":
        columns = {name: getattr(self, name)[chosen] for name in _ROWS}
        levels = {name: (level[chosen], names) for name, (level, names) in self.levels.items()}
        return replace(self, **columns, levels=levels)

    def by_place(self, values: NDArray) -> Floats:
        return sums(self.place, values, len(self.names))


_ROWS = ("place", "look", "gap_years", "inspected", "removed")


@dataclass(frozen=True)
class _Model:
    looks: _Looks  # sorted by place and design
    design: Floats  # one row per row of looks
    terms: list[tuple[str, str]]
    references: dict[str, str]
    sites: int
    notes: tuple[str, ...]

    @property
    def is_pooled(self) -> bool:
        return self.sites >= LEAST_SITES


@dataclass(frozen=True)
class _Estimate:
    cells: Cells
    coefficients: Floats
    covariance: Floats
    value: float
    is_settled: bool
    effect: Floats  # one for each unit, 0 where units were not pooled
    effect_error: Floats
    effect_sd: float | None = None
    log_effect_sd_error: float | None = None


@dataclass(frozen=True)
class _Steady:
    model: _Model
    estimate: _Estimate
    weight: Floats


def in_words(name: str) -> str:
    """Return what a covariate is called in the table `hazard_model`, by the name of its column.

    >>> in_words("size_band")
    'size band'
    """
    return name.replace("_", " ")


def grouped_looks(exposures: pd.DataFrame) -> pd.DataFrame:
    """Return the looks that have a gap, in the form the models of this module take.

    Parameters
    ----------
    exposures : DataFrame
        One row per look at a group: `previous_on`, `inspected_on`, `inspected`, `removed`, `removed_between` [items],
        `days_not_there`, of the gap, that those who joined in it had not come yet, and `is_first_look`.

    Returns
    -------
    DataFrame
        A part of the rows of `exposures` with all their columns.
        `inspected` and `removed` now also hold the removals between looks, and `gap_years` is the mean time in
        service of the inspected: joiners count from their day, half the gap where it is unknown. First looks are left out. Items unaccounted for were
        never in it: nobody looked, so they carry no information.

    Examples
    --------
    >>> look = {"previous_on": "2025-01-01", "inspected_on": "2026-01-01", "is_first_look": False}
    >>> counts = {"inspected": 9, "removed": 1, "removed_between": 1, "days_not_there": 365.0}
    >>> grouped_looks(pd.DataFrame([look | counts]))[["gap_years", "inspected", "removed"]].round(4).values.tolist()
    [[0.8994, 10.0, 2.0]]
    """
    looks = exposures[~exposures["is_first_look"].astype(bool)]
    # A cache pays for texts only, and these are days already but in tests.
    inspected_on, previous_on = (
        pd.to_datetime(looks[name], cache=False) for name in ("inspected_on", "previous_on")
    )
    days = (inspected_on - previous_on).dt.days
    inspected = looks["inspected"] + looks["removed_between"]
    return looks.assign(
        inspected=inspected,
        removed=looks["removed"] + looks["removed_between"],
        gap_years=(days - looks["days_not_there"] / inspected).clip(lower=LEAST_DAYS) / 365.25,
    )


def fit_hazard(
    looks: pd.DataFrame,
    covariates: list[str],
    limits_level: float,
    upper_level: float,
    effect_of: list[str] = PLACE,
    is_look_spread_allowed: bool = True,
) -> HazardFit:
    """Return the removal rate of each place, an environment of a site, with limits, from all looks together.

    Parameters
    ----------
    looks : DataFrame
        One row per look at a group: `client`, `site`, `environment`, `inspected_on`, `gap_years`, above 0,
        `inspected`, 1 or more, `removed` [items], and the columns of `covariates`. Rows of one place and day are one
        look.
    covariates : list of str
        Columns of which each level has an effect of its own, such as environment, service_class, size_band, pin,
        use_frequency. An empty cell is a level of its own. Never the age of items, which grouped looks do not tell.
    limits_level : float
        Two-sided level of `rate_lower` and `rate_upper`, between 0 and 1.
    upper_level : float
        Level of `rate_upper_one_sided`, on which an interval may rest.
    effect_of : list of str
        `PLACE`, or `SITE` to take it that a site's environments share one effect.
    is_look_spread_allowed : bool
        False takes it that looks differ by chance only, whatever the test of it says.

    Raises
    ------
    DataFault
        There are no looks, or one has no gap, nobody inspected, or removals outside 0 to inspected.

    Notes
    -----
    The log rate is the sum of covariate effects and a normal effect of the place; a place with little history therefore
    borrows from its like, and one with much hardly does. Coefficients and the sd of the effects are those of maximum
    likelihood. A place's rate is taken at its own mix of covariates and at the mode of its effect.

    Places and not sites have the effects, because one effect for all environments of a site takes it for granted that
    an environment is as much worse at each site. Where it is not, with a factor of 1.35 or so between the environments
    of a site, limits that should hold 90 % of true rates hold 77 %; those of places hold 90 % either way, and are
    a tenth wider on each side where sites do share one effect. See tests/benchmarks/coverage_study.py.

    Limits hold three doubts together: about the effect, about the coefficients and about the sd of the effects; see
    `grouped_likelihood.place_quantiles`. They cover as stated on average over places, not for a place that is known to
    be unlike its kind.

    Looks differ from one another for reasons other than chance. How much is estimated from how a place's removals are
    scattered over its looks, compared with what the looks' sizes and gaps would give. Each look is then weighted down
    by the variance that `look_sd` adds, and the fit repeated (Williams 1982), whether or not the spread is beyond
    doubt: to wait for proof leaves limits too narrow in logs that are too thin to prove it. One effect per look,
    integrated out, would ask for a distribution of that effect and yield the rate of a middling look; weighting asks
    for its variance only and yields the mean over looks, which is what items live through.

    A covariate level at which nothing was removed has no finite estimate: the likelihood keeps rising as its rate
    falls to 0, and where everything was removed, as it rises. Places that have nothing but such looks stand on their
    own, with an exact upper limit or a lower one; elsewhere the level is taken with its covariate's reference. With
    fewer than 5 sites, and where nothing was removed at all, every place stands on its own looks.

    References
    ----------
    Prentice, R. L. & Gloeckler, L. A. (1978). Regression analysis of grouped survival data with application to
    breast cancer data. Biometrics 34, 57-67.
    Williams, D. A. (1982). Extra-binomial variation in logistic linear models. Applied Statistics 31, 144-148 (from
    memory).
    """
    _refuse_impossible_looks(looks)
    every = _numbered(looks, covariates, effect_of)
    is_fitted = _can_be_fitted(every)
    weight_of_look = np.ones(every.look.max() + 1)
    notes: tuple[str, ...] = ()
    if not is_fitted.all():
        notes += ("places of a kind at which nothing, or everything, was removed stand on their own looks",)
    if not is_fitted.any():
        rates = _rates_on_their_own(every, weight_of_look, limits_level, upper_level)
        return _unfitted(rates, (*notes, "nothing removed that a model could learn from, no model"))

    model = _model(every.rows(is_fitted))
    estimate, weight, spread = _estimate_with_look_spread(model, is_look_spread_allowed)
    weight_of_look[model.looks.look] = weight
    notes += model.notes
    if spread.look_sd > 0 and (spread.p_value or 0) < CHANCE_LEVEL:
        notes += ("looks differ more than chance allows, errors are widened",)
    if not model.is_pooled:
        notes += (f"fewer than {LEAST_SITES} sites, not pooled: each place stands on its own looks",)

    rates = _rates_on_their_own(every, weight_of_look, limits_level, upper_level)
    spreads: list[Spread] = []
    if model.is_pooled and estimate.is_settled:
        spreads = likely_spreads(estimate.cells, estimate.coefficients)
    is_settled = estimate.is_settled and (bool(spreads) or not model.is_pooled)
    if spreads:
        pooled = _pooled_rates(model, estimate, spreads, limits_level, upper_level)
        rates.loc[pooled.index, pooled.columns] = pooled
    elif not is_settled:
        notes += ("the search for the best fit did not settle: each place stands on its own looks",)
    return HazardFit(
        rates=rates,
        coefficients=_coefficients(model, estimate, spreads, limits_level),
        covariance=estimate.covariance,
        effects=_effects(model, effect_of, estimate),
        effect_sd=estimate.effect_sd if estimate.is_settled else None,
        log_effect_sd_error=estimate.log_effect_sd_error,
        log_likelihood=_complete_log_likelihood(model, estimate) if (weight == 1).all() else None,
        look_spread=spread,
        references=model.references,
        is_settled=is_settled,
        notes=notes,
        steady=_Steady(model, estimate, weight),
    )


def gap_exponent(fit: HazardFit) -> GapExponent | None:
    """Return how the hazard of a gap grows with its length, by making the log gap a covariate beside those of a fit.

    Parameters
    ----------
    fit : HazardFit
        From `fit_hazard`.

    Returns
    -------
    GapExponent or None
        None where nothing was removed, all gaps are alike, or either fit did not settle.

    Notes
    -----
    The likelihood ratio is against an exponent of 1, with all else fitted anew. Looks that differ more than chance
    allows have the weights of the fit: left alone they push the exponent below 1.

    References
    ----------
    McCullagh, P. & Nelder, J. A. (1989). Generalized Linear Models, 2nd ed., chapter 4. Chapman & Hall.
    """
    steady = fit.steady
    if steady is None or np.ptp(np.log(steady.model.looks.gap_years)) == 0:
        return None
    log_gap = np.log(steady.model.looks.gap_years)
    growing = replace(
        steady.model,
        design=np.column_stack([steady.model.design, log_gap - log_gap.mean()]),
        terms=[*steady.model.terms, ("log gap", "")],
    )
    without, estimate = steady.estimate, _estimate(growing, steady.weight, steady.estimate)
    if not (without.is_settled and estimate.is_settled):
        return None
    exponent = 1 + estimate.coefficients[-1]
    likelihood_ratio = max(0.0, 2.0 * float(estimate.value - without.value))
    p_value = float(chi2.sf(likelihood_ratio, 1))
    standard_error = float(np.sqrt(estimate.covariance[-1, -1]))
    return GapExponent(
        estimate=float(exponent),
        standard_error=standard_error,
        likelihood_ratio=likelihood_ratio,
        p_value=p_value,
        words=_steadiness(exponent, standard_error, p_value),
    )


def _steadiness(exponent: float, standard_error: float, p_value: float) -> str:
    if p_value >= CHANCE_LEVEL:
        # Limits this wide hold 0, all in the first moment of a gap, or 2, a hazard that grows as the gap does.
        if norm.isf(CHANCE_LEVEL / 2) * standard_error > 1:
            return "too little is known, or gaps are too alike, to say whether the hazard is steady"
        return "the data do not contradict a steady hazard"
    if exponent > 1:
        return "the hazard grows within a gap, as with wear-out"
    return (
        "short gaps find more than their share: spread between looks, defects carried over, or early rejects"
    )


def _refuse_impossible_looks(looks: pd.DataFrame) -> None:
    if looks.empty:
        raise DataFault(
            "There are no looks with a gap, which gives no hazard. Load a second periodic inspection."
        )
    is_possible = (
        (looks["gap_years"] > 0)
        & (looks["inspected"] >= 1)
        & (looks["removed"] >= 0)
        & (looks["removed"] <= looks["inspected"])
    )
    if not is_possible.all():
        row = looks[~is_possible].iloc[0]
        raise DataFault(
            f"Look {row.name} has {row['removed']} removals among {row['inspected']} inspected after "
            f"{row['gap_years']:g} years, which gives no hazard. Correct it, or leave it out."
        )


def _numbered(looks: pd.DataFrame, covariates: list[str], effect_of: list[str]) -> _Looks:
    day = _number(looks["inspected_on"])[0]
    by_name = _combined(looks, PLACE)
    names = looks[PLACE].iloc[_dense(by_name)[1]]
    names = names.assign(unit=_combined(names, effect_of), site_number=_combined(names, SITE))
    # Places are numbered unit by unit.
    order = np.argsort(names["unit"].to_numpy(), kind="stable")
    place = np.argsort(order)[by_name]
    return _Looks(
        names=names.iloc[order].reset_index(drop=True),
        place=place,
        look=_dense(place * (day.max() + 1) + day)[0],
        gap_years=looks["gap_years"].to_numpy(dtype=float),
        inspected=looks["inspected"].to_numpy(),
        removed=looks["removed"].to_numpy(),
        levels={covariate: _levels(looks[covariate]) for covariate in covariates},
    )


def _combined(looks: pd.DataFrame, columns: list[str]) -> Ints:
    number = np.zeros(len(looks), dtype=np.int64)
    for column in columns:
        own, values = _number(looks[column])
        number = _dense(number * (len(values) + 1) + own)[0]
    return number


def _number(column: pd.Series) -> tuple[Ints, pd.Index]:
    number, values = pd.factorize(column, sort=True)
    return np.where(number < 0, len(values), number), values


def _dense(numbers: Ints) -> tuple[Ints, Ints]:
    # The numbers 0, 1, ... in the same order, and where each stands first.
    _, first, dense = np.unique(numbers, return_index=True, return_inverse=True)
    return dense, first


def _levels(column: pd.Series) -> tuple[Ints, list[str]]:
    number, values = _number(column)
    names, level = np.unique([*(str(value) for value in values), NOT_STATED], return_inverse=True)
    level = level[number]
    is_present = np.bincount(level, minlength=len(names)) > 0
    return (np.cumsum(is_present) - 1)[level], [str(name) for name in names[is_present]]


def _can_be_fitted(looks: _Looks) -> NDArray[np.bool_]:
    # A place is left out if every look of it is at some level at which nothing, or everything, was removed.
    is_bounded = np.full(len(looks.place), looks.removed.any() and looks.kept.any())
    for level, _ in looks.levels.values():
        is_bounded &= ((sums(level, looks.removed) > 0) & (sums(level, looks.kept) > 0))[level]
    return looks.by_place(is_bounded)[looks.place] > 0


def _estimate_with_look_spread(
    model: _Model, is_look_spread_allowed: bool
) -> tuple[_Estimate, Floats, LookSpread]:
    weight = np.ones(len(model.design))
    estimate = _estimate(model, weight)
    spread, latest_weight = _look_spread(model, estimate)
    if spread.look_sd == 0 or not is_look_spread_allowed:
        return estimate, weight, replace(spread, look_sd=0.0)
    for _ in range(WEIGHTING_ROUNDS):
        weight = latest_weight
        estimate = _estimate(model, weight)
        latest, latest_weight = _look_spread(model, estimate)
    return estimate, weight, replace(spread, look_sd=latest.look_sd)


def _look_spread(model: _Model, estimate: _Estimate) -> tuple[LookSpread, Floats]:
    looks, cells = model.looks, estimate.cells
    log_rate = cells.design_of_kind @ estimate.coefficients + estimate.effect[cells.unit_of_kind]
    hazard = looks.gap_years * np.exp(log_rate)[cells.kind]
    fitted = float(len(model.terms))
    if estimate.effect_sd:
        fitted += float(np.sum(1 - (estimate.effect_error / estimate.effect_sd) ** 2))
    return look_spread(looks.place, looks.look, looks.inspected, looks.removed, hazard, fitted)


def _model(looks: _Looks) -> _Model:
    kind = np.zeros(len(looks.place), dtype=np.int64)
    for level, names in looks.levels.values():
        kind = kind * len(names) + level
    kind, first = _dense(kind)
    columns, terms = [np.ones(len(first))], [(ALL, REFERENCE)]
    references: dict[str, str] = {}
    notes = []
    for covariate, (level, names) in looks.levels.items():
        removed, kept = (sums(level, counts, len(names)) for counts in (looks.removed, looks.kept))
        reference = references[covariate] = names[np.argmax(removed)]
        for number in np.flatnonzero(removed + kept):
            name, column = names[number], (level[first] == number).astype(float)
            if name == reference:
                continue
            if not (removed[number] and kept[number]):
                without = "removed" if removed[number] == 0 else "kept"
                notes.append(f"{covariate} {name} without a {without} item is taken with {reference}")
            elif np.linalg.matrix_rank(np.column_stack([*columns, column])) == len(columns):
                notes.append(
                    f"{covariate} {name} cannot be told from the other covariates and has no effect of its own"
                )
            else:
                columns.append(column)
                terms.append((covariate, name))
    design, of_kind = np.unique(np.column_stack(columns), axis=0, return_inverse=True)
    order = np.argsort(looks.place * len(design) + of_kind[kind], kind="stable")
    sites = len(np.unique(looks.names["site_number"].to_numpy()[looks.place]))
    return _Model(looks.rows(order), design[of_kind[kind[order]]], terms, references, sites, tuple(notes))


def _cells(model: _Model, weight: Floats) -> Cells:
    looks = model.looks
    return Cells(
        design=model.design,
        log_gap=np.log(looks.gap_years),
        removed=looks.removed * weight,
        kept=looks.kept * weight,
        exposure=looks.inspected * looks.gap_years,
        unit=_dense(looks.unit)[0],
        place=_dense(looks.place)[0],
    )


def _estimate(model: _Model, weight: Floats, nearby: _Estimate | None = None) -> _Estimate:
    cells = _cells(model, weight)
    start = np.zeros(len(model.terms))
    if nearby is None:
        start[0] = np.log(cells.removed.sum() / cells.exposure.sum())
    else:
        start[: len(nearby.coefficients)] = nearby.coefficients
    alike = maximum(lambda coefficients: pooled_likelihood(cells, coefficients), start)
    no_effect = np.zeros(cells.unit[-1] + 1)
    of_alike = _Estimate(
        cells, alike.at, alike.covariance, alike.value, alike.is_settled, no_effect, no_effect
    )
    if not model.is_pooled:
        return of_alike
    # The likelihood may fall from an sd of 0 and rise again further out: the search comes from the far side, where
    # a log sd of 0 is, or from what it came to nearby, and what it finds is compared with 0.
    of_nearby = nearby and nearby.effect_sd
    differing = maximum(
        lambda theta: integrated_likelihood(cells, theta[:-1], theta[-1]),
        np.append(start, np.log(of_nearby)) if of_nearby else np.append(alike.at, 0.0),
    )
    effect_sd = float(np.exp(differing.at[-1]))
    if effect_sd < LEAST_EFFECT_SD or differing.value <= alike.value:
        return replace(of_alike, effect_sd=0.0)
    units = cells.units(cells.design_of_kind @ differing.at[:-1])
    effect, effect_error = effect_modes(units, effect_sd)
    return _Estimate(
        cells=cells,
        coefficients=differing.at[:-1],
        covariance=differing.covariance[:-1, :-1],
        effect_sd=effect_sd,
        log_effect_sd_error=float(np.sqrt(differing.covariance[-1, -1])),
        effect=effect,
        effect_error=effect_error,
        value=differing.value,
        is_settled=differing.is_settled,
    )


def _rates_on_their_own(
    looks: _Looks, weight_of_look: Floats, limits_level: float, upper_level: float
) -> pd.DataFrame:
    weight, exposure = weight_of_look[looks.look], looks.gap_years * (looks.inspected - looks.removed / 2)
    removed, shackle_years = looks.by_place(weight * looks.removed), looks.by_place(weight * exposure)
    lower, upper = exact_rate_limits(removed, shackle_years, limits_level)
    first_of_look = _dense(looks.look)[1]
    rates = looks.names[PLACE].assign(
        looks=np.bincount(looks.place[first_of_look]),
        inspected=looks.by_place(looks.inspected).astype(int),
        removed=looks.by_place(looks.removed).astype(int),
        look_weight=shackle_years / looks.by_place(exposure),
        rate=100 * removed / shackle_years,
        rate_lower=lower,
        rate_upper=upper,
        # The upper end of a two-sided interval leaves half of what a one-sided limit may leave.
        rate_upper_one_sided=exact_rate_limits(removed, shackle_years, 2 * upper_level - 1)[1],
        is_pooled=False,
    )
    nothing, everything = rates["removed"] == 0, rates["removed"] == rates["inspected"]
    rates["basis"] = np.select([nothing, everything], [NOTHING_REMOVED, EVERYTHING_REMOVED], default=ALONE)
    rates.loc[everything, ["rate", "rate_upper", "rate_upper_one_sided"]] = np.nan
    for place in rates.index[everything]:
        rates.loc[place, "rate_lower"] = _least_rate(looks.rows(looks.place == place), limits_level)
    return rates


def _least_rate(looks: _Looks, level: float) -> float:
    # The rate at which removing everything would have the probability that a lower limit may have.
    tail = (1 - level) / 2

    def excess(log_rate: float) -> float:
        log_share = np.log(-np.expm1(-np.exp(log_rate) * looks.gap_years))
        return float((looks.inspected * log_share).sum() - np.log(tail))

    slowest, fastest = 1 / looks.gap_years.max(), 1 / looks.gap_years.min()
    items = looks.inspected.sum()
    return 100 * np.exp(
        brentq(excess, np.log(slowest * tail / 2), np.log(fastest * np.log(2 * items / tail)))
    )


def _pooled_rates(
    model: _Model,
    estimate: _Estimate,
    spreads: list[Spread],
    limits_level: float,
    upper_level: float,
) -> pd.DataFrame:
    tail = (1 - limits_level) / 2
    lower, upper, one_sided = place_quantiles(estimate.cells, spreads, [tail, 1 - tail, upper_level])
    log_rate = place_log_rates(estimate.cells, estimate.coefficients, estimate.effect)
    return pd.DataFrame(
        {
            "rate": 100 * np.exp(log_rate),
            # Where the sd is estimated as 0 the limits, which doubt that, may pass the rate by a whisker.
            "rate_lower": 100 * np.exp(np.minimum(lower, log_rate)),
            "rate_upper": 100 * np.exp(np.maximum(upper, log_rate)),
            "rate_upper_one_sided": 100 * np.exp(np.maximum(one_sided, log_rate)),
            "is_pooled": True,
            "basis": f"pooled, {len(log_rate)} places of {model.sites} sites",
        },
        index=np.unique(model.looks.place),
    )


def _coefficients(model: _Model, estimate: _Estimate, spreads: list[Spread], level: float) -> pd.DataFrame:
    spreads = spreads or [Spread(0.0, 1.0, estimate.coefficients, estimate.covariance)]
    weights = np.array([spread.weight for spread in spreads])
    centres = np.array([spread.coefficients for spread in spreads])
    variances = np.array([np.diag(spread.covariance) for spread in spreads])
    centre = weights @ centres
    error = np.sqrt(weights @ (variances + (centres - centre) ** 2))
    reach = norm.ppf((1 + level) / 2) * error
    unit = np.where(np.arange(len(centre)) == 0, 100.0, 1.0)
    found = pd.DataFrame(model.terms, columns=["covariate", "level"]).assign(
        estimate=estimate.coefficients,
        standard_error=np.sqrt(np.diag(estimate.covariance)),
        factor=unit * np.exp(estimate.coefficients),
        factor_lower=unit * np.exp(np.minimum(centre - reach, estimate.coefficients)),
        factor_upper=unit * np.exp(np.maximum(centre + reach, estimate.coefficients)),
    )
    # Where the search did not settle, it went on to where it stopped for want of time, which says nothing.
    return found if estimate.is_settled else found.assign(**dict.fromkeys(found.columns[2:], np.nan))


def _effects(model: _Model, effect_of: list[str], estimate: _Estimate) -> pd.DataFrame:
    places = model.looks.names.loc[np.unique(model.looks.place)]
    units = places.drop_duplicates("unit")[effect_of].reset_index(drop=True)
    effects = units.assign(effect=estimate.effect, effect_error=estimate.effect_error)
    return effects if estimate.effect_sd is not None else effects.iloc[:0]


def _complete_log_likelihood(model: _Model, estimate: _Estimate) -> float:
    inspected, removed, kept = model.looks.inspected, model.looks.removed, model.looks.kept
    combinations = gammaln(inspected + 1) - gammaln(removed + 1) - gammaln(kept + 1)
    return float(estimate.value + combinations.sum())


def _unfitted(rates: pd.DataFrame, notes: tuple[str, ...]) -> HazardFit:
    return HazardFit(
        rates=rates,
        coefficients=pd.DataFrame(),
        covariance=np.empty((0, 0)),
        effects=pd.DataFrame(),
        effect_sd=None,
        log_effect_sd_error=None,
        log_likelihood=None,
        look_spread=None,
        references={},
        is_settled=True,
        notes=notes,
        steady=None,
    )
