"""Funnel limits of a ratio, how much sites spread beyond chance, and which sites lie outside."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, false_discovery_control, nbinom, norm, poisson

Floats = NDArray[np.float64]
CLEARLY_LIKELIER = 1.0  # log-likelihood


@dataclass(frozen=True)
class Spread:
    """How much the ratios of sites spread beyond chance: `kind` is `none`, `additive` or `multiplicative`.

    `phi` is the mean winsorised square of z, `tau2` the variance of the sites' true ratios; both on the ratio scale.
    """

    kind: str
    phi: float
    tau2: float

    def extra_variance(self, expected: ArrayLike) -> Floats:
        """Return the variance of a ratio beyond that of a Poisson count, for sites of these expected removals."""
        expected = np.asarray(expected, dtype=float)
        if self.kind == "multiplicative":
            return (self.phi - 1) / expected
        return np.full(expected.shape, self.tau2 if self.kind == "additive" else 0.0)


def funnel_limits(expected: ArrayLike, tail: float, extra_variance: ArrayLike = 0.0) -> tuple[Floats, Floats]:
    """Return the funnel limits of a ratio: how far chance carries a site that is like the others.

    Parameters
    ----------
    expected : array_like of float, shape (n,)
        Expected removals [items], above 0.
    tail : float
        Probability beyond each limit: 0.025 for 95 % limits, 0.001 for 99.8 %.
    extra_variance : array_like of float
        Variance of the ratio beyond a Poisson count's: spread of the sites, uncertainty of what is expected.

    Returns
    -------
    lower, upper : ndarray of float, shape (n,)
        Limits [ratio], `lower` 0 or more.

    Notes
    -----
    A whole count cannot lie beyond a limit with just the probability asked for, so that the limits are interpolated
    between two counts, which makes them smooth in a drawing. The upper one runs below the last ordinary count:
    whether a site is outside is for `tail_probabilities` to say, not for the line. With extra variance the counts
    are negative binomial; where many are expected that is `1 ± z sqrt(1 / expected + extra_variance)`.

    References
    ----------
    Spiegelhalter, D. J. (2005). Funnel plots for comparing institutional performance. Statistics in Medicine 24,
    1185-1202.

    Examples
    --------
    >>> lower, upper = funnel_limits([10.0], tail=0.025)
    >>> print(f"{lower[0]:.3f} to {upper[0]:.3f}")
    0.378 to 1.616
    """
    counts = _Counts(expected, extra_variance)
    lower, upper = (counts.interpolated(probability) / counts.expected for probability in (tail, 1 - tail))
    return np.maximum(lower, 0), upper


def tail_probabilities(
    observed: ArrayLike, expected: ArrayLike, extra_variance: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Return the probabilities of so few removals or fewer, and of so many or more, at a site like the others.

    Parameters
    ----------
    observed : array_like of int, shape (n,)
        Removals [items], 0 or more.
    expected, extra_variance
        As for `funnel_limits`.

    Examples
    --------
    >>> few, many = tail_probabilities([18], [10.0])
    >>> print(f"{few[0]:.3f} {many[0]:.4f}")
    0.993 0.0143
    """
    counts = _Counts(expected, extra_variance)
    observed = np.asarray(observed)
    return counts.up_to(observed), counts.from_on(observed)


