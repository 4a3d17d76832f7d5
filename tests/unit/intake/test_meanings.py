"""Meanings that must not be guessed: dates, sizes, names, words for a result, and what a later export leaves out."""

from pathlib import Path

import duckdb
import pytest

from pipelines.contracts import load_contract
from pipelines.contracts.checking import run_rules
from pipelines.intake import account_lines, load_files

DATA = Path(__file__).parents[2] / "data"


def set_in_profile(store, old, new):
    text = store.profile_path.read_text(encoding="utf-8")
    assert old in text
    store.profile_path.write_text(text.replace(old, new), encoding="utf-8")


OPEN_ORDER = 'dates: ["%d/%m/%Y", "%m/%d/%Y"]\nwords:'


def test_an_open_date_order_is_proven_by_the_column(store, write_log, line):
    set_in_profile(store, "words:", OPEN_ORDER)
    store.load(write_log(line(Day="03/04/2026"), line(Day="25/04/2026")))
    assert store.ask("select inspected_on::varchar from current_lines order by 1") == [
        ("2026-04-03",),
        ("2026-04-25",),
    ]


def test_a_date_order_nobody_proves_is_quarantined(store, write_log, line):
    set_in_profile(store, "words:", OPEN_ORDER)
    lines = [line(Day=f"{day:02d}/{day:02d}/2026") for day in range(1, 10)]
    (account,) = store.load(write_log(*lines, line(Day="03/04/2026")))
    assert account.quarantined_by_rule == {"unreadable_inspected_on": 1}
    assert account.rows_accepted == 9


def test_one_site_may_prove_its_own_date_order(store, write_log, line):
    set_in_profile(store, "words:", OPEN_ORDER)
    sea = {"Place": "Sea Wall", "Where": "marine spray"}
    store.load(
        write_log(
            line(Day="03/04/2026"),
            line(Day="25/04/2026"),
            line(Day="03/05/2026", **sea),
            line(Day="05/25/2026", **sea),
        )
    )
    assert store.ask("select site, inspected_on::varchar from current_lines order by 1, 2") == [
        ("North Shed", "2026-04-03"), ("North Shed", "2026-04-25"), ("Sea Wall", "2026-03-05"), ("Sea Wall", "2026-05-25")
    ]  # fmt: skip


def test_a_size_that_became_a_date_is_recovered_where_the_column_proves_it_and_flagged(
    store, write_log, line
):
    set_in_profile(store, "words:", "units: {nominal_size_mm: in}\nwords:")
    (account,) = store.load(
        write_log(
            line(Size="3/4", Load="4.31"), line(Size="2026-05-08"), line(Size="2026-08-05", Day="2026-04-04")
        )
    )
    assert store.ask("select nominal_size_mm from current_lines order by row") == [(19.0,), (16.0,), (16.0,)]
    assert account.rows_flagged == 2
    assert {rule for (rule,) in store.ask("select rule from line_flags")} == {"size_as_written"}


@pytest.mark.parametrize("sizes", [("16 mm", "2026-05-08"), ("3/4", "2026-05-09")])
def test_a_size_that_became_a_date_stays_unread_without_proof(store, write_log, sizes, line, days):
    set_in_profile(store, "words:", "units: {nominal_size_mm: in}\nwords:")
    (account,) = store.load(write_log(*days(8), *[line(Size=size, Load="") for size in sizes]))
    assert account.quarantined_by_rule == {"unreadable_nominal_size_mm": 1}


@pytest.mark.parametrize(
    "spelling", ["NORTH SHED", " north  shed ", "North-Shed", "Nörth Shed", "The Old Shed"]
)
def test_a_name_is_resolved_through_the_register(store, write_log, spelling, line):
    register = store.register.read_text(encoding="utf-8").splitlines()
    register[0] += ",aliases"
    register[1] += ",The old shed; Shed (north)"
    store.register.write_text("\n".join([*register[:2], register[2] + ","]) + "\n", encoding="utf-8")
    store.load(write_log(line(Place=spelling)))
    assert store.ask("select site from current_lines") == [("North Shed",)]


