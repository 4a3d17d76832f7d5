"""The monthly run: new files come in whatever else is refused, a second run changes nothing, a stopped one is made whole."""

import json
import subprocess
from dataclasses import replace
from threading import Thread

import pytest

from pipelines import monthly_run
from pipelines.faults import Fault, HeldFault, RequestFault
from pipelines.jobs import what_is_wrong
from pipelines.monthly_run import Asked, exports_in, run_month
from pipelines.scratch import held_folder
from pipelines.wording_run import run_in_words
from tests.conftest import HEADER
from tests.refusals import fault_of

PERIOD = "2026-03"


@pytest.fixture
def packs(monkeypatch):
    """The packs that were asked for, by client and folder; each is an index page and no more, since packs have tests of their own."""
    made = []

    def run_pack(names, store, period, client, site, out, jobs, paper):
        made.append((client, str(out)))
        (out / period).mkdir(parents=True, exist_ok=True)
        (out / period / "index.html").write_text("a pack", encoding="utf-8")

    monkeypatch.setattr(monthly_run, "run_pack", run_pack)
    return made


@pytest.fixture
def asked(tmp_path, profile_path, register, line, monkeypatch):
    """A drop folder with two logs, one of them with a row at fault, and what a run is asked to do with it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "incoming").mkdir()
    (tmp_path / "profiles").mkdir()
    profile_path.rename(tmp_path / "profiles" / "brackle.yaml")
    drop(tmp_path, "a_2025.csv", line(Day="2025-03-02"))
    good = [line(Day=f"2026-03-{day:02d}", Place="Sea Wall", Where="marine spray") for day in range(1, 10)]
    drop(tmp_path, "b_2026.csv", line(), *good, line(Seen="12 ea"))
    return Asked(
        drop_folder=tmp_path / "incoming",
        store=tmp_path / "kept.duckdb",
        registers=[register],
        profiles=tmp_path / "profiles",
        out=tmp_path / "reports",
        period=PERIOD,
    )


def drop(folder, name, *lines):
    (folder / "incoming" / name).write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")


def became(outcome):
    return {file.file: file.outcome for file in outcome.files}


def test_new_files_come_in_and_a_bad_one_among_them_keeps_none_out(asked, packs, tmp_path):
    (asked.drop_folder / "b_notes.pdf").write_bytes(b"%PDF-1.4")
    drop(tmp_path, "a_other.csv", "1,2,3")
    (asked.drop_folder / "a_other.csv").write_text("A,B\n1,2\n", encoding="utf-8")
    before = {path.name: path.read_bytes() for path in asked.drop_folder.iterdir()}
    outcome = run_month(asked)
    assert became(outcome) == {
        "a_2025.csv": "loaded", "a_other.csv": "refused", "b_2026.csv": "loaded", "b_notes.pdf": "refused",
    }  # fmt: skip
    assert not outcome.is_clean
    assert outcome.faults == []
    assert packs == [("", str(asked.out))]
    assert {path.name: path.read_bytes() for path in asked.drop_folder.iterdir()} == before
    assert what_is_wrong(asked.store) == []
    lines = (asked.out / "summary.txt").read_text(encoding="utf-8").splitlines()
    assert lines == run_in_words(outcome)
    assert lines[0] == "Shackle inspections, March 2026: done in part; something was refused or failed."
    assert lines[4:7] == [
        "  1. a_other.csv: no source profile fits its header (A, B). Draft one with: rigging-removals profile"
        f" {asked.drop_folder / 'a_other.csv'} --out profile.yaml",
        "  2. b_notes.pdf: files ending in .pdf cannot be read. Export it as CSV or XLSX.",
        "  3. 1 row is in quarantine and in no figure. Export them, correct them, and put the workbook into the drop folder:"
        f" rigging-removals quarantine --store {asked.store} --export quarantine.xlsx",
    ]
    assert "Files: 2 loaded and 2 refused." in lines
    assert "  loaded   b_2026.csv: 11 rows read = 10 accepted + 1 quarantined" in lines
    assert any(line.startswith("  In March 2026, ") for line in lines)
    told = json.loads((asked.out / "summary.json").read_text(encoding="utf-8"))
    assert (told["period"], told["is_clean"], told["open_in_quarantine"]) == (PERIOD, False, 1)
    assert [file["rows_accepted"] for file in told["files"]] == [1, 0, 10, 0]


def test_a_second_run_and_a_dry_run_change_nothing_and_what_a_pack_rests_on_has_it_made_again(
    asked, packs, register, line, tmp_path
):
    def content():
        return {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    assert became(run_month(asked, is_dry=True)) == {"a_2025.csv": "new", "b_2026.csv": "new"}
    assert not asked.store.exists()
    assert not asked.out.exists()
    assert run_month(asked).is_clean
    store = asked.store.read_bytes()

    outcome = run_month(asked)
    assert became(outcome) == {"a_2025.csv": "known", "b_2026.csv": "known"}
    assert [pack.outcome for pack in outcome.packs] == ["kept"]
    assert asked.store.read_bytes() == store
    assert [pack.outcome for pack in run_month(asked, is_dry=True).packs] == ["kept"]
    (asked.out / PERIOD / "index.html").rename(tmp_path / "aside.html")
    assert [pack.outcome for pack in run_month(asked, is_dry=True).packs] == ["due"]
    (tmp_path / "aside.html").rename(asked.out / PERIOD / "index.html")

    drop(tmp_path, "c_2026.csv", line(Day="2026-03-30"), line(Day="2026-03-31"))
    (asked.drop_folder / "d.pdf").write_bytes(b"%PDF-1.4")
    drop(tmp_path, "e_all_wrong.csv", line(Seen="many"), line(Seen="few"))
    before = content()
    outcome = run_month(asked, is_dry=True)
    known = {"a_2025.csv": "known", "b_2026.csv": "known"}
    refused = {"d.pdf": "refused", "e_all_wrong.csv": "refused"}
    assert became(outcome) == known | {"c_2026.csv": "new"} | refused
    assert [pack.outcome for pack in outcome.packs] == ["due"]
    said = run_in_words(outcome)
    assert said[0] == "Shackle inspections, March 2026: dry run, nothing was changed."
    assert "  new      c_2026.csv: 2 rows read = 2 accepted + 0 quarantined" in said
    sentence = (
        "e_all_wrong.csv: 2 of 2 rows would be quarantined, most by the rule unreadable_quantity. At most one row in five is"
        " quarantined; more means a wrong profile or a damaged file."
    )
    assert f"  2. {sentence}" in said
    assert content() == before
    assert len(packs) == 1

    outcome = run_month(asked)
    assert became(outcome) == known | {"c_2026.csv": "loaded"} | refused
    assert (
        f"--source {asked.profiles} --register {register} --store {asked.store}" in run_in_words(outcome)[5]
    )
    assert [pack.outcome for pack in outcome.packs] == ["made"]
    register.write_text(
        register.read_text(encoding="utf-8").replace("weekly,12", "weekly,6"), encoding="utf-8"
    )
    before = content()
    assert [pack.outcome for pack in run_month(asked, is_dry=True).packs] == ["due"]
    assert content() == before
    assert [pack.outcome for pack in run_month(asked).packs] == ["made"]
    (asked.out / PERIOD / "index.html").unlink()
    assert [pack.outcome for pack in run_month(asked).packs] == ["made"]


def test_a_dry_run_tells_of_a_register_that_is_none(asked, packs, register):
    assert run_month(asked).is_clean
    register.write_text("site\nPress Hall\n", encoding="utf-8")
    outcome = run_month(asked, is_dry=True)
    assert not outcome.is_clean
    assert "register.csv" in outcome.faults[0]


def test_a_file_is_known_by_its_content_whatever_its_name(asked, packs, line, tmp_path):
    run_month(asked)
    (asked.drop_folder / "a_2025.csv").rename(asked.drop_folder / "a_again.csv")
    drop(tmp_path, "b_2026.csv", line(Day="2026-03-30"))
    for is_dry, comes_in in ((True, "new"), (False, "loaded")):
        outcome = run_month(asked, is_dry)
        assert became(outcome) == {"a_again.csv": "known", "b_2026.csv": comes_in}
        assert outcome.files[0].sentence == "Loaded earlier as a_2025.csv."


def test_a_run_that_was_stopped_is_made_whole_by_the_next(asked, packs, monkeypatch):
    def stopped(store):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(monthly_run, "compute_for_store", stopped)
        with pytest.raises(KeyboardInterrupt):
            run_month(asked)
    assert not (asked.out / "summary.txt").exists()
    outcome = run_month(asked)
    assert became(outcome) == {"a_2025.csv": "known", "b_2026.csv": "known"}
    assert outcome.is_clean
    assert [pack.outcome for pack in outcome.packs] == ["made"]
    assert what_is_wrong(asked.store) == []


def test_a_store_that_is_held_is_told_in_a_summary_of_this_run(asked, packs, monkeypatch):
    assert run_month(asked).is_clean

    def held(store):
        raise HeldFault("The store is in use.")

    monkeypatch.setattr(monthly_run, "_known_files", held)
    outcome = run_month(asked)
    assert outcome.faults == ["The store is in use."]
    lines = (asked.out / "summary.txt").read_text(encoding="utf-8").splitlines()
    assert lines == run_in_words(outcome)
    assert "  1. The store is in use." in lines


def test_other_risk_targets_have_a_pack_made_again(asked, packs, monkeypatch):
    assert [pack.outcome for pack in run_month(asked).packs] == ["made"]
    monkeypatch.setattr(monthly_run, "figures_set", lambda: "others")
    assert [pack.outcome for pack in run_month(asked).packs] == ["made"]
    assert [pack.outcome for pack in run_month(asked).packs] == ["kept"]


def test_one_pack_that_fails_keeps_no_other_from_being_made(asked, packs, monkeypatch):
    make = monthly_run.run_pack

    def failing_for_all(names, store, period, client, *others, **options):
        if not client:
            raise Fault("The report stopped.")
        make(names, store, period, client, *others, **options)

    monkeypatch.setattr(monthly_run, "run_pack", failing_for_all)
    outcome = run_month(Asked(**{**vars(asked), "each_client": True}))
    assert [(pack.client, pack.outcome) for pack in outcome.packs] == [
        ("", "failed"),
        ("Brackle Docks", "made"),
    ]
    assert not outcome.is_clean
    assert packs == [("Brackle Docks", str(asked.out / "clients" / "brackle-docks"))]
    assert "  1. The reports for all clients were not made. The report stopped." in run_in_words(outcome)


def test_two_runs_at_once_go_one_after_the_other(asked, packs):
    for path in asked.drop_folder.iterdir():  # there is nothing to load, but to wait for
        path.unlink()
    done = []
    with held_folder(asked.drop_folder):  # as the first run holds it
        second = Thread(target=lambda: done.append(run_month(asked)))
        second.start()
        second.join(timeout=0.5)
        assert second.is_alive()
        assert not asked.out.exists()
    second.join()
    (outcome,) = done
    # Nor does a run that loads nothing leave a store behind.
    assert (outcome.is_clean, outcome.files, outcome.packs) == (True, [], [])
    assert not asked.store.exists()
    assert "Files: none in the drop folder." in run_in_words(outcome)


def test_half_written_hidden_and_lock_files_are_let_be(tmp_path):
    for name in ("b.csv", "a.xlsx", ".hidden.csv", "~$a.xlsx", "c.csv.part", "d.tmp"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    (tmp_path / "folder.csv").mkdir()
    assert [path.name for path in exports_in(tmp_path)] == ["a.xlsx", "b.csv"]


def test_what_is_asked_wrongly_is_refused_before_anything_is_done(asked, command, tmp_path):
    with pytest.raises(RequestFault, match='"March" is not a month'):
        run_month(Asked(**{**vars(asked), "period": "March"}))
    for words, status in (
        (["month"], 2),
        (["month", "--drop-folder", "none", "--store", "a.duckdb"], 1),
    ):
        done = subprocess.run([command, *words], capture_output=True, text=True, cwd=tmp_path, check=False)
        assert (done.returncode, "Traceback" in done.stderr) == (status, False), done.stderr
    assert not (tmp_path / "a.duckdb").exists()


def test_a_drop_folder_that_is_not_there_is_named(asked, tmp_path):
    nowhere = replace(asked, drop_folder=tmp_path / "none")
    assert fault_of(run_month, nowhere, kind=RequestFault) == (
        f"There is no drop folder at {tmp_path / 'none'}. Make it, or name another with --drop-folder."
    )
