"""A log with hostile text wherever text may stand: inert in every page, workbook, text table and file name of its pack."""

import csv
import json
import re
import zipfile

import pytest
from bs4 import BeautifulSoup
from python_calamine import CalamineWorkbook

from pipelines.intake import account_lines, load_files
from pipelines.jobs import compute_for_store, table_of_store, what_is_wrong
from pipelines.packs import run_pack
from pipelines.packs.exports import write_table
from pipelines.store import make_store

SCRIPT = "<script>alert(1)</script>"
HOSTILE = [
    SCRIPT,
    "<img src=x onerror=alert(1)>",
    "</td></table><iframe src=//x.example>",
    '=HYPERLINK("http://x.example","y")',
    "+cmd|' /C calc'!A1",
    "@SUM(1+1)",
    "'; drop table loads; --",
    "../../etc/passwd",
    "[x](javascript:alert(1)) ![y](http://x.example/y.png)",
    "{{ 7*7 }} {% raw %} $sha {batch} %s",
    "Red \x1b[31m bell \x07",
    "Left \u202etfel",
    "\u0412rackle Docks",  # its first letter is Cyrillic
]
COLUMNS = ["Owner", "Place", "Who", "From", "Then", "Note", "Tag", "Why", "Day", "Seen", "Removed", "=1+1<b>"]
PROFILE = """source: hostile-log
describes: A log of the tests' own.
confirmed: true
file: {kind: csv, delimiter: ","}
fixed: {gear_family: shackle, environment: indoor dry, body: bow, pin: screw pin, nominal_size_mm: "16",
  rated_load_t: "2.95", grade: carbon, inspection_type: periodic}
columns: {client: Owner, site: Place, inspector: Who, supplier: From, disposition: Then, note: Note, serial: Tag,
  inspected_on: Day, quantity: Seen, removed: Removed}
reasons: {column: Why, separator: "|"}
"""
REPORTS = ["monthly", "interval_recommendations", "procurement", "benchmark", "intake_account"]
LIVE = ["script", "iframe", "object", "embed", "form", "base", "img", "audio", "video"]


def rows():
    for number, text in enumerate(HOSTILE):
        others = [HOSTILE[(number + step) % len(HOSTILE)] for step in range(1, 6)]
        for day in ("2025-03-01", "2025-09-01", "2026-03-01"):
            yield [others[0], text, *others[1:], "", text, day, 25, 2, text]
    yield [SCRIPT, SCRIPT, *HOSTILE[:4], "", SCRIPT, "2026-03-02", SCRIPT, 0, SCRIPT]


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """The store, the account of the log and the pack."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    log = folder / "=1+1 <b>'; drop table loads;--.csv"
    with log.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows()])
    store = folder / "store.duckdb"
    make_store(store)
    (account,) = load_files([log], store, [], folder / "profile.yaml", add_sites=True)
    compute_for_store(store)
    index = run_pack(REPORTS, store, "2026-03", "", "", folder / "reports")
    return store, account, index.parent


def test_it_is_text_like_any_other_in_the_store(hostile):
    store, account, _ = hostile
    assert (account.rows_read, account.rows_accepted) == (3 * len(HOSTILE) + 1, 3 * len(HOSTILE))
    assert what_is_wrong(store) == []
    assert set(table_of_store(store, "removal_rates", "", "")["site"]) == set(HOSTILE)


def test_it_is_dead_in_pages(hostile):
    pages = [
        BeautifulSoup(path.read_text(encoding="utf-8"), "html.parser") for path in hostile[2].glob("*.html")
    ]
    assert len(pages) == len(REPORTS) + 1
    for page in pages:
        assert page.find_all(LIVE) == []
        for tag in page.find_all(True):
            assert not [name for name in tag.attrs if name.startswith("on")]
            for name in ("href", "src", "xlink:href", "action"):
                assert not re.match(
                    r"\s*(javascript|https?|data:text|//)", str(tag.get(name, "")), re.IGNORECASE
                )
    together = "\n".join(page.get_text() for page in pages)
    assert SCRIPT in together
    assert "[x](javascript:alert(1))" in together


def test_it_is_dead_in_workbooks(hostile):
    path = hostile[2] / "tables.xlsx"
    with zipfile.ZipFile(path) as book:
        parts = {
            name: book.read(name).decode() for name in book.namelist() if name.endswith((".xml", ".rels"))
        }
    assert not [name for name, text in parts.items() if re.search(r"<f[ >]|<hyperlink|TargetMode", text)]
    sites = [
        row[1] for row in CalamineWorkbook.from_path(str(path)).get_sheet_by_name("Removal rates").to_python()
    ]
    assert '=HYPERLINK("http://x.example","y")' in sites


def test_it_is_dead_in_text_tables(hostile):
    for path in (hostile[2] / "tables").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for cell in (cell for row in csv.reader(stream) for cell in row):
                assert not cell.startswith(("=", "+", "@", "\t", "\r"))
                assert not cell.startswith("-") or float(cell) <= 0


def test_programs_get_it_as_it_is(hostile, capsys):
    write_table(table_of_store(hostile[0], "removal_rates", "", ""), "json", None)
    assert {row["site"] for row in json.loads(capsys.readouterr().out)} == set(HOSTILE)


def test_it_names_no_file(hostile):
    store, _, pack = hostile
    names = [path.name for path in pack.rglob("*")]
    assert [name for name in names if not re.fullmatch(r"[a-z_]+(\.[a-z]+)?", name)] == []
    assert len(list(store.parent.iterdir())) == 4


def test_it_commands_no_terminal(hostile):
    shown = "\n".join(account_lines(hostile[1]))
    assert "Red \\x1b[31m bell \\x07" in shown
    assert "Left \\u202etfel" in shown
    assert all(sign == "\n" or sign.isprintable() for sign in shown)
