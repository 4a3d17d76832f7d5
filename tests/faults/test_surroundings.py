"""Machines that refuse something: each time one sentence, status 1 and the store as before, or success where nothing is wrong."""

import json
import os
import subprocess
from contextlib import redirect_stdout
from datetime import UTC, datetime, timedelta
from io import BytesIO, TextIOWrapper
from shutil import copy

import pytest

from pipelines.cli import main
from pipelines.store import open_store
from tests.faults.killing import loads_of_whole

NOBODY = 65534
INTAKE = "intake log1.csv --store store.duckdb --source profile.yaml"
TABLE = "table removal_rates --store store.duckdb --out rates.csv"


def test_a_limit_to_the_size_of_files_leaves_the_store_as_it_was(run, folder):
    store = folder / "store.duckdb"
    status, said = run(INTAKE, most_bytes=4096)
    assert (status, len(said)) == (1, 1), said
    assert said[0].endswith(
        "it would be larger than a file may be here. Raise the limit, or write to another disk."
    )
    assert loads_of_whole(store) == 1


def test_a_full_disk_leaves_the_store_as_it_was(run, folder):
    small = folder / "small"
    small.mkdir()
    size = (folder / "store.duckdb").stat().st_size
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size + 8192}", "tmpfs", small],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("no disk can be mounted here")
    try:
        store = copy(folder / "store.duckdb", small / "store.duckdb")
        status, said = run(INTAKE.replace("store.duckdb", "small/store.duckdb"))
        assert (status, len(said)) == (1, 1), said
        assert said[0].endswith("there is no room left on its disk. Make room and run it again.")
        assert loads_of_whole(store) == 1
    finally:
        subprocess.run(["umount", small], check=True)


def test_a_full_disk_is_named_by_whoever_writes_a_table(run):
    status, said = run(TABLE.replace("rates.csv", "/dev/full"))
    assert (status, said) == (
        1, ["/dev/full cannot be written: No space left on device. Choose another place with --out."]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "modes", "sentence"),
    [
        (INTAKE, {".": 0o555}, "store.duckdb.wal cannot be used: you have no right to."),
        (INTAKE, {"store.duckdb": 0o444}, "store.duckdb may not be written by you. Ask whoever owns it for the right to."),
        (INTAKE, {"store.duckdb": 0o000}, "store.duckdb may not be read by you. Ask whoever owns it for the right to."),
        (INTAKE, {"log1.csv": 0o000}, "log1.csv cannot be used: you have no right to."),
        (INTAKE, {"profile.yaml": 0o000}, "profile.yaml cannot be used: you have no right to."),
        (INTAKE.replace("store.duckdb", "new.duckdb"), {".": 0o555}, "cannot be used: you have no right to."),
        (TABLE, {"store.duckdb": 0o000}, "store.duckdb may not be read by you. Ask whoever owns it for the right to."),
        (TABLE, {".": 0o555}, "rates.csv cannot be written: Permission denied."),
        ("report intake_account --store store.duckdb --period 2026-02 --out made", {".": 0o555}, "made cannot be used"),
        ("store backup --store store.duckdb", {".": 0o555}, "cannot be used: you have no right to."),
        ("store restore none.duckdb --store store.duckdb", {}, "There is no store at none.duckdb."),
        ("quarantine --store store.duckdb --export out.xlsx", {".": 0o555}, "out.xlsx cannot be"),
    ],
)  # fmt: skip
def test_what_a_user_may_not_do_is_said_in_one_sentence(run, folder, words, modes, sentence):
    for path in [folder, *folder.iterdir()]:
        os.chown(path, NOBODY, NOBODY)
    before = (folder / "store.duckdb").read_bytes()
    for name, mode in modes.items():
        (folder / name).chmod(mode)
    status, said = run(words, user=NOBODY)
    assert (status, len(said)) == (1, 1), said
    assert sentence in said[0]
    assert (folder / "store.duckdb").read_bytes() == before


def test_a_store_that_may_only_be_read_is_read(run, folder):
    folder.chmod(0o555)
    (folder / "store.duckdb").chmod(0o444)
    status, said = run("table removal_rates --store store.duckdb", user=NOBODY)
    assert (status, len(said)) == (0, 5)


