import re
from functools import cache
from pathlib import Path

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipelines.cli import app
from pipelines.faults import DataFault, RequestFault
from pipelines.intake import check_files
from pipelines.intake.sampling import sample_files
from pipelines.sources import known_profiles, read_profile
from pipelines.sources.drafting import draft_profile, yaml_text
from pipelines.sources.matching import Sample
from pipelines.sources.profiles import REVISION_KEY, FileForm

EXPORTS = Path(__file__).parents[3] / "demo_data" / "exports"
DEMO = {
    "harrowmere-quantity-log": "harrowmere_quantity_log.csv",
    "harrowmere-toolstore-items": "harrowmere_toolstore_items.xlsx",
    "ostrevane-reason-columns": "ostrevane_reason_columns.csv",
    "ostrevane-receiving": "ostrevane_receiving_2024_2026.csv",
}


@cache
def demo_draft(source: str) -> dict:
    return yaml.safe_load(draft_profile(sample_files([EXPORTS / DEMO[source]]), source).yaml)


def sampled(columns: dict[str, list[str | None]], **form) -> Sample:
    """A sample of a CSV file with these columns."""
    count = max(map(len, columns.values()))
    filled = {header: [value for value in values if value is not None] for header, values in columns.items()}
    return Sample(
        files=["log.csv"],
        form=FileForm(kind="csv", **form),
        doubts={},
        header=list(columns),
        record_count=count,
        refused_count=0,
        values={
            header: {value: values.count(value) for value in dict.fromkeys(values)}
            for header, values in filled.items()
        },
        empty={header: count - len(values) for header, values in filled.items()},
        records=[
            {header: values[place] for header, values in columns.items()}
            for place in range(count)
            if all(len(values) == count for values in columns.values())
        ],
    )


def drafted(columns: dict[str, list[str | None]]) -> tuple[dict, str]:
    """The draft of a sample, as YAML means it and as it is written."""
    draft = draft_profile(sampled(columns), "log")
    return yaml.safe_load(draft.yaml), draft.yaml


def line_of(text: str, entry: str) -> str:
    return next(line.strip() for line in text.splitlines() if line.strip().startswith(entry))


@pytest.mark.parametrize("source", DEMO)
def test_the_demo_exports_are_mapped_as_their_profiles_are(source):
    (profile,) = [profile for profile in known_profiles() if profile.source == source]
    found = demo_draft(source)
    wanted = set(profile.columns.items()) | set(profile.reasons.columns.items())
    got = set(found["columns"].items()) | set(found["reasons"].get("columns", {}).items())
    assert len(wanted & got) >= 0.9 * len(wanted)
    assert found["reasons"].get("column") == profile.reasons.column
    assert found.get("result", {}).get("column") == (profile.result and profile.result.column)
    assert found["dates"] == profile.dates
    assert found.get("decimal", ".") == profile.decimal
    assert found["units"] == profile.units.model_dump()
    assert FileForm(**found["file"]).delimiter == profile.file.delimiter
    assert found["file"].get("header_row", 1) == profile.file.header_row


@pytest.mark.parametrize("source", DEMO)
def test_the_words_of_the_demo_exports_become_what_their_profiles_say(source):
    (profile,) = [profile for profile in known_profiles() if profile.source == source]
    found = demo_draft(source)
    for column, words in profile.words.items():
        assert words.items() <= found["words"].get(column, {}).items()
    phrases = found["reasons"].get("phrases", {})
    assert all(
        phrases.get(said, criterion) == criterion for said, criterion in profile.reasons.phrases.items()
    )


