"""A store as a folder of Parquet files: what is read there is what the store holds, and nothing is written there."""

from contextlib import closing
from shutil import rmtree

import pytest

from pipelines.faults import RequestFault
from pipelines.jobs import export_store, load_and_compute, table_of_store
from pipelines.store import open_store
from pipelines.store.file import copied_store
from pipelines.store.folder import is_folder_of_tables
from pipelines.tables import TABLES


@pytest.fixture(scope="module")
def two_stores(tmp_path_factory):
    """A store with one log, names taken out, and the folder that it was exported to."""
    from tests.conftest import GOOD_LINE, HEADER, PROFILE, REGISTER

    folder = tmp_path_factory.mktemp("export")
    earlier = GOOD_LINE.replace("2026-03-02", "2025-03-01")
    (folder / "log.csv").write_text("\n".join([HEADER, earlier, GOOD_LINE]) + "\n", encoding="utf-8")
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    (folder / "register.csv").write_text(REGISTER, encoding="utf-8")
    store = folder / "store.duckdb"
    list(
        load_and_compute(
            [folder / "log.csv"], store, [folder / "register.csv"], folder / "profile.yaml", pseudonymise=True
        )
    )
    return store, export_store(store, folder / "it's here" / "exported")


def everything(store):
    with closing(open_store(store)) as con:
        names = con.execute("select table_name from information_schema.tables order by 1").fetchall()
        return {
            name: (
                con.execute(f"describe {name}").fetchall(),
                con.execute(f"from {name} order by all").fetchall(),
            )
            for (name,) in names
        }


def test_each_table_and_view_is_there_with_its_columns_types_and_rows(two_stores):
    store, exported = two_stores
    kept, written = everything(store), everything(exported)
    assert len(kept["inspection_lines"][1]) == 2
    assert kept.keys() - written.keys() == {"pseudonym_key"}
    assert [name for name in written if kept[name] != written[name]] == []


def test_the_key_of_the_pseudonyms_stays_in_the_store(two_stores):
    store, exported = two_stores
    with closing(open_store(store)) as con:
        (key,) = con.execute("from pseudonym_key").fetchall()[0]
    files = [path for path in exported.rglob("*") if path.is_file()]
    assert len(files) > len(TABLES)
    assert not any(key.encode() in path.read_bytes() for path in files)


def test_result_tables_are_read_from_the_folder_as_from_the_store(two_stores):
    store, exported = two_stores
    for name in TABLES:
        assert (
            table_of_store(exported, name, "", "")
            .astype(str)
            .equals(table_of_store(store, name, "", "").astype(str))
        )


def test_a_copy_of_the_folder_is_a_store_again(two_stores, tmp_path):
    store, exported = two_stores
    copied_store(exported, tmp_path / "copy.duckdb").close()
    copied, kept = everything(tmp_path / "copy.duckdb"), everything(store)
    del kept["pseudonym_key"]
    assert copied == kept


def test_nothing_is_loaded_into_an_exported_folder(two_stores, tmp_path):
    _, exported = two_stores
    sentence = f"{exported} is an export, which is only read. Load into the store that it was made from, and export that again."
    for load in (
        lambda: open_store(exported, read_only=False),
        lambda: list(load_and_compute([tmp_path / "log.csv"], exported, [])),
    ):
        with pytest.raises(RequestFault) as fault:
            load()
        assert str(fault.value) == sentence


def test_a_folder_that_is_there_is_not_written_over(two_stores, tmp_path):
    store, exported = two_stores
    with pytest.raises(RequestFault) as fault:
        export_store(store, exported)
    assert str(fault.value) == f"{exported} is there already. Give another name with --out, or remove it."


def test_a_folder_that_lost_its_mark_is_no_store(two_stores, tmp_path):
    store, _ = two_stores
    exported = export_store(store, tmp_path / "other")
    (exported / "store_info.parquet").unlink()
    assert not is_folder_of_tables(exported)
    with pytest.raises(RequestFault, match="There is no store at"):
        open_store(exported)
    rmtree(exported)
