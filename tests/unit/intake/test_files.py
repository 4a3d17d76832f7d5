import json
from pathlib import Path

import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.intake import account_lines, check_files

DATA = Path(__file__).parents[2] / "data"


def test_a_line_comes_out_in_the_contracts_words_and_units(store, write_log, line):
    store.load(write_log(line(Size='"5/8"""', Load="3250 kg", Look="Goods In")))
    assert store.ask(
        "select client, site, environment, item_class, nominal_size_mm, rated_load_t, inspection_type, quantity, removed, row"
        " from current_lines"
    ) == [
        ("Brackle Docks", "North Shed", "indoor dry", "bow shackle, screw pin, 16 mm, 3.25 t, carbon", 16.0, 3.25, "initial", 25, 3, 1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cells", "rule", "detail"),
    [
        ({"Seen": "12 ea"}, "unreadable_quantity",
         'column "Seen": "12 ea" is not a whole number. Correct the row, or add the unit to the source profile.'),
        ({"Seen": ""}, "missing_quantity", 'column "Seen" is empty. Fill it in.'),
        ({"Removed": ""}, "missing_removed", 'column "Removed" is empty. Fill it in.'),
        ({"Removed": "26"}, "removed_within_inspected",
         "Rule: No more items are removed than were looked at. The row has Seen = 25, Removed = 26. Correct the row."),
        ({"Seen": "-1", "Removed": "-1"}, "quantity_not_negative",
         "Rule: Items looked at are 0 or more. The row has Seen = -1. Correct the row."
         " Rule: Items removed are 0 or more. The row has Removed = -1. Correct the row."),
        ({"Day": "2999-01-01"}, "not_in_the_future",
         "Rule: The inspection day is not after the day of loading. The row has Day = 2999-01-01. Correct the row."),
        ({"Day": "1969-12-31"}, "not_before_1970",
         "Rule: The inspection day is not before 1970. The row has Day = 1969-12-31. Correct the row."),
        ({"Day": "03/04/2026"}, "unreadable_inspected_on",
         'column "Day": "03/04/2026" is not a day written as YYYY-MM-DD. Correct the row.'),
        ({"Look": "walk-by"}, "unreadable_inspection_type",
         'column "Look": "walk-by" is none of: initial, frequent, periodic. Add the word to the source profile, or correct the row.'),
        ({"Place": "South Shed"}, "site_in_register",
         "Rule: Client, site and environment stand in the site register."
         " The row has client = Brackle Docks, Place = South Shed, Where used = indoor dry. Correct the row."
                " Nearest in the register: North Shed, Sea Wall."),
        ({"Tag": "T-1"}, "serial_is_one_item",
         "Rule: A line with a serial number speaks of one item. The row has Tag = T-1, Seen = 25. Correct the row."),
        ({"Load": "heavy"}, "unreadable_rated_load_t",
         'column "Load": "heavy" is not a number or not a known unit (t). Correct the row, or add the unit to the source profile.'),
    ],
)  # fmt: skip
def test_a_row_at_fault_is_quarantined_with_its_reason(store, write_log, cells, rule, detail, line, days):
    (account,) = store.load(write_log(*days(9), line(**cells)))
    assert (account.rows_read, account.rows_accepted, account.rows_quarantined) == (10, 9, 1)
    assert account.quarantined_by_rule == {rule: 1}
    assert store.ask("select file, row, rule, detail from quarantine") == [("log.csv", 10, rule, detail)]


def test_the_raw_row_is_kept_as_the_file_had_it(store, write_log, line, days):
    store.load(write_log(*days(9), line(Seen="12 ea")))
    ((raw,),) = store.ask("select raw ->> 'Seen' from (select raw::json as raw from quarantine)")
    assert raw == "12 ea"


def test_a_record_that_cannot_be_split_is_quarantined_and_the_rest_keep_their_numbers(
    store, write_log, line, days
):
    lines = [*days(4), "short,row", *days(8)[4:], "much,too,long" + "," * 20, line(Day="2026-04-01")]
    (account,) = store.load(write_log(*lines))
    assert (account.rows_read, account.rows_accepted, account.rows_quarantined) == (11, 9, 2)
    assert store.ask("select row from quarantine order by row") == [(5,), (10,)]
    assert store.ask("select list(row order by row) from current_lines") == [([1, 2, 3, 4, 6, 7, 8, 9, 11],)]


def test_a_load_that_does_not_match_its_size_is_flagged_and_accepted(store, write_log, line):
    (account,) = store.load(write_log(line(Load="8.5")))
    assert (account.rows_accepted, account.rows_flagged) == (1, 1)
    assert store.ask("select rule from line_flags") == [("load_matches_size",)]


def test_reasons_give_every_removed_item_to_one_criterion(store, write_log, line):
    store.load(write_log(line(Removed="4", Why="no tag x2; odd pin; bent like a bow")))
    assert store.ask(
        "select criterion, mentions, primary_removed, phrase from current_reasons order by criterion"
    ) == [
        ("identification missing", 2, 2, "no tag"),
        ("not stated", 1, 1, "bent like a bow"),
        ("pin not matching", 1, 1, "odd pin"),
    ]


def test_mentions_beyond_the_removals_stay_mentions(store, write_log, line):
    store.load(write_log(line(Removed="2", Why="no tag x2; odd pin x2")))
    assert store.ask(
        "select criterion, mentions, primary_removed from current_reasons order by criterion"
    ) == [
        ("identification missing", 2, 2),
        ("pin not matching", 2, 0),
    ]


def test_removals_with_no_reason_are_not_stated(store, write_log, line):
    store.load(write_log(line(Why="")))
    assert store.ask("select criterion, mentions, primary_removed from current_reasons") == [
        ("not stated", 3, 3)
    ]


def test_an_unmatched_phrase_is_counted_in_the_account(store, write_log, line):
    (account,) = store.load(write_log(line(Why="chewed"), *[line(Day="2026-05-05", Why="chewed")]))
    assert account.unmatched_phrases == {"chewed": 2}
    assert '  reason "chewed" is not in the profile, counted as not stated: 2 lines' in account_lines(account)


def test_the_same_bytes_change_nothing_also_under_another_name(store, write_log, days):
    store.load(write_log(*days(3)))
    before = store.ask("select * from inspection_lines")
    (again,) = store.load(write_log(*days(3), name="copy.csv"))
    assert again.is_already_loaded
    assert account_lines(again) == ["copy.csv: already loaded, the same bytes; nothing changed."]
    assert store.ask("select * from inspection_lines") == before
    assert store.ask("select count(*) from loads") == [(1,)]


def test_a_later_export_supersedes_the_lines_it_revises_and_the_old_stay_readable(
    store, write_log, line, days
):
    store.load(write_log(*days(3)))
    (later,) = store.load(write_log(line(Day="2026-01-02", Removed="5", Why=""), name="later.csv"))
    assert later.rows_superseded == 1
    assert store.ask("select inspected_on::varchar, removed from current_lines order by 1") == [
        ("2026-01-01", 3), ("2026-01-02", 5), ("2026-01-03", 3)
    ]  # fmt: skip
    assert store.ask(
        "select removed, superseded_by from inspection_lines where superseded_by is not null"
    ) == [(3, 2)]
    assert store.ask("select sum(primary_removed) from current_reasons") == [(11,)]


def test_too_many_rows_at_fault_stop_the_file_and_leave_the_store_as_it_was(store, write_log, line, days):
    store.load(write_log(*days(3)))
    before = store.ask("select * from loads")
    with pytest.raises(DataFault) as caught:
        store.load(write_log(*days(3), line(Seen="?"), line(Seen="??"), name="bad.csv"))
    assert str(caught.value) == (
        "bad.csv: 2 of 5 rows would be quarantined, most by the rule unreadable_quantity; nothing of it was loaded."
        " See every row with: rigging-removals check bad.csv"
    )
    assert store.ask("select * from loads") == before
    assert store.ask("select count(*) from quarantine") == [(0,)]


def test_records_that_cannot_be_split_count_towards_the_share_that_stops_a_file(store, write_log, days):
    with pytest.raises(
        DataFault, match=r"log\.csv: 2 of 9 rows would be quarantined, most by the rule unreadable_row"
    ):
        store.load(write_log(*days(7), "short,row", "short"))
    (account,) = store.load(write_log(*days(8), "short,row", "short"))
    assert account.quarantined_by_rule == {"unreadable_row": 2}


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "is empty: it holds no header and no rows"),
        ("A,B\n1,2\n", "no source profile fits its header (A, B)"),
    ],
)
def test_a_file_that_is_no_log_is_refused(store, tmp_path, content, sentence):
    path = tmp_path / "odd.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(DataFault) as caught:
        store.load(path)
    assert sentence in str(caught.value)
    assert store.ask("select count(*) from loads") == [(0,)]


