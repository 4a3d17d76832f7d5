import shlex
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from pipelines.cli import app
from pipelines.contracts import load_contract
from pipelines.contracts.checking import run_rules
from pipelines.faults import DataFault, RequestFault
from pipelines.intake import check_files, load_files
from tests.refusals import fault_of

HABITS = Path(__file__).parents[2] / "data" / "habits"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "odd.csv is empty: it holds no header and no rows. Export it again."),
        (
            "A,B\n1,2\n",
            "odd.csv: no source profile fits its header (A, B). Draft one with: rigging-removals profile {path} --out"
            " profile.yaml",
        ),
    ],
)
def test_a_file_that_is_no_log_is_refused(store, tmp_path, content, sentence):
    path = tmp_path / "odd.csv"
    path.write_text(content, encoding="utf-8")
    assert fault_of(store.load, path) == sentence.format(path=path)
    assert store.ask("select count(*) from loads") == [(0,)]


def test_a_header_without_rows_is_refused(store, write_log):
    assert fault_of(store.load, write_log()) == (
        "log.csv has a header and no rows below it. Export it again."
    )


def test_a_missing_file_is_named(store, tmp_path):
    assert fault_of(store.load, tmp_path / "none.csv", kind=RequestFault) == (
        f"There is no file {tmp_path / 'none.csv'}. Check the name and the folder."
    )


def test_a_file_of_an_unknown_kind_is_refused(store, tmp_path):
    for name, ending in (("log.pdf", ".pdf"), ("log", "nothing")):
        (tmp_path / name).write_text("x", encoding="utf-8")
        assert fault_of(store.load, tmp_path / name) == (
            f"{name}: files ending in {ending} cannot be read. Export it as CSV or XLSX."
        )


def test_a_store_without_a_register_asks_for_one(store, write_log, line):
    store.register.write_text(store.register.read_text().splitlines()[0] + "\n", encoding="utf-8")
    assert fault_of(store.load, write_log(line())) == (
        "register.csv has a header and no rows below it. Fill the register in."
    )
    assert fault_of(lambda: list(load_files([write_log(line())], store.path, [], store.profile_path))) == (
        "The store has no site register yet. Give one with --register site_register.csv, a row for each site, or have"
        " rigging-removals intake make it with --add-sites."
    )


def test_check_loads_nothing_and_names_each_row(store, write_log, line, days):
    log = write_log(*days(4), line(Seen="?"))
    ((account, rows),) = check_files([log], None, [store.register], store.profile_path)
    assert account.rows_quarantined == 1
    assert [(row["row"], row["rule"]) for row in rows] == [(5, "unreadable_quantity")]
    assert store.ask("select count(*) from loads") == [(0,)]


SHARE = "At most one row in five is quarantined; more means a wrong profile or a damaged file."


@pytest.mark.parametrize(
    ("bad", "worst"),
    [
        ([{"Seen": "?"}] * 2 + [{"Day": "?"}], "most by the rule unreadable_quantity"),
        ([{"Seen": "?"}, {"Day": "?"}, {"Look": "?"}], "each by another rule"),
        (
            [{"Seen": "?"}, {"Day": "?"}] * 2,
            "most by the rules unreadable_inspected_on and unreadable_quantity",
        ),
    ],
)
def test_a_refusal_names_the_rule_that_most_rows_break_where_there_is_one(store, write_log, line, bad, worst):
    log = write_log(*(line(**cells) for cells in bad))
    told = fault_of(store.load, log)
    assert told.startswith(
        f"log.csv: {len(bad)} of {len(bad)} rows would be quarantined, {worst}. {SHARE} Nothing of it was loaded. See"
    )


def test_a_refusal_repeats_what_the_load_was_given(store, write_log, line, days):
    folder = store.path.parent / "my logs"
    folder.mkdir()
    good, bad = (
        write_log(*lines, name=f"my logs/{name}.csv")
        for name, lines in (("a", days(1)), ("b", [line(Seen="?")]))
    )
    profile = store.profile_path.rename(folder / "yard.yaml")

    def command(registers, add_sites=False, before=()):
        told = fault_of(
            lambda: list(
                load_files([bad], store.path, registers, profile, add_sites, registers_before=before)
            )
        )
        return shlex.split(told.partition("See every row with: ")[2])

    check = ["rigging-removals", "check", str(bad), "--source", str(profile)]
    register, kept = ["--register", str(store.register)], ["--store", str(store.path)]
    assert command([store.register]) == [*check, *register]
    assert command([], before=[store.register]) == [*check, *register]
    assert command([store.register], add_sites=True) == check
    list(load_files([good], store.path, [store.register], profile))
    assert command([store.register]) == [*check, *register, *kept]
    assert command([]) == [*check, *kept]
    done = CliRunner().invoke(app, command([])[1:])
    assert 'b.csv, row 1: column "Seen": "?" is not a whole number.' in done.stdout


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
        store.load(HABITS / "several_sheets.xlsx")
    assert str(caught.value).startswith(
        'several_sheets.xlsx: no source profile fits. The profile "brackle-log" reads the sheet "Checks"; the sheets of the'
        ' workbook are "Cover", "North Shed", "Sea Wall", "Sheet4". Draft one with: '
    )


def test_a_row_that_stood_for_two_lines_would_stop_the_file():
    con = duckdb.connect()
    con.execute("create table line_rows as select 1 as row, 1 as line_row union all select 2, 1")
    con.execute("create table batch as select 1 as row")
    (rule,) = [rule for rule in load_contract("inspection_line").rules if rule.name == "rows_stand_once"]
    (before,) = run_rules(con, "batch", [rule])
    con.execute("insert into batch values (1)")
    (after,) = run_rules(con, "batch", [rule])
    assert (rule.severity, before.passed, after.passed) == ("stop", True, False)
