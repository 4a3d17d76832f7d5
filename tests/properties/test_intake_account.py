"""Whatever the rows of a file hold, each one is accepted or quarantined, once, and its items are counted once."""

import gzip
import shutil
import tempfile
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.faults import Fault
from pipelines.intake import check_files, load_files
from pipelines.store import make_store

HABITS = Path(__file__).parents[1] / "data" / "habits"
CELLS = {
    "Place": ["North Shed", "Nowhere", ""],
    "Where used": ["indoor dry", "moon"],
    "Body": ["bow", "CHAIN", "hook"],
    "Pin": ["screw pin"],
    "Size": ["16 mm", '"5/8"""', "??"],
    "Load": ["2.95", ""],
    "Grade": ["carbon"],
    "Tag": [""],
    "Day": ["2026-03-02", "2026-02-30", "2999-01-01"],
    "Look": ["yearly", "goods in", "shift", "stroll"],
    "Seen": ["25", "0", "-1", "12 ea", ""],
    "Removed": ["0", "3", "26", ""],
    "Why": ["", "no tag x2; odd pin", "chewed", "no tag; odd pin; no tag x9"],
}
# Half of the rows are plainly good, so that accepted lines are tried as well as quarantined ones.
GOOD = st.tuples(*(st.just(choices[0]) for choices in CELLS.values()))
ANY = st.tuples(*(st.sampled_from(choices) for choices in CELLS.values()))
BROKEN = st.sampled_from([("a", "b"), tuple("x" * 20), ('"',), tuple(CELLS), ("",) * len(CELLS)])
ROWS = st.tuples(GOOD, st.lists(GOOD | ANY | ANY | BROKEN, max_size=16)).map(lambda some: [some[0], *some[1]])


@pytest.fixture(scope="module")
def known_places(tmp_path_factory):
    """A store that holds the register of the habits and no line."""
    path = tmp_path_factory.mktemp("places") / "store.duckdb"
    make_store(path)
    list(load_files([], path, [HABITS / "base" / "site_register.csv"]))
    return path


def set_aside(account):
    return sum(account.rows_set_aside.values())


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS)
def test_every_row_is_accepted_or_quarantined(rows, known_places, profile_path):
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        log.write_text(
            "\n".join([",".join(CELLS), *(",".join(row) for row in rows)]) + "\n", encoding="utf-8"
        )
        ((account, quarantined),) = check_files([log], known_places, [], profile_path)
    account_adds_up(account, quarantined)
    # A stray quote joins the lines after it to one record; without one, every line is a record.
    if ('"',) not in rows:
        assert account.rows_read == len(rows)


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(GOOD, min_size=1, max_size=9), reasons=st.lists(st.sampled_from(CELLS["Why"]), min_size=9, max_size=9),
       removed=st.lists(st.integers(0, 25), min_size=9, max_size=9))  # fmt: skip
def test_criteria_add_up_to_removals(rows, reasons, removed, known_places, profile_path):
    with tempfile.TemporaryDirectory() as folder:
        log, store = Path(folder) / "log.csv", Path(folder) / "store.duckdb"
        lines = [
            ",".join([*row[:-2], str(count), why])
            for row, why, count in zip(rows, reasons, removed, strict=False)
        ]
        log.write_text("\n".join([",".join(CELLS), *lines]) + "\n", encoding="utf-8")
        shutil.copy(known_places, store)
        list(load_files([log], store, [], profile_path))
        with duckdb.connect(str(store), read_only=True) as con:
            found = con.execute(
                "select line.row, line.removed, coalesce(sum(primary_removed), 0), bool_and(coalesce(mentions, 0) >= coalesce(primary_removed, 0))"
                " from current_lines as line left join current_reasons using (file_sha256, row) group by line.row, line.removed"
            ).fetchall()
    assert len(found) == len(lines)
    assert all(removed == given_out and holds for _, removed, given_out, holds in found)


def mangled(content: bytes, changes) -> bytes:
    """The content with pieces of others' making put in, and some taken out."""
    for place, piece, length in changes:
        at = int(place * len(content))
        content = content[:at] + piece + content[at + length :]
    return content


PIECES = st.sampled_from(
    [b'"', b"\0", b"\n", b"\r", b"\r\n", b",,,,", b"\xff\xfe", b"\xe2\x82", "\u2028".encode(), b"=cmd|' /C'!A1", b"'; drop table loads; --",
     b"<script>", b"../../etc/passwd", b"\x1a", b";" * 30, b"9" * 400, b"-1e999", b"NaN", b"Total", b"\n\n\n"]
) | st.binary(max_size=6)  # fmt: skip
CHANGES = st.lists(st.tuples(st.floats(0, 1), PIECES, st.integers(0, 12)), max_size=6)


def account_or_sentence(path, store, profile_path):
    """The account of a file, or None where it is refused in one sentence; anything else is a fault of ours."""
    found, sentence = [], ""
    try:
        found = list(check_files([path], store, [], profile_path))
    except Fault as fault:
        sentence = str(fault)
    assert found or path.name in sentence
    assert len(sentence) < 1_000
    for account, quarantined in found:
        account_adds_up(account, quarantined)
        return account
    return None


def account_adds_up(account, quarantined):
    assert account.rows_read == account.rows_accepted + account.rows_quarantined + set_aside(account)
    assert account.rows_quarantined == len(quarantined) == sum(account.quarantined_by_rule.values())


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(GOOD, min_size=1, max_size=6), changes=CHANGES, form=st.sampled_from(["csv", "csv.gz"]))
def test_a_mangled_file_is_accounted_for_or_refused_in_a_sentence(
    rows, changes, form, known_places, profile_path
):
    content = "\n".join([",".join(CELLS), *(",".join(row) for row in rows)]).encode() + b"\n"
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / f"log.{form}"
        packed = gzip.compress(content) if form == "csv.gz" else content
        log.write_bytes(mangled(packed, changes))
        account = account_or_sentence(log, known_places, profile_path)
    if not changes:
        assert account is not None


@pytest.mark.parametrize("name", ["several_sheets.xlsx", "open_document.ods", "old_workbook.xls", "days_and_numbers.parquet", "objects.jsonl", "zipped.zip"])  # fmt: skip
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=CHANGES)
def test_a_mangled_workbook_or_packed_file_is_refused_in_a_sentence(
    name, changes, known_places, profile_path
):
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / name
        log.write_bytes(mangled((HABITS / name).read_bytes(), changes))
        profile = Path(folder) / "profile.yaml"
        kind = "csv" if name.endswith("zip") else log.suffix[1:]
        text = profile_path.read_text(encoding="utf-8").replace(
            '{kind: csv, delimiter: ","}', f"{{kind: {kind}}}"
        )
        profile.write_text(text, encoding="utf-8")
        assert account_or_sentence(log, known_places, profile) is None
