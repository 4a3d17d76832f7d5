"""Print how long the hazard fit takes, and its ratio to statsmodels and to R's glmer on the same log, with their answers.

    OMP_NUM_THREADS=1 python tests/benchmarks/fits.py [--places 334] [--months 60]

Each place is one environment of a site, looked at once a month: 334 of them in 60 months are 20,000 cells. statsmodels
fits the same link and offset without site effects, on the log as it comes and on the aggregated cells; glmer fits the same
model, so far as Rscript and lme4 are at hand (Debian: r-base-core, r-cran-lme4): by Laplace's approximation, which is how
it comes, and by quadrature with 25 points, which is as exact as the fit here.
"""

import argparse
import json
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm

from pipelines.models.hazard import fit_hazard

REPEATS = 3
PLACE, COVARIATES = ["site", "environment"], ["environment", "service_class"]
GLMER = """
suppressMessages(library(lme4))
looks <- read.csv(commandArgs(TRUE)[1])
seconds <- system.time(fit <- glmer(cbind(removed, inspected - removed) ~ environment + service_class + (1 | site),
    family = binomial("cloglog"), offset = log(gap_years), data = looks, nAGQ = as.integer(commandArgs(TRUE)[2])))
cat(sprintf('{"seconds": %.2f, "effect_sd": %.6f}', seconds[["user.self"]] + seconds[["sys.self"]], fit@theta))
"""


def simulated_log(look_sd: float, places: int, months: int) -> pd.DataFrame:
    """Return monthly looks at so many places: gaps of 28, 30 or 31 days, 5 to 150 shackles, 2 to 20 removed per 100 years."""
    generator = np.random.default_rng(11)
    cell = np.repeat(np.arange(places), months)
    environment = generator.integers(0, 3, places)
    service_class = generator.integers(0, 2, places)
    log_rate = np.log(0.03) + 0.6 * environment + 0.3 * service_class + generator.normal(0, 0.5, places)
    inspected = generator.choice([5, 20, 60, 150], places)[cell]
    gap_years = generator.choice([28, 30, 31], cell.size) / 365.25
    at_look = generator.normal(-(look_sd**2) / 2, look_sd, cell.size)
    removed = generator.binomial(inspected, -np.expm1(-np.exp(log_rate[cell] + at_look) * gap_years))
    return pd.DataFrame(
        {
            "client": "one",
            "site": cell,
            "inspected_on": np.tile(np.arange(months), places),
            "environment": np.array(["indoor dry", "outdoor inland", "marine spray"])[environment[cell]],
            "service_class": np.array(["normal", "severe"])[service_class[cell]],
            "gap_years": gap_years,
            "inspected": inspected,
            "removed": removed,
        }
    )


def fit_by_glm(looks: pd.DataFrame) -> None:
    """Fit the same link, offset and covariates with statsmodels, all sites taken alike."""
    dummies = pd.get_dummies(looks[COVARIATES], drop_first=True, dtype=float)
    outcome = np.column_stack([looks["removed"], looks["inspected"] - looks["removed"]])
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    sm.GLM(outcome, sm.add_constant(dummies), family=family, offset=np.log(looks["gap_years"])).fit()


def least_seconds(job: Callable[[], object]) -> float:
    """Return the processor time of the quickest of a few runs."""
    seconds = []
    for _ in range(REPEATS):
        start = time.process_time()
        job()
        seconds.append(time.process_time() - start)
    return min(seconds)


def by_glmer(looks: pd.DataFrame, points: int) -> dict[str, float]:
    """Return the processor time of lme4's fit and the sd of its site effects; nothing where R or lme4 is not at hand."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        return {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "looks.csv"
        looks.to_csv(path, index=False)
        words = [rscript, "-e", GLMER, path, str(points)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    return json.loads(done.stdout) if done.returncode == 0 else {}


def main() -> None:
    """Print one line per log and per rival."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--places", type=int, default=334)
    asked.add_argument("--months", type=int, default=60)
    options = asked.parse_args()
    for look_sd in (0.0, 0.4):
        looks = simulated_log(look_sd, options.places, options.months)
        by = [*PLACE, "service_class", "gap_years"]
        cells = looks.groupby(by, as_index=False)[["inspected", "removed"]].sum()
        print(f"look sd {look_sd}: {len(looks):,} looks, {len(cells):,} cells after aggregation")
        ours = least_seconds(lambda looks=looks: fit_hazard(looks, COVARIATES, 0.9, 0.95))
        print(f"  {'fit_hazard, with limits and look spread':<58} {ours:7.2f} s")
        plain = fit_hazard(looks, COVARIATES, 0.9, 0.95, is_look_spread_allowed=False)
        seconds = least_seconds(
            lambda looks=looks: fit_hazard(looks, COVARIATES, 0.9, 0.95, is_look_spread_allowed=False)
        )
        print(f"  {f'fit_hazard as glmer has it, sd of effects {plain.effect_sd:.4f}':<58} {seconds:7.2f} s")
        for name, frame in (("every look", looks), ("the cells", cells)):
            glm = least_seconds(lambda frame=frame: fit_by_glm(frame))
            print_rival(f"statsmodels GLM on {name}, no site effects", glm, ours)
        for name, points in (("Laplace", 1), ("25 points", 25)):
            glmer = by_glmer(looks, points)
            sd = f", sd of effects {glmer['effect_sd']:.4f}" if glmer else ""
            print_rival(f"lme4 glmer on every look, {name}{sd}", glmer.get("seconds"), seconds)


def print_rival(name: str, rival: float | None, ours: float) -> None:
    """Print how long a rival takes, and how many times as long as the fit here."""
    figure = "not at hand" if rival is None else f"{rival:7.2f} s, {rival / ours:.1f} times as long"
    print(f"  {name:<58} {figure}")


if __name__ == "__main__":
    main()