QUANTITY_LOG = {
    "Depot": ["North", "South", "North", "South"],
    "Client name": ["Brackle Docks"] * 4,
    "Surroundings of use": ["offshore", "foundry", "offshore", "under roof"],
    "Equipment": ["shackles"] * 4,
    "Bow / dee": ["omega", "dee", "omega", "dee"],
    "Closure": ["screwed", "bolt & nut", "screwed", "round"],
    "Dia.": ['5/8"', "¾ in", "1-1/4", "1/2"],
    "S.W.L. (kg)": ["2950", "4310", "10890", "1810"],
    "Steel": ["carbon steel", "carbon steel", "alloy steel", "alloy steel"],
    "Survey date": ["03-Mar-2026", "04-Mar-2026", "05-Mar-2026", "06-Mar-2026"],
    "Visit type": ["annual", "annual", "before use", "incoming"],
    "Nos. examined": ["20", "35", "12", "40"],
    "Nos. condemned": ["1", "2", None, "3"],
    "Cause": ["bent", "cracked + bent", None, "no tag + worn pin"],
    "Surveyor": ["K. 1", "K. 2", "K. 1", "K. 2"],
}
ITEM_LOG = {
    "TAG_NO": ["BD-0001", "BD-0002", "BD-0003"],
    "LOCATION": ["North Shed", "North Shed", "Sea Wall"],
    "CheckDate": ["03.04.2026", "04.04.2026", "25.04.2026"],
    "SizeMm": ["16", "19", "22"],
    "WLL_T": ["2,95", "4,31", "5,90"],
    "PinType": ["screw pin", "bolt", "screw pin"],
    "ShackleType": ["bow shackle", "D shackle", "bow shackle"],
    "UsedIn": ["outdoors", "outdoors", "sea"],
    "Pass/Fail": ["OK", "REJECTED", "not found"],
    "Defects": [None, "thread damaged", None],
}
STRANGE_LOG = {
    "f1": ["2026-03-02", "2026-03-03"],
    "f2": ["quayside", "workshop"],
    "f3": ['5/8"', '3/4"'],
    "f4": ["goods in", "yearly"],
    "f5": ["41", "17"],
}


@pytest.mark.parametrize(
    ("log", "columns"),
    [
        (QUANTITY_LOG,
         {"site": "Depot", "client": "Client name", "environment": "Surroundings of use", "gear_family": "Equipment",
          "body": "Bow / dee", "pin": "Closure", "nominal_size_mm": "Dia.", "rated_load_t": "S.W.L. (kg)",
          "grade": "Steel", "inspected_on": "Survey date", "inspection_type": "Visit type",
          "quantity": "Nos. examined", "removed": "Nos. condemned", "inspector": "Surveyor"}),
        (ITEM_LOG,
         {"site": "LOCATION", "environment": "UsedIn", "gear_family": "ShackleType", "body": "ShackleType",
          "pin": "PinType", "nominal_size_mm": "SizeMm", "rated_load_t": "WLL_T", "serial": "TAG_NO",
          "inspected_on": "CheckDate"}),
        (STRANGE_LOG,
         {"environment": "f2", "nominal_size_mm": "f3", "inspected_on": "f1", "inspection_type": "f4"}),
    ],
    ids=["by quantity", "by item", "by its values alone"],
)  # fmt: skip
def test_an_unfamiliar_header_is_mapped(log, columns):
    found, _ = drafted(log)
    assert found["columns"] == columns


def test_a_log_by_quantity_is_drafted_to_the_word():
    found, text = drafted(QUANTITY_LOG)
    assert found["dates"] == ["%d-%b-%Y"]
    assert found["units"] == {"nominal_size_mm": "in", "rated_load_t": "kg"}
    assert found["words"]["inspection_type"] == {
        "annual": "periodic",
        "before use": "frequent",
        "incoming": "initial",
    }
    assert found["words"]["pin"] == {
        "screwed": "screw pin",
        "bolt & nut": "bolt-type",
        "round": "round pin",
    }
    assert (found["reasons"]["column"], found["reasons"]["separator"]) == ("Cause", " + ")
    assert found["reasons"]["phrases"] == {
        "bent": "deformed",
        "cracked": "cracked or broken",
        "no tag": "identification missing",
        "worn pin": "wear over limit",
    }
    assert "result" not in found
    assert '# blank_is_zero: [removed]   # unsure: empty are "Nos. condemned" in 1 record.' in text


def test_a_log_by_item_takes_its_counts_from_the_result():
    found, _ = drafted(ITEM_LOG)
    assert found["result"] == {
        "column": "Pass/Fail",
        "fit": ["OK"],
        "removed": ["REJECTED"],
        "not_presented": ["not found"],
    }
    assert found["decimal"] == ","
    assert found["reasons"]["column"] == "Defects"


