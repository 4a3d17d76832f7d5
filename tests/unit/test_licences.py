"""The list of the licences of what an installation brings."""

import re
import runpy
from pathlib import Path

REQUIREMENTS = Path(__file__).parents[2] / ".requirements"


def test_the_list_of_licences_is_current():
    written = runpy.run_path(str(REQUIREMENTS / "licences.py"))
    assert written["LIST"].read_text(encoding="utf-8") == written["listed"](), (
        "Write it again: .venv/bin/python .requirements/licences.py"
    )


def test_every_package_that_is_installed_has_a_licence_in_the_list():
    listed = dict(
        line.split(": ", 1)
        for line in (REQUIREMENTS / "licences.txt").read_text(encoding="utf-8").splitlines()
    )
    locked = (REQUIREMENTS / "run.txt").read_text(encoding="utf-8")
    # Those with a condition are for other systems or other versions of Python; hatchling and what it needs only build.
    pinned = set(re.findall(r"^([a-z0-9.-]+)==[^;\n]*\\$", locked, re.MULTILINE))
    builds = {"hatchling", "pathspec", "pluggy", "tomlkit", "trove-classifiers"}
    assert pinned - builds - set(listed) == set()
    assert len(pinned) > 80
    assert not [name for name, licence in listed.items() if licence == "see the package"]
