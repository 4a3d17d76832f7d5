"""The command line: each command is one call into the rooms, and every fault one sentence on stderr."""

import json
import os
import sys
from collections.abc import Mapping
from dataclasses import asdict
from enum import StrEnum
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated, Any

import typer

from pipelines.command_examples import examples
from pipelines.faults import DataFault, Fault, RequestFault, refusal
from pipelines.settings import (
    CARRIED,
    NAMED_IN,
    PLAIN,
    Chosen,
    Palette,
    Paper,
    Units,
    carry,
    commented_file,
    known_language,
    read_settings,
)
from pipelines.settings import FILE as SETTINGS_FILE
from pipelines.shipped import shipped_folder
from pipelines.terminal import as_typed, printable, text_table

COMMAND = "rigging-removals"
# Set by the script of `completion` when a shell asks for what may come next.
COMPLETING = "_RIGGING_REMOVALS_COMPLETE"

app = typer.Typer(
    help="Turn exported shackle inspection logs into removal rates, reasons and inspection intervals.",
    epilog=examples("")
    + "\n\nFigures describe records, not the shackle in someone's hand. A qualified person decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

STOPPED = 130  # exit status of what was stopped at the keyboard, common practice, no source

store_app = typer.Typer(
    help="Look after a store: check, back up, restore, migrate.",
    no_args_is_help=True,
    epilog=examples("store"),
)
app.add_typer(store_app, name="store")

Files = Annotated[
    list[Path],
    typer.Argument(
        help="Exported log files: CSV, TSV or TXT, XLSX, ODS, XLS, Parquet, JSON lines; also as .gz or .zip. A folder"
        " stands for all Parquet files in it; its subfolders may say column=value of them.",
        show_default=False,
        readable=False,
        metavar="FILE",
    ),
]
StorePath = Annotated[
    Path,
    typer.Option(
        "--store", help="The DuckDB file that holds the loaded lines (setting: store).", readable=False
    ),
]
SourcePath = Annotated[
    Path | None,
    typer.Option(
        "--source",
        help="Source profile to read the files with (YAML), or a folder of them, of which the fitting one is taken.",
        readable=False,
    ),
]
Registers = Annotated[
    list[Path] | None,
    typer.Option(
        "--register",
        metavar="FILE",
        help="Site or stock register (CSV); may be given more than once.",
        readable=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the account as JSON.")]
Jobs = Annotated[int, typer.Option("--jobs", min=0, help="Notebooks run side by side; 0: one for each core.")]
Client = Annotated[str, typer.Option("--client", help="Only this client.")]
Site = Annotated[str, typer.Option("--site", help="Only this site.")]
Gear = Annotated[
    str, typer.Option("--gear", help='Gear family, such as "links and rings"; shackles unless given.')
]
Out = Annotated[Path | None, typer.Option("--out", help="Where to write.")]


def _reports() -> list[str]:
    """Return what may follow `report`, read from the names of the notebooks, since a shell waits for it."""
    return ["all", *sorted(path.stem for path in shipped_folder("notebooks").glob("*.ipynb"))]


class Shell(StrEnum):
    """The shells that complete commands and options at a key press."""

    BASH = "bash"
    ZSH = "zsh"
    FISH = "fish"
    POWERSHELL = "powershell"


class Format(StrEnum):
    """How a table is written."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


class TraceFormat(StrEnum):
    """How traced lines are written."""

    TEXT = "text"
    CSV = "csv"
    JSON = "json"


HELP = "--help"
# By setting, the parameters of commands that it gives a value to where none is typed.
PARAMETERS = {
    "store": "store",
    "registers": "register",
    "profiles": "source",
    "drop_folder": "drop_folder",
    "units": "units",
    "language": "language",
    "palette": "palette",
    "paper": "paper",
}
INTO_REPORTS = ("report", "month")  # commands whose --out is the folder of reports


@app.callback()
def _options(
    context: typer.Context,
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            help=f"File of settings (TOML); else the one that {NAMED_IN} names, else {SETTINGS_FILE} here.",
            readable=False,
        ),
    ] = None,
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks.")] = False,
) -> None:
    """Read the settings before the command runs; `main` looks for --debug."""
    if context.invoked_subcommand == "completion" or HELP in sys.argv:
        return  # neither waits for a file of settings to be mended
    settings = read_settings(config, must_exist=context.invoked_subcommand != "config")
    context.obj = settings
    context.default_map = _defaults(settings)
    _carry(**{name: settings[name].value for name in CARRIED})


def _defaults(settings: Mapping[str, Chosen]) -> dict[str, Any]:
    """Return what the settings say in place of options that are not typed, by command and parameter."""
    stated = {name: chosen.value for name, chosen in settings.items() if chosen.origin != "default"}
    values: dict[str, Any] = {PARAMETERS[name]: value for name, value in stated.items() if name in PARAMETERS}
    if "registers" in stated:
        values["register"] = stated["registers"].split("\n")
    # Nothing is held against a store that is still to be made.
    of_check = {name: value for name, value in values.items() if name != "store" or Path(value).exists()}
    reports = {"out": stated["reports_folder"]} if "reports_folder" in stated else {}
    return {
        **{
            command.name or command.callback.__name__: values
            for command in app.registered_commands
            if command.callback
        },
        **{name: values | reports for name in INTO_REPORTS},
        "check": of_check,
        "store": {str(command.name): values for command in store_app.registered_commands},
    }


def _carry(risk_targets: str = "", **shown: str) -> None:
    """Have this process and its kernels show, and compute, as was chosen; a kernel may run in another folder."""
    carry(**shown, **({"risk_targets": str(Path(risk_targets).absolute())} if risk_targets else {}))


def _language(value: str) -> str:
    try:
        return known_language(value)
    except RequestFault as fault:
        raise typer.BadParameter(str(fault)) from fault


ShownUnits = Annotated[
    Units,
    typer.Option(
        "--units", help="Sizes and loads: metric (mm, tonnes) or us (inches, short tons of 2,000 lb)."
    ),
]
ShownLanguage = Annotated[
    str,
    typer.Option(
        "--language",
        callback=_language,
        help="How numbers and days are written: plain, or as in en-US, de-DE, fr-FR and others. Words stay English.",
    ),
]
ShownPalette = Annotated[
    Palette, typer.Option("--palette", help="Colours of charts: colour, or grey for printers without.")
]
AsPdf = Annotated[bool, typer.Option("--pdf", help="Write each page as a PDF too.")]
OnPaper = Annotated[Paper, typer.Option("--paper", help="Paper of the PDF; typed alone it asks for one.")]


def _paper(context: typer.Context, pdf: bool, paper: Paper) -> str:
    """Return the paper of the PDFs to be written, '' for none: who types a paper wants them."""
    origin = context.get_parameter_source("paper")
    is_typed = origin is not None and origin.name == "COMMANDLINE"
    return paper.value if pdf or is_typed else ""


@app.command(epilog=examples("demo"))
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path("reports/demo"),
    units: ShownUnits = Units.METRIC,
    language: ShownLanguage = PLAIN,
    palette: ShownPalette = Palette.COLOUR,
) -> None:
    """Do the whole job on invented data: load, compute, report.

    Exports of five invented clients are loaded into a store of their own, every report is made from it, and the last
    line names the page to open. The folder may be removed at any time.
    """
    from pipelines.jobs import run_demo

    _carry(units=units, language=language, palette=palette)
    typer.echo(f"Report pack: {run_demo(out, say=_say)}")


@app.command(epilog=examples("profile"))
def profile(
    files: Files,
    out: Annotated[Path, typer.Option("--out", help="The YAML file to write.")],
) -> None:
    """Draft a source profile from files of one exporter; load nothing.

    A source profile says what an exporter calls its columns and how it writes days, numbers, units and reasons. The
    draft is made from headers and values; what is unsure is listed and stands as a remark in the draft. Read it, mend
    it, and set confirmed: true, without which nothing is loaded with it.
    """
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


@app.command(epilog=examples("check"))
def check(
    files: Files,
    store: Annotated[
        Path | None, typer.Option("--store", help="Hold sites against this store's register.", readable=False)
    ] = None,
    register: Registers = None,
    source: SourcePath = None,
    as_json: AsJson = False,
) -> None:
    """Say which rows would be refused, and why; load nothing.

    Each file gets its account, rows read = accepted + quarantined, and each row that would be refused a sentence that
    says what is wrong with it and what to do. Exit status 1 where intake would take nothing of a file, 0 where it would
    take each, though without some of its rows.
    """
    from pipelines.intake import account_lines, check_files
    from pipelines.intake.account import HOW_ROWS_COUNT

    accounts = []
    for account, rows in check_files(files, store, register or [], source):
        accounts.append(asdict(account) | {"rows": rows})
        if not as_json:
            typer.echo("\n".join(account_lines(account)))
            for row in rows:
                typer.echo(printable(f"  {account.file}, row {row['row']}: {row['detail']}"))
    if any(account["rows"] for account in accounts):
        _say(HOW_ROWS_COUNT)
    if not store and not register:
        _say("Sites were not held against a register: give --register or --store.")
    if as_json:
        typer.echo(json.dumps(accounts, indent=2, ensure_ascii=False))
    if any(account["why_stopped"] for account in accounts):
        raise typer.Exit(1)


@app.command(epilog=examples("intake"))
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
    """Load files into the store; every row is accounted for.

    A row is accepted, or quarantined with its reason. Each file is loaded whole or not at all, and a file that was
    loaded before changes nothing. A later export that revises a line takes its place; the old line stays readable.
    The result tables are computed anew at the end.
    """
    from pipelines.intake import account_lines
    from pipelines.jobs import load_and_compute

    accounts = []
    for account in load_and_compute(files, store, register or [], source, add_sites, pseudonymise):
        accounts.append(asdict(account))
        if not as_json:
            typer.echo("\n".join(account_lines(account)))
    if as_json:
        typer.echo(json.dumps(accounts, indent=2, ensure_ascii=False))


@app.command(epilog=examples("quarantine"))
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
    """Show the rows that were refused, or export them for correction.

    Correct the cells of the exported workbook and load it with intake: what is right now comes in.
    """
    from pipelines.intake.account import HOW_ROWS_COUNT
    from pipelines.intake.corrections import open_rows, row_lines, write_corrections
    from pipelines.store import open_store

    with open_store(store) as con:
        rows = open_rows(con)
    if export:
        write_corrections(rows, export)
        load = as_typed("intake", export, "--store", store)
        _say(f"{export}: correct the rows there, then load it with: {load}")
    elif as_json:
        typer.echo(json.dumps(rows.to_dict("records"), indent=2, ensure_ascii=False))
    elif len(rows):
        typer.echo("\n".join(row_lines(rows)))
        _say(HOW_ROWS_COUNT)
    else:
        _say("No row is in quarantine.")


@app.command(epilog=examples("table"))
def table(
    name: Annotated[str, typer.Argument(help="Name of a result table.")],
    store: StorePath,
    format: Annotated[Format, typer.Option("--format", help="How to write it.")] = Format.CSV,
    client: Client = "",
    site: Site = "",
    gear: Gear = "",
    out: Out = None,
) -> None:
    """Write one result table to the terminal or to a file.

    For people and programs that work on with the figures: tables of removal rates, reasons, intervals, forecasts,
    orders, sites compared and others; a name that is not known lists them all. Columns have the names, and loads and
    sizes the metric units, of the contracts in data_contracts.
    """
    from pipelines.jobs import table_of_store
    from pipelines.packs.exports import write_table

    frame = table_of_store(store, name, client, site, gear)
    write_table(frame, format.value, out)


@app.command(epilog=examples("trace"))
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
            metavar="FILE",
            help="An exported file, to show its cells as they stand there; may be given more than once.",
            readable=False,
        ),
    ] = None,
    source: SourcePath = None,
    period: Annotated[
        str,
        typer.Option("--period", help="Month of the report the figure stands in, YYYY-MM; else the latest."),
    ] = "",
    gear: Gear = "",
    format: Annotated[TraceFormat, typer.Option("--format", help="How to write it.")] = TraceFormat.TEXT,
    out: Out = None,
) -> None:
    """List the log lines behind a figure of a result table.

    A figure is named by its table and by values of its key columns. Listed are the lines it was made from with file and
    row, the lines that a later export replaced, and the rows of the same place that are in quarantine.
    """
    from pipelines.jobs import trace as lines_behind
    from pipelines.packs.exports import write_lines, write_table
    from pipelines.wording_trace import trace_lines_of_text

    asked = _pairs(where)
    lines, remarks = lines_behind(store, name, asked, file or [], source, period, gear)
    if format is TraceFormat.TEXT:
        write_lines(trace_lines_of_text(lines, asked), out)
    else:
        write_table(lines, format.value, out)
    for remark in remarks:
        _say(remark)


@app.command(epilog=examples("report"))
def report(
    context: typer.Context,
    names: Annotated[
        list[str], typer.Argument(help="Reports to make, or: all", metavar="REPORT", autocompletion=_reports)
    ],
    store: StorePath,
    period: Annotated[str, typer.Option("--period", help="Month of the report, YYYY-MM.")],
    client: Client = "",
    site: Site = "",
    gear: Gear = "",
    jobs: Jobs = 0,
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path("reports"),
    keep_notebooks: Annotated[
        bool, typer.Option("--keep-notebooks", help="Put the notebooks as they were run into the pack.")
    ] = False,
    pdf: AsPdf = False,
    paper: OnPaper = Paper.A4,
    units: ShownUnits = Units.METRIC,
    language: ShownLanguage = PLAIN,
    palette: ShownPalette = Palette.COLOUR,
    by_site: Annotated[
        bool, typer.Option("--by-site", help="Make each report once for each site of the client.")
    ] = False,
    scheduler: Annotated[
        str,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Run the notebooks on the workers of this Dask scheduler; the store is then an exported folder.",
        ),
    ] = "",
) -> None:
    """Run the notebooks into a report pack: pages, tables, an index.

    The pack is a folder named after the month. Its pages need no network, and its tables come as one workbook and as
    CSV files. An earlier pack of the same month there is replaced once the new one is whole. A report that stops does
    not keep the others from being made: it is named at the end, and the exit status is 1.
    """
    from pipelines.packs import run_pack

    _carry(units=units, language=language, palette=palette)
    try:
        index = run_pack(
            names,
            store,
            period,
            client,
            site,
            out,
            jobs,
            paper=_paper(context, pdf, paper),
            keep_notebooks=keep_notebooks,
            by_site=by_site,
            scheduler=scheduler,
            gear=gear,
        )
    except KeyboardInterrupt:
        _say("Stopped. No report was written, and an earlier pack is as it was.")
        raise typer.Exit(STOPPED) from None
    typer.echo(f"Report pack: {index}")


@app.command(epilog=examples("export"))
def export(
    store: StorePath,
    out: Annotated[Path, typer.Option("--out", help="The new folder.")],
) -> None:
    """Write the whole store as a folder of Parquet files.

    For other programs, and for machines that share a disk. Such a folder can be given with --store wherever a store is
    only read. It holds every client's lines, but not the key of pseudonyms.
    """
    from pipelines.jobs import export_store

    typer.echo(f"Exported: {export_store(store, out)}")


@app.command(epilog=examples("month"))
def month(
    context: typer.Context,
    drop_folder: Annotated[
        Path,
        typer.Option(
            "--drop-folder", help="Folder in which exports arrive (setting: drop_folder).", readable=False
        ),
    ],
    store: StorePath,
    register: Registers = None,
    source: SourcePath = None,
    period: Annotated[
        str, typer.Option("--period", help="Month of the reports, YYYY-MM; else the month before this one.")
    ] = "",
    each_client: Annotated[
        bool, typer.Option("--each-client", help="Make a pack for each client too, in OUT/clients.")
    ] = False,
    pdf: AsPdf = False,
    paper: OnPaper = Paper.A4,
    units: ShownUnits = Units.METRIC,
    language: ShownLanguage = PLAIN,
    palette: ShownPalette = Palette.COLOUR,
    jobs: Jobs = 0,
    pseudonymise: Annotated[
        bool, typer.Option("--pseudonymise", help="Take names out, as intake does.")
    ] = False,
    out: Annotated[Path, typer.Option("--out", help="Folder of the packs and the summary.")] = Path(
        "reports"
    ),
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be done, and change nothing.")
    ] = False,
) -> None:
    """Do the month's work: load what is new, make the reports.

    Loads the files of the drop folder that the store does not have yet, in the order of their names, makes the report
    pack of the month, and writes summary.txt, which can be mailed, and summary.json beside the packs. Nothing in the
    drop folder is moved or deleted. A file that is refused keeps no other from being loaded. Made to be run by cron or
    the Windows Task Scheduler: exit status 0 where all went well, 1 where something was refused or failed, 2 for wrong
    usage.
    """
    from pipelines.monthly_run import Asked, run_month
    from pipelines.wording_run import run_in_words

    _carry(units=units, language=language, palette=palette)
    asked = Asked(
        drop_folder,
        store,
        register or [],
        source,
        out,
        period,
        each_client,
        _paper(context, pdf, paper),
        jobs,
        pseudonymise,
    )
    outcome = run_month(asked, is_dry=dry_run)
    typer.echo("\n".join(run_in_words(outcome)))
    if not outcome.is_clean:
        raise typer.Exit(1)


@app.command(
    epilog=examples("lab"), context_settings={"allow_extra_args": True, "ignore_unknown_options": True}
)
def lab(
    others: typer.Context,
    store: StorePath,
    out: Annotated[Path, typer.Option("--out", help="Folder for your copies of the notebooks.")] = Path(
        "lab"
    ),
) -> None:
    """Open the reports' notebooks in JupyterLab, on your store.

    The notebooks are copied into a folder of yours, with the store in their parameters. Change the cell below a title
    and run it again. Options that are not listed here go to JupyterLab, such as --no-browser or --port 8890.
    """
    from pipelines.packs.lab import lay_out_notebooks, open_lab

    new = lay_out_notebooks(store, out)
    _say(f"{len(new)} notebooks were copied into {out}; those already there stay as they are.")
    open_lab(out, others.args)


@store_app.command("check", epilog=examples("store check"))
def store_check(store: StorePath) -> None:
    """Read a store to its last cell and say whether it is whole.

    Whole is a store of which every part can be read, in which every row of every file is accounted for, and whose tables
    are as the contracts have them. Exit status 1 where it is not, with a sentence that says what is wrong.
    """
    from pipelines.jobs import what_is_wrong

    if wrong := what_is_wrong(store):
        raise DataFault(
            f"{store} is not whole: {'; '.join(wrong)}. Put a backup in its place if it lost rows:"
            f" {as_typed('store', 'restore', 'BACKUP', '--store', store)}"
        )
    typer.echo(f"{store} is whole.")


@store_app.command("backup", epilog=examples("store backup"))
def store_backup(store: StorePath, out: Out = None) -> None:
    """Copy a store, as it stands at one moment, to a new file.

    The copy goes beside the store, or where you say; it never replaces a file.
    """
    from pipelines.store.keeping import back_up

    typer.echo(f"Backup: {back_up(store, out)}")


@store_app.command("restore", epilog=examples("store restore"))
def store_restore(
    backup: Annotated[Path, typer.Argument(help="The backup.", show_default=False, readable=False)],
    store: StorePath,
) -> None:
    """Put a backup in the place of a store.

    The backup is read first and must be whole. What was in its place is kept beside it.
    """
    from pipelines.store.keeping import restore

    loads, kept = restore(backup, store)
    typer.echo(f"{store} now holds what {backup} holds, {loads} loads.")
    if kept:
        _say(f"What was there before is kept as {kept}.")


@store_app.command("migrate", epilog=examples("store migrate"))
def store_migrate(store: StorePath) -> None:
    """Bring a store of an earlier version up to date.

    What it was is kept beside it. Nothing happens to a store that is up to date.
    """
    from pipelines.jobs import bring_up_to_date

    bring_up_to_date(store)
    typer.echo(f"{store} is up to date.")


@app.command(epilog=examples("config"))
def config(
    context: typer.Context,
    write: Annotated[
        Path | None, typer.Option("--write", help="Write a commented file of settings, to be filled in.")
    ] = None,
) -> None:
    """Show each setting, its value and where it comes from.

    Settings are read from a file, rigging-removals.toml in the working folder or the one given with --config, which
    goes before the command. An option of a command wins over the file, and the file over what holds by default.
    """
    settings = context.obj
    if write is None:
        rows = [
            (name, chosen.value.replace("\n", ", ") or "none", chosen.origin)
            for name, chosen in settings.items()
        ]
        typer.echo("\n".join(text_table(("setting", "value", "from"), rows)))
        return
    if write.exists():
        raise RequestFault(f"{write} is there already. Give another name, or remove it.")
    write.parent.mkdir(parents=True, exist_ok=True)
    write.write_text(commented_file(settings, write.parent), encoding="utf-8")
    _say(f"Settings: {write}. Take the # away in front of those you want, and fill them in.")


@app.command(epilog=examples("completion"))
def completion(shell: Annotated[Shell, typer.Argument(help="The shell you type commands in.")]) -> None:
    """Print the script by which your shell completes commands.

    At the tabulator key the shell then completes commands, options and the names of reports.
    """
    from typer.completion import get_completion_script

    typer.echo(get_completion_script(prog_name=COMMAND, complete_var=COMPLETING, shell=shell.value))


def main() -> None:
    """Run the command line; a fault becomes one sentence and exit status 1, wrong usage exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that knows few characters shows the others by their numbers.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    if COMPLETING in os.environ:
        from typer.completion import completion_init

        completion_init()
    try:
        app(prog_name=COMMAND)
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
            raise typer.BadParameter(
                f'"{column.strip()}" is given twice. Give it once.', param_hint="--where"
            )
        pairs[column.strip()] = value.strip()
    return pairs


def _say(sentence: str) -> None:
    typer.echo(printable(sentence), err=True)