IN_ONE_CELL = ["25 looked at, 3 removed", "20 looked at, none removed", "9 looked at, all removed"]


@pytest.mark.parametrize(
    ("header", "cells", "written"),
    [
        ("Result", IN_ONE_CELL, ["{quantity} looked at, {removed} removed"]),
        ("Outcome", [*IN_ONE_CELL, "see sheet 2"], ["{quantity} looked at, {removed} removed"]),
        ("Looked at / taken out", ["25/3", "20/0"], ["{quantity}/{removed}"]),
        (
            "Remarks",
            ["3 of 25 scrapped", "1 of 1 scrapped", "No of 9 scrapped", "8 seen, 2 scrapped"],
            ["{removed} of {quantity} scrapped", "{quantity} seen, {removed} scrapped"],
        ),
    ],
)
def test_counts_that_stand_in_one_cell_are_proposed_as_such_and_unsure(header, cells, written):
    found, text = drafted({"Date": ["2026-01-05"] * len(cells), header: cells})
    assert (found["counts"], found["columns"]) == (
        {"column": header, "written": written},
        {"inspected_on": "Date"},
    )
    assert "unsure" in line_of(text, "written:")


@pytest.mark.parametrize(
    "columns",
    [
        {"Qty": ["25", "20"], "Removed": ["3", "0"], "Remarks": ["25 looked at, 3 removed"] * 2},
        {
            "Qty": ["25", "20"],
            "Result": ["2 bent, 1 worn", "3 bent, 1 worn"],
        },  # reasons, not how many there were
        {"Result": ["25 looked at, 3 removed", "fit", "fit"]},  # of few records
    ],
)
def test_what_holds_no_counts_is_not_proposed_for_them(columns):
    assert "counts" not in drafted(columns)[0]


def test_a_text_with_a_figure_in_it_is_no_word_for_a_result():
    found, _ = drafted({"Tag": ["BD-1", "BD-2", "BD-3"], "Result": ["ok", "1 removed", "rejected"]})
    assert (found["result"]["fit"], found["result"]["removed"]) == (["ok"], ["rejected"])


def test_a_word_for_the_state_of_the_lot_does_not_make_a_counted_log_one_by_item():
    found, _ = drafted({"Qty": ["5", "7"], "Removed": ["0", "1"], "Status": ["pass", "fail"]})
    assert ("result" in found, found["columns"]) == (False, {"quantity": "Qty", "removed": "Removed"})
    found, _ = drafted({"Tag": ["BD-1", "BD-2"], "Qty": ["1", "1"], "Status": ["pass", "fail"]})
    assert (found["result"]["column"], found["columns"]) == ("Status", {"serial": "Tag"})


def test_a_sure_match_is_not_given_up_for_two_weak_ones():
    found, _ = drafted({"Shackle type": ["bow shackle", "dee shackle"], "f2": ["bow", "dee"]})
    assert found["columns"]["body"] == "Shackle type"


def test_headers_that_only_the_values_speak_for_are_unsure():
    _, text = drafted(STRANGE_LOG)
    for column in ("environment", "nominal_size_mm", "inspected_on", "inspection_type"):
        assert "# unsure: the header is not a usual name of this column" in line_of(text, f"{column}: f")
    assert "# quantity: ...   # fill in: no header fits." in line_of(text, "# quantity")
    assert line_of(text, "# not used") == '# not used: f5   # "41", "17"'


def test_an_open_order_of_day_and_month_is_never_settled_by_the_draft():
    for days in (["03/04/2026", "05/06/2026"], ["03/04/2026", "05/06/2026", "soon"]):
        found, text = drafted({"Date": days})
        assert found["dates"] == ["%d/%m/%Y", "%m/%d/%Y"]
        assert "# unsure: " in line_of(text, "dates")


def test_a_day_that_proves_the_order_settles_it():
    found, text = drafted({"Date": ["03/04/2026", "25/06/2026"]})
    assert found["dates"] == ["%d/%m/%Y"]
    assert line_of(text, "dates") == 'dates: ["%d/%m/%Y"]   # "03/04/2026", "25/06/2026"'


