from pathlib import Path

import pytest

from pipelines.sources import fitting_profile, known_profiles, read_profile
from pipelines.terminal import as_typed
from tests.refusals import fault_of


def changed(profile_path, old, new):
    text = profile_path.read_text(encoding="utf-8")
    assert old in text
    profile_path.write_text(text.replace(old, new), encoding="utf-8")
    return profile_path


def test_the_profiles_of_the_project_are_valid_and_have_names_of_their_own():
    sources = [profile.source for profile in known_profiles()]
    assert len(sources) == len(set(sources)) >= 3


def test_a_missing_profile_is_named(tmp_path):
    path = tmp_path / "none.yaml"
    assert fault_of(read_profile, path) == (
        f"There is no source profile at {path}. Check the path given with --source."
    )


@pytest.mark.parametrize(
    ("old", "new", "entry", "what"),
    [
        ("columns:", "colums:", "colums", "Extra inputs are not permitted"),
        ("pin not matching", "pin lost", "reasons", "not in the coded list of removal criteria: pin lost"),
        ('";"', '""', "reasons.separator", "String should have at least 1 character"),
        (
            '","}',
            '",", header_row: 999999}',
            "file.header_row",
            "Input should be less than or equal to 10000",
        ),
        ("  serial:", "  gauge:", "profile", "no such column in the contract: gauge"),
        ("  quantity: Seen\n", "", "profile", "no column and no fixed value for: quantity"),
        ('","}', '",", encoding: utf-9}', "file", "no text encoding is called utf-9"),
        ('","}', '",", sheet: Log, sheets: all}', "file", "give sheet or sheets, not both"),
        (
            "column: Why",
            "row_per_reason: own count",
            "reasons",
            "row_per_reason needs the column of the reasons",
        ),
        (
            "column: Why",
            "column: Why, row_per_reason: own count}\nresult: {column: Verdict, fit: [ok], removed: [out]}\nunits: {}\n# {",
            "profile",
            "one item has one result: with result, row_per_reason is whole count",
        ),
        (
            "  quantity: Seen\n",
            'counts: {column: Seen, written: ["{quantity} seen, {lost} lost"]}\nunits: {}\n#',
            "counts",
            "no such count: lost; there are quantity, removed, replaced, not_presented",
        ),
        (
            "columns:",
            'counts: {column: Seen, written: ["{quantity} seen"]}\ncolumns:',
            "counts",
            '"{quantity} seen" must hold {quantity} and {removed}, each once',
        ),
        (
            "columns:",
            'counts: {column: Seen, written: ["{quantity}/{removed}", "{quantity}/{removed}/{replaced}"]}\ncolumns:',
            "counts",
            "all that is under written must hold the same counts",
        ),
        (
            "columns:",
            'counts: {column: Seen, written: ["{quantity}{removed}"]}\ncolumns:',
            "counts",
            '"{quantity}{removed}" has two counts with nothing between them',
        ),
        (
            "columns:",
            'counts: {column: Seen, written: ["{quantity}/{removed}"]}\ncolumns:',
            "profile",
            "read from counts and from elsewhere: quantity, removed",
        ),
        (
            "columns:",
            'counts: {column: Seen, written: ["{quantity}/{removed}"]}\n'
            "result: {column: Seen, fit: [ok], removed: [out]}\ncolumns:",
            "profile",
            "give result, where a row is one item, or counts, not both",
        ),
        (
            "  grade: Grade\n  serial: Tag\n  inspected_on: Day\n  inspection_type: Look\n  quantity: Seen\n  removed: Removed\n",
            "  inspected_on: Day\n  inspection_type: Look\n  quantity: Seen\n  removed: Removed\nserial_prefix: site\n",
            "profile",
            "serial_prefix needs the column of the serial numbers",
        ),
        (
            "columns:",
            "revision_key: [site]\ncolumns:",
            "profile",
            "revision_key must hold inspected_on: looks of two days are two looks",
        ),
    ],
)
def test_an_entry_that_cannot_be_is_named(profile_path, old, new, entry, what):
    told = fault_of(read_profile, changed(profile_path, old, new))
    assert told == f'profile.yaml, entry "{entry}": {what}. Mend that entry of the profile.'


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("csv, ", "csv, ]", "profile.yaml, line 4: not readable as YAML. Mend the indentation or quotes there."),
        (
            "brackle-log",
            "2026-02-30",
            "profile.yaml: a value cannot be read as YAML (day is out of range for month). Put it in quotes, or take it out.",
        ),
        ("brackle-log", "[" * 5_000, "profile.yaml: a value cannot be read as YAML (too many lists within"
         " lists). Put it in quotes, or take it out."),
    ],
)  # fmt: skip
def test_what_is_no_yaml_is_refused(profile_path, old, new, sentence):
    assert fault_of(read_profile, changed(profile_path, old, new)) == sentence


def test_a_profile_in_another_encoding_is_refused(profile_path):
    profile_path.write_bytes(
        profile_path.read_text(encoding="utf-8").replace("Brackle", "Brückle").encode("cp1252")
    )
    assert fault_of(read_profile, profile_path) == (
        "profile.yaml is not written in UTF-8 (byte 125). Save it as UTF-8."
    )


def test_the_profile_whose_header_fits_is_found(profile_path):
    profile = read_profile(profile_path)
    headers = {"brackle-log": [*profile.headers, "Remarks"]}
    assert fitting_profile(Path("log.csv"), headers, [profile]) is profile


def test_an_unknown_header_says_how_to_draft_a_profile(profile_path):
    log = Path("year end") / "log.csv"
    told = fault_of(fitting_profile, log, {"brackle-log": ["A", "B"]}, [read_profile(profile_path)])
    assert told == (
        f"log.csv: no source profile fits its header (A, B). Draft one with: {as_typed('profile', log, '--out', 'profile.yaml')}"
    )


def test_two_profiles_that_fit_are_both_named(profile_path):
    one = read_profile(profile_path)
    two = one.model_copy(update={"source": "twin"})
    headers = {"brackle-log": one.headers, "twin": one.headers}
    assert fault_of(fitting_profile, Path("log.csv"), headers, [one, two]) == (
        "log.csv: 2 source profiles fit its header (brackle-log, twin). Choose one with --source."
    )


def test_a_draft_is_refused_until_a_person_confirms_it(profile_path):
    profile = read_profile(changed(profile_path, "confirmed: true", "confirmed: false"))
    assert fault_of(fitting_profile, Path("log.csv"), {"brackle-log": profile.headers}, [profile]) == (
        'log.csv: the source profile "brackle-log" is a draft nobody has confirmed. Read it, mend it and set confirmed: true.'
    )
