"""Feeds the readers with input that is mangled, led by which lines of code it reaches, and says what comes of it.

    PYTHONPATH=.venv/lib/python3.11/site-packages FUZZER tests/faults/fuzz.py --minutes 5 delimited xlsx profile

FUZZER is the Python of an environment of its own with atheris, which is a tool here and no dependency. For each target
it prints how many inputs were tried, how many lines of code they reached, at first and at last, and what went wrong: an
exception that is no sentence, one input that took too long or too much memory. The input of each is kept in --found.
What is done by libraries in other languages is run, but does not lead the search.
"""

import argparse
import importlib
import re
import subprocess
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from io import BytesIO
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
HABITS = ROOT / "tests" / "data" / "habits"
LONGEST_SECONDS = 20
MOST_MEGABYTES = 3_000
LONGEST_INPUT = 20_000
LONGEST_SENTENCE = 1_000

LED_BY = (
    "xlrd", "yaml", "pipelines.intake.corrections", "pipelines.intake.files", "pipelines.intake.registers",
    "pipelines.intake.sampling", "pipelines.sources.drafting",
)  # fmt: skip

FORMS = (  # what the first byte of an input chooses
    {},
    {"delimiter": ";", "quote": ""},
    {"delimiter": "\t", "encoding": "cp1252"},
    {"encoding": "utf-16"},
    {"header_row": 2, "header_rows": 2},
    {"delimiter": "|", "quote": "'"},
)


def seeds(target: str) -> list[bytes]:
    """Return inputs that a target takes, to begin with."""

    def contents(*endings: str) -> list[bytes]:
        return [path.read_bytes() for path in sorted(HABITS.iterdir()) if path.name.endswith(endings)]

    if target in ("delimited", "draft"):
        return [bytes([number % len(FORMS)]) + text for number, text in enumerate(contents(".csv"))]
    if target in ("xlsx", "ods", "quarantine"):
        return [bytes([number]) + content for number, content in enumerate(_parts(target).values())]
    if target == "profile":
        from tests.conftest import PROFILE

        drafts = ROOT / "data_contracts" / "sources"
        return [PROFILE.encode(), *(path.read_bytes() for path in drafts.iterdir())]
    endings = {
        "jsonl": ".jsonl",
        "parquet": ".parquet",
        "xls": ".xls",
        "packed": (".gz", ".zip"),
        "register": "register.csv",
    }
    if target == "register":
        return [(HABITS / "base" / "site_register.csv").read_bytes()]
    return contents(*([endings[target]] if isinstance(endings[target], str) else endings[target]))


def _parts(target: str) -> dict[str, bytes]:
    """Return the parts of a workbook of the kind."""
    if target == "quarantine":
        return _parts_of(_quarantine_workbook())
    name = "merged_header.xlsx" if target == "xlsx" else "open_document.ods"
    return _parts_of((HABITS / name).read_bytes())


