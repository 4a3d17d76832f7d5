"""What `--help` says: each command is described, its options explained, its examples such as the command line takes."""

import shlex
import subprocess
from shutil import which

import pytest
from typer.main import get_command

from pipelines.cli import COMMAND, app
from pipelines.command_examples import EXAMPLES

SHELL_SIGNS = (">", ">>", "|")


def walked(group, words=()):
    """Every command below a group, and the group itself, by the words that call it."""
    yield words, group
    for name, command in getattr(group, "commands", {}).items():
        yield from walked(command, (*words, name))


COMMANDS = {" ".join(words): command for words, command in walked(get_command(app))}


@pytest.mark.parametrize("words", COMMANDS)
def test_a_command_is_described_with_its_options_and_examples(words):
    command = COMMANDS[words]
    said = command.get_help(command.make_context(COMMAND, [], resilient_parsing=True))
    assert command.help.splitlines()[0].endswith(".")
    assert "Examples:" in said
    unexplained = [option.name for option in command.params if not option.help]
    assert unexplained == []


@pytest.mark.parametrize("words", [words for words in COMMANDS if words])
def test_what_a_command_does_is_not_cut_short_where_commands_are_listed(words):
    first = COMMANDS[words].help.splitlines()[0].rstrip(".")
    assert COMMANDS[words].get_short_help_str(limit=64) == f"{first}."


def test_every_example_belongs_to_a_command():
    assert set(EXAMPLES) == set(COMMANDS)


@pytest.mark.parametrize("typed", [typed for of_command in EXAMPLES.values() for typed, _ in of_command])
def test_the_command_line_takes_each_example(typed):
    program, *words = shlex.split(typed)
    assert program == COMMAND
    for sign in SHELL_SIGNS:
        words = words[: words.index(sign)] if sign in words else words
    command, name = COMMANDS[""], ""
    context = command.make_context(COMMAND, [], resilient_parsing=True)
    while words[0].startswith("--"):  # of the tool as a whole, with a value each
        assert words[0] == "--config"
        words = words[2:]
        context.default_map = {"month": {"store": "removals.duckdb", "drop_folder": "incoming"}}
    while getattr(command, "commands", None):
        name, *words = words
        command = command.commands[name]
        # Parses the words and refuses what the command does not know; runs nothing.
        context = command.make_context(name, list(words if not hasattr(command, "commands") else []), context,
                                       resilient_parsing=hasattr(command, "commands"))  # fmt: skip
    assert context.info_name == name


@pytest.mark.parametrize(
    ("words", "nearest"),
    [
        (["reprot"], "'report'"),
        (["store", "bakcup"], "'backup'"),
        (["report", "all", "--perod", "2026-03"], "--period"),
        (["table", "removal_rates", "--stor", "a.duckdb"], "--store"),
        (["table", "removal_rates", "--store", "a.duckdb", "--format", "cvs"], "'csv'"),
    ],
)
def test_a_word_that_is_not_known_brings_the_nearest_and_status_two(command, words, nearest):
    done = subprocess.run([command, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert nearest in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(not which("bash"), reason="no bash here")
@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("rigging-removals re", {"report"}),
        ("rigging-removals store ba", {"backup"}),
        ("rigging-removals report pro", {"procurement"}),
        ("rigging-removals report all --pe", {"--period"}),
        ("rigging-removals table x --format ", {"csv", "json", "parquet"}),
    ],
)
def test_bash_completes_what_its_script_lets_it(command, typed, offered):
    script = subprocess.run([command, "completion", "bash"], capture_output=True, text=True, check=True)
    words = [*typed.split(), *([""] if typed.endswith(" ") else [])]
    asked = (
        f"{script.stdout}\nCOMP_WORDS=({' '.join(shlex.quote(word) for word in words)}); COMP_CWORD={len(words) - 1}\n"
        f'_rigging_removals_completion {shlex.quote(str(command))}; printf "%s\\n" "${{COMPREPLY[@]}}"'
    )
    done = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) == offered


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_each_shell_has_a_script_that_asks_this_command(command, shell):
    done = subprocess.run([command, "completion", shell], capture_output=True, text=True, check=True)
    assert "_RIGGING_REMOVALS_COMPLETE" in done.stdout
    assert COMMAND in done.stdout
