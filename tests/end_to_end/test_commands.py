"""The command as a user types it: what it prints, where, and with which exit status."""

import json
import subprocess
from shutil import copy

import duckdb
import pytest

from tests.conftest import HEADER, PROFILE, REGISTER


@pytest.fixture
def run(command, tmp_path):
    def run(*words):
        return subprocess.run(
            [command, *map(str, words)], capture_output=True, text=True, cwd=tmp_path, check=False
        )

    return run


@pytest.fixture(scope="module")
def loaded_once(command, tmp_path_factory):
    """A store with one small log in it, made once; a test takes its copy, `loaded`."""
    folder = tmp_path_factory.mktemp("loaded")
    lines = [
        f"North Shed,indoor dry,bow,screw pin,16 mm,2.95,carbon,,{day},yearly,25,{removed},no tag"
        for day, removed in (("2024-03-01", 4), ("2025-03-01", 1), ("2026-03-01", 2))
    ]
    (folder / "log.csv").write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    (folder / "register.csv").write_text(REGISTER, encoding="utf-8")
    words = "intake log.csv --store store.duckdb --source profile.yaml --register register.csv"
    done = subprocess.run([command, *words.split()], capture_output=True, text=True, cwd=folder, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return folder / "store.duckdb"


@pytest.fixture
def loaded(loaded_once, tmp_path):
    copy(loaded_once.parent / "log.csv", tmp_path)
    return copy(loaded_once, tmp_path / "store.duckdb")


def test_intake_prints_the_account(run, loaded, write_log, profile_path):
    log = write_log(
        "Sea Wall,marine spray,bow,screw pin,16 mm,2.95,carbon,,2026-03-02,yearly,10,0,",
        "Sea Wall,marine spray,bow,screw pin,19 mm,4.31,carbon,,2026-03-02,yearly,10,1,odd pin",
        "Sea Wall,marine spray,bow,screw pin,22 mm,5.90,carbon,,2026-03-02,yearly,10,1,odd pin",
        "Sea Wall,marine spray,bow,screw pin,25 mm,7.71,carbon,,2026-03-02,yearly,10,1,odd pin",
        "Sea Wall,marine spray,bow,screw pin,16 mm,2.95,carbon,,2026-03-02,stroll,10,1,odd pin",
        name="second.csv",
    )
    done = run("intake", log, "--store", loaded, "--source", profile_path)
    assert done.returncode == 0
    assert done.stdout == (
        "second.csv (profile brackle-log): 5 rows read = 4 accepted + 1 quarantined; 0 of the accepted flagged.\n"
        "  quarantined by unreadable_inspection_type: 1\n"
    )


def test_intake_as_json_gives_the_account_for_programs(run, loaded, write_log, profile_path):
    log = write_log(
        "Sea Wall,marine spray,bow,screw pin,16 mm,2.95,carbon,,2026-03-02,yearly,10,0,", name="third.csv"
    )
    (account,) = json.loads(run("intake", log, "--store", loaded, "--source", profile_path, "--json").stdout)
    assert (account["file"], account["rows_read"], account["rows_accepted"], account["rows_quarantined"]) == (
        "third.csv",
        1,
        1,
        0,
    )


def test_table_gives_figures_that_a_person_can_check_by_hand(run, loaded):
    done = run("table", "removal_rates", "--store", loaded, "--format", "json")
    rows = json.loads(done.stdout)
    assert [(row["month"], row["inspected"], row["removed"], row["removed_at_risk"]) for row in rows] == [
        ("2024-03", 25, 4, 0), ("2025-03", 25, 1, 1), ("2026-03", 25, 2, 2)
    ]  # fmt: skip
    # Second look: 21 were left of 25, so 4 joined at an unknown day; 365 days; one of 25 removed.
    expected = 365 / 365.25 * (25 - 4 / 2) * (1 - 1 / 50)
    assert rows[1]["shackle_years"] == pytest.approx(expected, abs=1e-9)
    assert rows[1]["removed_per_100_shackle_years"] == pytest.approx(100 / expected, abs=1e-9)


def test_a_place_without_rows_in_a_table_gets_its_header(run, loaded):
    done = run(
        "table", "removal_rates", "--store", loaded, "--site", "Sea Wall"
    )  # in the register; no line of it
    assert (done.returncode, done.stderr, len(done.stdout.splitlines())) == (0, "", 1)
    assert done.stdout.startswith("client,site,")


def test_an_unknown_table_is_named_with_the_known_ones(run, loaded):
    done = run("table", "removal_rate", "--store", loaded)
    assert done.returncode == 1
    assert "removal_rates" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            ["intake", "none.csv", "--store", "STORE"],
            "There is no file none.csv. Check the name and the folder.",
        ),
        (
            ["intake", "empty.csv", "--store", "STORE"],
            "empty.csv is empty: it holds no header and no rows. Export it again.",
        ),
        (["intake", "odd.csv", "--store", "STORE"], "odd.csv: no source profile fits its header (A, B)."),
        (["intake", "odd.csv", "--store", "odd.csv"], "odd.csv is not a store: DuckDB cannot open it."),
        (["table", "removal_rates", "--store", "none.duckdb"], "There is no store at none.duckdb."),
        (
            ["report", "all", "--store", "none.duckdb", "--period", "2026-03"],
            "There is no store at none.duckdb.",
        ),
        (["report", "all", "--store", "STORE", "--period", "March"], "March"),
        (["report", "horoscope", "--store", "STORE", "--period", "2026-03"], "horoscope"),
        (["report", "all", "--store", "STORE", "--period", "2026-03", "--client", "Nobody"], "Nobody"),
        (
            ["table", "removal_rates", "--store", "STORE", "--client", "Nobody"],
            "Clients in this store: Brackle Docks.",
        ),
        (["table", "removal_rates", "--store", "STORE", "--site", "Nowhere"], "Sites: North Shed, Sea Wall."),
    ],
)
def test_bad_input_is_one_clear_sentence_and_leaves_the_store_as_it_was(
    run, loaded, tmp_path, words, sentence
):
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "odd.csv").write_text("A,B\n1,2\n", encoding="utf-8")

    def content():
        with duckdb.connect(str(loaded), read_only=True) as con:
            return con.execute("select * from loads").fetchall(), con.execute(
                "select * from removal_rates"
            ).fetchall()

    before = content()
    done = run(*[str(loaded) if word == "STORE" else word for word in words])
    assert done.returncode == 1
    assert done.stdout == ""
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert content() == before


