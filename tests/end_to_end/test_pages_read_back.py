"""Every table on every page of the demo pack, read back from the HTML and held against the pack's own CSV files."""

import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from bs4 import BeautifulSoup, Tag

from pipelines.models.benchmark.parts import RAW
from pipelines.packs.choosing import OF_EACH_SITE, REPORTS
from pipelines.packs.headings import heading
from pipelines.wording import month_in_words

# Tables that add up or compare what no file of the pack holds row by row, and where their figures are tested instead.
MADE_FOR_THE_PAGE = {
    "Share of places whose true rate lies in the 90 % limits, and share advised too long an interval": "the coverage study",
    "What replacements cost by month, at the prices of today": "tests/unit/models/test_planning.py",
    "The plan as things stand, and as they might": "tests/unit/models/test_planning.py",
    "Earlier forecasts held against what came": "tests/unit/models/test_forecast_scores.py",
    "Clients, all their sites together": "tests/unit/models/test_benchmark.py",
    "Removals by criterion": "the test of sums below",
}


@dataclass(frozen=True)
class Shown:
    """A table of a page: its caption, its heads as (words, unit), and its rows as text, each beside its client."""

    caption: str
    heads: list[tuple[str, str]]
    rows: list[tuple[str, list[str]]]


def tables_of(page: Path) -> list[Shown]:
    soup = BeautifulSoup(page.read_text(encoding="utf-8"), "html.parser")
    return [shown(table) for table in soup.find_all("table")]


def shown(table: Tag) -> Shown:
    heads = []
    for head in table.thead.find_all("th"):
        unit = head.find(class_="unit")
        heads.append((head.find(string=True, recursive=False).strip(), unit.text if unit else ""))
    rows, client = [], ""
    for row in table.select("tbody tr"):
        cells = [cell.text for cell in row.find_all(["th", "td"])]
        if row.find(class_="group"):
            (client,) = cells
        else:
            rows.append((client, cells))
    return Shown(table.caption.text, heads, rows)


def columns_of(frame: pd.DataFrame, table: str, heads: list[tuple[str, str]]) -> list[str] | None:
    """The columns of a file that the heads of a table name; None where it lacks one."""
    named = {}
    for column in frame.columns:
        head = heading(column, table)
        named.setdefault(head.words, column)
    return [named[words] for words, _ in heads] if {words for words, _ in heads} <= set(named) else None


def agrees(text: str, stored: str, head: tuple[str, str]) -> bool:
    """Whether a cell says what the file has, to the digits that it shows."""
    words, unit = head
    if text in ("–", "") or stored == "":
        return text in ("–", "") and stored == ""
    if words == "Month":
        return text == month_in_words(stored)
    if stored in ("True", "False"):
        return text == ("yes" if stored == "True" else "no")
    if re.fullmatch(r"-?[\d,]+(\.\d+)?", text) and re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", stored):
        decimals = len(text.partition(".")[2])
        scale = 100 if unit.startswith("%") else 1
        return abs(float(text.replace(",", "")) - scale * float(stored)) <= 0.5 * 10**-decimals + 1e-9
    return text == stored


def rows_not_in(table: Shown, frame: pd.DataFrame, columns: list[str]) -> list[tuple[str, list[str]]]:
    clients = frame["client"].tolist() if "client" in frame else [""] * len(frame)
    stored = list(zip(clients, frame[columns].to_numpy().tolist(), strict=True))
    return [
        (client, cells)
        for client, cells in table.rows
        if not any(
            client in ("", owner) and all(map(agrees, cells, row, table.heads)) for owner, row in stored
        )
    ]


@pytest.fixture(scope="module")
def files(demo_pack):
    """The files of the pack as text, cell by cell, by the name of the table."""
    files = {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in sorted((demo_pack / "tables").glob("*.csv"))
    }
    # The page of the benchmark shows one part of each ratio beside the rest of its row.
    parts = files["site_benchmark_parts"]
    raw = parts[parts["part"] == RAW].set_index(["client", "site"])["multiplier"].rename("raw_ratio")
    return files | {"site_benchmark": files["site_benchmark"].join(raw, on=["client", "site"]).fillna("")}


@pytest.mark.parametrize("report", [name for name in REPORTS if name != OF_EACH_SITE])
def test_every_row_on_a_page_stands_in_a_file_of_the_pack_to_the_digits_shown(demo_pack, files, report):
    tables = tables_of(demo_pack / f"{report}.html")
    assert tables
    for table in tables:
        if table.caption in MADE_FOR_THE_PAGE:
            continue
        fitting = {
            name: columns
            for name, frame in files.items()
            if (columns := columns_of(frame, name, table.heads))
        }
        assert fitting, f'"{table.caption}": no file of the pack has all of {table.heads}'
        missing = {name: rows_not_in(table, files[name], columns) for name, columns in fitting.items()}
        assert [] in missing.values(), (table.caption, {name: rows[:3] for name, rows in missing.items()})


def test_removals_by_criterion_are_the_sums_over_the_places_of_a_client(demo_pack, files):
    (table,) = (
        table for table in tables_of(demo_pack / "monthly.html") if table.caption == "Removals by criterion"
    )
    reasons = files["reason_breakdown"].astype({"removed": int, "mentions": int})
    sums = reasons.groupby(["client", "criterion"])[["removed", "mentions"]].sum()
    removed = reasons.groupby("client")["removed"].sum()
    for client, (criterion, tier, *figures) in table.rows:
        of_client = reasons[(reasons["client"] == client) & (reasons["criterion"] == criterion)]
        assert set(of_client["tier"]) == {tier}
        share = 100 * sums.loc[(client, criterion), "removed"] / removed[client]
        assert figures[:3] == [*(f"{count:,}" for count in sums.loc[(client, criterion)]), f"{share:.1f}"]
        assert float(figures[3]) <= share <= float(figures[4])
    assert {(client, criterion) for client, (criterion, *_) in table.rows} == set(sums.index)


def test_a_figure_that_is_off_by_one_in_its_last_digit_is_found():
    table = Shown("", [("Site", ""), ("Share", "% of items")], [("Brackle Docks", ["Sea Wall", "4.6"])])
    frame = pd.DataFrame({"client": ["Brackle Docks"], "site": ["Sea Wall"], "share": ["0.0459"]})
    assert rows_not_in(table, frame, ["site", "share"]) == []
    assert rows_not_in(table, frame.assign(share="0.0469"), ["site", "share"]) == table.rows
    assert rows_not_in(table, frame.assign(share=""), ["site", "share"]) == table.rows
    assert rows_not_in(table, frame.assign(client="Ferrow Mills"), ["site", "share"]) == table.rows
