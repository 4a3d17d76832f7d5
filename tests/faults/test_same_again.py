"""The same files give the same store and the same pages, but for the time of day at which they were made."""

import re
from pathlib import Path

import pytest

from pipelines.jobs import compute_for_store
from pipelines.packs import run_pack
from pipelines.store import open_store

MADE_AT = re.compile(r"<time>[^<]*</time>")
OF_THE_RUN = {"loaded_at", "made_on"}


def content(store):
    """Return the rows of every table of a store, in no order, without the times at which they were written."""
    with open_store(store) as con:
        columns = con.execute(
            "select table_name, list(column_name order by column_index) from duckdb_columns() where not internal group by 1"
        ).fetchall()
        return {
            name: sorted(
                map(
                    repr,
                    con.execute(
                        f"select {', '.join(column for column in of_it if column not in OF_THE_RUN)} from {name}"
                    ).fetchall(),
                )
            )
            for name, of_it in ((name, sorted(of_it)) for name, of_it in columns)
        }


@pytest.fixture(scope="module")
def two_stores(warm, logs, tmp_path_factory):
    stores = [tmp_path_factory.mktemp("same") / "store.duckdb" for _ in range(2)]
    for store in stores:
        assert warm.do("intake", store=store, **logs) == 0
    return stores


def test_the_same_files_give_the_same_store(two_stores):
    one, other = map(content, two_stores)
    assert one.keys() == other.keys()
    assert [name for name in one if one[name] != other[name]] == []


def test_tables_computed_again_are_the_same_to_the_last_digit(two_stores):
    before = content(two_stores[0])
    for _ in range(2):
        compute_for_store(two_stores[0])
        assert content(two_stores[0]) == before


def test_the_same_store_gives_the_same_pack(two_stores, tmp_path):
    def pack(store: Path, out: Path) -> dict[str, bytes]:
        index = run_pack(["monthly"], store, "2026-02", "", "", out)
        return {
            str(path.relative_to(out)): path.read_bytes()
            if path.suffix == ".xlsx"
            else MADE_AT.sub("", path.read_text(encoding="utf-8")).encode()
            for path in index.parent.rglob("*")
            if path.is_file()
        }

    one, other = (pack(store, tmp_path / str(number)) for number, store in enumerate(two_stores))
    assert one.keys() == other.keys()
    assert [name for name in one if one[name] != other[name]] == []
