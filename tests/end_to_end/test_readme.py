"""What the README says works as written: an export of one's own becomes a report, and only its drafted profile is edited.

The three exports of tests/data/first_hour have headers that no profile and no list of words of this project knows. Beside
each lies its draft as a person mended it.
"""

import difflib
import re
import subprocess
from pathlib import Path
from shutil import copy

import pytest
from PIL import Image

from pipelines.intake.sampling import sample_files
from pipelines.packs.choosing import REPORTS
from pipelines.sources.drafting import draft_profile
from tests.end_to_end.pictures import LARGEST_BYTES, PICTURES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXPORTS = ROOT / "tests" / "data" / "first_hour"
FIRST, *OTHERS = ("berth_rounds.csv", "lifting_ledger.csv", "gear_rounds.xlsx")
MOST_COMMANDS = 10
MOST_LINES_EDITED = 20


def steps():
    """The commands of the five steps, as they stand in the README."""
    (part,) = re.findall(r"^## Your own export in five steps$(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert re.findall(r"^\*\*(\d)\. ", part, re.MULTILINE) == ["1", "2", "3", "4", "5"]
    return [line for block in re.findall(r"```sh\n(.*?)```", part, re.DOTALL) for line in block.splitlines()]


def test_an_own_export_reaches_a_report_in_five_steps_with_only_the_draft_edited(command, tmp_path):
    def typed(line):
        program, words = line.split(" ", 1)
        assert program == command.name
        done = subprocess.run(
            ["bash", "-c", f"{command} {words}"], capture_output=True, text=True, cwd=tmp_path, check=False
        )
        assert done.returncode == 0, (line, done.stderr)
        return done.stdout

    draft, check, load, report = steps()
    assert len(steps()) < MOST_COMMANDS
    copy(EXPORTS / FIRST, tmp_path / "march.csv")
    typed(draft)
    copy((EXPORTS / FIRST).with_suffix(".yaml"), tmp_path / "yard.yaml")
    assert "9 rows read = 9 accepted + 0 quarantined" in typed(check)
    typed(load)
    # The other two come into the same store, each read with the profile that fits it.
    for name in OTHERS:
        copy(EXPORTS / name, tmp_path)
    others = load.replace("march.csv", " ".join(OTHERS)).replace("yard.yaml", str(EXPORTS))
    assert typed(others).count(" 0 quarantined; 0 of the accepted flagged.") == len(OTHERS)
    index = tmp_path / typed(report).removeprefix("Report pack: ").strip()
    monthly = (index.parent / "monthly.html").read_text(encoding="utf-8")
    assert "In March 2026, 7 shackles were removed out of 88 inspected at Tidewell Lifting" in monthly
    assert "Fellside Hire" in monthly
    assert {path.stem for path in index.parent.glob("*.html")} >= {"index", "procurement", "benchmark"}


@pytest.mark.parametrize("name", [FIRST, *OTHERS])
def test_of_a_draft_few_lines_had_to_be_edited(name):
    draft = draft_profile(sample_files([EXPORTS / name]), source=Path(name).stem).yaml
    mended = (EXPORTS / name).with_suffix(".yaml").read_text(encoding="utf-8")
    edited = [
        line for line in difflib.ndiff(draft.splitlines(), mended.splitlines()) if line.startswith("+ ")
    ]
    assert 0 < len(edited) <= MOST_LINES_EDITED
    assert "+ confirmed: true" in edited


def test_each_report_has_a_picture_in_the_readme_and_it_is_small():
    shown = re.findall(r"\[!\[[^\]]+\]\((reports/pictures/(\w+)\.png)\)\]", README)
    assert {name for _, name in shown} == {*REPORTS, "index"}
    for path, _ in shown:
        assert (ROOT / path).stat().st_size < LARGEST_BYTES
        with Image.open(ROOT / path) as picture:
            assert picture.width == 760
    assert {path.stem for path in PICTURES.glob("*.png")} == {name for _, name in shown}


def test_what_the_readme_and_the_pages_beside_the_reports_point_to_is_there():
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "reports").glob("*.md")):
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), (page.name, target)


def test_every_file_that_is_named_to_contributors_is_there():
    named = re.findall(
        r"`((?:pipelines|tests|data_contracts|notebooks|\.requirements)/[\w./]+)`",
        (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"),
    )
    to_be_made = ("NAME", "site_visits", "N_to_M", "artefacts")
    missing = {
        path for path in named if not (ROOT / path).exists() and not any(each in path for each in to_be_made)
    }
    assert len(named) > 20
    assert missing == set()
