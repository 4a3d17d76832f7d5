"""Whatever stands in a source profile, it is read or refused in a sentence, and so is a log by it."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.faults import Fault
from pipelines.intake.files import scratch_database, stand_in_store
from pipelines.intake.reading import header_of, read_rows
from pipelines.intake.staging import stage_lines
from pipelines.sources import read_profile
from tests.conftest import GOOD_LINE, HEADER, PROFILE
from tests.properties.test_intake_account import CHANGES, mangled

ENCODINGS = ["utf-8", "utf-16", "utf-32", "utf-7", "cp037", "cp1252", "shift_jis", "hz", "idna", "punycode", "undefined", "rot13", "hex", "mbcs", "unicode_escape"]  # fmt: skip
SIGNS = st.sampled_from(list(",;\t|'\"\n\r\0 a%\\\x1a\u2028é造🔩\ud800")) | st.characters()
TEXT = st.text(SIGNS, max_size=4)
FILE = st.fixed_dictionaries(
    {"kind": st.just("csv")},
    optional={
        "delimiter": SIGNS,
        "quote": SIGNS | st.just(""),
        "encoding": st.sampled_from(ENCODINGS),
        "header_row": st.integers(-1, 3) | st.integers(),
        "header_rows": st.sampled_from([1, 2, 3]),
    },
)
ENTRIES = st.fixed_dictionaries(
    {},
    optional={
        "file": FILE,
        "dates": st.lists(st.text("%YmdHjbyAsZz-/.\0 ", max_size=8), max_size=2),
        "decimal": st.sampled_from([",", ".", ";"]),
        "fixed": st.dictionaries(st.sampled_from(["client", "site", "quantity", "note"]), TEXT),
        "blank_is_zero": st.just(["removed"]),
        "words": st.dictionaries(st.sampled_from(["body", "pin"]), st.dictionaries(TEXT, TEXT, max_size=2)),
        "reasons": st.fixed_dictionaries({"column": st.just("Why")}, optional={"separator": TEXT}),
        "totals": st.fixed_dictionaries(
            {"column": st.sampled_from(["Place", "Nowhere"]), "words": st.lists(TEXT, max_size=2)}
        ),
        "free_text": st.lists(TEXT, max_size=2),
    },
)


def is_one_sentence_about(sentence, *paths):
    """Whether nothing is said, or something short that begins with the name of one of the files."""
    return not sentence or (len(sentence) < 1_000 and sentence.startswith(tuple(path.name for path in paths)))


@settings(max_examples=60, deadline=None)
@given(changes=CHANGES)
def test_a_mangled_profile_is_read_or_refused_in_a_sentence(changes):
    with TemporaryDirectory() as folder:
        path = Path(folder) / "profile.yaml"
        path.write_bytes(mangled(PROFILE.encode(), changes))
        sentence = ""
        try:
            read_profile(path)
        except Fault as fault:
            sentence = str(fault)
    assert is_one_sentence_about(sentence, path)


@pytest.fixture(scope="module")
def staging():
    """A scratch database with an empty store beside it, and a folder; opening one takes longer than a log."""
    with scratch_database() as (con, folder):
        stand_in_store(con, None)
        yield con, folder


@settings(max_examples=40, deadline=None)
@given(entries=ENTRIES)
def test_a_log_is_read_by_any_profile_or_refused_in_a_sentence(entries, staging):
    con, folder = staging
    log, path = folder / "log.csv", folder / "profile.yaml"
    log.write_text(f"{HEADER}\n{GOOD_LINE}\nx,,\n", encoding="utf-8")
    path.write_text(yaml.safe_dump(yaml.safe_load(PROFILE) | entries), encoding="utf-8")
    sentence = ""
    try:
        profile = read_profile(path)
        header = header_of(log, profile.file)
        if header and set(profile.headers) <= set(header):
            read_rows(con, log, profile.file, folder, profile.totals, profile.free_text_headers)
            stage_lines(con, header, profile, "ab" * 32)
            assert len(con.execute("from staged_lines").fetchall()) <= 2
    except Fault as fault:
        sentence = str(fault)
    assert is_one_sentence_about(sentence, path, log)
