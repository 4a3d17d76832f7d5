"""Writes `licences.txt` beside it: every package that an installation brings, with its licence as its authors state it.

Run it after the requirements were locked again: .venv/bin/python .requirements/licences.py
"""

import re
import tomllib
from importlib.metadata import PackageNotFoundError, metadata, requires
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).parent
LIST = HERE / "licences.txt"
LONGEST = 60  # of what is a licence's name, and not its text


def listed() -> str:
    """Return the list: a line for each package that the project needs to run, itself or through another one."""
    project = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found: dict[str, str] = {}
    seen: set[str] = set()
    wanted = [Requirement(text) for text in project["dependencies"]]
    while wanted:
        requirement = wanted.pop()
        if str(requirement) in seen:
            continue
        seen.add(str(requirement))
        name = canonicalize_name(requirement.name)
        try:
            found[name] = _licence(name)
        except PackageNotFoundError:
            continue  # for another system
        further = [Requirement(text) for text in requires(name) or []]
        wanted += [each for each in further if _is_wanted(each, requirement.extras)]
    return "".join(f"{name}: {licence}\n" for name, licence in sorted(found.items()))


def _is_wanted(requirement: Requirement, extras: set[str]) -> bool:
    marker = requirement.marker
    return marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *extras))


def _licence(name: str) -> str:
    about = metadata(name)
    stated = about.get("License-Expression") or ""
    classifiers = [
        text.rpartition(" :: ")[2]
        for text in about.get_all("Classifier") or []
        if text.startswith("License ::") and text != "License :: OSI Approved"
    ]
    written = re.sub(r"\s+", " ", (about.get("License") or "").strip())
    return stated or ", ".join(classifiers) or (written if 0 < len(written) <= LONGEST else "see the package")


if __name__ == "__main__":
    LIST.write_text(listed(), encoding="utf-8")
