"""The account of a file in words, to the letter."""

import pytest

from pipelines.intake import account_lines
from pipelines.store.loading import Account, CountJump


def words(**counts):
    plain = {"rows_read": 20, "rows_accepted": 18, "rows_flagged": 0, "rows_quarantined": 2}
    return account_lines(Account("log.csv", "f" * 64, "brackle-log", **plain | counts))


def test_every_row_read_is_told():
    assert words() == [
        "log.csv (profile brackle-log): 20 rows read = 18 accepted + 2 quarantined; 0 of the accepted flagged."
    ]
    assert words(rows_read=23, rows_set_aside={"blank": 1, "total": 2})[:2] == [
        "log.csv (profile brackle-log): 23 rows read = 18 accepted + 2 quarantined + 3 set aside; 0 of the accepted flagged.",
        "  set aside, no part of the log: blank 1, total 2",
    ]


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        ({"is_already_loaded": True}, "log.csv: already loaded, the same bytes; nothing changed."),
        ({"rows_gathered": 2}, "  2 of the accepted give a further reason for the look of an earlier row: 16 lines."),
        ({"rows_superseded": 1_200}, "  1,200 lines of earlier exports superseded; they stay readable."),
        ({"quarantined_by_rule": {"missing_site": 2}}, "  quarantined by missing_site: 2"),
        ({"flagged_by_rule": {"load_matches_size": 3}}, "  flagged by load_matches_size: 3"),
        ({"unmatched_phrases": {"chewed": 2}}, '  reason "chewed" is not in the profile, counted as not stated: 2 lines'),
        ({"likened_phrases": {"bnet": "deformed, likeness 91"}},
         '  reason "bnet" is not in the profile, read as deformed, likeness 91 of 100 (at least 90)'),
        ({"lines_missing": 1}, "  1 lines of earlier exports are missing from this one; kept and flagged."),
        ({"added_sites": ["Brackle Docks, South Shed, indoor dry"]},
         "  added to the site register: Brackle Docks, South Shed, indoor dry. Set its service class and interval; until then"
         " normal, 12 months."),
        ({"count_jumps": [CountJump("Brackle Docks", "Sea Wall", 1, 2_500, 25)]},
         "  the count of Sea Wall (Brackle Docks) jumps: 2,500 items at 1 look, 25 at earlier looks of the same groups (100 times"
         " as many). It is loaded; look whether the export is whole and its counts are of items."),
        ({"why_stopped": "log.csv: 9 of 10 rows would be quarantined"},
         "  log.csv: 9 of 10 rows would be quarantined. Intake would take nothing of this file until they are corrected, or"
         " the profile is."),
        ({"rows_still_wrong": ["log.csv, row 3: no."]}, "  still in quarantine: log.csv, row 3: no."),
    ],
)  # fmt: skip
def test_what_befell_some_rows_is_a_sentence_of_its_own(counts, sentence):
    assert words(**counts)[-1] == sentence
