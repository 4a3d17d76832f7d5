"""Each habit of exporters that intake takes as it comes has a file under tests/data/habits/, loaded here for real.

The YAML beside a file says what the habit is, where its profile differs from the one they share, and the whole
outcome: the account of each load but its counts of nothing, and what the store then holds, table by table. The first
row of a table names its columns; a row that starts with "2 to 5" stands for four that differ in their number alone.
Where no file has the name of the YAML, `files` names them, in the order of loading.
"""

import shutil
from dataclasses import asdict, fields
from pathlib import Path

import duckdb
import pytest
import yaml

from pipelines.faults import DataFault
from pipelines.intake import load_files
from pipelines.store import make_store
from pipelines.store.loading import Account

HABITS = Path(__file__).parents[2] / "data" / "habits"
SHARED = yaml.safe_load((HABITS / "base" / "profile.yaml").read_text(encoding="utf-8"))
TABLES = {
    "lines": "inspection_lines order by load_id, row",
    "reasons": "removal_reasons order by row, primary_removed desc, mentions desc, criterion",
    "gathered": "gathered_rows order by row",
    "quarantined": "quarantine order by row",
    "flags": "line_flags order by row, rule",
    "jumps": "count_jumps order by load_id, client, site",
    "set_aside": "set_aside_rows order by row",
    "added": "site_register where site not in (select site from shared_register) order by site",
}
NOTHING = {field.name: None if field.default_factory is list else 0 for field in fields(Account)}


@pytest.fixture(scope="module")
def shared_store(tmp_path_factory):
    """A store that holds the register of the habits and no line."""
    path = tmp_path_factory.mktemp("habits") / "store.duckdb"
    make_store(path)
    list(load_files([], path, [HABITS / "base" / "site_register.csv"]))
    with duckdb.connect(str(path)) as con:
        con.execute("create table shared_register as select * from site_register")
    return path


def files_of(path, habit):
    return habit.get("files") or [file.name for file in HABITS.glob(f"{path.stem}.*") if file != path]


def profile_of(habit):
    """The profile of a habit: the shared one with some entries changed, and those taken out that are null."""
    changed = habit.get("profile", {})
    profile = SHARED | changed
    for entry in ("columns", "fixed"):
        both = SHARED[entry] | changed.get(entry, {})
        profile[entry] = {name: value for name, value in both.items() if value is not None}
    return profile


def told(account):
    """What an account says beyond which file it is of, without what there was none of."""
    named = ("file", "file_sha256", "source")
    return {name: value for name, value in asdict(account).items() if value and name not in named}


def every_row(rows):
    """The rows of a stated table, each on its own."""
    for first, *rest in rows:
        ends = str(first).split(" to ")
        numbers = range(int(ends[0]), int(ends[1]) + 1) if len(ends) == 2 else [first]
        yield from ([number, *rest] for number in numbers)


def table(con, name, columns):
    rows = con.execute(f"select {', '.join(columns)} from {TABLES[name]}").fetchall()
    return [[round(cell, 3) if isinstance(cell, float) else cell for cell in row] for row in rows]


@pytest.mark.parametrize("path", sorted(HABITS.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_habit_comes_to_its_outcome(path, shared_store, tmp_path):
    habit = yaml.safe_load(path.read_text(encoding="utf-8"))
    files = files_of(path, habit)
    store, profile = tmp_path / "store.duckdb", tmp_path / "profile.yaml"
    shutil.copy(shared_store, store)
    profile.write_text(yaml.safe_dump(profile_of(habit), allow_unicode=True), encoding="utf-8")
    found = {"accounts": []}
    try:
        for account in load_files(
            [HABITS / file for file in files], store, [], profile, habit.get("add_sites", False)
        ):
            found["accounts"].append(told(account))
    except DataFault as fault:
        found["fault"] = str(fault).replace(f"{tmp_path}/", "").replace(f"{HABITS}/", "")
    with duckdb.connect(str(store), read_only=True) as con:
        for name in TABLES:
            columns = habit.get(name, ["*"])[0]
            if rows := table(con, name, columns):
                found[name] = [columns, *rows]
    stated = {"accounts": [], **{name: habit[name] for name in habit if name in ("accounts", "fault")}}
    stated |= {name: list(every_row(habit[name])) for name in TABLES if name in habit}
    assert found == stated


def test_every_file_of_the_habits_is_loaded():
    habits = {path: yaml.safe_load(path.read_text(encoding="utf-8")) for path in HABITS.glob("*.yaml")}
    loaded = {file for path, habit in habits.items() for file in files_of(path, habit)}
    assert loaded == {path.name for path in HABITS.iterdir() if path.is_file()} - {
        path.name for path in habits
    }
