"""A small store of two clients, and packs made from it once for the whole run."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from pipelines.contracts import load_contract
from pipelines.packs import run_pack
from pipelines.store import make_store, open_store
from pipelines.tables import compute_tables
from tests.lines import append_lines

BRACKLE, FERROW = "Brackle Docks", "Ferrow Mills"
PERIOD = "2026-02"
MONTHS = [str(month) for month in pd.period_range("2024-01", PERIOD, freq="M")]

# client, site, environment, service class, months between inspections
PLACES = [
    (BRACKLE, "Sea Wall", "marine spray", "severe", 3),
    (BRACKLE, "North Shed", "indoor dry", "normal", 12),
    (FERROW, "Press Hall", "furnace heat", "severe", 3),
]
# file, its fingerprint, rows read, rows quarantined
FILES = [
    ("brackle_log.csv", "b1" * 32, 27, 1),
    ("ferrow_log.csv", "f1" * 32, 13, 1),
    ("both_yards.csv", "c1" * 32, 5, 1),
]
BRACKLE_FILE, FERROW_FILE, SHARED_FILE = (fingerprint for _, fingerprint, _, _ in FILES)


def line(fingerprint, place, day, quantity, removed):
    client, site, environment, _, _ = PLACES[place]
    return {
        "file_sha256": fingerprint, "source": "tests", "client": client, "site": site, "environment": environment,
        "gear_family": "shackle", "body": "bow", "pin": "screw pin", "nominal_size_mm": 16.0, "rated_load_t": 2.95,
        "grade": "carbon", "item_class": "shackle, bow, screw pin, 16 mm, 2.95 t, carbon", "inspected_on": day,
        "inspection_type": "periodic", "quantity": quantity, "removed": removed, "replaced": removed,
    }  # fmt: skip


def lines():
    """Sea Wall: every month, steady, then a leap. North Shed: twice, few. Press Hall: nothing removed, last seen in 2025."""
    leap = {MONTHS[-1]: 30}
    rows = [line(BRACKLE_FILE, 0, f"{month}-10", 300, leap.get(month, 4)) for month in MONTHS]
    rows += [line(SHARED_FILE, 1, day, 2, 0) for day in ("2024-12-01", "2025-06-01")]
    rows += [line(FERROW_FILE, 2, f"{month}-20", 50, 0) for month in MONTHS[:24:2]]
    rows += [line(SHARED_FILE, 2, day, 50, 0) for day in ("2025-12-05", "2025-12-20")]
    frame = pd.DataFrame(rows)
    frame["row"] = frame.groupby("file_sha256").cumcount() + 1
    return frame.assign(inspected_on=pd.to_datetime(frame["inspected_on"]))


def reasons(frame):
    rows = frame[frame["removed"] > 0]
    return rows[["file_sha256", "row"]].assign(
        criterion="wear over limit", mentions=rows["removed"], primary_removed=rows["removed"], phrase="worn"
    )


def quarantined():
    """One row of each file, which names its client; the one of the shared file is Brackle's."""
    rows = [
        (
            fingerprint,
            file,
            99,
            "unreadable_quantity",
            f'column "qty": "{file} ea" is not a whole number.',
            f'{{"who": "{FERROW if fingerprint == FERROW_FILE else BRACKLE}"}}',
        )
        for file, fingerprint, _, _ in FILES
    ]
    return pd.DataFrame(rows, columns=load_contract("quarantine").column_names)


@pytest.fixture(scope="session")
def small_store(tmp_path_factory) -> Path:
    """A store of two clients, three places, two files of one client each and one that both share."""
    path = tmp_path_factory.mktemp("small") / "small.duckdb"
    make_store(path)
    frame = lines()
    with open_store(path, read_only=False) as con:
        con.execute("select 1").fetchall()
        append_lines(con, frame.assign(load_id=1))
        con.append("removal_reasons", reasons(frame), by_name=True)
        con.append("quarantine", quarantined(), by_name=True)
        register = pd.DataFrame(
            PLACES, columns=["client", "site", "environment", "service_class", "current_interval_months"]
        )
        con.append("site_register", register, by_name=True)
        for load_id, (file, fingerprint, read, refused) in enumerate(FILES, start=1):
            accepted = read - refused
            con.execute(
                "insert into loads values (?, ?, ?, 'tests', timestamp '2026-03-02 08:00', ?, ?, 0, ?, 0, 0, false)",
                [load_id, file, fingerprint, read, accepted, refused],
            )
            con.execute(
                "insert into rule_results values (?, 0, 'missing_quantity', 'quantity is filled in', 'quarantine', 0, true),"
                " (?, 1, 'unreadable_quantity', 'What is written as quantity can be read', 'quarantine', 1, false)",
                [load_id, load_id],
            )
        con.execute(
            "insert into count_jumps values (2, $one, 'Press Hall', 2, 210, 52), (3, $other, 'North Shed', 1, 71, 2)",
            {"one": FERROW, "other": BRACKLE},
        )
        compute_tables(con)
    return path