@pytest.mark.parametrize("name", ["North Shed 1", "North Shed 01", "North Sheds", "Nort Shed"])
def test_a_name_that_is_merely_like_one_is_quarantined_with_the_nearest(store, write_log, name, line, days):
    (account,) = store.load(write_log(*days(9), line(Place=name)))
    assert account.quarantined_by_rule == {"site_in_register": 1}
    ((detail,),) = store.ask("select detail from quarantine")
    assert "Nearest in the register: North Shed, Sea Wall." in detail


def test_the_text_na_is_a_name_like_any_other(store, write_log, line):
    text = store.register.read_text(encoding="utf-8")
    store.register.write_text(text.replace("North Shed", "NA"), encoding="utf-8")
    store.load(write_log(line(Place="NA")))
    assert store.ask("select site from current_lines") == [("NA",)]


def test_an_unknown_site_is_added_only_when_asked(store, write_log, line):
    files = [write_log(line(Place="South Shed"))]
    (account,) = load_files(files, store.path, [store.register], store.profile_path, add_sites=True)
    assert (account.rows_accepted, account.added_sites) == (1, ["Brackle Docks, South Shed, indoor dry"])
    assert store.ask(
        "select service_class, current_interval_months from site_register where site = 'South Shed'"
    ) == [("normal", 12)]


def test_a_slip_in_a_reason_is_read_and_listed_with_its_likeness(store, write_log, line):
    (account,) = store.load(
        write_log(
            line(Why="identification mising", Removed="1"), line(Why="identity parade", Day="2026-03-03")
        )
    )
    assert account.likened_phrases == {"identification mising": "identification missing, likeness 98"}
    assert account.unmatched_phrases == {"identity parade": 1}


def test_a_reason_counted_for_more_items_than_were_removed_is_flagged(store, write_log, line):
    (account,) = store.load(write_log(line(Why="no tag x9")))
    assert (account.rows_accepted, account.rows_flagged) == (1, 1)
    assert store.ask("select rule from line_flags") == [("reasons_within_removed",)]


def test_a_serialised_item_seen_after_its_removal_is_quarantined(store, write_log, line, days):
    item = {"Tag": "T-1", "Seen": "1", "Why": ""}
    lines = [line(Day="2026-03-05", Removed="1", **item), line(Day="2026-03-06", Removed="0", **item)]
    (account,) = store.load(write_log(*days(8), *lines))
    assert account.quarantined_by_rule == {"not_removed_before": 1}
    assert store.ask("select row from quarantine") == [(10,)]


def test_a_count_far_from_the_groups_earlier_looks_is_flagged(store, write_log, line, days):
    store.load(write_log(*days(3)))
    (later,) = store.load(
        write_log(line(Seen="2500", Day="2026-06-01"), line(Day="2026-07-01"), name="later.csv")
    )
    assert later.rows_flagged == 1
    assert store.ask("select row, rule from line_flags") == [(1, "quantity_as_usual")]


def test_an_entry_missing_from_a_later_export_is_kept_and_flagged(store, write_log, line, days):
    store.load(write_log(*days(3)))
    (later,) = store.load(write_log(days(1)[0], days(3)[2], line(Day="2026-01-09"), name="later.csv"))
    assert (later.rows_superseded, later.lines_missing) == (2, 1)
    assert store.ask("select inspected_on::varchar from current_lines order by 1") == [
        ("2026-01-01",), ("2026-01-02",), ("2026-01-03",), ("2026-01-09",)
    ]  # fmt: skip
    assert store.ask("select row, rule from line_flags") == [(2, "missing_from_later_export")]


ITEM_PROFILE = """source: brackle-items
describes: One row per item.
confirmed: true
file: {kind: csv}
fixed: {client: Brackle Docks, gear_family: shackle}
columns: {site: Place, environment: Use, body: Body, pin: Pin, nominal_size_mm: Size, serial: Tag, inspected_on: Day, inspection_type: Look}
result: {column: Result, fit: [pass, ok], removed: [fail], put_back: [new pin], not_presented: [not found]}
"""


