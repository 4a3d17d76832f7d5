"""What a user chooses once: read from a commented file, and carried to the notebooks that a command runs.

An option on the command line wins over the file, and the file over what holds by itself.
"""

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from pathlib import Path

from pipelines.faults import RequestFault
from pipelines.terminal import as_typed

FILE = "rigging-removals.toml"
# Names the file of settings where it does not lie in the working folder.
NAMED_IN = "RIGGING_REMOVALS_CONFIG"
# Holds what the process chose, so that the kernels it starts show and compute the same.
CARRIED_IN = "RIGGING_REMOVALS_CHOSEN"

PLAIN = "plain"
PATHS = ("file", "folder", "files")  # kinds of settings


class Units(StrEnum):
    """Units of sizes and rated loads in reports."""

    METRIC = "metric"
    US = "us"


class Palette(StrEnum):
    """Colours of charts."""

    COLOUR = "colour"
    GREY = "grey"


class Paper(StrEnum):
    """The paper of a PDF."""

    A4 = "a4"
    LETTER = "us-letter"


@dataclass(frozen=True)
class Setting:
    """One setting: its name in the file, what holds without it, what it may be, and what it is for.

    `kind` is `file`, `folder`, `files` (a list of files), `word` (one of `allowed`) or `language`. An empty `default` is none.
    """

    name: str
    kind: str
    default: str
    meaning: str
    example: str
    allowed: tuple[str, ...] = ()


SETTINGS = (
    Setting("store", "file", "", "The DuckDB file that holds the loaded lines: --store of every command.", '"removals.duckdb"'),
    Setting("registers", "files", "", "Registers of sites and of stock, read at each load: --register.", '["site_register.csv", "stock_register.csv"]'),
    Setting("profiles", "folder", "", "Folder of your source profiles, or one of them: --source.", '"profiles"'),
    Setting("drop_folder", "folder", "", "Folder in which exports arrive: --drop-folder of the monthly run.", '"incoming"'),
    Setting("reports_folder", "folder", "reports", "Folder that report packs are written into: --out of report and of the monthly run.", '"reports"'),
    Setting("risk_targets", "file", "", "Your own risk targets, in place of those in data_contracts/risk_targets.yaml; entries left out stay as they are there.", '"risk_targets.yaml"'),
    Setting("units", "word", Units.METRIC, 'Sizes and rated loads in reports: "metric" (mm; tonnes of 1,000 kg) or "us" (inches; short tons of 2,000 lb).', '"us"', tuple(Units)),
    Setting("language", "language", PLAIN, 'How reports write numbers and days: "plain" (1,234.5 and 2026-09-30), or as a language does, such as "en-US", "de-DE", "fr-FR". Words stay English.', '"en-US"'),
    Setting("palette", "word", Palette.COLOUR, 'Colours of charts: "colour" (told apart by the colour-blind) or "grey" (for printers without colour).', '"grey"', tuple(Palette)),
    Setting("paper", "word", Paper.A4, 'Paper of PDFs: "a4" or "us-letter".', '"us-letter"', tuple(Paper)),
)  # fmt: skip
BY_NAME = {setting.name: setting for setting in SETTINGS}
# What reports, and the tables behind them, depend on in every process that takes part in making them.
CARRIED = ("units", "language", "palette", "risk_targets")


@dataclass(frozen=True)
class Chosen:
    """The value of one setting as text, of a list its entries one a line, and where it comes from, in words."""

    value: str
    origin: str


def read_settings(file: Path | None, must_exist: bool = True) -> dict[str, Chosen]:
    """Return each setting with its value and where that comes from; paths as seen from the working folder.

    Parameters
    ----------
    file : Path
        The file of settings. None for the one that the environment names, else `FILE` in the working folder where
        there is one.
    must_exist : bool
        Whether a file that is named has to be there; one that is about to be written need not.

    Raises
    ------
    RequestFault
        The file named is not there or is not TOML, or a setting in it is unknown or of a wrong value.
    """
    chosen = {setting.name: Chosen(setting.default, "default") for setting in SETTINGS}
    named = file or (Path(os.environ[NAMED_IN]) if os.environ.get(NAMED_IN) else None)
    path = named or Path(FILE)
    if not path.is_file():
        if named and must_exist:
            raise RequestFault(
                f"There is no file of settings at {path}. Write one with: {as_typed('config', '--write', path)}"
            )
        return chosen
    try:
        stated = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RequestFault(
            f"{path} cannot be read as TOML: {error}. Put texts between quotes, and mend it there."
        ) from error
    for name, value in stated.items():
        chosen[name] = Chosen(_checked(path, name, value), str(path))
    return chosen