@pytest.mark.parametrize(
    ("header", "loads", "unit"),
    [
        ("WLL t", ["2.95", "4.31"], "t"),
        ("WLL (ton)", ["3.25", "4.75"], "short ton"),
        ("Rated load", ["3.25 T", "4.75 T"], "short ton"),
    ],
)
def test_a_ton_is_always_unsure_and_the_reference_table_is_asked(header, loads, unit):
    found, text = drafted({"Size": ['5/8"', '3/4"'], header: loads})
    assert found["units"]["rated_load_t"] == unit
    assert (
        "# unsure: which ton is it? t is 1 000 kg, a short ton 2 000 lb; size and load stand together in the reference"
        f" table: 100% as {unit}"
    ) in line_of(text, "rated_load_t: " + unit)


@pytest.mark.parametrize(
    ("header", "unit"), [("WLL short tons", "short ton"), ("WLL (kg)", "kg"), ("WLL tonnes", "t")]
)
def test_a_header_that_spells_the_unit_out_settles_it(header, unit):
    found, text = drafted({header: ["3250", "4750"]})
    assert found["units"] == {"rated_load_t": unit}
    assert "unsure" not in line_of(text, f"rated_load_t: {unit}")


def test_a_comma_that_may_stand_for_thousands_is_unsure():
    found, text = drafted({"WLL kg": ["1,250", "3,250"]})
    assert found["decimal"] == ","
    assert "# unsure: the comma may stand for thousands" in line_of(text, "decimal")


def test_an_unknown_word_is_left_to_be_filled_in_and_a_likened_one_is_unsure():
    found, text = drafted({"Grade": ["alloy", "alloy", "alloy", "alloyed steel", "titanium"]})
    assert found["words"] == {"grade": {"alloy": "alloy", "alloyed steel": "alloy"}}
    assert line_of(text, "alloyed steel").startswith("alloyed steel: alloy   # unsure: likeness 9")
    assert line_of(text, "# titanium") == (
        "# titanium: ...   # fill in: unknown, 1 record; one of carbon, alloy"
    )


LOOKS = {
    "Date": ["2026-03-02", "2026-03-02", "2026-03-02", "2026-03-03"],
    "Depot": ["North", "North", "South", "North"],
    "Size": ["16 mm", "16 mm", "16 mm", "16 mm"],
    "Qty inspected": ["25", "25", "25", "30"],
}


@pytest.mark.parametrize(
    ("removed", "reasons", "proposed"),
    [
        (["3", "1", "0", "2"], ["no tag", "bent", None, "bent"],
         "row_per_reason: own count   # unsure: 1 look stands in several rows, a reason in each, and their counts of removed"
         " items differ"),
        (["4", "4", "0", "2"], ["no tag", "bent", None, "bent"],
         "row_per_reason: whole count   # unsure: 1 look stands in several rows, a reason in each, and all of them count the"
         " same removed items"),
        (["1", "1", "0", "2"], ["no tag", "bent", None, "bent"],
         "row_per_reason: own count   # unsure: 1 look stands in several rows, a reason in each, each of 1 item; if it is one"
         " item with several reasons, write whole count"),
        (["14", "13", "0", "2"], ["no tag", "bent", None, "bent"],
         "row_per_reason: whole count   # unsure: 1 look stands in several rows, a reason in each, and added up they remove"
         " more items than were there"),
    ],
    ids=["own count", "whole count", "ones", "more than was there"],
)  # fmt: skip
def test_rows_that_each_give_a_reason_of_one_look_are_proposed_and_unsure(removed, reasons, proposed):
    found, text = drafted(LOOKS | {"Qty removed": removed, "Reason": reasons})
    assert line_of(text, "row_per_reason") == proposed
    assert found["reasons"]["row_per_reason"] == proposed.split(": ")[1].split("  ")[0]


