"""The file of settings: what it may say, what it is told where it is wrong, and that a typed option wins over it."""

import os
import subprocess
from pathlib import Path

import pytest

from pipelines.cli import _defaults
from pipelines.faults import RequestFault
from pipelines.settings import BY_NAME, FILE, SETTINGS, commented_file, known_language, read_settings
from pipelines.store import make_store
from tests.refusals import fault_of


@pytest.fixture
def settings_file(tmp_path):
    """A function that writes a file of settings and returns its path."""

    def write(text):
        path = tmp_path / FILE
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_without_a_file_every_setting_is_its_default(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert {(name, chosen.value, chosen.origin) for name, chosen in read_settings(None).items()} == {
        (setting.name, setting.default, "default") for setting in SETTINGS
    }


def test_a_file_in_the_working_folder_is_found_and_its_paths_are_as_seen_from_it(
    settings_file, tmp_path, monkeypatch
):
    settings_file('store = "kept/a.duckdb"\nregisters = ["sites.csv", "stock.csv"]\nunits = "us"\n')
    monkeypatch.chdir(tmp_path)
    chosen = read_settings(None)
    assert (chosen["store"].value, chosen["store"].origin) == ("kept/a.duckdb", FILE)
    assert chosen["registers"].value.split("\n") == ["sites.csv", "stock.csv"]
    assert chosen["units"].value == "us"
    assert chosen["palette"].origin == "default"
    (tmp_path / "below").mkdir()
    monkeypatch.chdir(tmp_path / "below")
    assert read_settings(tmp_path / FILE)["store"].value == str(tmp_path / "kept/a.duckdb")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('palet = "grey"', 'there is no setting "palet". Did you mean palette?'),
        ('colour_of_hats = "red"', 'there is no setting "colour_of_hats". Settings to be had: store, registers,'),
        ('units = "furlongs"', '{path}: units cannot be "furlongs". It is one of: metric, us.'),
        ("units = 3", '{path}: units is a text between quotes, such as "us". Write it so.'),
        ("registers = [1]", "{path}: registers is a list of files, such as {example}. Write it so."),
        ('language = "dd-DE"', 'language: "dd-DE" is no language whose numbers and days are known. Nearest: de-DE,'),
        ("store = removals.duckdb",
         "{path} cannot be read as TOML: Invalid value (at line 1, column 9). Put texts between quotes, and mend it there."),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_file_is_said_in_a_sentence(settings_file, text, sentence):
    path = settings_file(text)
    with pytest.raises(RequestFault) as refused:
        read_settings(path)
    assert str(refused.value).startswith(str(path))
    assert sentence.format(path=path, example=BY_NAME["registers"].example) in str(refused.value)


def test_a_file_that_is_named_must_be_there(tmp_path, monkeypatch):
    path = tmp_path / "none.toml"
    told = f"There is no file of settings at {path}. Write one with: rigging-removals config --write {path}"
    assert fault_of(read_settings, path, kind=RequestFault) == told
    monkeypatch.setenv("RIGGING_REMOVALS_CONFIG", str(path))
    assert fault_of(read_settings, None, kind=RequestFault) == told


def test_the_commented_file_changes_nothing_until_a_mark_is_taken_away(settings_file, tmp_path):
    written = commented_file(read_settings(settings_file("")), Path("."))
    assert all(f"# {setting.meaning}" in written for setting in SETTINGS)
    again = read_settings(settings_file(written))
    assert {chosen.origin for chosen in again.values()} == {"default"}
    # Each line is such as the file takes once its mark is away.
    examples = [
        line.removeprefix("# ") for line in written.splitlines() if line.startswith("# ") and " = " in line
    ]
    every = read_settings(settings_file("\n".join(examples)))
    assert len(examples) == len(SETTINGS)
    assert all(chosen.origin != "default" for chosen in every.values())
    # Written elsewhere, paths are as seen from there.
    elsewhere = tmp_path / "elsewhere" / FILE
    elsewhere.parent.mkdir()
    elsewhere.write_text(commented_file(every, elsewhere.parent), encoding="utf-8")
    assert 'store = "../removals.duckdb"' in elsewhere.read_text(encoding="utf-8")
    values = {
        name: os.path.normpath(chosen.value)
        for name, chosen in read_settings(elsewhere).items()
        if name != "registers"
    }
    assert values == {
        name: os.path.normpath(chosen.value) for name, chosen in every.items() if name != "registers"
    }


def test_a_language_is_known_by_its_tag():
    assert [known_language(tag) for tag in ("de-DE", "de_AT", "fr", "plain")] == [
        "de-DE",
        "de-AT",
        "fr",
        "plain",
    ]
    with pytest.raises(RequestFault, match="Nearest: "):
        known_language("en-UZ")


def test_a_typed_option_wins_over_the_file_and_the_file_over_the_default(command, settings_file, tmp_path):
    def run(*words):
        return subprocess.run([command, *words], capture_output=True, text=True, cwd=tmp_path, check=False)

    settings_file('store = "kept.duckdb"\npalette = "grey"\n')
    make_store(tmp_path / "kept.duckdb")
    shown = run("config").stdout
    assert [line.split() for line in shown.splitlines() if line.startswith(("store", "palette", "paper"))] == [
        ["store", "kept.duckdb", FILE], ["palette", "grey", FILE], ["paper", "a4", "default"],
    ]  # fmt: skip
    assert run("--config", FILE, "config").stdout == shown
    assert run("quarantine").stderr == "No row is in quarantine.\n"
    done = run("quarantine", "--store", "other.duckdb")
    assert (done.returncode, done.stderr.split(".duckdb")[0]) == (1, "There is no store at other")
    (tmp_path / FILE).write_text('stores = "kept.duckdb"\n', encoding="utf-8")
    done = run("quarantine")
    assert (done.returncode, done.stderr) == (
        1,
        f'{FILE}: there is no setting "stores". Did you mean store?\n',
    )


def test_each_option_of_a_command_gets_its_value_from_the_file(settings_file, tmp_path):
    every = {setting.name: setting.example for setting in SETTINGS}
    path = settings_file("\n".join(f"{name} = {example}" for name, example in every.items()))
    values = _defaults(read_settings(path))
    assert values["report"]["out"] == str(tmp_path / "reports")
    assert (values["report"]["paper"], values["report"]["units"]) == ("us-letter", "us")
    assert (
        values["intake"]["store"] == values["store"]["backup"]["store"] == str(tmp_path / "removals.duckdb")
    )
    assert values["intake"]["register"] == [
        str(tmp_path / "site_register.csv"),
        str(tmp_path / "stock_register.csv"),
    ]
    assert values["intake"]["source"] == str(tmp_path / "profiles")
    # Another command's --out is another thing, and before the first load there is no store to hold sites against.
    assert "out" not in values["table"]
    assert "store" not in values["check"]
    make_store(tmp_path / "removals.duckdb")
    assert _defaults(read_settings(path))["check"]["store"] == str(tmp_path / "removals.duckdb")


def test_a_file_that_is_named_and_not_there_yet_can_be_written(command, tmp_path):
    named = {**os.environ, "RIGGING_REMOVALS_CONFIG": "new.toml"}
    words = [command, "config", "--write", "new.toml"]
    done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path, env=named, check=False)
    assert (done.returncode, (tmp_path / "new.toml").is_file()) == (0, True), done.stderr