def test_a_store_made_for_a_load_that_failed_is_taken_away_again(run, tmp_path):
    assert run("intake", "none.csv", "--store", "new.duckdb").returncode == 1
    assert not (tmp_path / "new.duckdb").exists()


def test_wrong_usage_is_status_two(run):
    assert run("intake").returncode == 2
    assert run("juggle").returncode == 2


def test_check_names_each_row_and_loads_nothing(run, write_log, register, profile_path, tmp_path):
    log = write_log("North Shed,indoor dry,bow,screw pin,16 mm,2.95,carbon,,2026-03-02,yearly,12 ea,0,")
    done = run("check", log, "--source", profile_path, "--register", register)
    assert done.returncode == 1  # with one row of one refused the file would be refused
    assert done.stderr == "Rows are records, counted from the first row below the header of the file.\n"
    assert '  log.csv, row 1: column "Seen": "12 ea" is not a whole number.' in done.stdout
    assert list(tmp_path.glob("*.duckdb")) == []


def test_what_does_not_validate_does_not_load_the_check_engine(command):
    code = "import sys; sys.argv = ['rigging-removals', '--help']\nfrom pipelines.cli import main\ntry: main()\nexcept SystemExit: pass\n"
    code += "print([name for name in ('great_expectations', 'pandas', 'altair', 'papermill', 'duckdb') if name in sys.modules])"
    done = subprocess.run([command.parent / "python", "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_quarantined_rows_are_shown_exported_and_loaded_again(
    run, loaded, write_log, line, days, profile_path
):
    log = write_log(*days(9, Place="Sea Wall", Where="marine spray"), line(Seen="12 ea"), name="second.csv")
    run("intake", log, "--store", loaded, "--source", profile_path)
    shown = run("quarantine", "--store", loaded)
    assert shown.stdout.splitlines() == [
        "file        row  rule                 what is wrong",
        'second.csv  10   unreadable_quantity  column "Seen": "12 ea" is not a whole number. Correct the row: a count is'
        " a number and nothing else.",
    ]
    assert shown.stderr == "Rows are records, counted from the first row below the header of the file.\n"
    (row,) = json.loads(run("quarantine", "--store", loaded, "--json").stdout)
    assert (row["file"], row["row"], json.loads(row["raw"])["Seen"]) == ("second.csv", 10, "12 ea")
    done = run("quarantine", "--store", loaded, "--export", "out.xlsx")
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == (
        f"out.xlsx: correct the rows there, then load it with: rigging-removals intake out.xlsx --store {loaded}\n"
    )
    done = run("intake", "out.xlsx", "--store", loaded, "--source", profile_path)
    assert done.stdout.splitlines()[0] == (
        "out.xlsx (profile brackle-log): 1 rows read = 0 accepted + 1 quarantined; 0 of the accepted flagged."
    )


def test_trace_lists_the_lines_behind_a_figure_with_their_cells(
    run, loaded, write_log, line, days, profile_path
):
    log = write_log(
        *days(9, Place="Sea Wall", Where="marine spray"),
        line(Seen="12 ea", Day="2026-03-09"),
        name="second.csv",
    )
    run("intake", log, "--store", loaded, "--source", profile_path)
    asked = ["--where", "site=North Shed", "--where", "month=2026-03"]
    done = run("trace", "removal_rates", "--store", loaded, *asked, "--source", profile_path, "--file", log)
    assert done.returncode == 0
    shown = [text.split()[:5] for text in done.stdout.splitlines()]
    assert shown == [
        ["file", "row", "standing", "counts_in", "inspected_on"],
        ["log.csv", "3", "current", "counts", "and"],
        ["second.csv", "10", "in", "quarantine", "2026-03-09"],
    ]
    assert '"Seen":"12 ea"' in done.stdout
    assert done.stderr.splitlines() == [
        "1 current line, 1 in quarantine.",
        "In the counts: 1 of them, 25 looked at, 2 removed.",
        "In the rate: 2 removals.",
        "For the cells as exported give the files again: --file log.csv",
    ]
    given = [*asked, "--format", "json", "--source", profile_path, "--file", "log.csv"]
    rows = json.loads(run("trace", "removal_rates", "--store", loaded, *given).stdout)
    assert [row["standing"] for row in rows] == ["current", "in quarantine"]
    assert json.loads(rows[0]["raw"])["Look"] == "yearly"
    assert (rows[0]["quantity"], rows[0]["previous_on"]) == (25, "2025-03-01")


def test_trace_refuses_what_is_not_there_in_one_sentence_and_wrong_usage_with_status_two(run, loaded):
    done = run("trace", "removal_rates", "--store", loaded, "--where", "site=North Shad")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == '"removal_rates" has no row in which site is "North Shad". Nearest: North Shed.\n'
    assert run("trace", "removal_rates", "--store", loaded, "--where", "site").returncode == 2
    assert run("trace", "removal_rates", "--store", loaded).returncode == 2
