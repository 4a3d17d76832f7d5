"""How long a pack of many sites takes, as a ratio to the same notebooks run one after another by papermill and nbconvert.

    python -m tests.benchmarks.packs [--sites 100] [--plain 6] [--jobs 0] [--seed 20260302]

Two reports are made for each site of one client. Of the plain runs, each of which starts a kernel of its own and makes
a page as `jupyter nbconvert --to html` does, so many are made and reckoned up to the whole pack. Processor seconds are
those of all processes that took part, kernels too; other people's work on the machine disturbs them less than the clock.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import psutil

from pipelines.shipped import shipped_folder
from tests.benchmarks.make_log import SEED, write_inputs

REPORTS = ("monthly", "interval_recommendations")
LINES_OF_SITE = 300
BETWEEN_LOOKS_SECONDS = 0.1

Seconds = dict[str, float]  # by the clock and by the processor


def store_of_sites(folder: Path, sites: int, seed: int) -> Path:
    """Return a store with so many sites of one client."""
    from pipelines.jobs import load_and_compute

    log = write_inputs(folder, LINES_OF_SITE * sites, sites, seed, clients=1)
    store = folder / "store.duckdb"
    list(load_and_compute([log], store, [folder / "register.csv"], folder / "profile.yaml"))
    return store


def seconds_of(words: list[str]) -> Seconds:
    """Return how long a command takes [s], by the clock and by the processors of all its processes."""
    began = time.perf_counter()
    used: dict[int, float] = {}
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        first = psutil.Process(process.pid)
        while process.poll() is None:
            with suppress(psutil.NoSuchProcess):
                for each in [first, *first.children(recursive=True)]:
                    with suppress(psutil.NoSuchProcess):
                        times = each.cpu_times()
                        used[each.pid] = times.user + times.system
            time.sleep(BETWEEN_LOOKS_SECONDS)
    if process.returncode:
        sys.exit(f"{' '.join(words)} ended with {process.returncode}.")
    return {"clock": time.perf_counter() - began, "processor": sum(used.values())}


def run_plainly(store: str, site: str, report: str, folder: str) -> None:
    """Run one notebook and make its page as papermill and nbconvert do as installed."""
    import nbconvert
    import papermill

    done = Path(folder) / "plain.ipynb"
    notebook = shipped_folder("notebooks") / f"{report}.ipynb"
    papermill.execute_notebook(
        str(notebook), str(done), parameters={"store": store, "site": site}, progress_bar=False
    )
    page, _ = nbconvert.HTMLExporter().from_filename(str(done))
    done.with_suffix(".html").write_text(page, encoding="utf-8")


def measure_pack(sites: int, plain_pages: int, jobs: int, seed: int) -> tuple[int, Seconds, Seconds]:
    """Return the number of pages, how long a pack of them takes, and what they would take plainly, by some of them.

    Parameters
    ----------
    sites : int
        Sites of the client, about so many.
    plain_pages : int
        Pages to be made plainly; what they take is reckoned up to the whole pack.
    jobs : int
        Pages that the pack makes side by side; 0 for one for each core.
    seed : int
        Of the generated log.
    """
    from pipelines.packs.reading import open_tables  # here, so that a plain run need not import it

    with tempfile.TemporaryDirectory() as name:
        store = store_of_sites(Path(name), sites, seed)
        tables = open_tables(str(store))
        pages = len(tables.sites()) * len(REPORTS)
        command = [str(Path(sys.executable).parent / "rigging-removals"), "report", *REPORTS, "--by-site"]
        asked_for = ["--store", str(store), "--period", tables.period, "--out", f"{name}/reports"]
        pack = seconds_of([*command, *asked_for, "--jobs", str(jobs)])
        plain = {"clock": 0.0, "processor": 0.0}
        for number in range(plain_pages):
            site, report = tables.sites()[number // 2], REPORTS[number % 2]
            words = [sys.executable, "-m", "tests.benchmarks.packs", "--run-plainly"]
            for kind, seconds in seconds_of([*words, str(store), site, report, name]).items():
                plain[kind] += seconds * pages / plain_pages
    return pages, pack, plain


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--sites", type=int, default=100)
    asked.add_argument("--plain", type=int, default=6)
    asked.add_argument("--jobs", type=int, default=0)
    asked.add_argument("--seed", type=int, default=SEED)
    asked.add_argument("--run-plainly", nargs=4, help=argparse.SUPPRESS)
    options = asked.parse_args()
    if options.run_plainly:
        run_plainly(*options.run_plainly)
        return
    pages, pack, plain = measure_pack(options.sites, options.plain, options.jobs, options.seed)
    print(f"{pages} pages of two reports, {options.plain} of them run plainly, seed {options.seed}")
    for kind, seconds in pack.items():
        print(
            f"{kind:9}  plain {plain[kind]:7.0f} s   pack {seconds:6.0f} s   ratio {plain[kind] / seconds:.1f}"
            f"   a page {plain[kind] / pages:.2f} s and {seconds / pages:.2f} s"
        )


if __name__ == "__main__":
    main()
