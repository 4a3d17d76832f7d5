"""How far the limits of a place's rate, and the intervals that rest on them, can be trusted: fleets of known truth.

Each fleet has 6 to 24 sites, each of them one to three environments, and groups of 5, 20, 60 or 150 shackles that were
looked at every one to twelve months for years, or only twice. Base rates, the spread of sites and the spread of the
environments of one site are drawn anew for each fleet, so that many places saw nothing removed. Run
`python tests/benchmarks/coverage_study.py [FLEETS]`; by default a thousand fleets for each kind, some minutes each.
"""

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.models.hazard import PLACE, SITE, fit_hazard
from pipelines.models.intervals import longest_months, whole_months
from pipelines.models.limits import exact_rate_limits

LIMITS_LEVEL, UPPER_LEVEL = 0.90, 0.95
SHARE_FOUND, SHARE_IN_SERVICE = 0.05, 0.025  # targets of an interval
LONGEST_MONTHS = 12

ENVIRONMENTS = np.array(["indoor dry", "outdoor inland", "marine spray"])
SMALL = 5  # shackles at a place
FEW, MANY = 3, 20  # removals at a place


@dataclass(frozen=True)
class Kind:
    """A kind of fleet: what may differ in it beyond base rates and sites, and what the fit takes to have an effect."""

    name: str
    place_sd: float = 0.0  # of the log rate among the environments of one site
    look_sd: float = 0.0  # of the log rate among the looks at one place
    effect_of: tuple[str, ...] = tuple(PLACE)


KINDS = [
    Kind("environments alike at each site"),
    Kind("environments alike at each site, effects by site", effect_of=tuple(SITE)),
    Kind("environments differ by site", place_sd=0.3),
    Kind("environments differ by site, effects by site", place_sd=0.3, effect_of=tuple(SITE)),
    Kind("looks differ", look_sd=0.5),
    Kind("environments differ by site and looks differ", place_sd=0.3, look_sd=0.5),
]


def fleet(generator: np.random.Generator, kind: Kind) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the looks of a fleet, and each place with its true rate per 100 shackle-years and its shackles."""
    base_rate = generator.choice([0.01, 0.03, 0.1]) * np.array([1.0, 2.0, 4.0])
    site_sd = generator.choice([0.0, 0.3, 0.6, 0.9])
    looks, places = [], []
    for site in range(generator.integers(6, 25)):
        site_effect = generator.normal(0, site_sd)
        for environment in generator.choice(3, generator.integers(1, 4), replace=False):
            rate = base_rate[environment] * np.exp(site_effect + generator.normal(0, kind.place_sd))
            shackles = generator.choice([SMALL, 20, 60, 150])
            usual_gap = generator.choice([1 / 12, 0.25, 0.5, 1.0])
            count = generator.integers(2, 9) if usual_gap >= 0.5 else generator.integers(6, 25)
            gap_years = usual_gap * generator.choice([1, 1, 1, 0.5], count)
            at_look = np.exp(generator.normal(-(kind.look_sd**2) / 2, kind.look_sd, count))
            removed = generator.binomial(shackles, -np.expm1(-rate * at_look * gap_years))
            place = {"client": "one", "site": site, "environment": ENVIRONMENTS[environment]}
            seen = {"gap_years": gap_years, "inspected": shackles, "removed": removed}
            looks.append(pd.DataFrame({"inspected_on": range(count)} | seen).assign(**place))
            places.append(place | {"shackles": shackles, "true_rate": 100 * rate})
    return pd.concat(looks, ignore_index=True), pd.DataFrame(places)


def places_of_fleets(kind: Kind, seeds: range) -> pd.DataFrame:
    """Return each place of many fleets with its true rate, its fitted rate with limits, and its exact limits."""
    fleets = []
    for seed in seeds:
        looks, places = fleet(np.random.default_rng(seed), kind)
        fit = fit_hazard(looks, ["environment"], LIMITS_LEVEL, UPPER_LEVEL, effect_of=list(kind.effect_of))
        actuarial = looks["gap_years"] * (looks["inspected"] - looks["removed"] / 2)
        shackle_years = actuarial.groupby([looks[column] for column in PLACE]).sum().rename("shackle_years")
        rates = fit.rates.merge(shackle_years.reset_index(), on=PLACE)
        fleets.append(places.merge(rates, on=PLACE, validate="1:1").assign(fleet=seed))
    places = pd.concat(fleets, ignore_index=True)
    own = {name: places[name] * places["look_weight"] for name in ("removed", "shackle_years")}
    places["exact_lower"], places["exact_upper"] = exact_rate_limits(**own, level=LIMITS_LEVEL)
    places["exact_one_sided"] = exact_rate_limits(**own, level=2 * UPPER_LEVEL - 1)[1]
    return places


def too_long(places: pd.DataFrame, upper: str) -> pd.Series:
    """Return whether the interval that the upper limit advises is longer than the rate of that place truly allows.

    Both are the whole months that meet both targets, one month at least and twelve at most, as `recommend_intervals`
    computes them. Its other rules are left out: they only make an interval shorter, or keep the one in use.
    """

    def months(rate: pd.Series) -> np.ndarray:
        meets_both = np.minimum(*longest_months(rate, SHARE_FOUND, SHARE_IN_SERVICE))
        return np.clip(whole_months(meets_both), 1, LONGEST_MONTHS)

    return pd.Series(months(places[upper]) > months(places["true_rate"]), index=places.index)


def figures(places: pd.DataFrame) -> dict[str, float]:
    """Return the shares of places, in per cent, whose limits hold and whose advised interval is too long."""
    true_rate = places["true_rate"]
    pooled = places["is_pooled"]
    holds = true_rate.between(places["rate_lower"], places["rate_upper"])
    exact = true_rate.between(places["exact_lower"], places["exact_upper"])
    return {
        "places": len(places),
        "pooled": pooled.mean(),
        "model 90 %": holds[pooled].mean(),
        "model upper 95 %": (true_rate <= places["rate_upper_one_sided"])[pooled].mean(),
        "exact 90 %": exact.mean(),
        "too long": too_long(places, "rate_upper_one_sided").mean(),
        "too long, exact": too_long(places, "exact_one_sided").mean(),
        "width": np.log(places["rate_upper"] / places["rate_lower"])[pooled].mean(),
        "exact upper / model upper": np.exp(
            np.log(places["exact_one_sided"] / places["rate_upper_one_sided"])[pooled].mean()
        ),
    }


def table(kind: Kind, seeds: range) -> pd.DataFrame:
    """Return the figures of all places of a kind of fleet, and of the small ones among them."""
    places = places_of_fleets(kind, seeds)
    parts = {
        "all": places["removed"] >= 0,
        f"{SMALL} shackles": places["shackles"] == SMALL,
        "nothing removed": places["removed"] == 0,
        f"under {FEW} removed": places["removed"] < FEW,
        f"{MANY} or more removed": places["removed"] >= MANY,
    }
    return pd.DataFrame({part: figures(places[is_in]) for part, is_in in parts.items()}).T


def main() -> None:
    """Print one table for each kind of fleet."""
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for kind in KINDS:
        print(f"\n{kind.name}, {fleets} fleets")
        print(table(kind, range(fleets)).round(3).to_string(), flush=True)


if __name__ == "__main__":
    main()
