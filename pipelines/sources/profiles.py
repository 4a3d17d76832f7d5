"""Reads source profiles (YAML) and finds the one whose header an exported file has."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipelines.contracts import gear_families, load_contract, removal_criteria
from pipelines.faults import DataFault, RequestFault
from pipelines.shipped import shipped_folder
from pipelines.terminal import as_typed

DERIVED = ("file_sha256", "row", "source", "item_class")
OWN_COUNT, WHOLE_COUNT = "own count", "whole count"
# Two lines of one exporter that agree in these, or in the key of its profile, speak of the same look: the later export
# supersedes the earlier.
REVISION_KEY = ("client", "site", "environment", "item_class", "serial", "inspected_on", "inspection_type")
COUNTED_BY_RESULT = ("quantity", "removed", "not_presented")  # where a log has a result for each item
COUNTS = ("quantity", "removed", "replaced", "not_presented")
NONE_WORDS, ALL_WORDS = ("none", "no", "nil"), ("all",)
COUNT_PLACE = re.compile(r"\{(\w+)\}")  # where a count stands in a text of several
FREE_TEXT_COLUMNS = ("disposition", "note")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileForm(_Strict):
    """How the file is written."""

    kind: Literal["csv", "xlsx", "ods", "xls", "parquet", "jsonl"]
    delimiter: str = Field(default=",", min_length=1, max_length=1)
    quote: str = Field(default='"', max_length=1)  # empty where a quote is a character like any other
    encoding: str = "utf-8"
    header_row: int = Field(default=1, ge=1, le=10_000)
    # Two rows are joined; a merged cell of the upper one counts for every column below it.
    header_rows: Literal[1, 2] = 1
    sheet: str | None = None  # else the first one
    # Sheets with one header are stacked; the column "(sheet)" holds the name of each row's sheet.
    sheets: Literal["all"] | list[str] | None = None
    ignored_sheets: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def _readable_form(self) -> "FileForm":
        try:
            "".encode(self.encoding)
        except LookupError as error:
            raise ValueError(f"no text encoding is called {self.encoding}") from error
        if self.sheet and self.sheets:
            raise ValueError("give sheet or sheets, not both")
        return self


class Totals(_Strict):
    """How subtotal and total rows are told: by the words in one column. A word with * at its end is a beginning."""

    column: str
    words: list[str] = Field(min_length=1)


class Units(_Strict):
    """What a bare number means in this log; a unit written beside a value goes before."""

    nominal_size_mm: Literal["mm", "in"] = "mm"
    rated_load_t: Literal["t", "short ton", "kg", "lb"] = "t"


class Result(_Strict):
    """The words of a log that has one row per item: looked at and fit, or removed."""

    column: str
    fit: list[str]
    removed: list[str]
    put_back: list[str] = Field(
        default_factory=list
    )  # mended on the spot, such as a matching pin fitted: inspected only
    not_presented: list[str] = Field(default_factory=list)  # not found: neither inspected nor removed


class Counts(_Strict):
    """Several counts that a log writes into one cell, and the ways in which it does: "25 looked at, 3 removed"."""

    column: str
    written: list[str] = Field(
        min_length=1
    )  # "{quantity} looked at, {removed} removed"; capitals do not matter
    none: list[str] = Field(default_factory=lambda: [*NONE_WORDS])  # words for 0
    all: list[str] = Field(default_factory=lambda: [*ALL_WORDS])  # words for as many as were looked at

    @model_validator(mode="after")
    def _readable_counts(self) -> "Counts":
        for written in self.written:
            names = COUNT_PLACE.findall(written)
            if unknown := sorted(set(names) - set(COUNTS)):
                raise ValueError(f"no such count: {', '.join(unknown)}; there are {', '.join(COUNTS)}")
            if not {"quantity", "removed"} <= set(names) or len(names) > len(set(names)):
                raise ValueError(f'"{written}" must hold {{quantity}} and {{removed}}, each once')
            if set(names) != set(self.names):
                raise ValueError("all that is under written must hold the same counts")
            if "" in COUNT_PLACE.split(written)[2:-1:2]:
                raise ValueError(f'"{written}" has two counts with nothing between them')
        return self

    @property
    def names(self) -> list[str]:
        """The counts that a cell holds, as columns of the contract."""
        return COUNT_PLACE.findall(self.written[0])


class Reasons(_Strict):
    """Where the log states why items were removed, and in which words."""

    column: str | None = None
    separator: str = Field(default=";", min_length=1)
    phrases: dict[str, str] = Field(default_factory=dict)
    columns: dict[str, str] = Field(default_factory=dict)
    # Several rows speak of one look, each with a reason of its own. The removed items that a row counts are those of its
    # own reason, or those of the whole look in every row again.
    row_per_reason: Literal["own count", "whole count"] | None = None

    @model_validator(mode="after")
    def _known_criteria(self) -> "Reasons":
        known = set(removal_criteria()["criterion"])
        unknown = sorted({*self.phrases.values(), *self.columns.values()} - known)
        if unknown:
            raise ValueError(f"not in the coded list of removal criteria: {', '.join(unknown)}")
        if self.row_per_reason and not self.column:
            raise ValueError("row_per_reason needs the column of the reasons")
        return self


class Profile(_Strict):
    """One exporter's way of writing an inspection log."""

    source: str
    describes: str
    confirmed: bool
    file: FileForm
    columns: dict[str, str]
    fixed: dict[str, str] = Field(default_factory=dict)
    dates: list[str] = Field(default_factory=lambda: ["%Y-%m-%d"])
    decimal: Literal[".", ","] = "."
    units: Units = Units()
    blank_is_zero: list[str] = Field(default_factory=list)
    words: dict[str, dict[str, str]] = Field(default_factory=dict)
    # Where sites of a client number their items alike: the name of the site goes before each serial number.
    serial_prefix: Literal["site"] | None = None
    result: Result | None = None
    counts: Counts | None = None
    reasons: Reasons = Reasons()
    # Columns of the contract by which a later export revises a line of an earlier one; else all that name a look.
    revision_key: list[str] = Field(default_factory=lambda: [*REVISION_KEY])
    totals: Totals | None = None
    free_text: list[str] = Field(default_factory=list)  # further headers whose cells may hold line breaks

    @model_validator(mode="after")
    def _known_columns(self) -> "Profile":
        contract = load_contract("inspection_line")
        open_columns = [name for name in contract.column_names if name not in DERIVED]
        named = {*self.columns, *self.fixed, *self.blank_is_zero, *self.words, *self.revision_key}
        unknown = sorted(named - {*open_columns, "item_class"})
        if unknown:
            raise ValueError(f"no such column in the contract: {', '.join(unknown)}")
        if self.result and self.reasons.row_per_reason == OWN_COUNT:
            raise ValueError("one item has one result: with result, row_per_reason is whole count")
        if self.serial_prefix and "serial" not in self.columns:
            raise ValueError("serial_prefix needs the column of the serial numbers")
        if "inspected_on" not in self.revision_key:
            raise ValueError("revision_key must hold inspected_on: looks of two days are two looks")
        if self.result and self.counts:
            raise ValueError("give result, where a row is one item, or counts, not both")
        if self.counts and (twice := sorted({*self.counts.names} & {*self.columns, *self.fixed})):
            raise ValueError(f"read from counts and from elsewhere: {', '.join(twice)}")
        given = {*self.columns, *self.fixed, *self.count_headers}
        lacking = [
            column.name
            for column in contract.columns
            if (column.is_required or (column.name == "pin" and self._has_pins))
            and column.name in open_columns
            and column.name not in given
        ]
        if lacking:
            raise ValueError(f"no column and no fixed value for: {', '.join(lacking)}")
        return self

    @property
    def _has_pins(self) -> bool:
        """Whether some of the gear that the log speaks of has a pin; gear it does not name may have one."""
        named = {*self.words.get("gear_family", {}).values(), self.fixed.get("gear_family", "")} - {""}
        return any(gear_families()[name].pins for name in named if name in gear_families()) or not named

    @property
    def count_headers(self) -> dict[str, str]:
        """The header of each count that has no column of its own: a word for each item stands there, or several counts."""
        if self.result:
            return dict.fromkeys(COUNTED_BY_RESULT, self.result.column)
        return dict.fromkeys(self.counts.names, self.counts.column) if self.counts else {}

    @property
    def headers(self) -> list[str]:
        """The headers a file must have for this profile to fit it."""
        headers = [*self.columns.values(), *self.reasons.columns, *set(self.count_headers.values())]
        headers += [self.reasons.column] if self.reasons.column else []
        headers += [self.totals.column] if self.totals else []
        return headers

    @property
    def free_text_headers(self) -> set[str]:
        """The headers of columns that hold text as people write it, in which a line break is nothing odd."""
        headers = {self.columns[name] for name in FREE_TEXT_COLUMNS if name in self.columns}
        headers |= {self.reasons.column} if self.reasons.column else set()
        return headers | set(self.free_text)


