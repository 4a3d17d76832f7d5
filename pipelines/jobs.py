"""The jobs that cross rooms: load files and compute the result tables; do the whole job on the demo data.

What takes long to import is imported by the job that needs it, so that a table is on the screen in a second.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.faults import RequestFault
from pipelines.scratch import scratch_folder
from pipelines.shipped import shipped_folder
from pipelines.store import make_store, open_store, remove_empty_store
from pipelines.store.checking import disagreements, unreadable_tables, wrong_shapes
from pipelines.store.file import within_memory
from pipelines.store.folder import write_folder
from pipelines.store.loading import Account
from pipelines.tables import TABLES, is_computed_for, known_places, read_table, refuse_unknown


def load_and_compute(
    files: list[Path],
    store: Path,
    registers: list[Path],
    profile_path: Path | None = None,
    add_sites: bool = False,
    pseudonymise: bool = False,
) -> Iterator[Account]:
    """Load files into the store, made where there is none, yield each account, then compute the result tables.

    A fault in one file leaves the files before it loaded and the tables computed for them; a store made for a
    load that failed at its first file is taken away again.

    Parameters
    ----------
    files, registers : list of Path
        Exports to load, and registers to read before them.
    store : Path
        The store's file.
    profile_path : Path
        Source profile, or a folder of them; None for those that come with the project.
    add_sites : bool
        Whether to add sites that the register does not know.
    pseudonymise : bool
        Whether inspectors go by pseudonyms and notes are left out.
    """
    from pipelines.intake import load_files

    is_new = not store.exists()
    if is_new:
        make_store(store)
    loaded = 0
    try:
        for account in load_files(files, store, registers, profile_path, add_sites, pseudonymise):
            loaded += 1
            yield account
    finally:
        if loaded:
            compute_for_store(store)
        elif is_new:
            remove_empty_store(store)


def compute_for_store(store: Path) -> None:
    """Compute every result table of the store again, for the month of its latest line, in one transaction."""
    from pipelines.tables import compute_tables

    with scratch_folder() as folder, open_store(store, read_only=False) as con:
        for name, limit in within_memory(folder).items():
            con.execute(f"set {name} = $limit", {"limit": limit})
        con.begin()
        compute_tables(con)
        con.commit()


def what_is_wrong(store: Path) -> list[str]:
    """Return what is wrong with a store, in words; nothing where it is whole and its tables are those of its lines."""
    with closing(open_store(store)) as con:
        wrong = unreadable_tables(con) or disagreements(con)
        if wrong:
            return wrong
        if not is_computed_for(con, ""):
            return [
                "the result tables are older than the lines; whoever reads them has them computed again, which takes"
                " longer: rigging-removals store migrate computes them here"
            ]
        return wrong_shapes(con, TABLES)


def bring_up_to_date(store: Path) -> None:
    """Bring a store of an earlier version to this one, what it was kept beside it, and compute its result tables."""
    with closing(open_store(store, read_only=False)) as con:
        if is_computed_for(con, "") and not wrong_shapes(con, TABLES):
            return
    compute_for_store(store)


def run_demo(out: Path, say: Callable[[str], None]) -> Path:
    """Load the demo exports into a store in `out`, make every report, and return the path of the index page."""
    from pipelines.intake import account_lines
    from pipelines.packs import run_pack

    data = shipped_folder("demo_data")
    store = out / "demo.duckdb"
    store.unlink(missing_ok=True)
    exports = sorted(path for path in (data / "exports").iterdir() if path.is_file())
    registers = [data / "site_register.csv", data / "stock_register.csv"]
    for account in load_and_compute(exports, store, registers):
        say("\n".join(account_lines(account)))
    return run_pack(["all"], store, "", "", "", out)


def export_store(store: Path, out: Path) -> Path:
    """Write each table of a store as a Parquet file into a new folder, and return that.

    Result tables that are old are computed again for it; the store stays as it is.
    """
    if out.exists():
        raise RequestFault(f"{out} is there already. Give another name with --out, or remove it.")
    from pipelines.packs.computed import computed_store

    with computed_store(store, "", "") as readable, closing(open_store(readable)) as con:
        out.parent.mkdir(parents=True, exist_ok=True)
        with scratch_folder(out.parent, f".{out.name}-") as aside:
            write_folder(con, aside / out.name).rename(out)
    return out


def table_of_store(store: Path, name: str, client: str, site: str, gear: str = "") -> pd.DataFrame:
    """Return a result table of a store, of one client or site where asked; computed aside where it is old or of other gear.

    Parameters
    ----------
    store : Path
        The store's file.
    name : str
        Name of the table.
    client, site : str
        Rows of this client or site only; '' for all.
    gear : str
        Gear family; '' for that of the store's own tables.

    Raises
    ------
    RequestFault
        There is no such store, table or gear family, or a client or site that the store does not know; one that it
        knows may have no row in the table.
    """
    with closing(open_store(store)) as con:
        if not gear and is_computed_for(con, ""):
            return _rows_of(con, name, client, site)
    from pipelines.packs.computed import computed_store

    with computed_store(store, "", "", gear) as readable, closing(open_store(readable)) as con:
        return _rows_of(con, name, client, site)


def _rows_of(con: duckdb.DuckDBPyConnection, name: str, client: str, site: str) -> pd.DataFrame:
    rows = read_table(con, name, client or None, site or None)
    if rows.empty:
        refuse_unknown(known_places(con), client, site)
    return rows


def trace(
    store: Path,
    table: str,
    where: Mapping[str, str],
    files: list[Path],
    profile_path: Path | None = None,
    period: str = "",
    gear: str = "",
) -> tuple[pd.DataFrame, list[str]]:
    """Return the log lines behind rows of a result table, as `trace_lines` does, and what a reader should know of them.

    Parameters
    ----------
    store : Path
        The store's file.
    table : str
        The result table.
    where : mapping of str
        Values of its key columns, as the table has them; '' where the column is empty.
    files : list of Path
        Exported files that lines came from, given again: they fill in `raw` of their lines.
    profile_path : Path
        Source profile, or a folder of them, to read these and the quarantine with, beside those that come with the
        project; None for the latter alone.
    period : str
        Month of the report that the figure stood in, YYYY-MM; '' for the month of the store's own tables.
    gear : str
        Gear family of that report; '' for that of the store's own tables.

    Returns
    -------
    lines : DataFrame
        As of `trace_lines`, without the fingerprint of the file.
    remarks : list of str
        Sentences.

    Raises
    ------
    RequestFault
        There is no such store, month, gear family, table, column, row or file, nobody gives the profile that a file was
        loaded with, the store holds no line yet, or the table tells of all clients together.
    DataFault
        A file is not, to the byte, one that was loaded.
    """
    from pipelines.intake.rereading import cells_of_files, quarantined_lines
    from pipelines.packs.reading import open_month
    from pipelines.sources import known_profiles, profiles_at
    from pipelines.tables.trace import remark_on, trace_lines
    from pipelines.wording_trace import trace_remarks

    by_source = {profile.source: profile for profile in (*known_profiles(), *profiles_at(profile_path))}
    profiles = list(by_source.values())
    with open_month(store, period, "", gear) as (con, _, _, as_of):
        quarantined, unread = quarantined_lines(con, profiles)
        lines = trace_lines(con, table, where, quarantined, as_of)
        remark = remark_on(con, table, where)
        cells = cells_of_files(con, files, profiles, lines[["file_sha256", "row"]])
    lines = lines.merge(cells, on=["file_sha256", "row"], how="left", suffixes=("", "_of_file"))
    lines["raw"] = lines.pop("raw_of_file").where(lines["raw"].isna(), lines["raw"])
    without = sorted(lines.loc[lines["raw"].isna(), "file"].dropna().unique())
    return lines.drop(columns="file_sha256"), trace_remarks(lines, remark, unread, without)
