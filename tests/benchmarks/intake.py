"""How long intake takes, as a ratio to DuckDB alone reading the same file into a table of text columns.

    python -m tests.benchmarks.intake [--lines 1200000] [--sites 100] [--seed 20260302] [--rounds 3]

Each figure is the best of some rounds, each round in a process of its own; run it with nothing else going on. Beside the
time on the clock stands that of the processor, which other people's work on the machine disturbs less. Intake
is all of it: canonical lines, the contract, the store and the account. Two imports are shown apart, since they take
the same few seconds for a file of any size.
"""

import argparse
import tempfile
import time
from pathlib import Path

from tests.benchmarks.make_log import SEED, write_inputs
from tests.benchmarks.measuring import add_step_options, best, is_step_done, stopwatch


def read_alone(folder: Path) -> dict[str, float]:
    """Return how long DuckDB alone takes [s], into a database on disk."""
    import duckdb

    found: dict[str, float] = {}
    _remove(folder / "alone.duckdb")
    with stopwatch(found), duckdb.connect(str(folder / "alone.duckdb")) as con:
        con.execute(
            "create table log as select * from read_csv($path, all_varchar=true, header=true)",
            {"path": str(folder / "log.csv")},
        )
    _remove(folder / "alone.duckdb")
    return found


def take_in(folder: Path) -> dict[str, float]:
    """Return how long intake takes [s], and the two imports before it; the account must add up."""
    started = time.perf_counter()
    import great_expectations  # noqa: F401

    checks = time.perf_counter()
    from pipelines.intake import load_files
    from pipelines.store import make_store

    imported = time.perf_counter()
    store = folder / "store.duckdb"
    _remove(store)
    make_store(store)
    list(load_files([], store, [folder / "register.csv"]))
    found: dict[str, float] = {}
    with stopwatch(found):
        (account,) = load_files([folder / "log.csv"], store, [], folder / "profile.yaml")
    assert account.rows_read == account.rows_accepted + account.rows_quarantined
    return found | {
        "check engine": checks - started,
        "own modules": imported - checks,
        "accepted": account.rows_accepted,
        "quarantined": account.rows_quarantined,
    }


STEPS = {"alone": read_alone, "intake": take_in}


def _remove(store: Path) -> None:
    for left_over in store.parent.glob(f"{store.name}*"):
        left_over.unlink()


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--lines", type=int, default=1_200_000)
    asked.add_argument("--sites", type=int, default=100)
    asked.add_argument("--seed", type=int, default=SEED)
    asked.add_argument("--rounds", type=int, default=3)
    add_step_options(asked, STEPS)
    options = asked.parse_args()
    if is_step_done(options, STEPS):
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = write_inputs(folder, options.lines, options.sites, options.seed)
        print(
            f"{options.lines:,} lines, {log.stat().st_size / 1e6:,.0f} MB, seed {options.seed}, best of {options.rounds}"
        )
        alone, whole = (best("intake", step, folder, options.rounds) for step in STEPS)
    for kind in ("clock", "processor"):
        print(
            f"{kind:9}  DuckDB alone {alone[kind]:6.1f} s   intake {whole[kind]:6.1f} s   ratio {whole[kind] / alone[kind]:.2f}"
        )
    print(f"memory     DuckDB alone {alone['peak']:6.1f} GB  intake {whole['peak']:6.1f} GB")
    print(f"imports: check engine {whole['check engine']:.1f} s, own modules {whole['own modules']:.1f} s")
    print(f"{whole['accepted']:,} accepted, {whole['quarantined']:,} quarantined")


if __name__ == "__main__":
    main()