def test_words_for_a_result_count_as_what_they_say(store, tmp_path):
    store.profile_path.write_text(ITEM_PROFILE, encoding="utf-8")
    log = tmp_path / "items.csv"
    rows = [f"North Shed,indoor dry,bow,screw pin,16 mm,T-{n},2026-03-02,periodic,{word}" for n, word in enumerate(
        ["pass", "OK", "FAIL ", "New pin", "not found", "perhaps", "pass", "pass"])]  # fmt: skip
    log.write_text("\n".join(["Place,Use,Body,Pin,Size,Tag,Day,Look,Result", *rows]) + "\n", encoding="utf-8")
    (account,) = store.load(log)
    assert account.quarantined_by_rule == {"unreadable_removed": 1}
    assert store.ask("select detail from quarantine") == [
        ('column "Result": "perhaps" is neither a word for fit nor one for removed. Add it to the source profile, or'
         " correct the row.",)
    ]  # fmt: skip
    assert store.ask("select row, quantity, removed, coalesce(not_presented, 0), disposition from current_lines where row < 6 order by row") == [
        (1, 1, 0, 0, None), (2, 1, 0, 0, None), (3, 1, 1, 0, None), (4, 1, 0, 0, "New pin"), (5, 0, 0, 1, None)
    ]  # fmt: skip


def reasons_of_lines(store):
    return store.ask(
        "select line.row, quantity, removed, criterion, mentions, primary_removed from current_lines as line"
        " join current_reasons using (file_sha256, row) order by line.row, criterion"
    )


@pytest.mark.parametrize(
    ("counts", "name", "lines"),
    [
        ("own count", "row_per_reason_own_count.csv",
         [(1, 25, 4, "identification missing", 3, 3), (1, 25, 4, "pin not matching", 1, 1),
          (4, 30, 1, "pin not matching", 1, 1)]),
        ("whole count", "row_per_reason_whole_count.csv",
         [(1, 25, 4, "identification missing", 2, 2), (1, 25, 4, "not stated", 1, 1), (1, 25, 4, "pin not matching", 1, 1),
          (4, 30, 1, "pin not matching", 1, 1)]),
    ],
)  # fmt: skip
def test_rows_that_each_give_one_reason_of_a_look_become_one_line(store, counts, name, lines):
    set_in_profile(store, "reasons: {column: Why,", f"reasons: {{column: Why, row_per_reason: {counts},")
    (account,) = store.load(DATA / name)
    assert (account.rows_read, account.rows_accepted, account.rows_quarantined) == (6, 5, 0)
    assert (account.rows_gathered, account.rows_set_aside) == (2, {"blank": 1})
    assert reasons_of_lines(store) == lines
    assert store.ask("select row, line_row from gathered_rows order by row") == [(2, 1), (5, 1)]
    assert store.ask("select row, quantity, removed from current_lines where removed = 0") == [(6, 12, 0)]
    assert account_lines(account)[1] == (
        "  2 of the accepted give a further reason for the look of an earlier row: 3 lines."
    )


def test_an_item_with_a_row_for_each_reason_is_one_removal_with_several_criteria(store, write_log, line):
    set_in_profile(store, "reasons: {column: Why,", "reasons: {column: Why, row_per_reason: whole count,")
    item = {"Tag": "T-1", "Seen": "1", "Removed": "1"}
    store.load(write_log(line(Why="no tag", **item), line(Why="odd pin", **item)))
    assert reasons_of_lines(store) == [
        (1, 1, 1, "identification missing", 1, 1),
        (1, 1, 1, "pin not matching", 1, 0),
    ]


def test_rows_of_one_look_that_do_not_agree_are_quarantined_together(store, write_log, line, days):
    set_in_profile(store, "reasons: {column: Why,", "reasons: {column: Why, row_per_reason: own count,")
    rows = [line(Removed="1", Why="no tag"), line(Seen="26", Removed="1", Why="odd pin")]
    (account,) = store.load(write_log(*days(8), *rows))
    assert account.quarantined_by_rule == {"unreadable_quantity": 2}
    assert store.ask("select row, detail from quarantine order by row") == [
        (row, 'column "Seen": "25 and 26" is not a whole number. Correct the row, or add the unit to the source profile.'
              " The rows 9, 10 speak of one look.")
        for row in (9, 10)
    ]  # fmt: skip


def test_removals_of_one_look_that_add_up_to_more_than_were_there_are_quarantined(
    store, write_log, line, days
):
    set_in_profile(store, "reasons: {column: Why,", "reasons: {column: Why, row_per_reason: own count,")
    rows = [line(Removed="20", Why="no tag"), line(Removed="6", Why="odd pin")]
    (account,) = store.load(write_log(*days(8), *rows))
    assert account.quarantined_by_rule == {"removed_within_inspected": 2}
    assert "The row has Seen = 25, Removed = 20 + 6." in store.ask("select detail from quarantine")[0][0]


