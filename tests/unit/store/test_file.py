import subprocess
import sys

import duckdb
import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.store import make_store, open_store

HOLD = (
    "import duckdb, sys, time; con = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(60)"
)


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
            "select round(rated_load_t, 3) from rated_loads where nominal_size_mm = 16 and grade = 'carbon'"
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


def test_a_store_of_another_version_is_refused(tmp_path):
    path = tmp_path / "old.duckdb"
    make_store(path)
    with duckdb.connect(str(path)) as con:
        con.execute("update store_info set schema_version = 99")
    assert "(store schema 99, here 2)" in fault_of(path)


def test_a_store_held_by_another_process_names_it(tmp_path):
    path = tmp_path / "held.duckdb"
    make_store(path)
    with subprocess.Popen([sys.executable, "-c", HOLD, path], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout.readline() == "held\n"
        try:
            assert f"is in use by process {holder.pid}." in fault_of(path)
        finally:
            holder.kill()
