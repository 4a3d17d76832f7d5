"""Print what this tool takes as ratios to plain tools on the same machine, and how its costs grow.

    python -m tests.benchmarks.ratios [--lines 1200000] [--sites 100] [--rounds 3] [--quick]

Processor seconds, best of some rounds, each step in a process of its own. `--quick` takes a sixth of the lines and one
round, to see that all of it runs. Sizes from 1.2 million to a hundred million lines: SIZES.md.
"""

import argparse
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.benchmarks.intake import STEPS as INTAKE_STEPS
from tests.benchmarks.make_log import SEED, write_inputs
from tests.benchmarks.measuring import Step, add_step_options, best, is_step_done, stopwatch

MONTHLY_SUMS = """
select client, site, environment, date_trunc('month', inspected_on) as month, inspection_type,
    sum(quantity) as inspected, sum(removed) as removed
from current_lines
group by all
"""
SITES_OF_PACK, PLAIN_PAGES = 40, 4
COLUMNS = "client, site, environment, item_class, serial, inspection_type, inspected_on, quantity, removed, replaced"


def tables(folder: Path) -> dict[str, float]:
    """Return how long all result tables take [s], from lines none of which was summed up before."""
    from pipelines.jobs import compute_for_store

    store, found = _copied(folder), dict[str, float]()
    with stopwatch(found):
        compute_for_store(store)
    return found


def tables_again(folder: Path) -> dict[str, float]:
    """Return how long all result tables take [s] when nothing is new since they were last computed."""
    from pipelines.jobs import compute_for_store

    store, found = _copied(folder), dict[str, float]()
    compute_for_store(store)
    with stopwatch(found):
        compute_for_store(store)
    return found


def rates(folder: Path) -> dict[str, float]:
    """Return how long exposures and monthly removal rates take [s], with limits and charts."""
    from pipelines.exposure import build_exposures
    from pipelines.store import open_store
    from pipelines.tables.removal_rates import removal_rates

    found = dict[str, float]()
    with open_store(_copied(folder), read_only=False) as con:
        (as_of,) = con.execute("select last_day(max(inspected_on)) from current_lines").fetchall()[0]
        with stopwatch(found):
            build_exposures(con, as_of)
            removal_rates(con, as_of)
    return found


def rates_in_pandas(folder: Path) -> dict[str, float]:
    """Return how long pandas takes [s] for the counts and exposures of the same months, the lines in memory as categories.

    Reading the lines is not counted. Left out beside the limits and charts: tags that move, and removals between looks.
    """

    from pipelines.store import open_store

    with open_store(folder / "store.duckdb") as con:
        lines = con.execute(f"select {COLUMNS} from current_lines").df()
    for name in ("client", "site", "environment", "item_class", "inspection_type", "serial"):
        lines[name] = lines[name].astype("category")
    place, found = ["client", "site", "environment"], dict[str, float]()
    with stopwatch(found):
        month = lines["inspected_on"].dt.to_period("M").rename("month")
        by_month = lines.groupby([*place, month, "inspection_type"], observed=True)[
            ["quantity", "removed"]
        ].sum()
        counts = by_month.unstack(fill_value=0)
        periodic = lines[lines["inspection_type"] == "periodic"]
        group = [*place, "item_class", "serial"]
        looks = periodic.groupby([*group, "inspected_on"], observed=True, dropna=False, as_index=False)[
            ["quantity", "removed", "replaced"]
        ].sum()
        looks["standing"] = looks["quantity"] - looks["removed"] + looks["replaced"]
        before = looks.groupby(group, observed=True, dropna=False)[["inspected_on", "standing"]].shift()
        gap = (looks["inspected_on"] - before["inspected_on"]).dt.days
        joined = (looks["quantity"] - before["standing"]).clip(lower=0)
        looks["shackle_years"] = (
            gap
            * (looks["quantity"] - joined / 2)
            * (1 - looks["removed"] / (2 * looks["quantity"].clip(lower=1)))
        ) / 365.25
        looks["month"] = looks["inspected_on"].dt.to_period("M")
        years = looks.groupby([*place, "month"], observed=True)["shackle_years"].sum()
        table = counts.join(years.rename(("shackle_years", "")))
    assert len(table)
    return found


def scan(folder: Path) -> dict[str, float]:
    """Return how long DuckDB takes [s] to add up the same lines by place, month and inspection type."""
    from pipelines.store import open_store

    found = dict[str, float]()
    with open_store(folder / "store.duckdb") as con, stopwatch(found):
        con.execute(MONTHLY_SUMS).df()
    return found


STEPS: dict[str, Step] = {
    **INTAKE_STEPS,
    "tables": tables,
    "tables again": tables_again,
    "rates": rates,
    "rates in pandas": rates_in_pandas,
    "scan": scan,
}


def print_intake(folder: Path, rounds: int) -> None:
    """Print intake against DuckDB alone, which reads the same file into a native table of text columns."""
    whole, alone = _best("intake", folder, rounds), _best("alone", folder, rounds)
    _print_ratio("intake, with contract", whole, "DuckDB alone, text columns", alone)
    print(f"{'  peak memory [GB]':<46} {whole['peak']:8.2f}")