# A fleet of six clients with three sites each. Only Dorrance's first two sites have a furnace; of the others
# one client alone has a caustic wash. Names, counts and exposures are large and odd, so that one found in a pack is
# that figure and no chance.
OTHERS = ("Ferrow Mills", "Gannet Rigs", "Hollin Yards", "Ivelet Works", "Keld Foundry")
DORRANCE = "Dorrance Lifting"
TOWNS = ("Askrigg", "Bainbrook", "Carperby")
ENVIRONMENTS = {"indoor dry": 0.02, "marine spray": 0.11}


def fleet_places():
    rows = []
    for client in (DORRANCE, *OTHERS):
        for town in TOWNS:
            site = f"{town} {client.split()[0]}"
            rows += [(client, site, environment, "normal", 12) for environment in ENVIRONMENTS]
    rows += [
        (client, f"{TOWNS[2]} {client.split()[0]}", "furnace heat", "severe", 3)
        for client in (DORRANCE, OTHERS[0])
    ]
    rows.append((OTHERS[1], f"{TOWNS[0]} {OTHERS[1].split()[0]}", "caustic wash", "severe", 3))
    return rows


@pytest.fixture(scope="session")
def fleet_store(tmp_path_factory) -> Path:
    """A store of six clients: enough company for each in two environments, too little in the others."""
    path = tmp_path_factory.mktemp("fleet") / "fleet.duckdb"
    make_store(path)
    generator = np.random.default_rng(11)
    rows = []
    for client, site, environment, _, _ in (places := fleet_places()):
        share = ENVIRONMENTS.get(environment, 0.2) * (2.5 if site == "Bainbrook Dorrance" else 1.0)
        quantity = int(generator.integers(1300, 2900))
        for day in ("2023-02-03", "2024-02-05", "2025-02-10", "2026-02-08"):
            row = line("d1" * 32, 0, day, quantity, int(generator.poisson(share * quantity)))
            rows.append(row | {"client": client, "site": site, "environment": environment})
    frame = pd.DataFrame(rows)
    frame = frame.assign(row=np.arange(len(frame)) + 1, inspected_on=pd.to_datetime(frame["inspected_on"]))
    with open_store(path, read_only=False) as con:
        con.execute("select 1").fetchall()
        append_lines(con, frame.assign(load_id=1))
        con.append("removal_reasons", reasons(frame), by_name=True)
        columns = ["client", "site", "environment", "service_class", "current_interval_months"]
        con.append("site_register", pd.DataFrame(places, columns=columns), by_name=True)
        con.execute(
            "insert into loads values (1, 'fleet_log.csv', ?, 'tests', timestamp '2026-03-02 08:00', ?, ?, 0, 0, 0, 0, false)",
            ["d1" * 32, len(frame), len(frame)],
        )
        compute_tables(con)
    return path


@pytest.fixture(scope="session")
def make_pack(small_store, tmp_path_factory):
    """A function that makes a pack of the small store and returns its folder; the same pack is made once."""
    made: dict[tuple[str, str, str], Path] = {}

    def make(period: str = PERIOD, client: str = "", site: str = "") -> Path:
        asked = period, client, site
        if asked not in made:
            out = tmp_path_factory.mktemp("pack")
            made[asked] = run_pack(["all"], small_store, period, client, site, out).parent
        return made[asked]

    return make


@pytest.fixture(scope="session")
def everything_written():
    """A function that returns all text of a pack: names of files, pages, text tables, and every cell of the workbook."""

    def read(pack: Path) -> str:
        files = [path for path in pack.rglob("*") if path.is_file()]
        texts = [str(path.relative_to(pack)) for path in files]
        texts += [path.read_text(encoding="utf-8") for path in files if path.suffix != ".xlsx"]
        book = CalamineWorkbook.from_path(str(pack / "tables.xlsx"))
        texts += [str(book.get_sheet_by_name(name).to_python()) for name in book.sheet_names]
        return "\n".join(texts)

    return read


@pytest.fixture(scope="session")
def fleet_pack(fleet_store, tmp_path_factory):
    """A function that makes the benchmark's pack of the fleet for one client ('' for the consultant), each once."""
    made: dict[str, Path] = {}

    def make(client: str) -> Path:
        if client not in made:
            out = tmp_path_factory.mktemp("fleetpack")
            made[client] = run_pack(["benchmark"], fleet_store, "", client, "", out, salt="a salt").parent
        return made[client]

    return make
