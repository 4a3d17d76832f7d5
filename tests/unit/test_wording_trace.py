import pandas as pd

from pipelines.wording_trace import trace_lines_of_text, trace_remarks

LINES = pd.DataFrame(
    {
        "file": ["a.csv", "a.csv", "b.csv"],
        "row": [7, 8, 12],
        "standing": ["current", "superseded", "in quarantine, perhaps of this figure"],
        "counts_in": ["counts and rate", None, None],
        "inspected_on": pd.to_datetime(["2026-02-03", "2026-02-03", None]),
        "site": ["Sea Wall", "Sea Wall", None],
        "client": ["Brackle Docks"] * 3,
        "quantity": [1200.0, 1100.0, None],
        "removed": [16.0, 15.0, None],
        "removed_at_risk": [16.0, None, None],
        "note": [None, None, None],
    }
)


def test_a_terminal_shows_neither_empty_columns_nor_what_was_asked_for():
    assert trace_lines_of_text(LINES, {"client": "Brackle Docks", "site": "Sea Wall"}) == [
        "file   row  standing                               counts_in        inspected_on  site      quantity  removed"
        "  removed_at_risk",
        "a.csv  7    current                                counts and rate  2026-02-03    Sea Wall  1200      16"
        "       16",
        "a.csv  8    superseded                                              2026-02-03    Sea Wall  1100      15",
        "b.csv  12   in quarantine, perhaps of this figure",
    ]


def test_what_a_reader_should_know_of_the_lines():
    assert trace_remarks(LINES, "Others count too.", {"old-log": 3}, ["a.csv"]) == [
        "1 current line, 1 superseded, 1 in quarantine.",
        "In the counts: 1 of them, 1,200 looked at, 16 removed.",
        "In the rate: 16 removals.",
        "Others count too.",
        'Rows in quarantine that were read with the source profile "old-log", which is not at hand: 3. Give it with'
        " --source to see which of them belong here.",
        "For the cells as exported give the files again: --file a.csv",
    ]
    assert trace_remarks(LINES[1:2], "", {}, []) == ["0 current lines, 1 superseded."]