def test_an_item_with_two_results_of_one_day_is_quarantined(store, write_log, line, days):
    item = {"Tag": "T-1", "Seen": "1", "Why": ""}
    shifts = [line(Look="shift", Removed="0", **item) for _ in range(2)]
    rows = [line(Removed="0", **item), line(Removed="1", **item)]
    (account,) = store.load(write_log(*days(8), *shifts, *rows))
    assert account.quarantined_by_rule == {"item_stands_once": 2}
    assert store.ask("select row from quarantine order by row") == [(11,), (12,)]


def test_a_revision_of_what_the_key_leaves_out_supersedes_the_earlier_line(store, write_log, line):
    item = {"Tag": "T-1", "Seen": "1", "Removed": "0", "Why": ""}
    revised = {"Place": "Sea Wall", "Where": "marine spray"}
    set_in_profile(store, "words:", "revision_key: [client, serial, inspected_on, inspection_type]\nwords:")
    store.load(write_log(line(**item)))
    (later,) = store.load(write_log(line(**item, **revised), name="later.csv"))
    assert (later.rows_superseded, later.lines_missing) == (1, 0)
    assert store.ask("select site from current_lines") == [("Sea Wall",)]


@pytest.mark.parametrize(
    ("cells", "kept"),
    [
        ({"Seen": "20", "Removed": "2", "Gone": "5", "New": "2"}, (20, 2, 2, 5)),
        ({"Seen": "0", "Removed": "0", "Gone": "25", "New": "", "Why": ""}, (0, 0, None, 25)),
        ({"Look": "shift", "Removed": "1", "Gone": "", "New": "1"}, (25, 1, 1, None)),
    ],
    ids=["some not presented", "none presented", "replaced at a shift check"],
)
def test_items_not_presented_and_items_put_in_place_are_kept_as_such(store, write_log, line, cells, kept):
    set_in_profile(
        store, "  removed: Removed\n", "  removed: Removed\n  not_presented: Gone\n  replaced: New\n"
    )
    own = {name: cells.pop(name) for name in ("Gone", "New")}
    text = f"{line(**cells)},{own['Gone']},{own['New']}"
    header = write_log().read_text(encoding="utf-8").strip() + ",Gone,New"
    store.load(write_log(text, header=header))
    assert store.ask("select quantity, removed, replaced, not_presented from current_lines") == [kept]


def test_a_pin_replaced_and_the_shackle_put_back_is_a_disposition_and_no_removal(store, write_log, line):
    set_in_profile(store, "  removed: Removed\n", "  removed: Removed\n  disposition: Done\n")
    header = write_log().read_text(encoding="utf-8").strip() + ",Done"
    store.load(write_log(f"{line(Removed='0', Why='odd pin')},pin replaced", header=header))
    assert store.ask("select quantity, removed, disposition from current_lines") == [(25, 0, "pin replaced")]
    assert store.ask("select criterion, mentions, primary_removed from current_reasons") == [
        ("pin not matching", 1, 0)
    ]


def test_an_empty_cell_is_no_zero_unless_the_profile_says_so(store, write_log, line, days):
    (account,) = store.load(write_log(*days(9), line(Removed="", Why="")))
    assert account.quarantined_by_rule == {"missing_removed": 1}
    set_in_profile(store, "words:", "blank_is_zero: [removed]\nwords:")
    (account,) = store.load(write_log(line(Removed="", Why=""), name="blank.csv"))
    assert store.ask("select quantity, removed from current_lines where inspected_on = '2026-03-02'") == [
        (25, 0)
    ]


def test_gear_of_another_family_is_quarantined_by_that_rule(store, write_log, line, days):
    set_in_profile(
        store, "fixed: {client: Brackle Docks, gear_family: shackle}", "fixed: {client: Brackle Docks}"
    )
    set_in_profile(store, "columns:\n", "columns:\n  gear_family: Gear\n")
    header = write_log().read_text(encoding="utf-8").strip() + ",Gear"
    rows = [f"{text},Shackle" for text in days(9)]
    (account,) = store.load(write_log(*rows, f"{line()},eye bolt", header=header))
    assert account.quarantined_by_rule == {"unreadable_gear_family": 1}
    assert store.ask("select detail from quarantine") == [
        (
            'column "Gear": "eye bolt" is none of: shackle. Add the word to the source profile, or correct the row.',
        )
    ]