@pytest.mark.parametrize(
    ("deed", "sentence"),
    [
        ("lose", "log1.csv cannot be used: it is not there, or no longer. Check the path and run it again."),
        (
            "grow",
            "log1.csv was changed while it was read, and nothing of it was loaded. Wait until it is written to its end,"
            " and load it again.",
        ),
    ],
)
def test_a_file_that_changes_while_it_is_read_is_not_loaded(run, folder, deed, sentence):
    during = ("pipelines.intake.files", "decide", 1, deed, str(folder / "log1.csv"))
    assert run(INTAKE, meanwhile=during) == (1, [sentence])
    assert loads_of_whole(folder / "store.duckdb") == 1


def day_in_utc(hours):
    return (datetime.now(UTC) + timedelta(hours=hours)).date()


def unless_midnight(hours, look):
    """What comes of a look at a day; looked at once more where it came to its end meanwhile."""
    day = day_in_utc(hours)
    found = look(day)
    return found if day_in_utc(hours) == day else look(day_in_utc(hours))


def test_a_clock_a_century_behind_is_named_with_what_it_says(run, folder):
    log = folder / "log1.csv"
    log.write_text(log.read_text(encoding="utf-8").replace("2025-", "2125-"), encoding="utf-8")
    day, (status, said) = unless_midnight(0, lambda day: (day, run(INTAKE)))
    assert (status, said) == (
        1,
        [
            "log1.csv: 40 of 40 rows would be quarantined, most by the rule not_in_the_future (the clock of this machine"
            f" says {day}). At most one row in five is quarantined; more means a wrong profile or a damaged file. Nothing of"
            " it was loaded. See every row with: rigging-removals check log1.csv --source profile.yaml --store store.duckdb"
        ],
    )


@pytest.mark.parametrize(("later", "accepted"), [(0, 40), (1, 39)], ids=["latest day on earth", "no day yet"])
def test_a_log_may_come_from_where_the_next_day_has_begun(run, folder, later, accepted):
    log = folder / "log1.csv"
    before = log.read_text(encoding="utf-8")

    def look(day):
        log.write_text(before.replace("2025-01-01", str(day + timedelta(days=later)), 1), encoding="utf-8")
        return run("check log1.csv --source profile.yaml --json", environment={"TZ": "Etc/GMT+12"})

    status, said = unless_midnight(14, look)
    (account,) = json.loads("\n".join(said[said.index("[") :]))
    assert (status, account["rows_accepted"]) == (0, accepted)


def test_times_in_the_store_are_utc(run, folder):
    assert run(INTAKE, environment={"TZ": "Pacific/Kiritimati"})[0] == 0
    with open_store(folder / "store.duckdb") as con:
        (loaded_at,) = con.execute("select max(loaded_at) from loads").fetchall()[0]
    assert abs(datetime.now(UTC).replace(tzinfo=None) - loaded_at) < timedelta(hours=1)


STRANGE = {
    "HOME": None, "USER": None, "TERM": None, "TMPDIR": "/no/such/folder", "TZ": "Pacific/Kiritimati",
    "LC_ALL": "tr_TR.UTF-8", "COLUMNS": "1",
}  # fmt: skip


def test_no_home_no_terminal_and_another_zone_and_language_change_nothing(run, folder):
    assert run(INTAKE)[0] == 0
    usual = run("table removal_rates --store store.duckdb")
    copy(folder / "store.duckdb", folder / "usual.duckdb")
    (folder / "store.duckdb").unlink()
    words = "intake log0.csv log1.csv --store store.duckdb --source profile.yaml --register register.csv"
    assert run(words, environment=STRANGE)[0] == 0
    assert run("table removal_rates --store store.duckdb", environment=STRANGE) == usual


def test_a_terminal_of_few_characters_shows_others_by_their_numbers(monkeypatch):
    monkeypatch.setattr("sys.argv", ["rigging-removals", "--help"])
    terminal = TextIOWrapper(BytesIO(), encoding="ascii")
    with redirect_stdout(terminal), pytest.raises(SystemExit):
        main()
    before = terminal.buffer.tell()
    terminal.write("Nörth 造")
    terminal.flush()
    assert terminal.buffer.getvalue()[before:].decode("ascii") == "N\\xf6rth \\u9020"
