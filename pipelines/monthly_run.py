"""The monthly run: loads what is new in a folder of exports, makes the month's packs, and tells a person how it went."""

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipelines.contracts import figures_set
from pipelines.faults import Fault, RequestFault, refusal
from pipelines.intake import check_files, load_files
from pipelines.intake.corrections import is_correction, open_rows
from pipelines.intake.files import sha256_of
from pipelines.intake.reading import kind_of
from pipelines.jobs import compute_for_store
from pipelines.packs import run_pack
from pipelines.packs.choosing import file_name
from pipelines.packs.reading import open_tables
from pipelines.scratch import held_folder, scratch_folder
from pipelines.settings import CARRIED, carried
from pipelines.store import make_store, open_store, remove_empty_store
from pipelines.store.file import copied_store
from pipelines.store.loading import Account
from pipelines.tables import is_computed_for
from pipelines.tables.compute import refuse_no_month
from pipelines.wording import month_in_brief
from pipelines.wording_run import run_in_words

SUMMARY = "summary"
# Folders of the packs for one client each, beside those for all.
OF_CLIENTS = "clients"
# Half-written and hidden files, and those by which office programs mark an open workbook.
NOT_YET = (".", "~")
NOT_YET_ENDINGS = (".part", ".tmp", ".crdownload")


@dataclass(frozen=True)
class Asked:
    """What a monthly run is asked to do; '' for `period` is the month before this one, '' for `paper` no PDF."""

    drop_folder: Path
    store: Path
    registers: Sequence[Path] = ()
    profiles: Path | None = None
    out: Path = Path("reports")
    period: str = ""
    each_client: bool = False
    paper: str = ""
    jobs: int = 0
    pseudonymise: bool = False


@dataclass(frozen=True)
class FileOutcome:
    """What became of one file: `loaded`, `known` (loaded earlier) or `refused`; in a dry run `new` in place of loaded."""

    file: str
    outcome: str
    sentence: str
    rows_read: int = 0
    rows_accepted: int = 0
    rows_quarantined: int = 0


@dataclass(frozen=True)
class PackOutcome:
    """What became of one pack: `made`, `kept` (rests on the same already) or `failed`; in a dry run `due` in place of made.
    '' is for all clients.
    """

    client: str
    outcome: str
    index: str
    sentence: str = ""
    rests_on: str = ""


@dataclass
class Outcome:
    """How a monthly run went; filled in as it goes."""

    started_at: datetime
    period: str
    store: str
    drop_folder: str
    is_dry: bool
    files: list[FileOutcome] = field(default_factory=list)
    packs: list[PackOutcome] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    in_brief: list[str] = field(default_factory=list)
    open_in_quarantine: int = 0

    @property
    def is_clean(self) -> bool:
        """Whether nothing was refused and nothing failed."""
        return not (
            self.faults
            or any(file.outcome == "refused" for file in self.files)
            or any(pack.outcome == "failed" for pack in self.packs)
        )


def run_month(asked: Asked, is_dry: bool = False) -> Outcome:
    """Load what is new in the drop folder, make the packs of the month, write the summary, and return how it went.

    Parameters
    ----------
    asked : Asked
        What to do. Files of the drop folder are taken in the order of their names, and stay as they are.
    is_dry : bool
        Only say what would be done: nothing is loaded, made or written.

    Raises
    ------
    RequestFault
        There is no such drop folder, or the period is no month.

    Notes
    -----
    One file that is refused keeps no other from being loaded, and one pack that fails no other from being made: the
    outcome names each. Files are known by their SHA-256. A second run on the same folder waits for the first; a run that
    was stopped is made whole by the next.
    """
    if not asked.drop_folder.is_dir():
        raise RequestFault(
            f"There is no drop folder at {asked.drop_folder}. Make it, or name another with --drop-folder."
        )
    if asked.period:
        refuse_no_month(asked.period)
    period = asked.period or _month_before(date.today())
    outcome = Outcome(datetime.now(UTC), period, str(asked.store), str(asked.drop_folder), is_dry)
    with held_folder(asked.drop_folder):
        if is_dry:
            outcome.files.extend(_looked_at(asked))
            comes_in = any(file.outcome == "new" for file in outcome.files)
            with _written_down(outcome):
                outcome.packs.extend(_packs_ahead(asked, period, comes_in))
            return outcome
        # A summary is written whatever happens but a stop: an earlier one would be mailed as if it were this one's.
        with _written_down(outcome):
            _load(asked, outcome)
        with _written_down(outcome):
            if asked.store.exists():
                _make_packs(asked, outcome)
        _write_summary(asked.out, outcome)
    return outcome


