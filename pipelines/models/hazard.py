"""Removal rates from grouped looks: covariates, and site effects that let a thin site borrow from its like.

At each look the removed are Binomial(inspected, 1 - exp(-rate * gap)): nobody saw when in the gap an item became
rejectable. Takes for granted that the hazard is steady (`gap_exponent` asks), that a look finds what is there
(`detection_sensitivity` asks), and that items go one by one, or no more unevenly than `LookSpread` allows for.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
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
    pooled_curvature_by_spread,
    pooled_likelihood,
    site_modes,
)
from pipelines.models.limits import Floats, exact_rate_limits

LEAST_SITES = 5  # fewer say next to nothing about how far sites differ
CHANCE_LEVEL = 0.05  # a spread that chance gives less often than this is taken as real
DETECTIONS = (1.0, 0.9, 0.8)  # shares of the rejectable items that a look finds
WORST_SHARE_FOUND = 1 - 1e-12  # keeps the logarithm of a likelihood finite

NOT_STATED = "not stated"
POOLED = "pooled with the other sites"
ALONE = "from its own looks only"
NOTHING_REMOVED = "nothing removed, an upper limit only"
EVERYTHING_REMOVED = "everything removed, a lower limit only"


@dataclass(frozen=True)
class LookSpread:
    """How far looks differ from one another once places and covariates are accounted for.

    `dispersion` is Pearson's X2 over its degrees of freedom, `p_value` how often chance alone gives as much.
    `look_sd` is the spread of the rate from look to look that would explain it, relative to the rate; 0 where chance
    would do, and then nothing was widened.
    """

    dispersion: float
    p_value: float
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
        None where there are no more looks than quantities fitted.
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
    tilt: Floats
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Estimate:
    coefficients: Floats
    covariance: Floats
    site_sd: float | None
    log_site_sd_error: float | None
    effect: Floats
    effect_error: Floats
    value: float
    is_settled: bool


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
    `grouped_likelihood.place_limits`. They cover as stated on average over sites, not for each kind of site apart.

    Looks that differ more than chance allows (Pearson's X2 of the fit with site effects against its exact null mean
    and nearly exact variance) are weighted down, each by the variance that a spread `look_sd` of its rate adds, and
    the fit is repeated (Williams 1982). One effect per look, integrated out, would ask for a distribution of that
    effect and yield the rate of a middling look; a quasi-likelihood asks for its variance only and yields the mean
    over looks, which is what becomes of shackles over the years.

    A covariate level at which nothing was removed has no finite estimate: the likelihood keeps rising as its rate
    falls to 0. It gets a prior that is flat in the rate, as exact upper limits do, so that its places have upper
    limits that borrow what can be borrowed. One at which everything was removed is left out and gets a lower limit.
    With fewer than 5 sites, and where nothing was removed at all, each place stands on its own looks, with exact
    limits.

    References
    ----------
    Prentice, R. L. & Gloeckler, L. A. (1978). Regression analysis of grouped survival data with application to
    breast cancer data. Biometrics 34, 57-67.
    Williams, D. A. (1982). Extra-binomial variation in logistic linear models. Applied Statistics 31, 144-148 (from
    memory).
    """
    _refuse_impossible_looks(looks)
    looks = _with_positions(looks, site, place, look)
    has_limit = ~_is_at_level_with_nothing_kept(looks, covariates)
    notes: tuple[str, ...] = ()
    if not has_limit.all():
        notes += ("places of a kind at which everything was removed are left out of the model",)
    if not looks.loc[has_limit, "removed"].any():
        return _unfitted(looks, place, level, (*notes, "nothing removed at all, no model"))

    model = _model(looks[has_limit], covariates)
    is_pooled = model.looks["site_position"].nunique() >= LEAST_SITES
    estimate, weight, spread = _estimate_with_look_spread(model, is_pooled)
    notes += model.notes
    if spread is not None and spread.look_sd > 0:
        notes += ("looks differ more than chance allows, errors are widened",)
    if not is_pooled:
        notes += (f"fewer than {LEAST_SITES} sites, not pooled: each place stands on its own looks",)
    elif not estimate.is_settled:
        notes += ("the search for the best fit did not settle: each place stands on its own looks",)

    rates = _rates_on_their_own(looks, weight.reindex(looks.index, fill_value=1.0), place, level)
    spreads = [Spread(0.0, 1.0, estimate.coefficients, estimate.covariance)]
    if is_pooled and estimate.is_settled:
        cells = _cells(model, weight)
        spreads = likely_spreads(cells, estimate.coefficients)
        pooled = _pooled_rates(model, cells, estimate, spreads, level)
        rates.loc[pooled.index, pooled.columns] = pooled
    return HazardFit(
        rates=rates.reset_index(drop=True),
        coefficients=_coefficients(model, estimate.coefficients, estimate.covariance, spreads, level),
        covariance=estimate.covariance,
        site_effects=_site_effects(model, site, estimate),
        site_sd=estimate.site_sd,
        log_site_sd_error=estimate.log_site_sd_error,
        log_likelihood=_complete_log_likelihood(model, estimate) if (weight == 1).all() else None,
        look_spread=spread,
        references=model.references,
        is_settled=estimate.is_settled,
        notes=notes,
    )


def gap_exponent(looks: pd.DataFrame, site: list[str], covariates: list[str], look: list[str] | None = None) -> GapExponent | None:
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
    looks = looks[~_is_at_level_with_nothing_kept(looks, covariates)]
    if not looks["removed"].any() or np.ptp(np.log(looks["gap_years"])) == 0:
        return None
    steady = _model(looks, covariates)
    is_pooled = looks["site_position"].nunique() >= LEAST_SITES
    without, weight, _ = _estimate_with_look_spread(steady, is_pooled)
    log_gap = np.log(looks["gap_years"].to_numpy())
    growing = replace(
        steady,
        design=np.column_stack([steady.design, log_gap - log_gap.mean()]),
        terms=[*steady.terms, ("log gap", "")],
        tilt=np.append(steady.tilt, 0.0),
    )
    estimate = _estimate(growing, is_pooled, weight)
    if not (without.is_settled and estimate.is_settled):
        return None
    exponent = 1 + estimate.coefficients[-1]
    likelihood_ratio = max(0.0, 2 * (estimate.value - without.value))
    p_value = float(chi2.sf(likelihood_ratio, 1))
    return GapExponent(
        estimate=float(exponent),
        standard_error=float(np.sqrt(estimate.covariance[-1, -1])),
        likelihood_ratio=likelihood_ratio,
        p_value=p_value,
        words=_steadiness(exponent, p_value),
    )
