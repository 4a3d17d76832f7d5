"""How long intake takes, as a ratio to DuckDB alone reading the same file into a table of text columns.

    python tests/benchmarks/intake.py [--lines 1200000] [--seed 20260302] [--rounds 3]

Each figure is the best of some rounds, each round in a process of its own; run it with nothing else going on. Beside the
time on the clock stands that of the processor, which other people's work on the machine disturbs less. Intake
is all of it: canonical lines, the contract, the store and the account. Two imports are shown apart, since they take
the same few seconds for a file of any size.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PROFILE = """source: benchmark-log
describes: A generated log.
confirmed: true
file: {kind: csv}
fixed: {client: Brackle Docks, gear_family: shackle}
columns: {site: Place, environment: Where used, body: Body, pin: Pin, nominal_size_mm: Size, rated_load_t: Load,
  grade: Grade, inspected_on: Day, inspection_type: Look, quantity: Seen, removed: Removed, inspector: By, note: Remarks}
dates: ["%d/%m/%Y"]
units: {nominal_size_mm: in, rated_load_t: short ton}
words: {body: {Anchor: bow, Chain: chain}, inspection_type: {yearly: periodic, goods in: initial, shift: frequent}}
reasons: {column: Why, separator: ";", phrases: {no tag: identification missing, odd pin: pin not matching, bent: deformed}}
"""
REGISTER_HEADER = "client,site,environment,service_class,use_frequency,current_interval_months,legal_limit_months,site_rule_months"
SITES = 40
# One row: a line of the log. One in 200 has a count that is none; one in ten has removals, and a reason.
LINES = """
copy (
    select format('Yard {:02d}', (a % $sites) + 1) as "Place",
        ['indoor dry', 'outdoor inland', 'marine spray'][1 + (b % 3)] as "Where used",
        ['Anchor', 'Chain'][1 + (c % 2)] as "Body", 'screw pin' as "Pin",
        ['5/8', '3/4', '7/8', '1', '1-1/4'][1 + (d % 5)] as "Size",
        ['3 1/4 T', '4.75', '6.5', '8.5', '12'][1 + (d % 5)] as "Load", 'carbon' as "Grade",
        strftime(date '2016-01-01' + (e % 3600)::integer, '%d/%m/%Y') as "Day",
        ['yearly', 'yearly', 'yearly', 'shift', 'goods in'][1 + (f % 5)] as "Look",
        case when g % 200 = 0 then '12 ea' else (5 + g % 60)::varchar end as "Seen",
        case when h % 10 = 0 then 1 + h % 3 else 0 end as "Removed",
        case when h % 10 = 0 then ['no tag', 'odd pin', 'bent', 'bent; no tag'][1 + (a % 4)] end as "Why",
        format('I-{:03d}', b % 300) as "By", format('seen in bay {}, rack {}', c % 500, f % 90) as "Remarks"
    from (
        select (hash(i, $seed, 1) >> 1)::bigint as a, (hash(i, $seed, 2) >> 1)::bigint as b,
            (hash(i, $seed, 3) >> 1)::bigint as c, (hash(i, $seed, 4) >> 1)::bigint as d,
            (hash(i, $seed, 5) >> 1)::bigint as e, (hash(i, $seed, 6) >> 1)::bigint as f,
            (hash(i, $seed, 7) >> 1)::bigint as g, (hash(i, $seed, 8) >> 1)::bigint as h
        from range($lines) as numbers(i)
    )
) to $path (format csv, header)
"""


def write_inputs(folder: Path, lines: int, seed: int) -> None:
    """Write the log, its profile and the site register into a folder."""
    import duckdb

    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    places = [
        f"Brackle Docks,Yard {site:02d},{environment},normal,weekly,12,,"
        for site in range(1, SITES + 1)
        for environment in ("indoor dry", "outdoor inland", "marine spray")
    ]
    (folder / "register.csv").write_text("\n".join([REGISTER_HEADER, *places]) + "\n", encoding="utf-8")
    values = {"lines": lines, "seed": seed, "sites": SITES, "path": str(folder / "log.csv")}
    with duckdb.connect() as con:
        con.execute(LINES, values)


def read_alone(folder: Path) -> dict[str, float]:
    """Return how long DuckDB alone takes [s], into a database on disk."""
    import duckdb

    started, busy = time.perf_counter(), time.process_time()
    with duckdb.connect(str(folder / "alone.duckdb")) as con:
        con.execute("create table log as select * from read_csv($path, all_varchar=true, header=true)", {"path": str(folder / "log.csv")})  # fmt: skip
    return {"clock": time.perf_counter() - started, "processor": time.process_time() - busy}


def take_in(folder: Path) -> dict[str, float]:
    """Return how long intake takes [s], and the two imports before it; the account must add up."""
    started = time.perf_counter()
    import great_expectations  # noqa: F401

    checks = time.perf_counter()
    from pipelines.intake import load_files
    from pipelines.store import make_store

    imported = time.perf_counter()
    store = folder / "store.duckdb"
    make_store(store)
    list(load_files([], store, [folder / "register.csv"]))
    registered, busy = time.perf_counter(), time.process_time()
    (account,) = load_files([folder / "log.csv"], store, [], folder / "profile.yaml")
    ended, busy = time.perf_counter(), time.process_time() - busy
    assert account.rows_read == account.rows_accepted + account.rows_quarantined
    return {
        "check engine": checks - started,
        "own modules": imported - checks,
        "clock": ended - registered,
        "processor": busy,
        "accepted": account.rows_accepted,
        "quarantined": account.rows_quarantined,
    }


STEPS = {"alone": read_alone, "intake": take_in}


def measured(step: str, folder: Path) -> dict[str, float]:
    """Return what one step says of itself, run in a process of its own, and the most memory it took [GB]."""
    for left_over in folder.glob("*.duckdb*"):
        left_over.unlink()
    done = subprocess.run(
        [sys.executable, __file__, "--step", step, "--folder", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def best(step: str, folder: Path, rounds: int) -> dict[str, float]:
    """Return the least of each measure over some rounds, and the most memory."""
    found = [measured(step, folder) for _ in range(rounds)]
    return {name: min(each[name] for each in found) for name in found[0]} | {
        "peak": max(each["peak"] for each in found)
    }


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--lines", type=int, default=1_200_000)
    asked.add_argument("--seed", type=int, default=20260302)
    asked.add_argument("--rounds", type=int, default=3)
    asked.add_argument("--step", choices=STEPS, help=argparse.SUPPRESS)
    asked.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    options = asked.parse_args()
    if options.step:
        found = STEPS[options.step](options.folder)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(json.dumps(found | {"peak": peak}))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_inputs(folder, options.lines, options.seed)
        size = (folder / "log.csv").stat().st_size / 1e6
        print(f"{options.lines:,} lines, {size:,.0f} MB, seed {options.seed}, best of {options.rounds}")
        alone, whole = best("alone", folder, options.rounds), best("intake", folder, options.rounds)
    for kind in ("clock", "processor"):
        print(
            f"{kind:9}  DuckDB alone {alone[kind]:6.1f} s   intake {whole[kind]:6.1f} s   ratio {whole[kind] / alone[kind]:.2f}"
        )
    print(f"memory     DuckDB alone {alone['peak']:6.1f} GB  intake {whole['peak']:6.1f} GB")
    print(f"imports: check engine {whole['check engine']:.1f} s, own modules {whole['own modules']:.1f} s")
    print(f"{whole['accepted']:,} accepted, {whole['quarantined']:,} quarantined")


if __name__ == "__main__":
    main()
