import duckdb
import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.store import make_store, open_store
from pipelines.store.file import quiet_connection


def fault_of(path, kind=DataFault):
    with pytest.raises(kind) as caught:
        open_store(path)
    return str(caught.value)


def test_a_new_store_holds_the_coded_lists_and_nothing_else(tmp_path):
    make_store(tmp_path / "new.duckdb")
    with open_store(tmp_path / "new.duckdb") as con:
        assert con.execute("select count(*) from current_lines").fetchone() == (0,)
        # 5/8 in carbon: 3.25 short tons, as printed on several public load-limit sheets.
        assert con.execute(
            "select round(rated_load_t, 3) from rated_loads where gear_family = 'shackle' and nominal_size_mm = 16"
            " and grade = 'carbon'"
        ).fetchone() == (2.948,)


def test_a_missing_store_says_how_to_make_one(tmp_path):
    path = tmp_path / "none.duckdb"
    assert fault_of(path, RequestFault) == (
        f"There is no store at {path}. Make one by loading a file: rigging-removals intake FILE --store {path}"
    )


def test_a_file_that_is_no_database_is_named(tmp_path):
    path = tmp_path / "notes.duckdb"
    path.write_text("not a database", encoding="utf-8")
    assert (
        fault_of(path) == f"{path} is not a store: DuckDB cannot open it. Check the path given with --store."
    )


def test_a_foreign_database_is_named(tmp_path):
    path = tmp_path / "foreign.duckdb"
    duckdb.connect(str(path)).close()
    assert (
        fault_of(path)
        == f"{path} is a DuckDB file but not a store of this tool. Check the path given with --store."
    )


def test_no_progress_bar_runs_into_what_a_program_reads():
    with quiet_connection() as con:
        for each in (con, con.cursor()):
            assert each.execute("select current_setting('enable_progress_bar')").fetchall() == [(False,)]