@pytest.mark.parametrize(
    "columns",
    [
        {"Qty inspected": ["25", "12", "25", "30"]},
        {"Reason": ["no tag; bent", "bent", None, "bent"]},
        {"Reason": ["no tag", "no tag", None, "bent"]},
        {"Reason": ["no tag", None, None, "bent"]},
        {"Date": ["2026-03-02", "2026-03-04", "2026-03-02", "2026-03-03"]},
    ],
    ids=["other quantity", "two reasons in a cell", "same reason", "no reason", "other day"],
)
def test_rows_that_may_be_looks_of_their_own_are_not_proposed_as_reasons_of_one(columns):
    whole = LOOKS | {"Qty removed": ["3", "1", "0", "2"], "Reason": ["no tag", "bent", None, "bent"]}
    found, _ = drafted(whole | columns)
    assert "row_per_reason" not in found["reasons"]


@pytest.mark.parametrize("source", DEMO)
def test_the_rows_of_the_demo_exports_are_looks_of_their_own(source):
    assert "row_per_reason" not in demo_draft(source)["reasons"]


def test_an_item_with_a_row_for_each_reason_counts_once():
    rows = {"Defects": ["bent", "no tag", None, None], "Pass/Fail": ["REJECTED", "REJECTED", "OK", "OK"]}
    item = {"TAG_NO": ["BD-1", "BD-1", "BD-2", "BD-3"], "Check date": ["2026-03-02"] * 4}
    found, text = drafted(item | rows)
    assert found["reasons"]["row_per_reason"] == "whole count"
    assert line_of(text, "row_per_reason").endswith("a reason in each; are they the same item?")
    assert "revision_key" not in found


def test_a_log_by_item_is_revised_by_its_serial_numbers():
    found, text = drafted(ITEM_LOG)
    assert found["revision_key"] == ["client", "serial", "inspected_on", "inspection_type"]
    assert line_of(text, "revision_key").endswith(
        "# unsure: no two records agree in these; may a later export correct the rest of a line?"
    )
    assert "revision_key" not in drafted(ITEM_LOG | {"TAG_NO": ["BD-0001", None, "BD-0003"]})[0]


def test_a_column_that_tells_looks_of_one_day_apart_is_proposed_for_the_key():
    receipts = LOOKS | {"Qty removed": ["0", "0", "0", "0"], "Supplier": ["L1", "L2", "L1", "L1"]}
    found, text = drafted(receipts)
    assert found["revision_key"] == [*REVISION_KEY, "supplier"]
    assert "# unsure: only supplier tells some records apart" in line_of(text, "revision_key")
    assert "revision_key" not in drafted(QUANTITY_LOG)[0]
    assert "revision_key" not in drafted(receipts | {"Supplier": ["L1", "L1", "L1", "L1"]})[0]


def test_total_rows_are_proposed_to_be_set_aside():
    found, _ = drafted({"Site": ["North", "Subtotal North", "South", "Total"], "Qty": ["1", "1", "2", "3"]})
    assert found["totals"] == {"column": "Site", "words": ["Subtotal *", "Total"]}


def test_a_draft_lacks_what_nobody_could_know_and_says_so(tmp_path):
    path = tmp_path / "draft.yaml"
    path.write_text(draft_profile(sampled({"Date": ["2026-03-02"]}), "log").yaml, encoding="utf-8")
    with pytest.raises(DataFault) as caught:
        read_profile(path)
    assert str(caught.value) == (
        'draft.yaml, entry "profile": no column and no fixed value for: client, site, environment, body,'
        " pin, nominal_size_mm, inspection_type, quantity, removed. Mend that entry of the profile."
    )


def test_a_filled_in_draft_loads_the_file(tmp_path, write_log, register):
    line = (
        "North Shed,indoor dry,bow,screw pin,16 mm,2.95,carbon,,2026-03-{:02d},annual,25,3,no tag x2; odd pin"
    )
    log = write_log(*[line.format(day) for day in range(1, 6)])
    out = tmp_path / "mine.yaml"
    done = CliRunner().invoke(app, ["profile", str(log), "--out", str(out)])
    assert (done.exit_code, done.exception) == (0, None)
    assert re.search(r'inspected_on +Day +1\.00 +"2026-03-01", "2026-03-02", "2026-03-03" +sure', done.stdout)
    draft = out.read_text(encoding="utf-8")
    out.write_text(
        draft.replace("confirmed: false", "confirmed: true").replace(
            "  # client: ...", "  client: Brackle Docks #"
        ),
        encoding="utf-8",
    )
    ((account, _),) = check_files([log], None, [register], out)
    assert (account.rows_accepted, account.rows_quarantined, account.unmatched_phrases) == (5, 0, {})


