"""Loads or checks whole files: each file goes into the store whole, with its account, or not at all."""

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import duckdb

from pipelines.contracts.checking import RuleResult
from pipelines.faults import DataFault, RequestFault
from pipelines.intake.corrections import is_correction
from pipelines.intake.partitions import log_files, name_in_folder, values_of_folders
from pipelines.intake.pseudonyms import take_names_out, without_notes
from pipelines.intake.reading import header_of, kind_of, read_rows
from pipelines.intake.recheck import stage_corrections, still_wrong
from pipelines.intake.registers import load_registers
from pipelines.intake.staging import stage_lines
from pipelines.intake.unpacking import unpacked
from pipelines.intake.verdict import decide
from pipelines.intake.workbooks import missing_sheets, sheet_names
from pipelines.scratch import scratch_folder
from pipelines.sources import Profile, fitting_profile, known_profiles, profiles_at
from pipelines.store import attach_store, create_tables, open_store, write_load
from pipelines.store.file import pseudonym_key, quiet_connection, within_memory
from pipelines.store.loading import Account, CountJump
from pipelines.terminal import as_typed

CLOCK_RULE = "not_in_the_future"
FileState = tuple[int, int, int]
WORKBOOKS = ("xlsx", "ods", "xls")


@dataclass(frozen=True)
class FoundFile:
    """A file as it was found: its kind, its state before it was read for the first time, and its fingerprint."""

    path: Path
    kind: str
    state: FileState
    sha256: str


def load_files(
    paths: list[Path],
    store: Path,
    registers: list[Path],
    profile_path: Path | None = None,
    add_sites: bool = False,
    pseudonymise: bool = False,
    registers_before: Sequence[Path] = (),
) -> Iterator[Account]:
    """Load the registers, then each file into the store, one transaction each, and yield the files' accounts.

    Parameters
    ----------
    paths : list of Path
        Exports to load: files, or folders of Parquet files, each of which is one export.
    store : Path
        The store's file.
    registers : list of Path
        Registers to load before them.
    profile_path : Path
        Source profile, or a folder of them; None for those that come with the project.
    add_sites : bool
        Whether a site that the register does not know is added to it.
    pseudonymise : bool
        Whether inspectors go by pseudonyms, made with a key of the store, and notes are left out.
    registers_before : sequence of Path
        Registers that the store took in just before: a refusal names them beside `registers`.

    Raises
    ------
    DataFault, RequestFault
        At the first file that cannot be loaded; the store then holds the files before it and nothing of that one.
    """
    profiles = profiles_at(profile_path)
    look_closer = _how_to_check(store, [*registers_before, *registers], profile_path, add_sites)
    with scratch_database() as (con, work_folder):
        attach_store(con, store)
        load_registers(con, registers)
        key = pseudonym_key(con) if pseudonymise else ""
        for folder in log_files(paths):
            found = [_found(path) for path in folder]
            # The files of one folder are one export: none of them revises another.
            together = [file.sha256 for file in found]
            for file in found:
                yield _load_file(con, file, profiles, work_folder, add_sites, key, together, look_closer)


