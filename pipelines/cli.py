"""The command line: each command is one call into the rooms, and every fault one sentence on stderr."""

import json
import sys
from dataclasses import asdict
from enum import StrEnum
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated

import typer

from pipelines.faults import DataFault, Fault, RequestFault, refusal
from pipelines.terminal import printable

app = typer.Typer(
    help="Turn exported shackle inspection logs into removal rates, reasons and inspection intervals.",
    epilog="Figures describe records, not the shackle in someone's hand. A qualified person decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

store_app = typer.Typer(
    help="Look after a store: check it, back it up, put a backup in its place.", no_args_is_help=True
)
app.add_typer(store_app, name="store")

Files = Annotated[
    list[Path],
    typer.Argument(
        help="Exported log files: CSV, TSV or TXT, XLSX, ODS, XLS, Parquet, JSON lines; also as .gz or .zip. A folder"
        " stands for all Parquet files in it; its subfolders may say column=value of them.",
        show_default=False,
        readable=False,
    ),
]
StorePath = Annotated[
    Path, typer.Option("--store", help="The DuckDB file that holds the loaded lines.", readable=False)
]
SourcePath = Annotated[
    Path | None,
    typer.Option("--source", help="Source profile to read the files with (YAML).", readable=False),
]
Registers = Annotated[
    list[Path] | None,
    typer.Option(
        "--register", help="Site or stock register (CSV); may be given more than once.", readable=False
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the account as JSON.")]
Client = Annotated[str, typer.Option("--client", help="Only this client.")]
Site = Annotated[str, typer.Option("--site", help="Only this site.")]
Out = Annotated[Path | None, typer.Option("--out", help="Where to write.")]


class Format(StrEnum):
    """How a table is written."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


class Paper(StrEnum):
    """The paper of a PDF."""

    A4 = "a4"
    LETTER = "us-letter"


class TraceFormat(StrEnum):
    """How traced lines are written."""

    TEXT = "text"
    CSV = "csv"
    JSON = "json"


@app.callback()
def _options(debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks.")] = False) -> None:
    """Read by `main` before the command runs."""


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path("reports/demo"),
) -> None:
    """Do the whole job on the demo data: load, check, compute, report."""
    from pipelines.jobs import run_demo

    typer.echo(f"Report pack: {run_demo(out, say=_say)}")


@app.command()
def profile(
    files: Files,
    out: Annotated[Path, typer.Option("--out", help="The YAML file to write.")],
) -> None:
    """Draft a source profile from the headers and values of files of one exporter; load nothing."""
    from pipelines.intake.sampling import sample_files
    from pipelines.sources.drafting import draft_profile, finding_lines

    if out.exists():
        raise RequestFault(f"{out} is there already. Give another name, or remove it.")
    draft = draft_profile(sample_files(files), source=out.stem)
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(draft.yaml, encoding="utf-8")
    typer.echo("\n".join(finding_lines(draft.findings)))
    _say(
        f"Draft: {out}. Nothing was loaded. Read it, mend what is unsure, fill in what is missing, then set confirmed: true."
    )


@app.command()
def check(
    files: Files,
    store: Annotated[
        Path | None, typer.Option("--store", help="Hold sites against this store's register.", readable=False)
    ] = None,
    register: Registers = None,
    source: SourcePath = None,
    as_json: AsJson = False,
) -> None:
    """Check files against the contract and say what would be quarantined and why; load nothing."""
    from pipelines.intake import account_lines, check_files

    accounts = []
    for account, rows in check_files(files, store, register or [], source):
        accounts.append(asdict(account) | {"rows": rows})
        if not as_json:
            typer.echo("\n".join(account_lines(account)))
            for row in rows:
                typer.echo(printable(f"  {account.file}, row {row['row']}: {row['detail']}"))
    if not store and not register:
        _say("Sites were not held against a register: give --register or --store.")
    if as_json:
        typer.echo(json.dumps(accounts, indent=2, ensure_ascii=False))


@app.command()
def intake(
    files: Files,
    store: StorePath,
    source: SourcePath = None,
    register: Registers = None,
    add_sites: Annotated[
        bool,
        typer.Option(
            "--add-sites", help="Add sites that the register does not know: normal service, 12 months."
        ),
    ] = False,
    pseudonymise: Annotated[
        bool,
        typer.Option(
            "--pseudonymise",
            help="Take names out: inspectors by pseudonyms, notes and unread cells left out.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Load files into the store: every row is accepted, or quarantined with its reason."""
    from pipelines.intake import account_lines
    from pipelines.jobs import load_and_compute

    accounts = []
    for account in load_and_compute(files, store, register or [], source, add_sites, pseudonymise):
        accounts.append(asdict(account))
        if not as_json:
            typer.echo("\n".join(account_lines(account)))
    if as_json:
        typer.echo(json.dumps(accounts, indent=2, ensure_ascii=False))


@app.command()
def quarantine(
    store: StorePath,
    export: Annotated[
        Path | None,
        typer.Option(
            "--export", help="Write the rows into this workbook (XLSX), to be corrected and loaded again."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the rows as JSON.")] = False,
) -> None:
    """Show the rows that are in quarantine and what is wrong with them; a corrected workbook of them goes to intake."""
    from pipelines.intake.corrections import open_rows, row_lines, write_corrections
    from pipelines.store import open_store

    with open_store(store) as con:
        rows = open_rows(con)
    if export:
        write_corrections(rows, export)
        _say(
            f"{export}: correct the rows there, then load it with: rigging-removals intake {export} --store {store}"
        )
    elif as_json:
        typer.echo(json.dumps(rows.to_dict("records"), indent=2, ensure_ascii=False))
    elif len(rows):
        typer.echo("\n".join(row_lines(rows)))
    else:
        _say("No row is in quarantine.")


@app.command()
def table(
    name: Annotated[str, typer.Argument(help="Name of a result table.")],
    store: StorePath,
    format: Annotated[Format, typer.Option("--format", help="How to write it.")] = Format.CSV,
    client: Client = "",
    site: Site = "",
    out: Out = None,
) -> None:
    """Write one result table to the terminal or to a file."""
    from pipelines.jobs import table_of_store
    from pipelines.packs.exports import write_table

    frame = table_of_store(store, name, client, site)
    write_table(frame, format.value, out)


@app.command()
def trace(
    name: Annotated[str, typer.Argument(help="Name of a result table.")],
    where: Annotated[
        list[str],
        typer.Option(
            "--where",
            metavar="COLUMN=VALUE",
            help="A value of a key column, as the table has it; may be given more than once.",
        ),
    ],
    store: StorePath,
    file: Annotated[
        list[Path] | None,
        typer.Option(
            "--file",
            help="An exported file, to show its cells as they stand there; may be given more than once.",
            readable=False,
        ),
    ] = None,
    source: SourcePath = None,
    period: Annotated[
        str,
        typer.Option("--period", help="Month of the report the figure stands in, YYYY-MM; else the latest."),
    ] = "",
    format: Annotated[TraceFormat, typer.Option("--format", help="How to write it.")] = TraceFormat.TEXT,
    out: Out = None,
) -> None:
    """List the log lines behind a figure of a result table, superseded and quarantined ones too."""
    from pipelines.jobs import trace as lines_behind
    from pipelines.packs.exports import write_lines, write_table
    from pipelines.wording_trace import trace_lines_of_text

    asked = _pairs(where)
    lines, remarks = lines_behind(store, name, asked, file or [], source, period)
    if format is TraceFormat.TEXT:
        write_lines(trace_lines_of_text(lines, asked), out)
    else:
        write_table(lines, format.value, out)
    for remark in remarks:
        _say(remark)


@app.command()
def report(
    names: Annotated[list[str], typer.Argument(help="Reports to make, or: all")],
    store: StorePath,
    period: Annotated[str, typer.Option("--period", help="Month of the report, YYYY-MM.")],
    client: Client = "",
    site: Site = "",
    jobs: Annotated[int, typer.Option("--jobs", min=1, help="Notebooks run side by side.")] = 2,
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path("reports"),
    keep_notebooks: Annotated[
        bool, typer.Option("--keep-notebooks", help="Put the notebooks as they were run into the pack.")
    ] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write each page as a PDF too.")] = False,
    paper: Annotated[Paper, typer.Option("--paper", help="Paper of the PDF.")] = Paper.A4,
) -> None:
    """Run the notebooks into a report pack: pages, tables and an index."""
    from pipelines.packs import run_pack

    index = run_pack(
        names,
        store,
        period,
        client,
        site,
        out,
        jobs,
        paper=paper.value if pdf else "",
        keep_notebooks=keep_notebooks,
    )
    typer.echo(f"Report pack: {index}")


@app.command(context_settings={"allow_extra_args": True, "ignore_unknown_options": True})
def lab(
    others: typer.Context,
    store: StorePath,
    out: Annotated[Path, typer.Option("--out", help="Folder for your copies of the notebooks.")] = Path(
        "lab"
    ),
) -> None:
    """Open the notebooks in JupyterLab with the store wired in: change the parameters cell and run them again.

    Other options go to JupyterLab, such as --no-browser or --port 8890.
    """
    from pipelines.packs.lab import lay_out_notebooks, open_lab

    new = lay_out_notebooks(store, out)
    _say(f"{len(new)} notebooks were copied into {out}; those already there stay as they are.")
    open_lab(out, others.args)


@store_app.command("check")
def store_check(store: StorePath) -> None:
    """Read a store to its last cell: its tables are as the contracts have them, and every row is accounted for."""
    from pipelines.jobs import what_is_wrong

    if wrong := what_is_wrong(store):
        raise DataFault(
            f"{store} is not whole: {'; '.join(wrong)}. Put a backup in its place if it lost rows:"
            f" rigging-removals store restore BACKUP --store {store}"
        )
    typer.echo(f"{store} is whole.")


@store_app.command("backup")
def store_backup(store: StorePath, out: Out = None) -> None:
    """Copy a store, as it stands at one moment, to a new file beside it or where you say."""
    from pipelines.store.keeping import back_up

    typer.echo(f"Backup: {back_up(store, out)}")


@store_app.command("restore")
def store_restore(
    backup: Annotated[Path, typer.Argument(help="The backup.", show_default=False, readable=False)],
    store: StorePath,
) -> None:
    """Put a backup in the place of a store; what was there is kept beside it."""
    from pipelines.store.keeping import restore

    loads, kept = restore(backup, store)
    typer.echo(f"{store} now holds what {backup} holds, {loads} loads.")
    if kept:
        _say(f"What was there before is kept as {kept}.")


@store_app.command("migrate")
def store_migrate(store: StorePath) -> None:
    """Bring a store of an earlier version of this tool up to date; what it was is kept beside it."""
    from pipelines.jobs import bring_up_to_date

    bring_up_to_date(store)
    typer.echo(f"{store} is up to date.")


def main() -> None:
    """Run the command line; a fault becomes one sentence and exit status 1, wrong usage exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that knows few characters shows the others by their numbers.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        app()
    except Exception as error:
        fault = error if isinstance(error, Fault) else refusal(error)
        if fault is None or "--debug" in sys.argv:
            raise
        _say(str(fault))
        sys.exit(1)


def _pairs(where: list[str]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for pair in where:
        column, sign, value = pair.partition("=")
        if not sign or not column.strip():
            raise typer.BadParameter(
                f'"{pair}" is not COLUMN=VALUE, such as month=2026-02.', param_hint="--where"
            )
        if column.strip() in pairs:
            raise typer.BadParameter(f'"{column.strip()}" is given twice.', param_hint="--where")
        pairs[column.strip()] = value.strip()
    return pairs


def _say(sentence: str) -> None:
    typer.echo(printable(sentence), err=True)
