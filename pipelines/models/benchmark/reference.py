"""Removals expected at a site: those that the rest of the fleet would have had with its mix and its exposure."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.contracts import BenchmarkRules
from pipelines.models.grouped_likelihood import poisson_regression

SITE = ["client", "site"]
LEAST_CURVATURE = 1e-10  # of the largest; with less in some direction the search would go on without end
# What the reference knows of a cell; it does not know the site.
SURROUNDINGS = ["environment", "service_class", "use_frequency"]
ITEMS = ["size_band", "pin"]
FACTORS = SURROUNDINGS + ITEMS
SUMS = ["observed", "inspected", "shackle_years"]
# Where the others cannot tell the effect of a level, it is taken from their commonest cell of the same
# environment: the first of these factors first, the next ones only where that is not enough.
GIVEN_UP_FIRST = ["use_frequency", "service_class", "pin", "size_band"]


@dataclass(frozen=True)
class SiteReference:
    """One site beside what it is compared with.

    `own` holds the cells of the site that have a reference, `reference` the cells of the fleet it comes from; both
    with `observed`, `inspected` [items], `shackle_years` and, under the reference model, `surroundings` and `items`,
    the two multipliers whose product is the rate [removals per shackle-year], `expected` [items] and `is_borrowed`,
    where a level the reference lacks was taken from its commonest like.
    `relative_variance` is the variance of the site's expected removals over their square.
    """

    client: str
    site: str
    own: pd.DataFrame
    reference: pd.DataFrame
    is_left_out: bool
    fewest_reference_sites: int
    relative_variance: float
    not_compared: list[str]
    observed_not_compared: int
    shackle_years_not_compared: float

    @property
    def observed(self) -> int:
        """Removals in the cells that have a reference."""
        return int(self.own["observed"].to_numpy().sum())

    @property
    def expected(self) -> float:
        """Removals expected in the same cells."""
        return float(self.own["expected"].to_numpy().sum())


def site_references(cells: pd.DataFrame, rules: BenchmarkRules) -> Iterator[SiteReference]:
    """Yield each site with the removals that a reference which does not know the site expects of it.

    Parameters
    ----------
    cells : DataFrame
        One row or more per site and combination of `FACTORS`: `client`, `site`, the factors (text), `observed`
        [removals with exposure], `inspected` [items at the same looks], `shackle_years`.
    rules : BenchmarkRules
        Gives the share from which a site is left out of its own reference, and the least removals of a reference.

    Notes
    -----
    The reference is a Poisson regression with the log of exposure as offset: environment, service class, use
    frequency, size band and pin each multiply the rate. It takes for granted that they do so alike everywhere.

    A site that has more than `largest_share_of_its_reference` of the exposure of one of its environments would be
    compared with itself in good part, so that its reference is fitted without it. Then what is expected is itself
    uncertain, and `relative_variance` says by how much; for the others it is 0, which errs to fewer flags.

    A site that is alone in an environment, or whose companions there had fewer than `least_reference_removals`,
    has no reference there: those cells are left out of both what is observed and what is expected, and named in
    `not_compared`. A level of another factor that the others do not have (special service, say) is taken from
    their commonest cell of the same environment, and `is_borrowed` says so.

    References
    ----------
    McCullagh, P. & Nelder, J. A. (1989). Generalized Linear Models, 2nd ed., section 6.3.2.
    Breslow, N. E. & Day, N. E. (1987). Statistical Methods in Cancer Research II (from memory).
    """
    cells = cells[cells["shackle_years"] > 0]
    by_site = cells.groupby([*SITE, *FACTORS], as_index=False)[SUMS].sum()
    fleet = by_site.groupby(FACTORS)[SUMS].sum()
    places = by_site.groupby([*SITE, "environment"])["shackle_years"].sum()
    in_environment = places.groupby("environment")
    largest_share = (places / in_environment.transform("sum")).groupby(SITE).max()
    is_left_out = by_site[SITE].merge(
        (largest_share > rules.largest_share_of_its_reference).rename("is_left_out").reset_index()
    )["is_left_out"]
    references: list[SiteReference] = []
    if not is_left_out.all():
        shared = _Model.fitted(fleet, rules)
        references += _compared(by_site[~is_left_out], shared, False, in_environment.size())
    for _, own in by_site[is_left_out].groupby(SITE):
        without = _Model.fitted(fleet.sub(own.set_index(FACTORS)[SUMS], fill_value=0), rules)
        references += _compared(own, without, True, in_environment.size())
    yield from sorted(references, key=lambda each: (each.client, each.site))


def _compared(
    rows: pd.DataFrame, model: "_Model", is_left_out: bool, sites_by_environment: pd.Series
) -> Iterator[SiteReference]:
    """Yield each site of some rows beside one model."""
    has_reference = rows["environment"].isin(model.environments)
    priced, rest = model.priced(rows[has_reference]), rows[~has_reference]
    others = (sites_by_environment - 1).to_dict()
    own_of, rest_of = (
        dict(list(part.drop(columns=SITE).groupby([part[name] for name in SITE]))) for part in (priced, rest)
    )
    none, none_left = (part.head(0).drop(columns=SITE) for part in (priced, rest))
    for client, site in rows[SITE].drop_duplicates().itertuples(index=False):
        own = own_of.get((client, site), none)
        without = rest_of.get((client, site), none_left)
        yield SiteReference(
            client=str(client),
            site=str(site),
            own=own,
            reference=model.cells,
            is_left_out=is_left_out,
            fewest_reference_sites=min((others[name] for name in own["environment"].unique()), default=0),
            relative_variance=model.relative_variance(own) if is_left_out else 0.0,
            not_compared=sorted(without["environment"].unique()),
            observed_not_compared=int(without["observed"].sum()),
            shackle_years_not_compared=float(without["shackle_years"].sum()),
        )


@dataclass(frozen=True)
class _Model:
    """A fitted reference: effects of the levels on the log rate, and which cells they can be combined for."""

    cells: pd.DataFrame
    levels: list[tuple[str, str]]
    effects: NDArray[np.float64]
    covariance: NDArray[np.float64]
    known: NDArray[np.float64]

    @classmethod
    def fitted(cls, fleet: pd.DataFrame, rules: BenchmarkRules) -> "_Model":
        cells = _with_removals(fleet[fleet["shackle_years"] > 1e-9].reset_index(), rules)
        levels = [(factor, level) for factor in FACTORS for level in sorted(cells[factor].unique())]
        if cells.empty:
            return cls(
                cells.assign(surroundings=[], items=[], expected=[], is_borrowed=[]),
                levels,
                *_nothing_known(),
            )
        # Each level has a column, so that the design is not of full rank: the fit is made along the directions that
        # the data can tell apart, which are the singular vectors with a singular value.
        columns, sizes, directions = np.linalg.svd(_design(cells, levels), full_matrices=False)
        rank = int(np.sum(sizes > 1e-9 * sizes[0]))
        directions = directions[:rank].T
        design, exposure = columns[:, :rank], cells["shackle_years"].to_numpy()
        fit = poisson_regression(design, cells["observed"].to_numpy(dtype=float), exposure)
        mean = exposure * np.exp(design @ fit.at)
        # Nor can counts of 0 tell a rate: along some direction they may drive it to nothing, and so that of a cell that
        # nobody has to anything. Such a direction is one without curvature.
        curvature, told = np.linalg.eigh(design.T @ (design * mean[:, None]))
        has_curvature = curvature > LEAST_CURVATURE * curvature[-1]
        curvature, told = curvature[has_curvature], told[:, has_curvature]
        back = directions / sizes[:rank]
        covariance = back @ (told / curvature) @ told.T @ back.T
        known = back @ told @ told.T @ (directions * sizes[:rank]).T
        unpriced = cls(cells, levels, back @ fit.at, covariance, known)
        return replace(unpriced, cells=unpriced.priced(cells))

    @property
    def environments(self) -> set[str]:
        return set(self.cells["environment"])

    def priced(self, cells: pd.DataFrame) -> pd.DataFrame:
        """Return the cells with their multipliers and expected removals; what is borrowed is marked."""
        known = self._with_known_levels(cells)
        rows = _design(known, self.levels)
        of_items = np.array([False, *(factor in ITEMS for factor, _ in self.levels)])
        surroundings, items = (np.exp(rows[:, part] @ self.effects[part]) for part in (~of_items, of_items))
        return cells.assign(
            surroundings=surroundings,
            items=items,
            expected=surroundings * items * cells["shackle_years"],
            is_borrowed=(known[FACTORS].to_numpy() != cells[FACTORS].to_numpy()).any(axis=1),
        )

    def relative_variance(self, own: pd.DataFrame) -> float:
        if own.empty:
            return 0.0
        slope = own["expected"].to_numpy() @ _design(self._with_known_levels(own), self.levels)
        return float(slope @ self.covariance @ slope / own["expected"].sum() ** 2)

    def _with_known_levels(self, cells: pd.DataFrame) -> pd.DataFrame:
        unknown = ~self._can_tell(cells)
        if not unknown.any():
            return cells
        cells = cells.copy()
        told = self.cells[self._can_tell(self.cells)]
        commonest = told.loc[told.groupby("environment")["shackle_years"].idxmax()]
        commonest = commonest.set_index("environment")
        for factor in GIVEN_UP_FIRST:
            cells.loc[unknown, factor] = cells.loc[unknown, "environment"].map(commonest[factor])
            unknown = ~self._can_tell(cells)
        return cells

    def _can_tell(self, cells: pd.DataFrame) -> NDArray[np.bool_]:
        """Return for which cells the data tell the rate: those whose row is a sum of multiples of the design's."""
        rows = _design(cells, self.levels)
        has_levels = rows.sum(axis=1) == 1 + len(FACTORS)
        return has_levels & (np.abs(rows @ self.known - rows).max(axis=1, initial=0) < 1e-6)


def _with_removals(cells: pd.DataFrame, rules: BenchmarkRules) -> pd.DataFrame:
    """Return the cells without environments of too few removals, and without other levels that have none at all."""
    cells = cells[_removals_of_level(cells, "environment") >= rules.least_reference_removals]
    while True:
        removals = np.array([_removals_of_level(cells, factor) for factor in FACTORS])
        has_removals = (removals > 0).all(axis=0)
        if has_removals.all():
            return cells.reset_index(drop=True)
        cells = cells.iloc[np.flatnonzero(has_removals)]


def _removals_of_level(cells: pd.DataFrame, factor: str) -> NDArray[np.float64]:
    level = pd.factorize(cells[factor])[0]
    return np.bincount(level, cells["observed"]).astype(float)[level]


def _design(cells: pd.DataFrame, levels: list[tuple[str, str]]) -> NDArray[np.float64]:
    held = {factor: cells[factor].to_numpy(dtype=object) for factor in FACTORS}
    columns = [np.ones(len(cells)), *(held[factor] == level for factor, level in levels)]
    return np.column_stack(columns).astype(float)


def _nothing_known() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    return np.zeros(1), np.zeros((1, 1)), np.zeros((1, 1))