def commented_file(chosen: Mapping[str, Chosen], folder: Path) -> str:
    """Return the text of a file of settings in `folder`: each explained, those that hold by default as comments."""
    parts = [
        "# Settings of rigging-removals. A line takes effect without its # in front; an option on the command line wins over it.",
        "# Paths are as seen from the folder of this file.",
    ]
    for setting in SETTINGS:
        value = chosen[setting.name]
        is_stated = value.origin != "default"
        words = _as_toml(setting, value.value, folder) if is_stated else setting.example
        parts.append(f"\n# {setting.meaning}\n{'' if is_stated else '# '}{setting.name} = {words}")
    return "\n".join(parts) + "\n"


def carry(**values: str) -> None:
    """Choose values of settings of `CARRIED` for this process and those that it starts from now on."""
    kept = {name: carried(name) for name in CARRIED} | values
    os.environ[CARRIED_IN] = json.dumps(kept)


def carried(name: str) -> str:
    """Return the value of a setting of `CARRIED` that holds in this process.

    >>> carried("units")
    'metric'
    """
    value = _parsed(os.environ.get(CARRIED_IN, "{}")).get(name)
    return BY_NAME[name].default if value is None else value


def known_language(value: str) -> str:
    """Return a language as its tag is written; raises RequestFault where nothing is known of how it writes numbers.

    >>> known_language("de_de"), known_language("plain")
    ('de-DE', 'plain')
    """
    if value == PLAIN:
        return value
    from babel import Locale, UnknownLocaleError, localedata

    try:
        return str(Locale.parse(value.replace("-", "_"))).replace("_", "-")
    except (UnknownLocaleError, ValueError):
        tags = [PLAIN, *(name.replace("_", "-") for name in localedata.locale_identifiers())]
        near = get_close_matches(value, tags, n=3, cutoff=0.5)
        raise RequestFault(
            f'language: "{value}" is no language whose numbers and days are known. '
            + (f"Nearest: {', '.join(near)}." if near else 'Write it as "en-GB" or "de-DE", or "plain".')
        ) from None


@cache
def _parsed(text: str) -> dict[str, str]:
    return dict(json.loads(text))


def _checked(path: Path, name: str, value: object) -> str:
    setting = BY_NAME.get(name)
    if setting is None:
        near = get_close_matches(name, BY_NAME, n=1, cutoff=0.5)
        advice = f"Did you mean {near[0]}?" if near else f"Settings to be had: {', '.join(BY_NAME)}."
        raise RequestFault(f'{path}: there is no setting "{name}". {advice}')
    if setting.kind == "files":
        entries = value if isinstance(value, list) else [value]
        if not all(isinstance(entry, str) and entry for entry in entries):
            raise RequestFault(f"{path}: {name} is a list of files, such as {setting.example}. Write it so.")
        return "\n".join(str(_from_here(path, str(entry))) for entry in entries)
    if not (isinstance(value, str) and value):
        raise RequestFault(
            f"{path}: {name} is a text between quotes, such as {setting.example}. Write it so."
        )
    if setting.kind in PATHS:
        return str(_from_here(path, value))
    if setting.kind == "language":
        try:
            return known_language(value)
        except RequestFault as fault:
            raise RequestFault(f"{path}: {fault}") from fault
    if value not in setting.allowed:
        raise RequestFault(f'{path}: {name} cannot be "{value}". It is one of: {", ".join(setting.allowed)}.')
    return value


def _from_here(file: Path, entry: str) -> Path:
    """Return a path that a file of settings states, as seen from the working folder."""
    return file.parent / Path(entry).expanduser()


def _as_toml(setting: Setting, value: str, folder: Path) -> str:
    entries = value.split("\n")
    if setting.kind in PATHS:
        entries = [Path(os.path.relpath(entry, folder)).as_posix() for entry in entries]
    # A text in JSON is one in TOML too, which knows the same marks.
    return json.dumps(entries if setting.kind == "files" else entries[0], ensure_ascii=False)
