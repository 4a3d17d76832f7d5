"""How often the benchmark flags sites whose truth is known: alike, in a harsh environment, or with doubled hazard.

Run from the repository: `python tests/benchmarks/benchmark_study.py [FLEETS]`; 1,000 fleets by default. It prints each
measured share beside the one that the exact tails give for a known expected count.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import poisson

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark import compared_sites, site_references

# Removals per shackle-year; harsh is what a raw league table would punish.
RATES = {"indoor dry": 0.02, "outdoor inland": 0.05, "acid pickling": 0.30}
BANDS = {"up to 19 mm": 1.1, "over 19 mm": 0.9}
SITES = 24
HARSH, DOUBLED = "Site 00", "Site 01"
RULES = replace(benchmark_rules(), posterior_draws=10)  # ranks are not looked at here


@dataclass
class Tally:
    """Sites looked at, how often each outcome came, and how often it should have by the exact tails."""

    looked_at: int = 0
    above: int = 0
    below: int = 0
    far: int = 0
    nominal_above: float = 0.0
    nominal_below: float = 0.0

    def shares(self) -> dict[str, float]:
        """Return all as shares of the sites looked at."""
        counts = {
            name: getattr(self, name) for name in ("above", "below", "far", "nominal_above", "nominal_below")
        }
        return {name: count / self.looked_at for name, count in counts.items()}


def fleet(generator: np.random.Generator, doubled: bool) -> tuple[pd.DataFrame, pd.Series]:
    """Return the cells of a fleet, and the removals truly expected of each site were it like the others."""
    rows = []
    for number in range(SITES):
        site = f"Site {number:02}"
        mild = generator.uniform(0.2, 1.0)
        mix = {"indoor dry": mild, "outdoor inland": 1 - mild, "acid pickling": generator.uniform(0, 0.15)}
        if site == HARSH:
            mix = {"indoor dry": 0.1, "outdoor inland": 0.0, "acid pickling": 0.9}
        years = generator.uniform(300, 900) * (0.25 if site == HARSH else 1.0)
        for environment, share in mix.items():
            for band, multiplier in BANDS.items():
                exposure = years * share / len(BANDS) * generator.uniform(0.5, 1.5)
                rows.append((site, environment, band, exposure, exposure * RATES[environment] * multiplier))
    cells = pd.DataFrame(
        rows, columns=["site", "environment", "size_band", "shackle_years", "truly_expected"]
    )
    cells = cells[cells["shackle_years"] > 0]
    hazard = np.where((cells["site"] == DOUBLED) & doubled, 2.0, 1.0)
    cells["observed"] = generator.poisson(cells["truly_expected"] * hazard)
    cells = cells.assign(
        client="one", service_class="normal", use_frequency="daily", pin="screw pin", inspected=100
    )
    return cells, cells.groupby("site")["truly_expected"].sum()


def study(fleets: int, seed: int, doubled: bool) -> tuple[Tally, Tally, Tally, int]:
    """Return the tallies of ordinary sites, of the harsh one and of the doubled one, and fleets where one stood out."""
    generator = np.random.default_rng(seed)
    ordinary, harsh, raised = Tally(), Tally(), Tally()
    with_findings = 0
    for _ in range(fleets):
        cells, truly = fleet(generator, doubled)
        sites = compared_sites(list(site_references(cells, RULES)), RULES).set_index("site")
        others = sites.index.difference([HARSH, DOUBLED])
        for tally, names in ((ordinary, others), (harsh, [HARSH]), (raised, [DOUBLED])):
            hazard = 2.0 if tally is raised and doubled else 1.0
            _count(tally, sites.loc[names, "flag"], truly[names].to_numpy(), hazard)
        with_findings += bool(sites.loc[others, "stands_out"].any() or sites.loc[HARSH, "stands_out"])
    return ordinary, harsh, raised, with_findings


def _count(tally: Tally, flag: pd.Series, expected: np.ndarray, hazard: float) -> None:
    tally.looked_at += len(flag)
    tally.above += int(flag.isin(["above", "far above"]).sum())
    tally.below += int(flag.isin(["below", "far below"]).sum())
    tally.far += int(flag.isin(["far above", "far below"]).sum())
    upper, lower = (poisson.ppf(tail, expected) for tail in (1 - RULES.funnel_tail, RULES.funnel_tail))
    tally.nominal_above += float(poisson.sf(upper, hazard * expected).sum())
    tally.nominal_below += float(poisson.cdf(lower - 1, hazard * expected).sum())


def main() -> None:
    """Print the whole study."""
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for doubled in (False, True):
        ordinary, harsh, raised, with_findings = study(fleets, 7, doubled)
        what = "one site of doubled hazard" if doubled else "all sites alike"
        print(f"{fleets:,} fleets of {SITES} sites, {what}")
        kinds = {"ordinary sites": ordinary, "the harsh site": harsh}
        kinds["the doubled site" if doubled else "one more ordinary site"] = raised
        for name, tally in kinds.items():
            share = tally.shares()
            print(
                f"  {name:24} above {100 * share['above']:6.2f} % (exact tails {100 * share['nominal_above']:.2f} %)   "
                f"below {100 * share['below']:6.2f} % (exact tails {100 * share['nominal_below']:.2f} %)   "
                f"beyond 99.8 % {100 * share['far']:6.2f} %"
            )
        print(f"  fleets in which a site like the others stood out: {100 * with_findings / fleets:.2f} %")


if __name__ == "__main__":
    main()