def read_profile(path: Path) -> Profile:
    """Return the profile in the YAML file `path`; raises DataFault that says what to mend."""
    if not path.is_file():
        raise RequestFault(f"There is no source profile at {path}. Check the path given with --source.")
    try:
        return Profile.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))
    except yaml.YAMLError as error:
        where = getattr(error, "problem_mark", None)
        line = f", line {where.line + 1}" if where else ""
        raise DataFault(
            f"{path.name}{line}: not readable as YAML. Mend the indentation or quotes there."
        ) from error
    except ValidationError as error:
        # A misspelt entry is also a missing one; the misspelling is what a person can see and mend.
        first = min(error.errors(), key=lambda found: found["type"] != "extra_forbidden")
        what = first["msg"].removeprefix("Value error, ")
        place = ".".join(str(part) for part in first["loc"]) or "profile"
        raise DataFault(f'{path.name}, entry "{place}": {what}. Mend that entry of the profile.') from error
    except UnicodeDecodeError as error:
        raise DataFault(
            f"{path.name} is not written in UTF-8 (byte {error.start + 1:,}). Save it as UTF-8."
        ) from error
    except (ValueError, RecursionError) as error:
        # What looks like a day or a number and is none, such as 2026-02-30, or lists in lists in lists.
        why = error if isinstance(error, ValueError) else "too many lists within lists"
        raise DataFault(
            f"{path.name}: a value cannot be read as YAML ({why}). Put it in quotes, or take it out."
        ) from error