def test_a_header_without_rows_is_refused(store, write_log):
    path = write_log()
    with pytest.raises(DataFault, match="has a header and no rows"):
        store.load(path)


def test_a_missing_file_is_named(store, tmp_path):
    with pytest.raises(RequestFault, match=r"There is no file .*none\.csv"):
        store.load(tmp_path / "none.csv")


def test_a_file_of_an_unknown_kind_is_refused(store, tmp_path):
    path = tmp_path / "log.pdf"
    path.write_text("x", encoding="utf-8")
    with pytest.raises(DataFault, match=r"files ending in \.pdf cannot be read"):
        store.load(path)


def test_a_store_without_a_register_asks_for_one(store, write_log, line):
    store.register.write_text(store.register.read_text().splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(DataFault, match=r"register\.csv has a header and no rows"):
        store.load(write_log(line()))


def test_check_loads_nothing_and_names_each_row(store, write_log, line, days):
    log = write_log(*days(4), line(Seen="?"))
    ((account, rows),) = check_files([log], None, [store.register], store.profile_path)
    assert account.rows_quarantined == 1
    assert [(row["row"], row["rule"]) for row in rows] == [(5, "unreadable_quantity")]
    assert store.ask("select count(*) from loads") == [(0,)]


def test_check_without_a_register_does_not_ask_for_sites(store, write_log, line):
    log = write_log(line(Place="Anywhere"))
    ((account, _),) = check_files([log], None, [], store.profile_path)
    assert account.rows_accepted == 1


def test_a_missing_sheet_is_named_with_those_that_are_there(store):
    profile = store.profile_path.read_text(encoding="utf-8")
    assert '{kind: csv, delimiter: ","}' in profile
    store.profile_path.write_text(
        profile.replace('{kind: csv, delimiter: ","}', "{kind: xlsx, sheet: Checks}"), encoding="utf-8"
    )
    with pytest.raises(DataFault) as caught:
        store.load(DATA / "several_sheets.xlsx")
    assert str(caught.value).startswith(
        'several_sheets.xlsx: no source profile fits. The profile "brackle-log" reads the sheet "Checks"; the sheets of the'
        ' workbook are "Cover", "North", "Sea Wall", "Sheet3". Draft one with: '
    )


def test_a_record_that_cannot_be_split_is_kept_as_json_like_the_others(store, write_log, days):
    log = write_log(*days(9), "short,row")
    store.load(log)
    ((raw,),) = store.ask("select raw from quarantine")
    header = log.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert json.loads(raw) == {"(whole record)": "short,row", **dict.fromkeys(header)}
