"""What a report for one client tells of a file is nothing that another client's rows left there."""

import pytest
import yaml

from pipelines.intake import load_files
from pipelines.packs.intake_account import loaded_files, quarantined_by_rule, quarantined_rows, rules_run
from pipelines.store import make_store, open_store
from tests.conftest import HEADER

OWN = "Brackle Docks"


@pytest.fixture
def account_of(tmp_path, register, profile_path, write_log, days, line):
    """A function that loads 18 good lines of `OWN` and further rows, and gives the account of the file for `OWN`.

    `header` heads the column that names clients, '' where the profile gives all rows one.
    """

    def account_of(header, *rows, known=()):
        store = tmp_path / "store.duckdb"
        make_store(store)
        with register.open("a", encoding="utf-8") as file:
            file.writelines(f"{client},Jetty,indoor dry,normal,weekly,12,,\n" for client in known)
        lines = [(OWN, good) for good in days(18)] + [(client, line(**cells)) for client, cells in rows]
        if header:
            profile = yaml.safe_load(profile_path.read_text(encoding="utf-8"))
            del profile["fixed"]["client"]
            profile["columns"]["client"] = header
            profile_path.write_text(yaml.safe_dump(profile), encoding="utf-8")
            log = write_log(*(f"{client},{cells}" for client, cells in lines), header=f"{header},{HEADER}")
        else:
            log = write_log(*(cells for _, cells in lines))
        list(load_files([log], store, [register], profile_path))
        with open_store(store) as con:
            files = loaded_files(con, OWN, "")
            quarantined = quarantined_rows(con, files, OWN)
            rules = rules_run(con, files)
        return files, quarantined, rules

    return account_of


@pytest.mark.parametrize(
    ("header", "rows", "known"),
    [
        ("Client", [("Gannet Rigs", {"Place": "Jetty"})], ()),  # the header says so
        ("Kunde", [("Gannet Rigs", {"Place": "Jetty"})], ()),  # the register does not know the client
        ("Kunde", [("Gannet Rigs", {"Seen": "12 ea"})], ["Gannet Rigs"]),  # the register knows the client
        ("Kunde", [("gannet-rigs", {"Seen": "12 ea"})], ["Gannet Rigs"]),
        ("Kunde", [(OWN, {"Seen": "12 ea"}), ("Gannet Rigs", {"Day": "soon"})], ()),  # another row names its client
        ("Kunde", [("", {})], ()),  # a row lacks its client
        ("Kunde", [(OWN, {"Seen": "12 ea"}), ("Gannet Rigs,,", {})], ()),  # a record that cannot be split
    ],
)  # fmt: skip
def test_a_file_with_rows_that_may_be_anothers_loses_its_name_and_counts(account_of, header, rows, known):
    files, quarantined, rules = account_of(header, *rows, known=known)
    assert files["file"].str.startswith("a shared file, fingerprint ").tolist() == [True]
    assert files[["rows_read", "rows_quarantined"]].isna().all(axis=None)
    assert [len(told) for told in (quarantined, rules, quarantined_by_rule(files, quarantined))] == [0, 0, 0]


@pytest.mark.parametrize(
    ("header", "rows"),
    [
        ("", [("", {"Seen": "12 ea"}), ("", {"Place": "Jetty"})]),  # the profile gives all rows one client
        ("Client", [(OWN, {"Seen": "12 ea"}), ("BRACKLE-DOCKS", {"Place": "Jetty"})]),
        ("Kunde", [(OWN, {"Seen": "12 ea"}), (OWN, {"Place": "Jetty"})]),
    ],
)
def test_a_client_is_told_of_rows_that_are_its_own(account_of, header, rows):
    files, quarantined, rules = account_of(header, *rows)
    assert files[["file", "rows_read", "rows_quarantined"]].values.tolist() == [["log.csv", 20, 2]]
    assert quarantined["row"].tolist() == [19, 20]
    assert rules["rows_failing"].sum() == 2