def measured_spread(
    observed: ArrayLike,
    expected: ArrayLike,
    tail: float,
    winsorised_share: float,
    relative_variance: ArrayLike = 0.0,
) -> Spread:
    """Return how much sites spread beyond chance, and in which of the two published ways.

    Parameters
    ----------
    observed, expected : array_like, shape (n,)
        Removals and expected removals of the sites [items].
    tail : float
        There is no spread as long as chance alone gives as much more often than this.
    winsorised_share : float
        Share of the sites at each end whose z is drawn in to the next one's, so that a few sites that stand out
        do not pass for spread of all.
    relative_variance : array_like of float
        Variance of each expected count over its square.

    Notes
    -----
    z is (observed - expected) over its standard deviation by chance. `phi` is the mean of its square, `tau2` the
    moment estimate of DerSimonian and Laird. With `multiplicative` spread every limit is wider by sqrt(phi), with
    `additive` spread the sites' true ratios have variance tau2, which matters most where many are expected. It
    suits differences between sites that the reference does not know of, and is taken unless the ratios (normal, with
    either's variance) are clearly likelier under the other: by more than one unit of log-likelihood, which is common
    practice for models with as many constants, no source.

    References
    ----------
    Spiegelhalter (2005), as above. DerSimonian, R. & Laird, N. (1986). Meta-analysis in clinical trials. Controlled
    Clinical Trials 7, 177-188 (from memory).
    """
    observed, expected = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    sites = len(observed)
    if sites < 2:
        return Spread("none", 1.0, 0.0)
    by_chance = 1 / expected + np.asarray(relative_variance)
    z = (observed / expected - 1) / np.sqrt(by_chance)
    drawn_in = np.clip(z, *np.quantile(z, [winsorised_share, 1 - winsorised_share]))
    phi = float(np.mean(drawn_in**2))
    weights = 1 / by_chance
    tau2 = (sites * phi - (sites - 1)) / (weights.sum() - (weights**2).sum() / weights.sum())
    tau2 = max(0.0, float(tau2))
    if chi2.sf(np.sum(z**2), sites) > tail or phi <= 1 or tau2 == 0:
        return Spread("none", phi, tau2)
    ratio = observed / expected
    additive = norm.logpdf(ratio, 1, np.sqrt(by_chance + tau2)).sum()
    multiplicative = norm.logpdf(ratio, 1, np.sqrt(phi * by_chance)).sum()
    return Spread("multiplicative" if multiplicative > additive + CLEARLY_LIKELIER else "additive", phi, tau2)


def flags(few: Floats, many: Floats, tail: float, far_tail: float) -> NDArray[np.object_]:
    """Return where each site lies: `far above`, `above`, `within`, `below` or `far below` its funnel limits.

    Parameters
    ----------
    few, many : ndarray of float, shape (n,)
        Probabilities of as few, and of as many, removals by chance, as `tail_probabilities` returns them.
    tail, far_tail : float
        What lies beyond the inner and the outer limits, on either side [probability].

    Examples
    --------
    >>> few, many = tail_probabilities([30, 18, 10, 3, 0], [10.0] * 5)
    >>> print(*flags(few, many, 0.025, 0.001), sep=", ")
    far above, above, within, below, far below
    """
    conditions = [many <= far_tail, few <= far_tail, many <= tail, few <= tail]
    names = ["far above", "far below", "above", "below"]
    return np.select(conditions, names, default="within").astype(object)


def false_discovery_values(few: Floats, many: Floats) -> Floats:
    """Return for each site the share of chance findings among the sites that lie as far out as it does, or farther.

    Sites with a value up to q are said to stand out; then at most the share q of them is chance, on average.

    References
    ----------
    Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate. Journal of the Royal Statistical
    Society B 57, 289-300.

    >>> print(false_discovery_values(np.array([0.5, 0.5, 0.001]), np.array([0.5, 0.5, 0.999])).round(3))
    [1.    1.    0.006]
    """
    two_sided = np.minimum(1, 2 * np.minimum(few, many))
    return np.asarray(false_discovery_control(two_sided)) if len(two_sided) else two_sided


class _Counts:
    """Counts that chance gives: Poisson, or negative binomial where the mean itself varies."""

    def __init__(self, expected: ArrayLike, extra_variance: ArrayLike) -> None:
        self.expected, extra = np.broadcast_arrays(
            np.asarray(expected, dtype=float), np.asarray(extra_variance, dtype=float)
        )
        # So little extra variance changes no count, while the negative binomial would lose its digits.
        self._is_poisson = extra * self.expected < 1e-9
        self._shape = 1 / np.where(self._is_poisson, 1.0, extra)
        self._chance = self._shape / (self._shape + self.expected)

    def up_to(self, count: NDArray) -> Floats:
        return np.where(
            self._is_poisson,
            poisson.cdf(count, self.expected),
            nbinom.cdf(count, self._shape, self._chance),
        )

    def from_on(self, count: NDArray) -> Floats:
        return np.where(
            self._is_poisson,
            poisson.sf(count - 1, self.expected),
            nbinom.sf(count - 1, self._shape, self._chance),
        )

    def interpolated(self, probability: float) -> Floats:
        """Return the least count with so much probability up to it, less what it has too much."""
        count = np.where(
            self._is_poisson,
            poisson.ppf(probability, self.expected),
            nbinom.ppf(probability, self._shape, self._chance),
        )
        up_to, before = self.up_to(count), self.up_to(count - 1)
        return count - (up_to - probability) / (up_to - before)
