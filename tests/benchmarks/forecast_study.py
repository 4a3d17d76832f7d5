"""How far forecasts can be trusted: fleets of known truth, put through the store, three years looked at and one to come.

Each fleet has 6 to 14 sites of one or two environments with 3 to 8 item classes each, groups of 10 to 300 shackles, and
looks every 1, 3, 6 or 12 months, give or take a tenth of the interval. Base rates, the spread of sites, of item classes
over all sites, of classes at a site and of looks are drawn anew for each fleet. What is removed is replaced, so that
groups keep their count. Run `python tests/benchmarks/forecast_study.py [FLEETS]`; by default 200, some minutes.

Over 200 fleets the 80 % bands held 79.8 % of monthly counts of item classes at a site, 79.6 % of those of item classes
of the client and 79.9 % of those of the client as a whole; the 95 % bands held 94.8, 94.6 and 94.5 %. The pinball loss
was 0.43 to 0.49 times that of the same month of the year before, 0.40 to 0.47 times that of the mean of 12 months.
"""

import sys
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import pandas as pd

from pipelines.contracts import order_terms
from pipelines.models.forecast_scores import summary
from pipelines.models.planning import Scenario, make_forecast
from pipelines.store import create_tables
from pipelines.tables.compute import compute_rates
from pipelines.tables.forecast_backtest import SUMS, held_against
from pipelines.tables.replacement_forecast import planning_inputs
from tests.lines import append_lines

START, TODAY, END = date(2022, 12, 1), date(2025, 12, 31), date(2026, 12, 31)
BASE_RATES = {"indoor dry": 0.03, "outdoor inland": 0.08, "marine spray": 0.16}
SIZES, PINS = [13.0, 16.0, 19.0, 22.0, 25.0, 32.0, 51.0], ["screw pin", "bolt-type"]


@dataclass(frozen=True)
class Spread:
    """How far true rates stray, each as the standard deviation of a log: of sites, of item classes over all sites, of
    classes at a site, and of looks.
    """

    of_sites: float
    of_classes: float
    of_groups: float
    of_looks: float


def spread_of_fleet(generator: np.random.Generator) -> Spread:
    """Return the spread of one fleet."""
    return Spread(
        generator.choice([0.1, 0.3, 0.6]),
        generator.choice([0.0, 0.2]),
        generator.choice([0.0, 0.3]),
        generator.choice([0.0, 0.15, 0.3]),
    )


def fleet_lines(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the inspection lines of a fleet, the year to come included, and its site register."""
    generator = np.random.default_rng(seed)
    spread = spread_of_fleet(generator)
    level = generator.choice([0.5, 1.0, 2.0])
    classes = [(size, pin) for size in SIZES for pin in PINS]
    of_class = _spread(generator, spread.of_classes, len(classes)) * [
        (1.1 if size <= 19 else 0.9) * (0.85 if pin == "bolt-type" else 1.0) for size, pin in classes
    ]
    lines, register = [], []
    for site in range(generator.integers(6, 15)):
        of_site = _spread(generator, spread.of_sites)
        for environment in generator.choice(list(BASE_RATES), generator.integers(1, 3), replace=False):
            interval = int(generator.choice([1, 3, 3, 6, 12, 12]))
            place = {"client": "one", "site": f"Site {site}", "environment": environment}
            register.append(place | {"current_interval_months": interval})
            days = look_days(generator, interval)
            gaps = np.diff([0, *days]) / 365.25
            at_look = _spread(generator, spread.of_looks, len(days))
            for number in generator.choice(len(classes), generator.integers(3, 9), replace=False):
                items = int(generator.choice([10, 40, 120, 300]))
                rate = level * BASE_RATES[environment] * of_site * of_class[number]
                rate = rate * _spread(generator, spread.of_groups)
                removed = generator.binomial(items, -np.expm1(-rate * at_look * gaps))
                size, pin = classes[number]
                lines.append(
                    pd.DataFrame({"day": days, "quantity": items, "removed": removed}).assign(
                        **place, item_class=f"{size:g} mm, {pin}", nominal_size_mm=size, pin=pin
                    )
                )
    frame = pd.concat(lines, ignore_index=True)
    frame["inspected_on"] = pd.Timestamp(START) + pd.to_timedelta(frame.pop("day"), unit="D")
    return frame.assign(replaced=frame["removed"]), pd.DataFrame(register)


def look_days(generator: np.random.Generator, interval_months: int) -> np.ndarray:
    """Return the days of looks from the start to the end of the year to come; the first is within one interval."""
    interval = interval_months * 365.25 / 12
    nominal = np.arange(generator.uniform(0.2, 1.0) * interval, (END - START).days, interval)
    days = np.sort(np.round(nominal + generator.uniform(-0.1, 0.1, len(nominal)) * interval)).astype(int)
    return days[(days > 0) & (days <= (END - START).days)]


def study(seeds: range) -> pd.DataFrame:
    """Return the scores of the forecasts of many fleets, one row for each count that was forecast."""
    return pd.concat([scores_of_fleet(seed) for seed in seeds], ignore_index=True)


def scores_of_fleet(seed: int) -> pd.DataFrame:
    """Return the scores of one fleet's forecast at the end of its third year, summed in each way."""
    lines, register = fleet_lines(seed)
    with duckdb.connect() as con:
        fill(con, lines, register)
        compute_rates(con, TODAY)
        forecast = make_forecast(planning_inputs(con, TODAY), Scenario(order_terms()))
    found = lines.assign(month=lines["inspected_on"].dt.strftime("%Y-%m"))
    removals = found[found["removed"] > 0].groupby(["client", "site", "item_class", "month"], as_index=False)
    counted = removals["removed"].sum()
    return pd.concat(
        [
            held_against(forecast, counted, by, 12).assign(summed_over=words, fleet=seed)
            for words, by in SUMS.items()
        ],
        ignore_index=True,
    )


def fill(con: duckdb.DuckDBPyConnection, lines: pd.DataFrame, register: pd.DataFrame) -> None:
    """Put lines and a site register into a new store."""
    create_tables(con)
    con.execute("insert into loads (load_id) values (1)")
    rows = lines.assign(
        file_sha256="f", row=range(1, len(lines) + 1), source="study", inspection_type="periodic"
    )
    append_lines(con, rows)
    con.append("site_register", register.assign(service_class="normal", use_frequency="daily"), by_name=True)


def _spread(generator: np.random.Generator, sd: float, size: int | None = None):
    return np.exp(generator.normal(-(sd**2) / 2, sd, size))


def main() -> None:
    """Print coverage, bias and loss beside the rivals', over all fleets and by how much was expected."""
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    scores = study(range(fleets))
    print(f"{fleets} fleets, {TODAY:%Y-%m-%d} to {END:%Y-%m-%d}")
    print(summary(scores, ["summed_over"]).round(3).to_string())
    size = pd.cut(
        scores["expected"], [0, 0.5, 2, 8, np.inf], labels=["under 0.5", "0.5 to 2", "2 to 8", "8 or more"]
    )
    print("\nby removals expected in a month")
    by_size = scores.assign(expected_in_month=size.astype(str))
    print(
        summary(by_size, ["summed_over", "expected_in_month"])
        .sort_values(["summed_over", "expected_in_month"])
        .round(3)
        .to_string()
    )


if __name__ == "__main__":
    main()
