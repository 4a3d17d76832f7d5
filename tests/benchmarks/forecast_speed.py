"""Print how long it takes to forecast 2 000 item classes at sites, month by month, with bands.

Run with one thread: `OMP_NUM_THREADS=1 python tests/benchmarks/forecast_speed.py`. Forty sites with fifty item classes
each, three years of history, looks every 1, 3, 6 or 12 months; processor time of the quickest of three runs.
"""

import time

import numpy as np
import pandas as pd

from pipelines.models.forecast import (
    DRAWS,
    Calendar,
    bands,
    forecast_rates,
    removed_by_month,
    simulate_removals,
)
from pipelines.models.hazard import PLACE

SITES, CLASSES, REPEATS = 40, 50, 3
GOAL_SECONDS = 5.0


def fleet() -> pd.DataFrame:
    """Return 2 000 rows of a fleet: 5 to 300 shackles each."""
    generator = np.random.default_rng(1)
    site = np.arange(SITES * CLASSES) % SITES
    return pd.DataFrame(
        {
            "client": "one",
            "site": [f"Site {number}" for number in site],
            "environment": "indoor dry",
            "item_class": [f"class {number // SITES}" for number in range(SITES * CLASSES)],
            "kind_factor": 1.0,
            "quantity": generator.integers(5, 300, SITES * CLASSES),
            "interval_months": np.array([1, 3, 3, 6, 12, 12, 12, 3])[site % 8],
            "days_since_start": site * 7 % 28,
            "share_found_between": 0.0,
        }
    )


def run(of: pd.DataFrame) -> pd.DataFrame:
    """Return the bands of each row and month."""
    generator = np.random.default_rng(2)
    known = of[[*PLACE, "item_class", "kind_factor"]]
    history = pd.concat(
        known.assign(
            years_ago=year,
            removed=generator.poisson(0.1 * of["quantity"]),
            shackle_years=1.0 * of["quantity"],
        )
        for year in range(3)
    )
    limits = {
        "pooled_rate_lower": 9.0,
        "pooled_rate_upper": 11.0,
        "kind_rate_lower": 8.0,
        "kind_rate_upper": 12.0,
    }
    places = of[PLACE].drop_duplicates().assign(is_pooled=True, **limits)
    slips = {months: generator.normal(0, 0.1, 50) for months in (1, 3, 6, 12)}
    rates = forecast_rates(of, history, places, 0.9)
    rounds = simulate_removals(of, rates, Calendar(slips, look_sd=0.15))
    ends = np.arange(1, 13) * 30.5
    samples = removed_by_month(rounds, ends, np.arange(len(of)), of["quantity"].to_numpy())
    return bands(samples.reshape(-1, DRAWS))


def main() -> None:
    """Print the time, and its ratio to the goal."""
    of = fleet()
    seconds = []
    for _ in range(REPEATS):
        start = time.process_time()
        run(of)
        seconds.append(time.process_time() - start)
    best = min(seconds)
    print(
        f"{len(of)} item classes at sites, {DRAWS} draws: {best:.2f} s, {best / GOAL_SECONDS:.2f} of the goal"
    )


if __name__ == "__main__":
    main()
