"""Removal rates from grouped looks: covariates, and site effects that let a thin site borrow from its like.

At each look the removed are Binomial(inspected, 1 - exp(-rate * gap)): nobody saw when in the gap an item became
rejectable. Takes for granted that the hazard is steady (`gap_exponent` asks), that a look finds what is there
(`detection_sensitivity` asks), and that items go one by one, or no more unevenly than `LookSpread` allows for.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import gammaln
from scipy.stats import chi2, norm

from pipelines.faults import DataFault
from pipelines.models.grouped_likelihood import (
    Cells,
    Spread,
    integrated_likelihood,
    likely_spreads,
    maximum,
    place_limits,
    place_log_rates,
    pooled_likelihood,
    site_modes,
)
from pipelines.models.limits import Floats, exact_rate_limits

LEAST_SITES = 5  # fewer say next to nothing about how far sites differ
CHANCE_LEVEL = 0.05  # what chance gives less often than this is called real
LEAST_SITE_SD = 0.01  # sites that differ by less than a hundredth are alike
WIDEST_LOOK_SD = 3.0
WEIGHTING_ROUNDS = 2  # weights and rates depend on one another; after two rounds neither moves any more

ALL, REFERENCE = "all", "reference levels"
NOT_STATED = "not stated"
POOLED = "pooled with the other sites"
ALONE = "from its own looks only"
NOTHING_REMOVED = "nothing removed, an upper limit only"
EVERYTHING_REMOVED = "everything removed, a lower limit only"

COEFFICIENT_COLUMNS = [
    *("covariate", "level", "estimate", "standard_error"),
    *("factor", "factor_lower", "factor_upper"),
]


@dataclass(frozen=True)
class LookSpread:
    """How far looks differ from one another once places and covariates are accounted for.

    `look_sd` is the standard deviation of a place's rate from look to look, relative to the rate, by which errors were
    widened; 0 where looks differ no more than chance makes them. `p_value` says how often chance alone gives as
    much; None where no place has two removals. `dispersion` is Pearson's X2 over its degrees of freedom, for the
    record: where looks have few removals it lies below 1 whatever the spread. None without degrees of freedom.
    """

    dispersion: float | None
    p_value: float | None
    look_sd: float


@dataclass(frozen=True)
class HazardFit:
    """What grouped looks say about removal rates.

    Attributes
    ----------
    rates : DataFrame
        One row per place: its columns, `looks`, `inspected`, `removed` [items], `rate`, `rate_lower`, `rate_upper`
        [removals per 100 shackle-years] and `rate_note`. `rate_upper` is also the one-sided limit of level
        (1 + level) / 2. Where only an upper limit is known, `rate` and `rate_lower` are 0; where only a lower one
        is, `rate` and `rate_upper` are empty.
    coefficients : DataFrame
        One row per level of each covariate but the reference: `covariate`, `level`, `estimate`, `standard_error`
        [log], `factor`, `factor_lower`, `factor_upper` [ratio to the reference]. The first row is the rate of a
        middling site at all reference levels [its factor in removals per 100 shackle-years]. No rows where nothing
        was removed.
    covariance : ndarray
        Covariance of the estimates, in the order of `coefficients`.
    site_effects : DataFrame
        One row per site: its columns, `effect` and `effect_error` [log]. No rows where sites were not pooled.
    site_sd, log_site_sd_error : float or None
        Standard deviation of the site effects [log], and the standard error of its log. 0 is an answer: all sites
        are alike as far as the data show. None where sites were not pooled.
    log_likelihood : float or None
        Complete, with binomial coefficients. None where looks were weighted down: a quasi-likelihood has no scale.
    look_spread : LookSpread or None
        None where no model was fitted.
    references : dict
        The reference level of each covariate, the one with the most removals.
    is_settled : bool
        Whether the search for the maximum came to rest. Where it did not, `rates` come from each place's own looks.
    notes : tuple of str
        What was done otherwise than usual, and why.
    """

    rates: pd.DataFrame
    coefficients: pd.DataFrame
    covariance: Floats
    site_effects: pd.DataFrame
    site_sd: float | None
    log_site_sd_error: float | None
    log_likelihood: float | None
    look_spread: LookSpread | None
    references: dict[str, str]
    is_settled: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class GapExponent:
    """How the hazard of a gap grows with its length: 1 where it is steady.

    `words` reads above 1 as wear-out; below 1 as looks that differ for other reasons than chance, defects missed and
    carried over, or rejects of the first weeks.
    """

    estimate: float
    standard_error: float
    likelihood_ratio: float
    p_value: float
    words: str


@dataclass(frozen=True)
class _Model:
    looks: pd.DataFrame
    design: Floats  # one row per look
    terms: list[tuple[str, str]]
    references: dict[str, str]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Estimate:
    coefficients: Floats
    covariance: Floats
    value: float
    is_settled: bool
    effect: Floats  # one for each site, 0 where sites were not pooled
    effect_error: Floats
    site_sd: float | None = None
    log_site_sd_error: float | None = None


def grouped_looks(exposures: pd.DataFrame) -> pd.DataFrame:
    """Return the looks that have a gap, in the form the models of this module take.

    Parameters
    ----------
    exposures : DataFrame
        One row per look at a group: `previous_on`, `inspected_on`, `inspected`, `removed`, `removed_between`,
        `joined` [items] and `is_first_look`.

    Returns
    -------
    DataFrame, a part of the rows of `exposures` with all their columns
        `inspected` and `removed` now also hold the removals between looks, and `gap_years` is the mean time in
        service of the inspected: joiners count half the gap. First looks are left out. Items unaccounted for were
        never in it: nobody looked, so they carry no information.

    Examples
    --------
    >>> look = {"previous_on": "2025-01-01", "inspected_on": "2026-01-01", "is_first_look": False}
    >>> counts = {"inspected": 9, "removed": 1, "removed_between": 1, "joined": 2}
    >>> grouped_looks(pd.DataFrame([look | counts]))[["gap_years", "inspected", "removed"]].round(4).values.tolist()
    [[0.8994, 10.0, 2.0]]
    """
    looks = exposures[~exposures["is_first_look"].astype(bool)]
    days = (pd.to_datetime(looks["inspected_on"]) - pd.to_datetime(looks["previous_on"])).dt.days
    inspected = looks["inspected"] + looks["removed_between"]
    return looks.assign(
        inspected=inspected,
        removed=looks["removed"] + looks["removed_between"],
        gap_years=days / 365.25 * (1 - looks["joined"] / (2 * inspected)),
    )


def fit_hazard(
    looks: pd.DataFrame,
    site: list[str],
    place: list[str],
    covariates: list[str],
    level: float,
    look: list[str] | None = None,
    is_look_spread_allowed: bool = True,
) -> HazardFit:
    """Return the removal rate of each place, with limits, from all looks together.

    Parameters
    ----------
    looks : DataFrame
        One row per look at a group, or part of a look: `gap_years`, above 0, `inspected`, 1 or more, `removed`
        [items], and the columns named below.
    site : list of str
        Columns that together name a site; each site has an effect of its own.
    place : list of str
        Columns that together name a place, for which a rate is wanted, such as client, site and environment.
    covariates : list of str
        Columns of which each level has an effect of its own, such as environment, service_class, size_band, pin,
        use_frequency. An empty cell is a level of its own. Never the age of items, which grouped looks do not tell.
    level : float
        Two-sided level of the limits, between 0 and 1.
    look : list of str, optional
        Columns that together name a look; rows of one look are tested for spread together. By default each row is
        a look.
    is_look_spread_allowed : bool
        False takes it that looks differ by chance only, whatever the test of it says.

    Raises
    ------
    DataFault
        There are no looks, or one has no gap, nobody inspected, or removals outside 0 to inspected.

    Notes
    -----
    The log rate is the sum of covariate effects and a normal site effect; a site with little history therefore
    borrows from its like. Coefficients and the site sd are those of maximum likelihood. A place's rate is taken at
    its own mix of covariates and at the mode of its site's effect.

    Limits hold three doubts together: about the site effect, about the coefficients and about the site sd; see
    `grouped_likelihood.place_limits`. They cover as stated on average over sites, not for a site that is known to be
    unlike its kind: in a thousand simulated fleets 90 % limits held 91 % of the true rates, 90 % where looks differed
    by a factor of 1.6 or so.

    Looks differ from one another for reasons other than chance. How much is estimated from how a place's removals are
    scattered over its looks, compared with what the looks' sizes and gaps would give: a score test of extra variance
    (Dean 1992) made conditional on the removals of each place, our own derivation, so that it is not misled by sites
    with few of them. Each look is then weighted down by the variance that `look_sd` adds, and the fit repeated
    (Williams 1982), whether or not the spread is beyond doubt: to wait for proof leaves limits too narrow in logs
    that are too thin to prove it. One effect per look, integrated out, would ask for a distribution of that effect and
    yield the rate of a middling look; weighting asks for its variance only and yields the mean over looks, which is
    what items live through.

    A covariate level at which nothing was removed has no finite estimate: the likelihood keeps rising as its rate
    falls to 0, and where everything was removed, as it rises. Places that have nothing but such looks stand on their
    own, with an exact upper limit or a lower one; elsewhere the level is taken with its covariate's reference. With
    fewer than 5 sites, and where nothing was removed at all, every place stands on its own looks.

    References
    ----------
    Prentice, R. L. & Gloeckler, L. A. (1978). Regression analysis of grouped survival data with application to
    breast cancer data. Biometrics 34, 57-67.
    Dean, C. B. (1992). Testing for overdispersion in Poisson and binomial regression models. Journal of the American
    Statistical Association 87, 451-457 (from memory).
    Williams, D. A. (1982). Extra-binomial variation in logistic linear models. Applied Statistics 31, 144-148 (from
    memory).
    """
    _refuse_impossible_looks(looks)
    looks = _with_positions(looks, site, place, look)
    is_fitted = _can_be_fitted(looks, covariates)
    notes: tuple[str, ...] = ()
    if not is_fitted.all():
        notes += ("places of a kind at which nothing, or everything, was removed stand on their own looks",)
    if not is_fitted.any():
        no_weight = pd.Series(1.0, index=looks.index)
        rates = _rates_on_their_own(looks, no_weight, place, level)
        return _unfitted(rates, (*notes, "nothing removed that a model could learn from, no model"))

    model = _model(looks[is_fitted], covariates)
    is_pooled = model.looks["site_position"].nunique() >= LEAST_SITES
    estimate, weight, spread = _estimate_with_look_spread(model, is_pooled, is_look_spread_allowed)
    notes += model.notes
    if spread.look_sd > 0 and (spread.p_value or 0) < CHANCE_LEVEL:
        notes += ("looks differ more than chance allows, errors are widened",)
    if not is_pooled:
        notes += (f"fewer than {LEAST_SITES} sites, not pooled: each place stands on its own looks",)

    rates = _rates_on_their_own(looks, weight.reindex(looks.index, fill_value=1.0), place, level)
    spreads: list[Spread] = []
    if is_pooled and estimate.is_settled:
        cells = _cells(model, weight)
        spreads = likely_spreads(cells, estimate.coefficients)
    is_settled = estimate.is_settled and (bool(spreads) or not is_pooled)
    if spreads:
        pooled = _pooled_rates(model, cells, estimate, spreads, level)
        rates.loc[pooled.index, pooled.columns] = pooled
    elif not is_settled:
        notes += ("the search for the best fit did not settle: each place stands on its own looks",)
    return HazardFit(
        rates=rates.reset_index(drop=True),
        coefficients=_coefficients(model, estimate, spreads, level),
        covariance=estimate.covariance,
        site_effects=_site_effects(model, site, estimate),
        site_sd=estimate.site_sd,
        log_site_sd_error=estimate.log_site_sd_error,
        log_likelihood=_complete_log_likelihood(model, estimate) if (weight == 1).all() else None,
        look_spread=spread,
        references=model.references,
        is_settled=is_settled,
        notes=notes,
    )


def gap_exponent(
    looks: pd.DataFrame, site: list[str], covariates: list[str], look: list[str] | None = None
) -> GapExponent | None:
    """Return how the hazard of a gap grows with its length, by making the log gap a covariate.

    Parameters
    ----------
    looks, site, covariates, look
        As for `fit_hazard`.

    Returns
    -------
    GapExponent or None
        None where nothing was removed, all gaps are alike, or the fit did not settle.

    Notes
    -----
    The likelihood ratio is against an exponent of 1, with all else fitted anew. Looks that differ more than chance
    allows are weighted down first, as `fit_hazard` does: left alone they push the exponent below 1.

    References
    ----------
    McCullagh, P. & Nelder, J. A. (1989). Generalized Linear Models, 2nd ed., chapter 4. Chapman & Hall.
    """
    _refuse_impossible_looks(looks)
    looks = _with_positions(looks, site, site, look)
    looks = looks[_can_be_fitted(looks, covariates)]
    if looks.empty or np.ptp(np.log(looks["gap_years"])) == 0:
        return None
    steady = _model(looks, covariates)
    is_pooled = looks["site_position"].nunique() >= LEAST_SITES
    without, weight, _ = _estimate_with_look_spread(steady, is_pooled, True)
    log_gap = np.log(looks["gap_years"].to_numpy())
    growing = replace(
        steady,
        design=np.column_stack([steady.design, log_gap - log_gap.mean()]),
        terms=[*steady.terms, ("log gap", "")],
    )
    estimate = _estimate(growing, is_pooled, weight)
    if not (without.is_settled and estimate.is_settled):
        return None
    exponent = 1 + estimate.coefficients[-1]
    likelihood_ratio = max(0.0, 2.0 * float(estimate.value - without.value))
    p_value = float(chi2.sf(likelihood_ratio, 1))
    return GapExponent(
        estimate=float(exponent),
        standard_error=float(np.sqrt(estimate.covariance[-1, -1])),
        likelihood_ratio=likelihood_ratio,
        p_value=p_value,
        words=_steadiness(exponent, p_value),
    )


def _steadiness(exponent: float, p_value: float) -> str:
    if p_value >= CHANCE_LEVEL:
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


def _with_positions(
    looks: pd.DataFrame, site: list[str], place: list[str], look: list[str] | None
) -> pd.DataFrame:
    looks = looks.reset_index(drop=True)
    looks["site_position"] = looks.groupby(site, dropna=False).ngroup()
    looks["place_position"] = looks.groupby(["site_position", *place], dropna=False).ngroup()
    looks["look_position"] = (
        looks.groupby(["place_position", *look], dropna=False).ngroup() if look else looks.index
    )
    looks["kept"] = looks["inspected"] - looks["removed"]
    return looks


def _can_be_fitted(looks: pd.DataFrame, covariates: list[str]) -> pd.Series:
    # A place is left out if every look of it is at some level at which nothing, or everything, was removed.
    is_bounded = pd.Series((looks["removed"] > 0).any() and (looks["kept"] > 0).any(), index=looks.index)
    for covariate in covariates:
        counts = looks[["removed", "kept"]].groupby(_level(looks[covariate])).transform("sum")
        is_bounded &= (counts > 0).all(axis="columns")
    return is_bounded.groupby(looks["place_position"]).transform("any")


def _estimate_with_look_spread(
    model: _Model, is_pooled: bool, is_look_spread_allowed: bool
) -> tuple[_Estimate, pd.Series, LookSpread]:
    weight = pd.Series(1.0, index=model.looks.index)
    estimate = _estimate(model, is_pooled, weight)
    spread, weight_of_look = _look_spread(model, estimate)
    if spread.look_sd == 0 or not is_look_spread_allowed:
        return estimate, weight, replace(spread, look_sd=0.0)
    for _ in range(WEIGHTING_ROUNDS):
        weight = model.looks["look_position"].map(weight_of_look)
        estimate = _estimate(model, is_pooled, weight)
        latest, weight_of_look = _look_spread(model, estimate)
    return estimate, weight, replace(spread, look_sd=latest.look_sd)


def _model(looks: pd.DataFrame, covariates: list[str]) -> _Model:
    columns, terms = [np.ones(len(looks))], [(ALL, REFERENCE)]
    references: dict[str, str] = {}
    notes = []
    for covariate in covariates:
        levels = _level(looks[covariate])
        counts = looks[["removed", "kept"]].groupby(levels).sum()
        references[covariate] = str(counts["removed"].idxmax())
        for level in counts.index.drop([references[covariate]]):
            column = (levels == level).to_numpy(dtype=float)
            if not counts.loc[level].all():
                without = "removed" if counts.loc[level, "removed"] == 0 else "kept"
                notes.append(
                    f"{covariate} {level} without a {without} item is taken with {references[covariate]}"
                )
            elif np.linalg.matrix_rank(_distinct_rows([*columns, column])) == len(columns):
                notes.append(
                    f"{covariate} {level} cannot be told from the other covariates and has no effect of its own"
                )
            else:
                columns.append(column)
                terms.append((covariate, level))
    return _Model(looks, np.column_stack(columns), terms, references, tuple(notes))


def _level(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), NOT_STATED).astype(str)


def _distinct_rows(columns: list[Floats]) -> Floats:
    return pd.DataFrame(np.column_stack(columns)).drop_duplicates().to_numpy()


def _cells(model: _Model, weight: pd.Series) -> Cells:
    looks, weight = model.looks, weight[model.looks.index]
    alike = pd.DataFrame(model.design, index=looks.index).add_prefix("column_")
    alike = alike.assign(place=looks["place_position"], gap_years=looks["gap_years"])
    # Cells come sorted by place, and places were numbered site by site.
    cell = alike.groupby(["place", *alike.columns.drop("place")]).ngroup().to_numpy()
    first = np.unique(cell, return_index=True)[1]

    def total(values: pd.Series) -> Floats:
        return np.bincount(cell, weights=values).astype(float)

    return Cells(
        design=model.design[first],
        log_gap=np.log(looks["gap_years"].to_numpy()[first]),
        removed=total(looks["removed"] * weight),
        kept=total(looks["kept"] * weight),
        exposure=total(looks["inspected"] * looks["gap_years"]),
        site=np.unique(looks["site_position"].to_numpy()[first], return_inverse=True)[1],
        place=np.unique(looks["place_position"].to_numpy()[first], return_inverse=True)[1],
    )


def _estimate(model: _Model, is_pooled: bool, weight: pd.Series) -> _Estimate:
    cells = _cells(model, weight)
    start = np.zeros(len(model.terms))
    start[0] = np.log(cells.removed.sum() / cells.exposure.sum())
    alike = maximum(lambda coefficients: pooled_likelihood(cells, coefficients), start)
    no_effect = np.zeros(cells.site[-1] + 1)
    of_alike = _Estimate(alike.at, alike.covariance, alike.value, alike.is_settled, no_effect, no_effect)
    if not is_pooled:
        return of_alike
    # The likelihood may fall from a site sd of 0 and rise again further out: the search comes from the far side, where
    # a log sd of 0 is, and what it finds is compared with 0.
    differing = maximum(
        lambda theta: integrated_likelihood(cells, theta[:-1], theta[-1]), np.append(alike.at, 0.0)
    )
    site_sd = float(np.exp(differing.at[-1]))
    if site_sd < LEAST_SITE_SD or differing.value <= alike.value:
        return replace(of_alike, site_sd=0.0)
    effect, effect_error, _ = site_modes(cells, differing.at[:-1], site_sd)
    return _Estimate(
        coefficients=differing.at[:-1],
        covariance=differing.covariance[:-1, :-1],
        site_sd=site_sd,
        log_site_sd_error=float(np.sqrt(differing.covariance[-1, -1])),
        effect=effect,
        effect_error=effect_error,
        value=differing.value,
        is_settled=differing.is_settled,
    )


def _look_spread(model: _Model, estimate: _Estimate) -> tuple[LookSpread, pd.Series]:
    # Also returns the weight of each look: its variance by chance over its variance with the spread.
    looks = model.looks
    effect = estimate.effect[np.unique(looks["site_position"], return_inverse=True)[1]]
    hazard = looks["gap_years"] * np.exp(model.design @ estimate.coefficients + effect)
    share, inspected = -np.expm1(-hazard), looks["inspected"]
    of_look = pd.DataFrame(
        {
            "place": looks["place_position"],
            "inspected": inspected,
            "removed": looks["removed"],
            "expected": inspected * share,
            "variance": inspected * share * (1 - share),
            "by_log_rate": inspected * hazard * np.exp(-hazard),
            "own": inspected * (hazard * np.exp(-hazard)) ** 2,
        },
    )
    of_look = of_look.groupby(looks["look_position"]).agg(dict.fromkeys(of_look, "sum") | {"place": "first"})
    fitted = float(len(model.terms))
    if estimate.site_sd:
        fitted += float(np.sum(1 - (estimate.effect_error / estimate.site_sd) ** 2))
    pearson = np.sum((of_look["removed"] - of_look["expected"]) ** 2 / of_look["variance"])
    freedom = len(of_look) - fitted

    variance, p_value = _variance_between_looks(of_look)
    inflation = (of_look["by_log_rate"] ** 2 - of_look["own"]) / of_look["variance"]
    spread = LookSpread(float(pearson / freedom) if freedom >= 1 else None, p_value, float(np.sqrt(variance)))
    return spread, 1 / (1 + variance * inflation)


def _variance_between_looks(of_look: pd.DataFrame) -> tuple[float, float | None]:
    # Given a place's removals, each falls on look k with probability w_k. With phi = (look of a removal) - w, the sum
    # of phi_i * phi_j over pairs of removals has mean 0 and variance 2 r (r - 1) trace by chance, and mean
    # variance * r (r - 1) * trace if the rate varies from look to look; trace: of the square of phi's covariance.
    by_place = of_look.groupby(of_look["place"])
    removed = by_place["removed"].transform("sum")
    w = of_look["expected"] / by_place["expected"].transform("sum")
    w_squared = (w**2).groupby(of_look["place"]).transform("sum")
    pairs = removed * (removed - 1)
    of_pairs = (of_look["removed"] - removed * w) ** 2 - of_look["removed"] * (1 - 2 * w + w_squared)
    # Each item can be removed only once, so that removed items scatter a little less than so far assumed.
    once = w**2 / of_look["inspected"]
    once_of_place = once.groupby(of_look["place"]).transform("sum")
    of_pairs += pairs * (once * (1 - 2 * w) + w**2 * once_of_place)
    information = float(np.sum(pairs * w**2 * (1 - 2 * w + w_squared)))
    if information == 0:
        return 0.0, None
    excess = float(of_pairs.sum())
    variance = min(max(excess / information, 0.0), WIDEST_LOOK_SD**2)
    return variance, float(norm.sf(excess / np.sqrt(2 * information)))


def _rates_on_their_own(
    looks: pd.DataFrame, weight: pd.Series, place: list[str], level: float
) -> pd.DataFrame:
    looks = looks.assign(
        weighted_removed=weight * looks["removed"],
        shackle_years=weight * looks["gap_years"] * (looks["inspected"] - looks["removed"] / 2),
    )
    places = looks.groupby("place_position")
    rates = places[place].first().join(places[["inspected", "removed"]].sum())
    rates.insert(len(place), "looks", places["look_position"].nunique())
    removed, shackle_years = places["weighted_removed"].sum(), places["shackle_years"].sum()
    rates["rate"] = 100 * removed / shackle_years
    rates["rate_lower"], rates["rate_upper"] = exact_rate_limits(removed, shackle_years, level)
    nothing, everything = rates["removed"] == 0, rates["removed"] == rates["inspected"]
    rates["rate_note"] = np.select(
        [nothing, everything], [NOTHING_REMOVED, EVERYTHING_REMOVED], default=ALONE
    )
    for position in rates.index[everything]:
        own = looks[looks["place_position"] == position]
        rates.loc[position, ["rate", "rate_lower", "rate_upper"]] = (np.nan, _least_rate(own, level), np.nan)
    return rates


def _least_rate(looks: pd.DataFrame, level: float) -> float:
    # The rate at which removing everything would have the probability that a lower limit may have.
    tail = (1 - level) / 2

    def excess(log_rate: float) -> float:
        log_share = np.log(-np.expm1(-np.exp(log_rate) * looks["gap_years"]))
        return float((looks["inspected"] * log_share).sum() - np.log(tail))

    slowest, fastest = 1 / looks["gap_years"].max(), 1 / looks["gap_years"].min()
    items = looks["inspected"].sum()
    return 100 * np.exp(
        brentq(excess, np.log(slowest * tail / 2), np.log(fastest * np.log(2 * items / tail)))
    )


def _pooled_rates(
    model: _Model, cells: Cells, estimate: _Estimate, spreads: list[Spread], level: float
) -> pd.DataFrame:
    lower, upper = place_limits(cells, spreads, level)
    log_rate = place_log_rates(cells, estimate.coefficients, estimate.effect)
    return pd.DataFrame(
        {
            "rate": 100 * np.exp(log_rate),
            # Where the site sd is estimated as 0 the limits, which doubt that, may pass the rate by a whisker.
            "rate_lower": 100 * np.exp(np.minimum(lower, log_rate)),
            "rate_upper": 100 * np.exp(np.maximum(upper, log_rate)),
            "rate_note": POOLED,
        },
        index=np.unique(model.looks["place_position"]),
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
    return pd.DataFrame(model.terms, columns=["covariate", "level"]).assign(
        estimate=estimate.coefficients,
        standard_error=np.sqrt(np.diag(estimate.covariance)),
        factor=unit * np.exp(estimate.coefficients),
        factor_lower=unit * np.exp(np.minimum(centre - reach, estimate.coefficients)),
        factor_upper=unit * np.exp(np.maximum(centre + reach, estimate.coefficients)),
    )


def _site_effects(model: _Model, site: list[str], estimate: _Estimate) -> pd.DataFrame:
    sites = model.looks.groupby("site_position")[site].first().reset_index(drop=True)
    effects = sites.assign(effect=estimate.effect, effect_error=estimate.effect_error)
    return effects if estimate.site_sd is not None else effects.iloc[:0]


def _complete_log_likelihood(model: _Model, estimate: _Estimate) -> float:
    inspected, removed, kept = (model.looks[column] for column in ("inspected", "removed", "kept"))
    combinations = gammaln(inspected + 1) - gammaln(removed + 1) - gammaln(kept + 1)
    return float(estimate.value + combinations.sum())


def _unfitted(rates: pd.DataFrame, notes: tuple[str, ...]) -> HazardFit:
    return HazardFit(
        rates=rates,
        coefficients=pd.DataFrame(columns=COEFFICIENT_COLUMNS),
        covariance=np.empty((0, 0)),
        site_effects=pd.DataFrame(),
        site_sd=None,
        log_site_sd_error=None,
        log_likelihood=None,
        look_spread=None,
        references={},
        is_settled=True,
        notes=notes,
    )
