"""Make an inspection log of any length, with its profile and site register: one CSV, or Parquet in a folder by client.

    python -m tests.benchmarks.make_log FOLDER [--lines 1200000] [--sites 100] [--kind csv] [--seed 20260302]

The same lines, sites and seed make the same log to the byte. One line in 200 has a count that is none; sites and
environments differ in their rates by known factors (make_log.sql).
"""

import argparse
from pathlib import Path

import duckdb

SEED = 20260302
SITES_OF_CLIENT = 20
LEAST_CLIENTS = 4  # so that the fleet is more than its largest client
CLASSES = 8  # of items at each place
ENVIRONMENTS = ("indoor dry", "outdoor inland", "marine spray")
PROFILE = """source: benchmark-log
describes: A generated log.
confirmed: true
file: {{kind: {kind}}}
fixed: {{gear_family: shackle}}
columns: {{client: {client}, site: Place, environment: Where used, body: Body, pin: Pin, nominal_size_mm: Size, rated_load_t: Load,
  grade: Grade, serial: Tag, inspected_on: Day, inspection_type: Look, quantity: Seen, removed: Removed, inspector: By,
  supplier: From, note: Remarks}}
dates: ["%d/%m/%Y"]
units: {{nominal_size_mm: in, rated_load_t: short ton}}
words: {{body: {{Anchor: bow, Chain: chain}}, inspection_type: {{yearly: periodic, goods in: initial, shift: frequent}}}}
reasons: {{column: Why, separator: ";", phrases: {{no tag: identification missing, bent: deformed, worn: wear over limit,
  rusty: corrosion or pitting, odd pin: pin not matching, nicked: nicks or gouges, thread: thread damage}}}}
"""
REGISTER_HEADER = "client,site,environment,service_class,use_frequency,current_interval_months,legal_limit_months,site_rule_months"


def write_inputs(
    folder: Path, lines: int, sites: int, seed: int = SEED, kind: str = "csv", clients: int = 0
) -> Path:
    """Write a log, `profile.yaml` and `register.csv` into a folder; return the log, which is a folder if in Parquet.

    At least four clients share the sites, where it is not said how many, and no group is without two looks: a few lines and sites more or less than
    asked for may come of it, those in the register.
    """
    folder.mkdir(parents=True, exist_ok=True)
    clients = clients or max(LEAST_CLIENTS, round(sites / SITES_OF_CLIENT))
    sites_of_client = max(1, round(sites / clients))
    lines_of_client = max(lines // clients, 2 * sites_of_client * len(ENVIRONMENTS) * CLASSES)
    (folder / "profile.yaml").write_text(PROFILE.format(kind=kind, client="Client"), encoding="utf-8")
    places = [
        f"Client {client:03d},Yard {site:02d},{environment},normal,weekly,{(12, 6, 3)[site % 3]},,"
        for client in range(1, clients + 1)
        for site in range(1, sites_of_client + 1)
        for environment in ENVIRONMENTS
    ]
    (folder / "register.csv").write_text("\n".join([REGISTER_HEADER, *places]) + "\n", encoding="utf-8")
    query = (Path(__file__).parent / "make_log.sql").read_text(encoding="utf-8")
    values = {
        "lines": lines_of_client * clients,
        "clients": clients,
        "sites": sites_of_client,
        "classes": CLASSES,
        "seed": seed,
    }
    if kind == "csv":
        log = folder / "log.csv"
        _copy(query, log, "format csv, header", {**values, "first": 0, "last": values["lines"]})
        return log
    for client in range(clients):
        part = folder / "log" / f"Client=Client {client + 1:03d}"
        part.mkdir(parents=True)
        first = client * lines_of_client
        of_client = {**values, "first": first, "last": first + lines_of_client}
        _copy(
            f'select * exclude ("Client") from ({query})',
            part / "part-0.parquet",
            "format parquet",
            of_client,
        )
    return folder / "log"


def _copy(query: str, path: Path, form: str, values: dict[str, int]) -> None:
    with duckdb.connect() as con:
        con.execute(f"copy ({query}) to $path ({form})", {**values, "path": str(path)})


def main() -> None:
    """Write what the command line asks for."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--lines", type=int, default=1_200_000)
    asked.add_argument("--sites", type=int, default=100)
    asked.add_argument("--kind", choices=("csv", "parquet"), default="csv")
    asked.add_argument("--seed", type=int, default=SEED)
    options = asked.parse_args()
    log = write_inputs(options.folder, options.lines, options.sites, options.seed, options.kind)
    print(f"{log}, with profile.yaml and register.csv beside it")


if __name__ == "__main__":
    main()
