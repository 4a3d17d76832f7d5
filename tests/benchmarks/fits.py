"""Print how long the hazard fit takes, and its ratio to statsmodels and to R's glmer on the same log.

Run with one thread, `OMP_NUM_THREADS=1 python tests/benchmarks/fits.py`: 1 000 site-environment cells of 60 months.
statsmodels fits the same link and offset without site effects, on the log as it comes and on the aggregated cells;
glmer fits the same model with one point per site, so far as Rscript and lme4 are at hand.
"""

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

CELLS, MONTHS, REPEATS = 1000, 60, 3
PLACE, COVARIATES = ["site", "environment"], ["environment", "service_class"]
GLMER = """
suppressMessages(library(lme4))
looks <- read.csv(commandArgs(TRUE)[1])
seconds <- system.time(glmer(cbind(removed, inspected - removed) ~ environment + service_class + (1 | site),
    family = binomial("cloglog"), offset = log(gap_years), data = looks,
    control = glmerControl(nAGQ0initStep = TRUE)))
cat(seconds[["elapsed"]])
"""


def simulated_log(look_sd: float) -> pd.DataFrame:
    """Return monthly looks at 1 000 cells: gaps of 28, 30 or 31 days, 5 to 150 shackles, 2 to 20 removed per 100 years."""
    generator = np.random.default_rng(11)
    cell = np.repeat(np.arange(CELLS), MONTHS)
    environment = generator.integers(0, 3, CELLS)
    service_class = generator.integers(0, 2, CELLS)
    log_rate = np.log(0.03) + 0.6 * environment + 0.3 * service_class + generator.normal(0, 0.5, CELLS)
    inspected = generator.choice([5, 20, 60, 150], CELLS)[cell]
    gap_years = generator.choice([28, 30, 31], cell.size) / 365.25
    at_look = generator.normal(-(look_sd**2) / 2, look_sd, cell.size)
    removed = generator.binomial(inspected, -np.expm1(-np.exp(log_rate[cell] + at_look) * gap_years))
    return pd.DataFrame(
        {
            "client": "one",
            "site": cell,
            "inspected_on": np.tile(np.arange(MONTHS), CELLS),
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


def glmer_seconds(looks: pd.DataFrame) -> float | None:
    """Return the time of lme4's fit of the aggregated cells, or None where R or lme4 is not at hand."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "looks.csv"
        looks.to_csv(path, index=False)
        done = subprocess.run([rscript, "-e", GLMER, path], capture_output=True, text=True, check=False)
    return float(done.stdout) if done.returncode == 0 else None


def main() -> None:
    """Print one line per log and per rival."""
    for look_sd in (0.0, 0.4):
        looks = simulated_log(look_sd)
        cells = looks.groupby([*PLACE, "service_class", "gap_years"], as_index=False)[
            ["inspected", "removed"]
        ].sum()
        seconds = least_seconds(lambda looks=looks: fit_hazard(looks, COVARIATES, 0.9, 0.95))
        print(f"look sd {look_sd}: {len(looks)} looks, {len(cells)} cells after aggregation")
        print(f"  fit_hazard, with limits and look spread      {seconds:6.2f} s")
        rivals = {
            "statsmodels GLM on every look, no site effects": least_seconds(
                lambda looks=looks: fit_by_glm(looks)
            ),
            "statsmodels GLM on the cells, no site effects": least_seconds(
                lambda cells=cells: fit_by_glm(cells)
            ),
            "lme4 glmer on the cells, one point": glmer_seconds(cells),
        }
        for name, rival in rivals.items():
            figure = "not at hand" if rival is None else f"{rival:6.2f} s, ratio {seconds / rival:.2f}"
            print(f"  {name:<46} {figure}")


if __name__ == "__main__":
    main()