def check_files(
    paths: list[Path], store: Path | None, registers: list[Path], profile_path: Path | None = None
) -> Iterator[tuple[Account, list[dict[str, object]]]]:
    """Yield, for each file, the account it would have and its quarantined rows (row, rule, detail); load nothing.

    Parameters
    ----------
    paths : list of Path
        Exports to check: files, or folders of Parquet files.
    store : Path
        Store whose site register the lines are held against; None for a check without one.
    registers : list of Path
        Registers to read before them; the store does not take them in.
    profile_path : Path
        Source profile, or a folder of them; None for those that come with the project.

    Raises
    ------
    DataFault, RequestFault
        At the first file that cannot be read, or is a workbook of quarantined rows.
    """
    profiles = profiles_at(profile_path)
    with scratch_database() as (con, work_folder):
        with open_store(store) if store else nullcontext() as real:
            stand_in_store(con, real)
        load_registers(con, registers)
        for path in chain.from_iterable(log_files(paths)):
            if kind_of(path) == "xlsx" and is_correction(path):
                raise RequestFault(
                    f"{path.name} is a workbook of quarantined rows. Load it with rigging-removals intake: what is still"
                    " wrong stays in quarantine."
                )
            account, results = _stage_file(con, path, sha256_of(path), profiles, work_folder, add_sites=False)
            account = replace(account, why_stopped=_why_stopped(account, results))
            found = con.execute("select row, rule, detail from quarantined_rows order by row")
            rows: list[dict[str, object]] = found.df().to_dict("records")  # type: ignore[assignment]
            yield account, rows


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as text; of a file to which its folders add columns, of these as well."""
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256")
    if values := values_of_folders(path):
        digest.update(json.dumps(values).encode())
    return digest.hexdigest()


def _found(path: Path) -> FoundFile:
    kind = kind_of(path)
    state = _state_of(path)
    return FoundFile(path, kind, state, sha256_of(path))


def _state_of(path: Path) -> FileState:
    found = path.stat()
    return found.st_ino, found.st_size, found.st_mtime_ns


def _refuse_changed(path: Path, as_found: FileState) -> None:
    # The fingerprint was taken first: of a file that still grows it would be that of another content.
    if _state_of(path) != as_found:
        raise DataFault(
            f"{path.name} was changed while it was read, and nothing of it was loaded. Wait until it is written to its"
            " end, and load it again."
        )


@contextmanager
def scratch_database() -> Iterator[tuple[duckdb.DuckDBPyConnection, Path]]:
    """Lend a scratch database in memory, and a folder, both gone afterwards; what is too large for it goes to the folder."""
    with scratch_folder() as folder, quiet_connection(limits=within_memory(folder)) as con:
        yield con, folder


def stand_in_store(con: duckdb.DuckDBPyConnection, real: duckdb.DuckDBPyConnection | None) -> None:
    """Attach an empty store in memory under the name `store`, with the site register of the real one where given."""
    con.execute("attach ':memory:' as store")
    con.execute("use store")
    create_tables(con)
    con.execute("use memory")
    if real:
        con.register("places", real.execute("select * from site_register").df())
        con.execute("insert into store.site_register select * from places")


def _load_file(
    con: duckdb.DuckDBPyConnection,
    file: FoundFile,
    profiles: list[Profile],
    work_folder: Path,
    add_sites: bool,
    key: str,
    not_revised: list[str],
    look_closer: Callable[[Path, bool], str],
) -> Account:
    path = file.path
    known = con.execute(
        "select source, rows_read, rows_accepted, rows_flagged, rows_quarantined from store.loads where file_sha256 = $sha",
        {"sha": file.sha256},
    ).fetchone()
    if known:
        source, read, accepted, flagged, quarantined = known
        return Account(
            name_in_folder(path),
            file.sha256,
            source,
            read,
            accepted,
            flagged,
            quarantined,
            is_already_loaded=True,
        )
    if not add_sites and not _count(con, "select count(*) from store.site_register"):
        raise DataFault(
            "The store has no site register yet. Give one with --register site_register.csv, a row for each site, or have"
            " rigging-removals intake make it with --add-sites."
        )
    if file.kind == "xlsx" and is_correction(path):
        return _load_corrections(con, file, profiles, add_sites, key)
    account, results = _stage_file(con, path, file.sha256, profiles, work_folder, add_sites, key)
    _refuse_changed(path, file.state)
    if stopped := _why_stopped(account, results):
        has_loads = _count(con, "select count(*) from store.loads") > 0
        raise DataFault(
            f"{stopped}. Nothing of it was loaded. See every row with: {look_closer(path, has_loads)}"
        )
    con.execute("alter table quarantined_rows add column file varchar")
    con.execute("update quarantined_rows set file = $file", {"file": account.file})
    return write_load(con, account, results, _revision_keys(profiles, [account.source]), not_revised)


def _how_to_check(
    store: Path, registers: list[Path], profile_path: Path | None, add_sites: bool
) -> Callable[[Path, bool], str]:
    """Return what to type to check a file against what it is loaded with, and whether the store has loads."""

    def command(path: Path, has_loads: bool) -> str:
        words = ["check", path]
        if profile_path:
            words += ["--source", profile_path]
        # A check adds no site: held against a register, it would tell of those that were to be added.
        if not add_sites:
            words += [word for register in registers for word in ("--register", register)]
            # A store that holds nothing yet may be taken away again, and its register is one of these.
            words += ["--store", store] if has_loads or not registers else []
        return as_typed(*words)

    return command


def _why_stopped(account: Account, results: list[RuleResult]) -> str:
    """Return why a file as a whole does not come in, '' where it does; a last full stop is left to whoever says it."""
    stopping = [result.rule for result in results if result.rule.severity == "stop" and not result.passed]
    if not stopping:
        return ""
    by_rule = account.quarantined_by_rule
    worst = [rule for rule, rows in by_rule.items() if rows == max(by_rule.values())]
    if len(worst) > 1 and by_rule[worst[0]] == 1:
        by_what = "each by another rule"
    else:
        by_what = f"most by the rule{'s' if len(worst) > 1 else ''} {' and '.join(worst)}"
    clock = f" (the clock of this machine says {datetime.now(UTC).date()})" if CLOCK_RULE in worst else ""
    return (
        f"{account.file}: {account.rows_quarantined} of {account.rows_read} rows would be quarantined, {by_what}{clock}."
        f" {'. '.join(rule.description for rule in stopping)}"
    )


def _load_corrections(
    con: duckdb.DuckDBPyConnection,
    file: FoundFile,
    profiles: list[Profile],
    add_sites: bool,
    key: str,
) -> Account:
    profiles = [*known_profiles(), *profiles]
    rows_read, sources, results = stage_corrections(con, file.path, profiles, add_sites, key)
    _refuse_changed(file.path, file.state)
    account = replace(
        _account(con, file.path.name, file.sha256, ", ".join(sources), rows_read),
        is_correction=True,
        rows_still_wrong=still_wrong(con),
    )
    # They are in the store's quarantine already, as their file had them.
    con.execute("alter table quarantined_rows add column file varchar")
    con.execute("delete from quarantined_rows")
    return write_load(con, account, results, _revision_keys(profiles, sources))


def _revision_keys(profiles: list[Profile], sources: list[str]) -> dict[str, Sequence[str]]:
    return {profile.source: profile.revision_key for profile in profiles if profile.source in sources}


def _stage_file(
    con: duckdb.DuckDBPyConnection,
    path: Path,
    sha256: str,
    profiles: list[Profile],
    work_folder: Path,
    add_sites: bool,
    key: str = "",
) -> tuple[Account, list[RuleResult]]:
    readable = unpacked(path, work_folder)
    headers = {profile.source: header_of(readable, profile.file) for profile in profiles}
    profile = fitting_profile(path, headers, profiles, _obstacles(readable, profiles))
    header = read_rows(con, readable, profile.file, work_folder, profile.totals, profile.free_text_headers)
    if not _count(con, "select (select count(*) from raw_rows) + (select count(*) from refused_rows)"):
        raise DataFault(f"{path.name} has a header and no rows below it. Export it again.")
    rows_read = _count(
        con,
        "select (select count(*) from raw_rows) + (select count(*) from refused_rows)"
        " + (select count(*) from set_aside_rows)",
    )
    if key:
        take_names_out(con, header, profile, key)
        profile = without_notes(profile)
    stage_lines(con, header, profile, sha256)
    has_register = _count(con, "select count(*) from store.site_register") > 0
    results = decide(con, header, profile, sha256, has_register, add_sites)
    return _account(con, name_in_folder(path), sha256, profile.source, rows_read), results


def _account(con: duckdb.DuckDBPyConnection, file: str, sha256: str, source: str, rows_read: int) -> Account:
    """Return the account of what the check of a file left in `con`."""
    return Account(
        file=file,
        file_sha256=sha256,
        source=source,
        rows_read=rows_read,
        rows_accepted=_count(
            con, "select (select count(*) from accepted_lines) + (select count(*) from gathered_rows)"
        ),
        rows_gathered=_count(con, "select count(*) from gathered_rows"),
        rows_flagged=_count(con, "select count(distinct (file_sha256, row)) from flagged_rows"),
        rows_quarantined=_count(con, "select count(*) from quarantined_rows"),
        quarantined_by_rule=_pairs(
            con, "select rule, count(*) from quarantined_rows group by rule order by rule"
        ),
        flagged_by_rule=_pairs(con, "select rule, count(*) from flagged_rows group by rule order by rule"),
        unmatched_phrases=_pairs(
            con,
            "select phrase, sum(lines)::bigint from phrase_readings where criterion = 'not stated'"
            " group by phrase order by 2 desc, 1",
        ),
        likened_phrases=_pairs(
            con,
            "select phrase, any_value(criterion || ', likeness ' || round(likeness)::integer) from phrase_readings"
            " where criterion <> 'not stated' group by phrase order by phrase",
        ),
        rows_set_aside=_pairs(con, "select kind, count(*) from set_aside_rows group by kind order by kind"),
        count_jumps=[CountJump(*jump) for jump in con.execute("select * from count_jumps").fetchall()],
        added_sites=[
            place
            for (place,) in con.execute(
                "select concat_ws(', ', client, site, environment) from added_sites order by 1"
            ).fetchall()
        ],
    )


def _obstacles(path: Path, profiles: list[Profile]) -> list[str]:
    """Return which sheets the profiles name and the workbook at `path` lacks, in sentences."""
    kind = kind_of(path)
    if kind not in WORKBOOKS:
        return []
    missing = {
        profile.source: missing_sheets(path, profile.file)
        for profile in profiles
        if profile.file.kind == kind
    }
    there = _quoted(sheet_names(path))
    return [
        f'The profile "{source}" reads the sheet {_quoted(names)}; the sheets of the workbook are {there}.'
        for source, names in missing.items()
        if names
    ]


def _quoted(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _count(con: duckdb.DuckDBPyConnection, query: str) -> int:
    found = con.execute(query).fetchone()
    assert found is not None
    return int(found[0])


def _pairs(con: duckdb.DuckDBPyConnection, query: str) -> dict[str, Any]:
    return dict(con.execute(query).fetchall())
