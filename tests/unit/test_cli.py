"""What the command line itself refuses; what a command does is tested where it is done, and as typed in end_to_end."""

import pytest
from typer.testing import CliRunner

from pipelines import packs
from pipelines.cli import app
from pipelines.faults import RequestFault


def test_a_draft_is_not_written_over_a_file(write_log, line, profile_path):
    before = profile_path.read_text(encoding="utf-8")
    done = CliRunner().invoke(app, ["profile", str(write_log(line())), "--out", str(profile_path)])
    assert isinstance(done.exception, RequestFault)
    assert str(done.exception) == f"{profile_path} is there already. Give another name, or remove it."
    assert profile_path.read_text(encoding="utf-8") == before


@pytest.mark.parametrize(
    ("where", "sentence"),
    [
        (["month"], '"month" is not COLUMN=VALUE, such as month=2026-02.'),
        (["=2026-02"], '"=2026-02" is not COLUMN=VALUE, such as month=2026-02.'),
        (["site=A", "site=B"], '"site" is given twice. Give it once.'),
    ],
)
def test_a_choice_of_rows_that_is_none_is_wrong_usage(where, sentence):
    words = ["trace", "removal_rates", "--store", "none.duckdb"]
    done = CliRunner().invoke(app, [*words, *(part for each in where for part in ("--where", each))])
    assert done.exit_code == 2
    assert done.output.splitlines()[-1] == f"Error: Invalid value for --where: {sentence}"


@pytest.mark.parametrize(
    ("typed", "in_file", "paper"),
    [
        ([], "", ""),
        (["--pdf"], "", "a4"),
        (["--paper", "a4"], "", "a4"),
        (["--pdf"], 'paper = "us-letter"\n', "us-letter"),
        ([], 'paper = "us-letter"\n', ""),
    ],
)
def test_a_pdf_is_written_where_it_or_its_paper_is_typed(typed, in_file, paper, tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(packs, "run_pack", lambda *_, **named: asked.append(named["paper"]) or tmp_path)
    (tmp_path / "settings.toml").write_text(in_file, encoding="utf-8")
    words = ["--config", str(tmp_path / "settings.toml"), "report", "all", "--period", "2026-03"]
    done = CliRunner().invoke(app, [*words, "--store", "removals.duckdb", *typed])
    assert (done.exit_code, asked) == (0, [paper])


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_check_is_status_one_where_a_file_would_be_refused_and_nought_where_only_rows_would(
    form, write_log, line, days, profile_path, register
):
    with_a_bad_row = write_log(*days(9), line(Seen="?"), name="a_row.csv")
    refused = write_log(line(), line(Seen="?"), name="refused.csv")
    words = ["check", "--source", str(profile_path), "--register", str(register), *form]
    for files, status in (([with_a_bad_row], 0), ([refused], 1), ([refused, with_a_bad_row], 1)):
        done = CliRunner().invoke(app, [*words, *map(str, files)])
        assert done.exit_code == status
        assert all(file.name in done.output for file in files)
