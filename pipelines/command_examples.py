"""The examples that `--help` shows below each command; a test reads them as the command line does."""

# By command, in the order of the help: what is typed, and what that does.
EXAMPLES: dict[str, tuple[tuple[str, str], ...]] = {
    "": (
        ("rigging-removals demo", "the whole job on invented data; open the page that the last line names"),
        ("rigging-removals profile march.csv --out yard.yaml", "draft how an export of your own is written"),
        ("rigging-removals intake march.csv --source yard.yaml --register sites.csv --store removals.duckdb", "load it"),
        ("rigging-removals report all --store removals.duckdb --period 2026-03", "make the report pack of March 2026"),
    ),
    "demo": (
        ("rigging-removals demo", "into the folder reports/demo"),
        ("rigging-removals demo --out try", "into a folder of your choice"),
    ),
    "profile": (
        ("rigging-removals profile march.csv --out yard.yaml", "from one export"),
        ("rigging-removals profile yard-*.xlsx --out yard.yaml", "from several of one exporter, which says more"),
    ),
    "check": (
        ("rigging-removals check march.csv --source yard.yaml --register sites.csv", "before anything is loaded"),
        ("rigging-removals check march.csv --source yard.yaml --store removals.duckdb", "against the sites that a store has"),
        ("rigging-removals check *.csv --source yard.yaml --json > account.json", "for a program to read"),
    ),
    "intake": (
        ("rigging-removals intake march.csv --source yard.yaml --register sites.csv --store removals.duckdb", "the first load makes the store"),
        ("rigging-removals intake *.csv --source yard.yaml --store removals.duckdb", "later loads; a file loaded before changes nothing"),
        ("rigging-removals intake march.csv --register stock.csv --store removals.duckdb --source yard.yaml --pseudonymise", "with a stock register, and names taken out"),
        ("rigging-removals intake quarantine.xlsx --store removals.duckdb --source yard.yaml", "rows that were refused and have been corrected"),
    ),
    "quarantine": (
        ("rigging-removals quarantine --store removals.duckdb", "which rows were refused, and why"),
        ("rigging-removals quarantine --store removals.duckdb --export quarantine.xlsx", "as a workbook, to be corrected and loaded again"),
    ),
    "table": (
        ("rigging-removals table interval_recommendations --store removals.duckdb", "as CSV on the terminal"),
        ('rigging-removals table removal_rates --store removals.duckdb --client "Brackle Docks" --out rates.csv', "one client's, into a file"),
        ("rigging-removals table order_plan --store removals.duckdb --format parquet --out plan.parquet", "for another program"),
    ),
    "trace": (
        ('rigging-removals trace removal_rates --store removals.duckdb --where "site=Sea Wall" --where month=2026-03', "the rows behind one rate"),
        ('rigging-removals trace site_benchmark --store removals.duckdb --where "site=Sea Wall" --file march.csv --format csv --out behind.csv', "with their cells as exported"),
    ),
    "report": (
        ("rigging-removals report all --store removals.duckdb --period 2026-03", "every report of a month"),
        ('rigging-removals report all --store removals.duckdb --period 2026-03 --client "Brackle Docks" --pdf', "for one client, on paper too"),
        ("rigging-removals report monthly procurement --store removals.duckdb --period 2026-03 --out april", "two reports, into a folder of your choice"),
        ('rigging-removals report monthly --store removals.duckdb --period 2026-03 --client "Brackle Docks" --by-site', "a page for each of its sites"),
        ("rigging-removals report all --store shared/tables --period 2026-03 --scheduler tcp://192.0.2.7:8786", "on the workers of a Dask cluster, from an exported store"),
    ),
    "export": (
        ("rigging-removals export --store removals.duckdb --out tables-2026-03", "every table as a Parquet file"),
        ("rigging-removals export --store removals.duckdb --out shared/tables", "for reports made by a cluster"),
    ),
    "month": (
        ("rigging-removals month --drop-folder incoming --store removals.duckdb --source profiles --register sites.csv", "all of it"),
        ("rigging-removals month --drop-folder incoming --store removals.duckdb --dry-run", "what would be done"),
        ("rigging-removals --config yard/rigging-removals.toml month --each-client --pdf", "with everything else in a file of settings, as a scheduler runs it"),
    ),
    "lab": (
        ("rigging-removals lab --store removals.duckdb", "in the browser"),
        ("rigging-removals lab --store removals.duckdb --no-browser --port 8890", "on a machine without a screen"),
    ),
    "store": (
        ("rigging-removals store check --store removals.duckdb", "is it whole?"),
        ("rigging-removals store backup --store removals.duckdb", "copy it to a file beside it"),
    ),
    "store check": (("rigging-removals store check --store removals.duckdb", "exit status 0: whole, 1: not"),),
    "store backup": (
        ("rigging-removals store backup --store removals.duckdb", "beside the store, as removals.backup.duckdb"),
        ("rigging-removals store backup --store removals.duckdb --out kept/march.duckdb", "where you say"),
    ),
    "store restore": (
        ("rigging-removals store restore kept/march.duckdb --store removals.duckdb", "what was there is kept beside it"),
    ),
    "store migrate": (("rigging-removals store migrate --store removals.duckdb", "after an update of this tool"),),
    "config": (
        ("rigging-removals config", "what holds here"),
        ("rigging-removals config --write rigging-removals.toml", "a file to fill in"),
        ("rigging-removals --config yard/rigging-removals.toml config", "what a file elsewhere says"),
    ),
    "completion": (
        ("rigging-removals completion bash >> ~/.bashrc", "then open a new terminal"),
        ("rigging-removals completion fish > ~/.config/fish/completions/rigging-removals.fish", "for fish"),
        ("rigging-removals completion zsh >> ~/.zshrc", "below the line that runs compinit"),
    ),
}  # fmt: skip


def examples(command: str) -> str:
    """Return the examples of a command as the lines that close its `--help`; '' names the tool as a whole."""
    lines = [line for typed, does in EXAMPLES[command] for line in (f"  {typed}", f"      {does}")]
    # The mark keeps the help's own line breaks from running the lines together.
    return "\n".join(["\b", "Examples:", *lines])