def print_tables(folder: Path, rounds: int) -> None:
    """Print the result tables against a scan, and rates against pandas."""
    first, scanned = _best("tables", folder, rounds), _best("scan", folder, rounds)
    _print_ratio("all result tables", first, "bare scan, by place and month", scanned)
    print(f"{'  peak memory [GB]':<46} {first['peak']:8.2f}")
    _print_ratio(
        "all result tables, nothing new", _best("tables again", folder, rounds), "the first time", first
    )
    _print_ratio(
        "exposures and monthly rates, with limits",
        _best("rates", folder, rounds),
        "counts and exposures in pandas",
        _best("rates in pandas", folder, rounds),
    )


def print_fits(folder: Path, rounds: int) -> None:
    """Print the hazard fit with effects of places against statsmodels without, and against R where it is at hand."""
    from pipelines.models.hazard import fit_hazard
    from tests.benchmarks.fits import COVARIATES, by_glmer, fit_by_glm, least_seconds, simulated_log

    def ours(is_look_spread_allowed: bool) -> dict[str, float]:
        seconds = least_seconds(
            lambda: fit_hazard(looks, COVARIATES, 0.9, 0.95, is_look_spread_allowed=is_look_spread_allowed)
        )
        return {"processor": seconds}

    looks = simulated_log(look_sd=0.4, places=334, months=60)
    plain = {"processor": least_seconds(lambda: fit_by_glm(looks))}
    _print_ratio(f"hazard fit, {len(looks):,} looks", ours(True), "statsmodels, no effects", plain)
    for points in (1, 25):
        by_r = by_glmer(looks, points)
        if not by_r:
            print("  R with lme4 is not on this machine: no ratio to glmer")
            break
        beside = f"lme4 glmer, points a place: {points}"
        _print_ratio("as glmer has it", ours(False), beside, {"processor": by_r["seconds"]})


def print_packs(folder: Path, rounds: int) -> None:
    """Print a pack of two reports for each of some sites against plain papermill and nbconvert runs of its notebooks."""
    from tests.benchmarks.packs import measure_pack

    pages, pack, plain = measure_pack(SITES_OF_PACK, PLAIN_PAGES, jobs=0, seed=SEED)
    for kind in pack:
        print(
            f"{f'a pack of {pages} pages, by the {kind}':<46} {pack[kind]:8.2f} s   one part in"
            f" {plain[kind] / pack[kind]:.1f} of papermill and nbconvert, {plain[kind]:.0f} s",
            flush=True,
        )


RATIOS: list[Callable[[Path, int], None]] = [print_intake, print_tables, print_fits, print_packs]


def print_growth(lines: int, sites: int, rounds: int) -> None:
    """Print how the costs of intake and of the tables grow with the lines, and those of the tables with the sites."""
    by_lines = [(lines * part // 4, sites) for part in (1, 2, 4)]
    by_sites = [(lines // 2, sites * part // 4) for part in (2, 4, 8)]
    _print_slopes("lines", [size for size, _ in by_lines], [_costs(*size, rounds) for size in by_lines])
    _print_slopes("sites", [size for _, size in by_sites], [_costs(*size, rounds) for size in by_sites])


def _costs(lines: int, sites: int, rounds: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name:
        write_inputs(Path(name), lines, sites, SEED)
        return {step: _best(step, Path(name), rounds)["processor"] for step in ("intake", "tables")}


def _print_slopes(of: str, sizes: list[int], costs: list[dict[str, float]]) -> None:
    for step in costs[0]:
        seconds = [cost[step] for cost in costs]
        slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
        figures = ", ".join(f"{size:,}: {took:.1f} s" for size, took in zip(sizes, seconds, strict=True))
        print(f"{step} by {of:<8} log-log slope {slope:5.2f}   {figures}")


def _best(step: str, folder: Path, rounds: int) -> dict[str, float]:
    return best("ratios", step, folder, rounds)


def _print_ratio(what: str, took: dict[str, float], beside: str, other: dict[str, float]) -> None:
    ratio = took["processor"] / other["processor"]
    print(
        f"{what:<46} {took['processor']:8.2f} s   {ratio:7.2f} times {beside}, {other['processor']:.2f} s",
        flush=True,
    )


def _copied(folder: Path) -> Path:
    return Path(shutil.copy(folder / "store.duckdb", folder / "copy.duckdb"))


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--lines", type=int, default=1_200_000)
    asked.add_argument("--sites", type=int, default=100)
    asked.add_argument("--rounds", type=int, default=3)
    asked.add_argument("--quick", action="store_true", help="a sixth of the lines, one round")
    add_step_options(asked, STEPS)
    options = asked.parse_args()
    if is_step_done(options, STEPS):
        return
    lines, rounds = (options.lines // 6, 1) if options.quick else (options.lines, options.rounds)
    print(f"{lines:,} lines, {options.sites} sites, seed {SEED}, processor seconds, best of {rounds}")
    with tempfile.TemporaryDirectory() as name:
        write_inputs(Path(name), lines, options.sites, SEED)
        for print_ratio in RATIOS:
            print_ratio(Path(name), rounds)
    print_growth(lines, options.sites, rounds)


if __name__ == "__main__":
    main()