def known_profiles() -> list[Profile]:
    """Return the profiles that come with the project, in order of their file names."""
    folder = shipped_folder("data_contracts") / "sources"
    return [read_profile(path) for path in sorted(folder.glob("*.yaml"))]


def profiles_at(path: Path | None) -> list[Profile]:
    """Return the profiles to read files with: the one of a file, or those of a folder and those that come with the project.

    None is for the latter alone; a profile of the folder takes the place of one of the same source. Raises RequestFault
    where two files of the folder are of one source, and as `read_profile` does.
    """
    if path is None:
        return known_profiles()
    if not path.is_dir():
        return [read_profile(path)]
    own: dict[str, Profile] = {}
    for file in sorted([*path.glob("*.yaml"), *path.glob("*.yml")]):
        profile = read_profile(file)
        if profile.source in own:
            raise RequestFault(
                f"{path} holds two source profiles with source: {profile.source}, one of them {file.name}. Rename or remove one."
            )
        own[profile.source] = profile
    return [*(known for known in known_profiles() if known.source not in own), *own.values()]


def fitting_profile(
    path: Path, headers: dict[str, list[str]], profiles: list[Profile], obstacles: Sequence[str] = ()
) -> Profile:
    """Return the one confirmed profile that fits a file.

    Parameters
    ----------
    path : Path
        The file, for the messages.
    headers : dict of list of str
        By the source of each profile, the header of the file as that profile would read it; empty where it cannot.
    profiles : list of Profile
        The profiles to choose from.
    obstacles : sequence of str
        Sentences that say why some of them cannot read the file.

    Raises
    ------
    DataFault
        No profile fits, or more than one, which are named; or the one that does is a draft.
    """
    fitting = [
        profile
        for profile in profiles
        if headers[profile.source] and set(profile.headers) <= set(headers[profile.source])
    ]
    if len(fitting) > 1:
        names = ", ".join(profile.source for profile in fitting)
        raise DataFault(
            f"{path.name}: {len(fitting)} source profiles fit its header ({names}). Choose one with --source."
        )
    if not fitting:
        header = max(headers.values(), key=len, default=[])
        shown = f" its header ({', '.join(header[:8])}{', ...' if len(header) > 8 else ''})" if header else ""
        why = "".join(f" {sentence}" for sentence in obstacles)
        raise DataFault(
            f"{path.name}: no source profile fits{shown}.{why}"
            f" Draft one with: {as_typed('profile', path, '--out', 'profile.yaml')}"
        )
    if not fitting[0].confirmed:
        raise DataFault(
            f'{path.name}: the source profile "{fitting[0].source}" is a draft nobody has confirmed.'
            " Read it, mend it and set confirmed: true."
        )
    return fitting[0]
