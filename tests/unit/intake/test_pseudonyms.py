"""Intake with `--pseudonymise`: nobody's name is in the store, and the same person is the same person."""

import duckdb
import pytest

from pipelines.intake import load_files
from pipelines.intake.corrections import open_rows, write_corrections
from pipelines.intake.pseudonyms import pseudonym
from pipelines.store import make_store, open_store
from tests.conftest import HEADER, PROFILE

NAMES = ("Ines Halloran", "ines  halloran", "Tomas Wrede")
NAMED = HEADER + ",Who,Remark,Signed"


@pytest.fixture
def named_profile(tmp_path):
    path = tmp_path / "named.yaml"
    columns = "columns:\n  inspector: Who\n  note: Remark\n"
    path.write_text(PROFILE.replace("columns:\n", columns), encoding="utf-8")
    return path


@pytest.fixture
def log(write_log, line):
    lines = [line(Day=f"2026-01-{day:02d}") for day in range(1, 13)]
    rows = [f"{text},{NAMES[day % 3]},seen by Halloran,Wrede" for day, text in enumerate(lines)]
    rows.append(f"{line(Seen='12 ea')},Tomas Wrede,call Halloran,Wrede")
    return write_log(*rows, "Halloran,too,few", "Total,,,,,,,,,,300,36,,Halloran", header=NAMED)


@pytest.fixture
def loaded(tmp_path, register, named_profile, log):
    store = tmp_path / "store.duckdb"
    make_store(store)
    list(load_files([log], store, [register], named_profile, pseudonymise=True))
    return store


def everything(store):
    with open_store(store) as con:
        tables = [name for (name,) in con.execute("select table_name from duckdb_tables()").fetchall()]
        return "\n".join(str(con.execute(f'from "{name}"').fetchall()) for name in tables).casefold()


def test_no_name_is_anywhere_in_the_store(loaded):
    found = everything(loaded)
    assert "halloran" not in found
    assert "wrede" not in found
    assert found.count("inspector ") >= 12


def test_one_person_is_one_pseudonym_which_another_store_does_not_share(
    loaded, tmp_path, register, named_profile, log
):
    def inspectors(store):
        with open_store(store) as con:
            found = con.execute(
                "select inspector, count(*) from current_lines group by 1 order by 2"
            ).fetchall()
        return dict(found)

    here = inspectors(loaded)
    assert sorted(here.values()) == [4, 8]
    other = tmp_path / "other.duckdb"
    make_store(other)
    list(load_files([log], other, [register], named_profile, pseudonymise=True))
    assert sorted(inspectors(other).values()) == [4, 8]
    assert not set(inspectors(other)) & set(here)


def test_a_corrected_row_is_the_same_persons(loaded, tmp_path, register, named_profile):
    with open_store(loaded) as con:
        rows = open_rows(con)
    workbook = tmp_path / "corrections.xlsx"
    write_corrections(rows[rows["rule"] == "unreadable_quantity"], workbook)
    with duckdb.connect(str(loaded)) as con:
        (key,) = con.execute("select key from pseudonym_key").fetchall()[0]
        assert pseudonym("Tomas Wrede", key) in str(con.execute("select raw from quarantine").fetchall())
    (account,) = load_files([workbook], loaded, [register], named_profile, pseudonymise=True)
    assert account.rows_read == 1
    assert "wrede" not in everything(loaded)


def test_of_a_reason_that_nobody_knows_nothing_is_kept(tmp_path, register, named_profile, write_log, line):
    """Where the reasons are remarks, they may hold anybody's name."""
    rows = [
        line(Why="no tag x2; asked Halloran", Removed="3"),
        line(Why="odd pinn", Day="2026-01-02"),  # a slip of the pen
        line(Why="Wrede has it", Day="2026-01-03", Seen="12 ea"),
        *(line(Why="", Removed="0", Day=f"2026-01-{day:02d}") for day in range(4, 24)),
    ]
    log = write_log(*(f"{row},Tomas Wrede,," for row in rows), header=NAMED)
    store = tmp_path / "store.duckdb"
    make_store(store)
    list(load_files([log], store, [register], named_profile, pseudonymise=True))
    found = everything(store)
    assert "halloran" not in found
    assert "wrede" not in found
    with open_store(store) as con:
        reasons = con.execute(
            "select criterion, mentions, phrase from removal_reasons order by row, criterion"
        )
        assert reasons.fetchall() == [
            ("identification missing", 2, "no tag"),
            ("not stated", 1, "not shown"),
            ("pin not matching", 3, "pin not matching"),
        ]