def _parts_of(workbook: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(BytesIO(workbook)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _quarantine_workbook() -> bytes:
    import pandas as pd

    from pipelines.intake.corrections import write_corrections

    rows = pd.DataFrame(
        {"file": "log.csv", "row": [1, 2], "rule": "r", "description": "A rule", "detail": "odd", "source": "brackle-log",
         "raw": ['{"Place": "North", "Seen": "x"}', '{"Place": "South", "Seen": "1"}'], "file_sha256": "ab" * 32}
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        write_corrections(rows, Path(folder) / "quarantine.xlsx")
        return (Path(folder) / "quarantine.xlsx").read_bytes()


def taker(target: str, folder: Path, enter: Callable) -> Callable[[bytes], None]:
    """Return a function that gives an input to a target; it raises a Fault, or nothing, where all is well."""
    from pipelines.intake.corrections import is_correction, read_corrections
    from pipelines.intake.files import scratch_database, stand_in_store
    from pipelines.intake.reading import header_of, read_rows
    from pipelines.intake.registers import load_registers
    from pipelines.intake.sampling import sample_files
    from pipelines.intake.staging import stage_lines
    from pipelines.intake.unpacking import unpacked
    from pipelines.sources import read_profile
    from pipelines.sources.drafting import draft_profile
    from pipelines.sources.profiles import FileForm, Totals
    from tests.conftest import GOOD_LINE, HEADER

    con = enter(scratch_database())[0]  # opening one takes longer than most inputs
    stand_in_store(con, None)
    work_folder = folder / "work"
    work_folder.mkdir()

    def put(name: str, content: bytes) -> Path:
        path = folder / name
        path.write_bytes(content)
        return path

    def rows_of(path: Path, form: FileForm) -> None:
        header = header_of(path, form)
        if header:
            totals = Totals(column=header[0], words=["Total*"])
            read_rows(con, path, form, work_folder, totals, header[-1:])
            assert con.execute("select count(*) from raw_rows").fetchall()

    def delimited(content: bytes) -> None:
        form = FORMS[content[0] % len(FORMS)] if content else {}
        rows_of(put("odd.csv", content[1:] or b"\n"), FileForm.model_validate({"kind": "csv", **form}))

    def draft(content: bytes) -> None:
        draft_profile(sample_files([put("odd.csv", content[1:] or b"\n")]), "odd")

    def whole(name: str, kind: str) -> Callable[[bytes], None]:
        return lambda content: rows_of(put(name, content or b"\n"), FileForm.model_validate({"kind": kind}))

    def workbook_of(content: bytes, parts: dict[str, bytes], name: str) -> Path:
        chosen = list(parts)[content[0] % len(parts)] if content else ""
        path = folder / name
        with zipfile.ZipFile(path, "w") as archive:
            for part, stored in parts.items():
                archive.writestr(part, content[1:] if part == chosen else stored)
        return path

    def workbook(kind: str) -> Callable[[bytes], None]:
        parts = _parts(kind)
        all_sheets = FileForm.model_validate({"kind": kind, "sheets": "all"})
        return lambda content: rows_of(workbook_of(content, parts, f"odd.{kind}"), all_sheets)

    def quarantine() -> Callable[[bytes], None]:
        parts = _parts("quarantine")

        def take(content: bytes) -> None:
            path = workbook_of(content, parts, "odd.xlsx")
            if is_correction(path):
                read_corrections(path)

        return take

    def packed(content: bytes) -> None:
        unpacked(put("odd.zip" if content.startswith(b"P") else "odd.csv.gz", content), work_folder)

    log = put("log.csv", f"{HEADER}\n{GOOD_LINE}\nx,,,\n".encode())

    def profile(content: bytes) -> None:
        found = read_profile(put("odd.yaml", content))
        header = header_of(log, found.file)
        if header and set(found.headers) <= set(header):
            read_rows(con, log, found.file, work_folder, found.totals, found.free_text_headers)
            stage_lines(con, header, found, "ab" * 32)
            con.execute("select * from staged_lines").fetchall()

    def register(content: bytes) -> None:
        load_registers(con, [put("odd.csv", content)])

    takers = {
        "delimited": delimited, "draft": draft, "jsonl": whole("odd.jsonl", "jsonl"), "parquet": whole("odd.parquet", "parquet"),
        "xls": whole("odd.xls", "xls"), "packed": packed, "profile": profile, "register": register,
    }  # fmt: skip
    return takers.get(target) or (quarantine() if target == "quarantine" else workbook(target))


def search(target: str, found: Path, seconds: int, corpus: Path) -> None:
    """Search from within the fuzzer, which ends the process when it is done."""
    import atheris

    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    with atheris.instrument_imports(include=["pipelines", "xlrd", "yaml"]):
        for name in LED_BY:
            importlib.import_module(name)
    from pipelines.faults import Fault, refusal

    kept_open = ExitStack()
    take = taker(target, Path(tempfile.mkdtemp()), kept_open.enter_context)
    seen: set[str] = set()

    def one(content: bytes) -> None:
        wrong = ""
        try:
            take(content)
        except Exception as error:
            fault = error if isinstance(error, Fault) else refusal(error)
            if fault is None:
                last = traceback.extract_tb(error.__traceback__)[-1]
                wrong = f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}: {error}"[:300]
            elif len(str(fault)) > LONGEST_SENTENCE or not str(fault).endswith((".", "yaml", "csv", "FILE")):
                wrong = f"Not a sentence: {str(fault)[:200]} ... {str(fault)[-60:]}"
        kind = re.sub(r"0x\w+|\d+", "", wrong)[:70]
        if wrong and kind not in seen:
            seen.add(kind)
            number = len(list(found.glob(f"{target}-*")))
            (found / f"{target}-{number}").write_bytes(content)
            (found / f"{target}.txt").open("a", encoding="utf-8").write(f"{target}-{number}: {wrong}\n")

    options = {
        "max_total_time": seconds, "timeout": LONGEST_SECONDS, "rss_limit_mb": MOST_MEGABYTES, "max_len": LONGEST_INPUT,
        "print_final_stats": 1, "artifact_prefix": f"{found}/{target}-stopped-",
    }  # fmt: skip
    atheris.Setup([sys.argv[0], *(f"-{name}={value}" for name, value in options.items()), str(corpus)], one)
    atheris.Fuzz()


def follow(target: str, found: Path, minutes: float) -> None:
    """Run the fuzzer on a target until its time is over, again where one input stopped it; print what came of it."""
    corpus = found / "corpus" / target
    corpus.mkdir(parents=True, exist_ok=True)
    for number, content in enumerate(seeds(target)):
        (corpus / f"seed{number}").write_bytes(content)
    until, tried, reached, stops = time.monotonic() + 60 * minutes, 0, [], Counter()
    while (left := int(until - time.monotonic())) > 5:
        words = [sys.executable, __file__, target, "--found", found, "--seconds", str(left)]
        with (found / f"{target}.log").open("w+", encoding="utf-8", errors="replace") as log:
            done = subprocess.run(words, stdout=log, stderr=log, check=False)
            log.seek(0)
            said = log.read()
        counts = re.findall(r"^#(\d+)\s.*cov: (\d+)", said, re.MULTILINE)
        tried += int(counts[-1][0]) if counts else 0
        reached += [int(lines) for _, lines in counts]
        if done.returncode:
            stops[(re.findall(r"SUMMARY: (.*)", said) or [f"status {done.returncode}"])[-1]] += 1
            if not counts:
                print(said[-2000:])
                break
    print(
        f"{target}: {tried:,} inputs, {reached[0] if reached else 0} to {reached[-1] if reached else 0} places reached"
        f" {dict(stops) or ''}",
        flush=True,
    )
    told = found / f"{target}.txt"
    print(told.read_text(encoding="utf-8") if told.exists() else "  nothing went wrong", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="+")
    parser.add_argument("--minutes", type=float, default=5.0, help="for each target")
    parser.add_argument(
        "--found", type=Path, default=Path(tempfile.gettempdir()) / "fuzz", help="where inputs are kept"
    )
    parser.add_argument("--seconds", type=int, default=0, help="search in this process")
    asked = parser.parse_args()
    if asked.seconds:
        search(asked.targets[0], asked.found, asked.seconds, asked.found / "corpus" / asked.targets[0])
    for name in asked.targets:
        follow(name, asked.found, asked.minutes)