def exports_in(folder: Path) -> list[Path]:
    """Return the files of a drop folder that may be exports, in the order of their names; folders in it are left alone."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_file() and not path.name.startswith(NOT_YET) and path.suffix.lower() not in NOT_YET_ENDINGS
    )


def _load(asked: Asked, outcome: Outcome) -> None:
    """Load registers and new files one by one, then compute the tables; what is refused is written down."""
    is_new = not asked.store.exists()
    with _written_down(outcome):
        if is_new:
            make_store(asked.store)
        list(load_files([], asked.store, list(asked.registers)))
    if not asked.store.exists():
        return
    known = _known_files(asked.store)
    for path in exports_in(asked.drop_folder):
        if (earlier := known.get(_fingerprint(path))) is not None:
            outcome.files.append(FileOutcome(path.name, "known", f"Loaded earlier as {earlier}."))
            continue
        try:
            (account,) = load_files(
                [path],
                asked.store,
                [],
                asked.profiles,
                pseudonymise=asked.pseudonymise,
                registers_before=asked.registers,
            )
        except Exception as error:
            outcome.files.append(FileOutcome(path.name, "refused", _sentence(error)))
        else:
            outcome.files.append(_of_account(account, "known" if account.is_already_loaded else "loaded"))
    with _written_down(outcome):
        if is_new and not _known_files(asked.store):
            remove_empty_store(asked.store)
            return
        with closing(open_store(asked.store)) as con:
            is_computed = is_computed_for(con, "")
        if not is_computed:
            compute_for_store(asked.store)


def _looked_at(asked: Asked) -> Iterator[FileOutcome]:
    """Yield what would become of each file of the drop folder; the store is only read."""
    store = asked.store if asked.store.exists() else None
    known = _known_files(store) if store else {}
    for path in exports_in(asked.drop_folder):
        if (earlier := known.get(_fingerprint(path))) is not None:
            yield FileOutcome(path.name, "known", f"Loaded earlier as {earlier}.")
            continue
        try:
            if kind_of(path) == "xlsx" and is_correction(path):
                yield FileOutcome(path.name, "new", "A workbook of corrected rows; what is right comes in.")
                continue
            ((account, _),) = check_files([path], store, list(asked.registers), asked.profiles)
            if account.why_stopped:
                yield FileOutcome(path.name, "refused", f"{account.why_stopped}.")
            else:
                yield _of_account(account, "new")
        except Exception as error:
            yield FileOutcome(path.name, "refused", _sentence(error))


def _make_packs(asked: Asked, outcome: Outcome) -> None:
    made_before = _packs_of_last_run(asked.out)
    rests_on = _rests_on(asked, outcome.period)
    for client, folder in _packs(asked).items():
        index = folder / outcome.period / "index.html"
        if _is_made(index, rests_on, made_before):
            outcome.packs.append(PackOutcome(client, "kept", str(index), rests_on=rests_on))
            continue
        try:
            run_pack(["all"], asked.store, outcome.period, client, "", folder, asked.jobs, paper=asked.paper)
        except Exception as error:
            outcome.packs.append(PackOutcome(client, "failed", str(index), _sentence(error)))
        else:
            outcome.packs.append(PackOutcome(client, "made", str(index), rests_on=rests_on))
    with _written_down(outcome):
        with closing(open_store(asked.store)) as con:
            outcome.open_in_quarantine = len(open_rows(con))
        tables = open_tables(str(asked.store), outcome.period)
        outcome.in_brief.extend(
            month_in_brief(
                tables.trends(),
                tables.table("removal_rates"),
                tables.between,
                tables.overdue(),
                outcome.period,
            )
        )


def _packs_ahead(asked: Asked, period: str, comes_in: bool) -> Iterator[PackOutcome]:
    """Yield what would become of each pack; `comes_in` says whether a file would be loaded."""
    made_before = {} if comes_in or not asked.store.exists() else _packs_of_last_run(asked.out)
    rests_on = _would_rest_on(asked, period) if made_before else ""
    for client, folder in _packs(asked).items():
        index = folder / period / "index.html"
        yield PackOutcome(client, "kept" if _is_made(index, rests_on, made_before) else "due", str(index))


def _would_rest_on(asked: Asked, period: str) -> str:
    """Return what a pack would rest on once the registers are read, which a copy of the store does."""
    with scratch_folder() as scratch:
        copy = scratch / "ahead.duckdb"
        copied_store(asked.store, copy).close()
        list(load_files([], copy, list(asked.registers)))
        return _rests_on(replace(asked, store=copy), period)


def _is_made(index: Path, rests_on: str, made_before: Mapping[str, str]) -> bool:
    return made_before.get(str(index)) == rests_on and index.is_file()


def _packs(asked: Asked) -> dict[str, Path]:
    """Return the folder of each pack that is asked for, by client; '' is for all."""
    packs = {"": asked.out}
    if asked.each_client and asked.store.exists():
        with closing(open_store(asked.store)) as con:
            clients = [
                name
                for (name,) in con.execute("select distinct client from current_lines order by 1").fetchall()
            ]
        packs |= {client: asked.out / OF_CLIENTS / file_name(client) for client in clients}
    return packs


def _rests_on(asked: Asked, period: str) -> str:
    """Return a fingerprint of all that a pack of the month rests on: what is loaded, registers, and what was chosen."""
    with closing(open_store(asked.store)) as con:
        state = con.execute(
            "select (select max(load_id) from loads),"
            " (select md5(string_agg(place::varchar, '|' order by place::varchar)) from site_register as place),"
            " (select md5(string_agg(item::varchar, '|' order by item::varchar)) from stock_register as item)"
        ).fetchall()
    chosen = [figures_set(), version("rigging-removals"), *(carried(name) for name in CARRIED)]
    return hashlib.sha256(repr((state, period, asked.paper, chosen)).encode()).hexdigest()


def _known_files(store: Path) -> dict[str, str]:
    with closing(open_store(store)) as con:
        return dict(con.execute("select file_sha256, file from loads order by load_id desc").fetchall())


def _fingerprint(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return ""  # what is the matter with it is said where it is read


def _of_account(account: Account, outcome: str) -> FileOutcome:
    return FileOutcome(
        account.file, outcome, "", account.rows_read, account.rows_accepted, account.rows_quarantined
    )


def _packs_of_last_run(out: Path) -> dict[str, str]:
    """Return what each pack of the last run rests on, by its index page; nothing where there was none."""
    try:
        packs = json.loads((out / f"{SUMMARY}.json").read_text(encoding="utf-8"))["packs"]
        return {pack["index"]: pack["rests_on"] for pack in packs}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _write_summary(out: Path, outcome: Outcome) -> None:
    out.mkdir(parents=True, exist_ok=True)
    content: dict[str, Any] = asdict(outcome) | {
        "started_at": f"{outcome.started_at:%Y-%m-%dT%H:%M:%SZ}",
        "is_clean": outcome.is_clean,
    }
    _replace(out / f"{SUMMARY}.txt", "\n".join(run_in_words(outcome)) + "\n")
    _replace(out / f"{SUMMARY}.json", json.dumps(content, indent=2, ensure_ascii=False) + "\n")


def _replace(path: Path, text: str) -> None:
    """Write a file in one step, so that a run that is stopped leaves the earlier one whole."""
    aside = path.with_name(f".{path.name}")
    aside.write_text(text, encoding="utf-8")
    os.replace(aside, path)


@contextmanager
def _written_down(outcome: Outcome) -> Iterator[None]:
    """Write the sentence of a fault down among those of the run, which goes on."""
    try:
        yield
    except Exception as error:
        outcome.faults.append(_sentence(error))


def _sentence(error: Exception) -> str:
    """Return the sentence of a fault; an error that is none of the user's is raised again."""
    fault = error if isinstance(error, Fault) else refusal(error)
    if fault is None:
        raise error
    return str(fault)


def _month_before(day: date) -> str:
    return f"{day.replace(day=1) - timedelta(days=1):%Y-%m}"
