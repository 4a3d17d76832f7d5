"""The generated log of the benchmarks: the same each time, and the same lines in one file or in many."""

import duckdb

from tests.benchmarks.make_log import write_inputs


def rows(log):
    return duckdb.sql(f"from {log} order by all").fetchall()


def test_the_same_seed_gives_the_same_file_and_another_gives_another(tmp_path):
    first, again, other = (
        write_inputs(tmp_path / name, lines=4000, sites=8, seed=seed).read_bytes()
        for name, seed in (("first", 1), ("again", 1), ("other", 2))
    )
    assert first == again != other
    assert first.count(b"\n") == 4001


def test_a_folder_by_client_holds_the_lines_of_the_file(tmp_path):
    one = write_inputs(tmp_path / "one", lines=4000, sites=8)
    many = write_inputs(tmp_path / "many", lines=4000, sites=8, kind="parquet")
    assert len(list(many.iterdir())) == 4
    columns = '* exclude ("Client"), "Client"'
    of_one = rows(f"(select {columns} from read_csv('{one}', all_varchar=true))")
    assert rows(f"(select columns(*)::varchar from '{many}/*/*.parquet')") == of_one
