"""Fixtures that more than one room's tests use: a register, a store, and the demo made once for the whole run."""

import os
import subprocess
import sys
from pathlib import Path
from shutil import which

import pandas as pd
import pytest
from hypothesis import settings

from pipelines.contracts import RiskTargets
from pipelines.models.interval_advice import TIERS
from pipelines.models.limits import exact_rate_limits

# On CI the same examples every time: what passed here passes there. Elsewhere they are new at each run.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

CHROMIUM = Path("/usr/bin/chromium")
OFFLINE = (
    Path(__file__).parent / "end_to_end" / "offline"
)  # its sitecustomize.py notes and refuses network calls
PICTURES = Path(__file__).parent / "artefacts"  # not under version control

REGISTER = """client,site,environment,service_class,use_frequency,current_interval_months,legal_limit_months,site_rule_months
Brackle Docks,North Shed,indoor dry,normal,weekly,12,,
Brackle Docks,Sea Wall,marine spray,severe,daily,3,6,
"""

PROFILE = """source: brackle-log
describes: A log of the tests' own.
confirmed: true
file: {kind: csv, delimiter: ","}
fixed: {client: Brackle Docks, gear_family: shackle}
columns:
  site: Place
  environment: Where used
  body: Body
  pin: Pin
  nominal_size_mm: Size
  rated_load_t: Load
  grade: Grade
  serial: Tag
  inspected_on: Day
  inspection_type: Look
  quantity: Seen
  removed: Removed
words:
  inspection_type: {yearly: periodic, goods in: initial, shift: frequent}
reasons: {column: Why, separator: ";", phrases: {no tag: identification missing, odd pin: pin not matching}}
"""

HEADER = "Place,Where used,Body,Pin,Size,Load,Grade,Tag,Day,Look,Seen,Removed,Why"
GOOD_LINE = "North Shed,indoor dry,bow,screw pin,16 mm,2.95,carbon,,2026-03-02,yearly,25,3,no tag x2; odd pin"


@pytest.fixture
def register(tmp_path: Path) -> Path:
    """A site register of one client with two places."""
    path = tmp_path / "register.csv"
    path.write_text(REGISTER, encoding="utf-8")
    return path


@pytest.fixture
def profile_path(tmp_path: Path) -> Path:
    """A confirmed source profile for the logs that `write_log` writes."""
    path = tmp_path / "profile.yaml"
    path.write_text(PROFILE, encoding="utf-8")
    return path


@pytest.fixture
def write_log(tmp_path: Path):
    """A function that writes a log of the given lines and returns its path."""

    def write(*lines: str, name: str = "log.csv", header: str = HEADER) -> Path:
        path = tmp_path / name
        path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture
def line():
    """A function that gives the good line with other cells, named after the first word of their headers."""
    names = [header.split()[0] for header in HEADER.split(",")]

    def line(**cells: str) -> str:
        assert set(cells) <= set(names)
        return ",".join((dict(zip(names, GOOD_LINE.split(","), strict=True)) | cells).values())

    return line


@pytest.fixture
def days(line):
    """A function that gives so many good lines, one for each day from 1 January 2026 on."""

    def days(count: int, **cells: str) -> list[str]:
        return [line(Day=f"2026-01-{day:02d}", **cells) for day in range(1, count + 1)]

    return days


@pytest.fixture(scope="session")
def command() -> Path:
    """The installed command, as a user types it."""
    return Path(sys.executable).parent / "rigging-removals"


@pytest.fixture(scope="session")
def demo(
    command: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The folder that `rigging-removals demo` wrote, and what the command said; no network is to be had meanwhile.

    Where the system allows it there is none at all; who asks for one is written into `network.txt` either way.
    """
    out = tmp_path_factory.mktemp("demo")
    alone = ["unshare", "--net"] if which("unshare") else []
    if alone and subprocess.run([*alone, "true"], capture_output=True, check=False).returncode:
        alone = []
    watch = [str(OFFLINE), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [*alone, command, "demo", "--out", out],
        capture_output=True,
        text=True,
        cwd=out,
        check=False,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(filter(None, watch)),
            "OFFLINE_LOG": str(out / "network.txt"),
        },
    )
    assert done.returncode == 0, done.stderr
    return out, done


@pytest.fixture(scope="session")
def demo_pack(demo) -> Path:
    """The folder of the report pack that `rigging-removals demo` made."""
    out, done = demo
    return (out / done.stdout.splitlines()[-1].removeprefix("Report pack: ")).parent


@pytest.fixture(scope="module")
def browser():
    """A chromium to look at pages with; the tests that want one are skipped where there is none, but not on CI."""
    playwright = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        missing = f"no browser at {CHROMIUM}"
        pytest.fail(missing) if os.environ.get("CI") else pytest.skip(missing)
    # For a module only: while it is open no test may run an event loop of its own.
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def keep_picture():
    """A function that keeps a picture of a whole page, as it stands, for a person to look at: in `PICTURES`."""

    def keep(page, name: str = "") -> Path:
        page_name = name or Path(page.url).stem
        path = PICTURES / f"{page_name}-{page.viewport_size['width']}.png"
        page.screenshot(path=path, full_page=True)
        return path

    return keep


@pytest.fixture(scope="session")
def with_exact_rates():
    """A function that adds to places the highest rates of their own records: exact upper limits, nothing borrowed."""

    def add(places: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
        rated = places[places["shackle_years"] >= targets.least_shackle_years_for_a_rate]
        highest = {
            name: pd.Series(
                exact_rate_limits(rated[removed], rated["shackle_years"], 2 * targets.confidence_level - 1)[
                    1
                ],
                rated.index,
            )
            for removed, name, _ in TIERS.values()
        }
        return places.assign(is_pooled=False, **highest)

    return add