def test_a_criterion_ticked_without_a_count_is_a_mention(store, write_log, line):
    reasons = "reasons: {columns: {Tag gone: identification missing, Bent: deformed, Heat: heat damage}}"
    text = store.profile_path.read_text(encoding="utf-8")
    store.profile_path.write_text(text[: text.index("reasons:")] + reasons + "\n", encoding="utf-8")
    header = write_log().read_text(encoding="utf-8").strip() + ",Tag gone,Bent,Heat"
    store.load(
        write_log(f"{line(Removed='3')},x,2,", f"{line(Removed='2', Day='2026-03-03')},,,x", header=header)
    )
    assert reasons_of_lines(store) == [
        (1, 25, 3, "deformed", 2, 2),
        (1, 25, 3, "identification missing", 1, 1),
        (2, 25, 2, "heat damage", 2, 2),
    ]


def test_a_removal_needs_something_to_be_removed_from(store, write_log, line, days):
    rows = [line(Seen="0", Removed="1"), line(Seen="", Removed="1", Day="2026-03-03")]
    (account,) = store.load(write_log(*days(18), *rows))
    assert account.quarantined_by_rule == {"missing_quantity": 1, "removed_within_inspected": 1}


def test_a_reason_at_a_fit_item_is_a_mention_and_no_removal(store, write_log, line):
    store.load(write_log(line(Removed="0", Why="no tag x2")))
    assert reasons_of_lines(store) == [(1, 25, 0, "identification missing", 2, 0)]


def test_content_is_text_whatever_it_looks_like(store):
    set_in_profile(store, "  removed: Removed\n", "  removed: Removed\n  note: Remarks\n")
    log = DATA / "hostile_content.csv"
    (account,) = load_files([log], store.path, [store.register], store.profile_path, add_sites=True)
    assert (account.rows_read, account.rows_accepted, account.rows_quarantined) == (6, 5, 1)
    assert account.quarantined_by_rule == {"unreadable_row": 1}
    assert store.ask("select site, note from current_lines order by row") == [
        ("../../etc/passwd", '=HYPERLINK("http://x","y")'),
        ("'; drop table inspection_lines; --", "<script>alert(1)</script>"),
        ("{batch} $sha {{x}} %s", "+cmd|' /C calc'!A1"),
        ("<b>North</b> Shed", "@SUM(1+1)"),
        ("C:\\Yard\\..\\North", "-2+3"),
    ]
    assert store.ask("select count(*) from loads") == [(1,)]


def test_a_row_that_stood_for_two_lines_would_stop_the_file():
    con = duckdb.connect()
    con.execute("create table line_rows as select 1 as row, 1 as line_row union all select 2, 1")
    con.execute("create table batch as select 1 as row")
    (rule,) = [rule for rule in load_contract("inspection_line").rules if rule.name == "rows_stand_once"]
    (before,) = run_rules(con, "batch", [rule])
    con.execute("insert into batch values (1)")
    (after,) = run_rules(con, "batch", [rule])
    assert (rule.severity, before.passed, after.passed) == ("stop", True, False)


def test_a_row_without_a_site_does_not_double_the_lines_of_the_others(store, write_log, line, days):
    set_in_profile(store, "words:", OPEN_ORDER)
    rows = [line(Day=f"{day}/04/2026") for day in range(13, 22)]
    (account,) = store.load(write_log(*rows, line(Day="13/04/2026", Place="")))
    assert (account.rows_accepted, account.quarantined_by_rule) == (9, {"missing_site": 1})
    assert store.ask("select count(*) from inspection_lines") == [(9,)]


def test_a_result_that_cannot_be_read_is_no_ground_to_refuse_the_good_one_beside_it(
    store, write_log, line, days
):
    item = {"Tag": "T-1", "Seen": "1", "Why": ""}
    rows = [line(Removed="tbc", **item), line(Removed="0", **item)]
    (account,) = store.load(write_log(*days(8), *rows))
    assert account.quarantined_by_rule == {"unreadable_removed": 1}
    assert store.ask("select count(*) from inspection_lines where serial = 'T-1'") == [(1,)]
