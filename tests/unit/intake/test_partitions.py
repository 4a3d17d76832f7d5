"""A log in a folder of Parquet files: their folders' columns, their accounts, and who revises whom."""

import hashlib

import duckdb
import pytest

from pipelines.faults import RequestFault
from pipelines.intake import check_files, load_files
from pipelines.store import make_store, open_store

PROFILE = """source: parquet-log
describes: A log in parts.
confirmed: true
file: {kind: parquet}
fixed: {environment: indoor dry, gear_family: shackle, body: bow, pin: screw pin, nominal_size_mm: "16",
  inspection_type: periodic}
columns: {client: client, site: site, inspected_on: day, quantity: seen, removed: removed}
dates: ["%Y-%m-%d"]
"""
REGISTER = """client,site,environment,service_class,use_frequency,current_interval_months,legal_limit_months,site_rule_months
Brackle & Docks,North Shed,indoor dry,normal,weekly,12,,
Harrow,North Shed,indoor dry,normal,weekly,12,,
"""
COLUMNS = "site, day, seen, removed"
ROWS = "('North Shed', date '2025-01-10', 20, 0), ('North Shed', date '2026-01-12', 20, 1)"


@pytest.fixture
def profile(tmp_path):
    path = tmp_path / "profile.yaml"
    path.write_text(PROFILE, encoding="utf-8")
    return path


@pytest.fixture
def store(tmp_path):
    """The path of a store that knows the places, and no more."""
    register, store = tmp_path / "register.csv", tmp_path / "store.duckdb"
    register.write_text(REGISTER, encoding="utf-8")
    make_store(store)
    list(load_files([], store, [register]))
    return store


def write(path, rows=ROWS, columns=COLUMNS):
    path.parent.mkdir(parents=True, exist_ok=True)
    with duckdb.connect() as con:
        con.execute(f"copy (from (values {rows}) as log({columns})) to '{path}' (format parquet)")
    return path


@pytest.fixture
def log(tmp_path):
    """Two clients with the same rows to the byte, one of them in two files, and a writer's notes."""
    folder = tmp_path / "log"
    write(folder / "client=Brackle%20%26%20Docks" / "part-0.parquet")
    write(
        folder / "client=Brackle%20%26%20Docks" / "part-1.parquet", "('North Shed', date '2026-01-12', 7, 7)"
    )
    write(folder / "client=Harrow" / "part-0.parquet")
    write(folder / "_notes" / "part-0.parquet")
    return folder


def current_lines(store):
    with open_store(store) as con:
        return con.execute(
            "select client, inspected_on::varchar, quantity from current_lines order by all"
        ).fetchall()


def test_each_file_of_a_folder_is_loaded_with_the_columns_of_its_folders(store, log, profile):
    accounts = list(load_files([log], store, [], profile))
    assert [(account.file, account.rows_accepted, account.lines_missing) for account in accounts] == [
        ("client=Brackle & Docks/part-0.parquet", 2, 0),
        ("client=Brackle & Docks/part-1.parquet", 1, 0),
        ("client=Harrow/part-0.parquet", 2, 0),
    ]
    assert len({account.file_sha256 for account in accounts}) == 3
    # Both lines of the look of January 2026 stand, which two files of one export tell of.
    assert current_lines(store) == [
        ("Brackle & Docks", "2025-01-10", 20),
        ("Brackle & Docks", "2026-01-12", 7),
        ("Brackle & Docks", "2026-01-12", 20),
        ("Harrow", "2025-01-10", 20),
        ("Harrow", "2026-01-12", 20),
    ]


def test_a_folder_that_is_loaded_again_changes_nothing_and_a_new_file_of_it_revises_none_of_the_others(
    store, log, profile
):
    list(load_files([log], store, [], profile))
    write(log / "client=Harrow" / "part-00.parquet", "('North Shed', date '2026-01-12', 3, 0)")
    accounts = list(load_files([log], store, [], profile))
    assert [account.is_already_loaded for account in accounts] == [True, True, True, False]
    assert accounts[-1].rows_superseded == 0
    assert ("Harrow", "2026-01-12", 20) in current_lines(store)
    assert ("Harrow", "2026-01-12", 3) in current_lines(store)


def test_a_later_folder_revises_an_earlier_one(store, log, profile, tmp_path):
    list(load_files([log], store, [], profile))
    later = write(tmp_path / "later" / "client=Harrow" / "part-0.parquet", ROWS.replace("20, 1", "18, 1"))
    (account,) = load_files([later.parents[1]], store, [], profile)
    assert account.rows_superseded == 2


def test_a_column_of_the_file_goes_before_one_of_its_folders(store, tmp_path, profile):
    columns = f"client, {COLUMNS}"
    write(
        tmp_path / "log" / "client=Nobody" / "p.parquet",
        "('Harrow', 'North Shed', date '2025-01-10', 4, 0)",
        columns,
    )
    ((account, rows),) = check_files([tmp_path / "log"], store, [], profile)
    assert (account.rows_accepted, rows) == (1, [])


def test_a_folder_with_an_empty_value_has_an_empty_cell(store, tmp_path, profile):
    write(tmp_path / "log" / "client=__HIVE_DEFAULT_PARTITION__" / "p.parquet")
    ((account, _),) = check_files([tmp_path / "log"], store, [], profile)
    assert account.quarantined_by_rule == {"missing_client": 2}


def test_a_parquet_file_that_no_folder_says_anything_of_keeps_the_fingerprint_of_its_bytes(
    store, tmp_path, profile
):
    path = write(
        tmp_path / "log" / "p.parquet", "('Harrow', " + ROWS[1:].split(")")[0] + ")", f"client, {COLUMNS}"
    )
    ((account, _),) = check_files([path], store, [], profile)
    assert account.file_sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_folder_without_parquet_is_refused(store, tmp_path, profile):
    (tmp_path / "csvs").mkdir()
    (tmp_path / "csvs" / "log.csv").write_text("site\nNorth Shed\n", encoding="utf-8")
    with pytest.raises(RequestFault) as fault:
        list(load_files([tmp_path / "csvs"], store, [], profile))
    assert str(fault.value) == (
        f"There is no Parquet file in the folder {tmp_path / 'csvs'}. Give files of other kinds by name, such as"
        f" {tmp_path / 'csvs'}/*.csv."
    )