def test_a_draft_never_overwrites_a_file(tmp_path, write_log):
    out = tmp_path / "mine.yaml"
    out.write_text("mine", encoding="utf-8")
    done = CliRunner().invoke(app, ["profile", str(write_log("x")), "--out", str(out)])
    assert isinstance(done.exception, RequestFault)
    assert out.read_text(encoding="utf-8") == "mine"


NASTY = st.text(min_size=1, max_size=60) | st.sampled_from(
    ["no", "~", "1e5", "a: b", "# x", '"', "'", "- x", "? x", "{x}", "[x]", "x #y", "é\u2028ü", "\ud7ff", "*x", "&x", "!x", "%x"]
)  # fmt: skip


@given(NASTY)
def test_any_text_comes_back_from_yaml_as_key_and_as_value(text):
    assert yaml.safe_load(f"a: {yaml_text(text)}   # x") == {"a": text}
    assert yaml.safe_load(f"a:\n  {yaml_text(text)}: x   # y") == {"a": {text: "x"}}


@example("00", "0:0", "A")
@settings(max_examples=40, deadline=None)
@given(NASTY, NASTY, NASTY)
def test_a_draft_is_yaml_whatever_stands_in_the_file(header, word, phrase):
    site = f"{header} site"
    found, _ = drafted(
        {
            site: [word, word],
            "Grade": ["alloy", word],
            "Date": ["2026-03-02", "2026-03-03"],
            "Reason": [phrase, f"bent; {phrase}"],
            "Result": ["pass", word],
        }
    )
    assert set(found["columns"].values()) <= {site, "Grade", "Date", "Reason"}
    assert found["confirmed"] is False


LOG = {
    "Day": ["2026-01-02", "2026-02-03", "2026-03-04"],
    "Site": ["A", "B", "A"],
    "Inspected": ["10", "12", "11"],
    "Removed": ["1", "0", "2"],
}


def test_remarks_that_read_like_reasons_are_proposed_as_reasons_and_marked_unsure():
    draft, written = drafted(LOG | {"Remarks": ["no tag", "bent pin, thread damaged", None]})
    assert draft["reasons"]["column"] == draft["columns"]["note"] == "Remarks"
    assert "unsure: remarks, of which" in written
    other, _ = drafted(LOG | {"Remarks": ["rain all day", "keys at the gate", "ask for Jo"]})
    assert "reasons" not in other
    known, _ = drafted(
        LOG | {"Remarks": ["no tag", "bent pin", None], "Reason": ["no tag", "bent pin", None]}
    )
    assert known["reasons"]["column"] == "Reason"


def test_the_families_of_a_log_are_told_by_its_kinds_and_only_gear_with_pins_needs_a_pin():
    found, written = drafted(
        {
            "Type of gear": ["oblong link", "ring", "jaw and eye swivel", "ring"],
            "Size mm": ["16", "19", "22", "25"],
            "Place": ["Depot", "Depot", "Wharf", "Wharf"],
        }
    )
    assert "# pin: ..." not in written
    assert "pin" not in found["columns"]
    assert set(found["words"]["gear_family"].values()) == {"links and rings"}
    assert set(found["words"]["body"].values()) == {"oblong link", "ring", "jaw and eye swivel"}


def test_a_draft_of_other_gear_reads_it():
    sample = sample_files([EXPORTS / "wendrake_other_gear.csv"])
    found = yaml.safe_load(draft_profile(sample, "rounds").yaml)
    families = {**found["words"]["gear_family"]}
    assert families["ring"] == families["oblong link"] == "links and rings"
    assert families["hoist ring"] == "adjustable hardware"
