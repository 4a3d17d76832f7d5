"""The committed demo files: written again to the byte, and true to what demo_data/ states about them."""

import subprocess
import sys
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from pipelines.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
EXPORTS = DEMO / "exports"
GENERATED = [
    "expected_quarantine.csv",
    "exports/harrowmere_quantity_log.csv",
    "exports/harrowmere_toolstore_items.xlsx",
    "exports/ostrevane_reason_columns.csv",
    "exports/ostrevane_receiving_2024_2026.csv",
    "exports/skelvane_rounds.csv",
    "exports/torrowick_rounds.csv",
    "exports/wendrake_other_gear.csv",
    "exports/wendrake_rounds.csv",
    "site_register.csv",
    "stock_register.csv",
    "true_multipliers.csv",
    "true_rates.csv",
    "true_rates_other_gear.csv",
]
PLACE = ["client", "site", "environment"]
BAD_FROM, HISTORY_ENDS = date(2026, 5, 1), date(2026, 9, 30)

# How each text export is read.
READ = {
    "harrowmere_quantity_log.csv": {"encoding": "utf-8-sig"},
    "ostrevane_reason_columns.csv": {"sep": ";", "encoding": "cp1252"},
    "ostrevane_receiving_2024_2026.csv": {"sep": "\t"},
}
ROUNDS = ["skelvane_rounds.csv", "torrowick_rounds.csv", "wendrake_rounds.csv"]


def export(name: str) -> pd.DataFrame:
    """The file as text, its bad rows still in it."""
    if name.endswith(".xlsx"):
        return pd.read_excel(EXPORTS / name, header=2, engine="calamine", dtype="str").fillna("")
    return pd.read_csv(EXPORTS / name, dtype="str", keep_default_na=False, **READ.get(name, {}))


def good_rows(name: str) -> pd.DataFrame:
    bad = pd.read_csv(DEMO / "expected_quarantine.csv")
    rows = export(name)
    return rows.drop(index=bad.loc[bad["file"] == name, "row"] - 1)


def environments(rows: pd.Series, source: str) -> pd.Series:
    """The exporter's word for an environment in ours, by the source profile."""
    profile = yaml.safe_load(
        (shipped_folder("data_contracts") / "sources" / source).read_text(encoding="utf-8")
    )
    return rows.map(profile["words"]["environment"])


def periodic_and_frequent() -> pd.DataFrame:
    """Every line of the exports apart from receiving: place, day, kind, quantity, removed."""
    yards = good_rows("harrowmere_quantity_log.csv")
    tags = good_rows("harrowmere_toolstore_items.xlsx")
    plants = good_rows("ostrevane_reason_columns.csv")
    rounds = pd.concat([good_rows(name) for name in ROUNDS])
    parts = [
        pd.DataFrame(
            {
                "client": "Harrowmere Marine",
                "site": yards["Yard"],
                "environment": environments(yards["Area type"], "harrowmere_quantity_log.yaml"),
                "inspected_on": pd.to_datetime(yards["Visit date"]),
                "kind": yards["Kind of look"],
                "quantity": yards["Looked at"].astype(int),
                "removed": yards["Taken out"].replace("", "0").astype(int),
            }
        ),
        pd.DataFrame(
            {
                "client": "Harrowmere Marine",
                "site": tags["Store"],
                "environment": environments(tags["Used"], "harrowmere_toolstore_items.yaml"),
                "inspected_on": pd.to_datetime(tags["Checked on"]),
                "kind": tags["Check"],
                "quantity": 1,
                "removed": (tags["Result"].str.strip().str.lower() == "fail").astype(int),
            }
        ),
        pd.DataFrame(
            {
                "client": "Ostrevane Metals",
                "site": plants["Plant"],
                "environment": environments(plants["Zone"], "ostrevane_reason_columns.yaml"),
                "inspected_on": pd.to_datetime(plants["Date"], format="%d.%m.%Y"),
                "kind": plants["Class of check"],
                "quantity": plants["Pieces checked"].astype(int),
                "removed": plants["Scrapped"].astype(int),
            }
        ),
        pd.DataFrame(
            {
                "client": rounds["Owner"],
                "site": rounds["Site"],
                "environment": environments(rounds["Surroundings"], "shared_rounds.yaml"),
                "inspected_on": pd.to_datetime(rounds["Date"], format="%d %b %Y"),
                "kind": rounds["Occasion"],
                "quantity": rounds["Seen"].astype(int),
                "removed": rounds["Out"].astype(int),
            }
        ),
    ]
    lines = pd.concat(parts, ignore_index=True)
    return lines[~lines["kind"].isin(["receiving", "Goods in", "on arrival"])]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the script has just written the demo files."""
    folder = tmp_path_factory.mktemp("written")
    subprocess.run([sys.executable, DEMO / "generate.py", "--out", folder], check=True)
    return folder


@pytest.fixture(scope="module")
def scenario():
    """The scenario behind the files, with the ledger that no file shows."""
    sys.path.insert(0, str(DEMO))
    try:
        from scenario import Scenario
    finally:
        sys.path.remove(str(DEMO))
    return Scenario()


@pytest.fixture(scope="module")
def ledger(scenario) -> pd.DataFrame:
    """The ledger with the removals that the stated truth would lead to, given the time lived."""
    stated = pd.read_csv(DEMO / "true_multipliers.csv").set_index(["kind", "name"])["value"]
    looks = scenario.ledger.query("gear_family == 'shackle'")
    hazard = (
        looks["environment"].map(stated["environment baseline"])
        * looks["site"].map(stated["site"])
        * looks["size_band"].map(stated["size band"])
        * looks["pin"].map(stated["pin"])
        * looks["inspector"].map(stated["inspector strictness"])
        / 100
    )
    bad_spell = stated["bad spell"]["Quarrowby Yard"]
    return looks.assign(expected=hazard * (looks["calm_years"] + bad_spell * looks["bad_years"]))


def within_chance(observed: pd.Series, expected: pd.Series) -> bool:
    """Whether counts lie within four standard errors of a Poisson count; one in 16 000 does not by chance."""
    return bool((np.abs(observed - expected) <= 4 * np.sqrt(expected)).all())


def test_the_script_writes_every_generated_file_and_no_other(written: Path):
    files = sorted(path.relative_to(written).as_posix() for path in written.rglob("*") if path.is_file())
    assert files == GENERATED


@pytest.mark.parametrize("name", [name for name in GENERATED if name.endswith(".csv")])
def test_a_csv_file_is_written_again_byte_for_byte(written: Path, name: str):
    assert (written / name).read_bytes() == (DEMO / name).read_bytes()


def test_the_workbook_is_written_again_part_by_part(written: Path):
    # Its compressed bytes depend on the zlib of the Python that wrote it, its parts do not.
    name = "exports/harrowmere_toolstore_items.xlsx"
    with zipfile.ZipFile(written / name) as again, zipfile.ZipFile(DEMO / name) as committed:
        assert [(part.filename, part.date_time) for part in again.infolist()] == [
            (part.filename, part.date_time) for part in committed.infolist()
        ]
        assert all(again.read(part) == committed.read(part) for part in committed.namelist())


def test_removals_follow_the_stated_hazard_in_every_environment(ledger: pd.DataFrame):
    totals = ledger.groupby("environment")[["removed", "expected"]].sum()
    assert len(totals) == 7
    assert totals["removed"].min() > 500
    assert within_chance(totals["removed"], totals["expected"])


@pytest.mark.parametrize("by", [PLACE, ["inspector"], ["size_band"], ["pin"], ["is_first_look"]])
def test_removals_follow_the_stated_hazard_however_they_are_grouped(ledger: pd.DataFrame, by: list[str]):
    totals = ledger.groupby(by)[["removed", "expected"]].sum()
    assert within_chance(totals["removed"], totals["expected"])


def test_removals_of_other_gear_follow_the_stated_hazard(scenario):
    looks = scenario.ledger.query("gear_family != 'shackle' and not is_first_look")
    keys = [*PLACE, "gear_family"]
    totals = looks.groupby(keys)[["removed", "calm_years"]].sum()
    stated = pd.read_csv(DEMO / "true_rates_other_gear.csv").set_index(keys)["rate_per_100_item_years"]
    expected = stated / 100 * totals["calm_years"]
    assert len(expected) == 4
    assert (np.abs(totals["removed"] - expected) <= 4 * np.sqrt(expected) + 0.06 * expected).all()


def test_place_rates_agree_with_the_looks_that_have_an_earlier_one(ledger: pd.DataFrame):
    later = ledger[~ledger["is_first_look"]]
    totals = later.groupby(PLACE)[["removed", "calm_years", "bad_years"]].sum()
    stated = pd.read_csv(DEMO / "true_rates.csv")
    calm_rate = stated[stated["spell_multiplier"] == 1].set_index(PLACE)["rate_per_100_shackle_years"]
    expected = calm_rate / 100 * (totals["calm_years"] + 2.5 * totals["bad_years"])
    # Mix and strictness shift by some percent from the averages that the file states.
    tolerance = 4 * np.sqrt(expected) + 0.06 * expected
    assert len(expected) == 39
    assert (np.abs(totals["removed"] - expected) <= tolerance).all()


def test_place_rates_span_what_makes_recommendations_differ():
    rates = pd.read_csv(DEMO / "true_rates.csv").query("spell_multiplier == 1")["rate_per_100_shackle_years"]
    assert rates.min() < 2.5
    assert rates.max() > 30


def test_stated_rates_by_criterion_add_up():
    stated = pd.read_csv(DEMO / "true_rates.csv")
    by_criterion = stated.loc[:, "heat damage":"identification missing"]
    assert by_criterion.shape[1] == 13
    assert by_criterion.sum(axis=1).to_numpy() == pytest.approx(
        stated["rate_per_100_shackle_years"], abs=0.01
    )


def test_primary_criteria_follow_the_stated_shares(scenario):
    removals = pd.DataFrame(
        [
            (line.place.environment, line.item_class.pin == "bolt-type", reasons[0])
            for line in scenario.lines
            if line.kind != "initial" and line.item_class.family == "shackle"
            for reasons in line.reasons
            if reasons
        ],
        columns=["environment", "is_bolt_type", "criterion"],
    )
    stated = (
        pd.read_csv(DEMO / "true_rates.csv")
        .query("spell_multiplier == 1")
        .groupby("environment")
        .sum(numeric_only=True)
    )
    shares = stated.loc[:, "heat damage":"identification missing"].div(
        stated["rate_per_100_shackle_years"], axis=0
    )
    # Thread and cotter shares go with the pins of a place, so the two are compared as one.
    pair = ["thread damage", "cotter missing or damaged"]
    shares = shares.assign(thread_or_cotter=shares[pair].sum(axis=1)).drop(columns=pair)
    seen = removals["criterion"].replace(dict.fromkeys(pair, "thread_or_cotter"))
    for environment, rows in removals.groupby("environment"):
        expected = shares.loc[environment] * len(rows)
        observed = seen.loc[rows.index].value_counts().reindex(expected.index, fill_value=0)
        assert within_chance(observed, expected), environment


def test_first_looks_find_several_times_the_usual_share(ledger: pd.DataFrame):
    years = ledger.assign(years=ledger["calm_years"] + ledger["bad_years"])
    mean_years = years.groupby([*PLACE, "is_first_look"])["years"].mean().unstack()
    # A later look of a place covers a gap; the first one four of them, or 9 to 36 months.
    assert (mean_years[True] > 2 * mean_years[False]).all()


def test_the_exports_hold_every_removal_of_the_ledger(ledger: pd.DataFrame):
    in_files = periodic_and_frequent().groupby(PLACE)["removed"].sum()
    in_ledger = ledger.groupby(PLACE)["removed"].sum()
    pd.testing.assert_series_equal(in_files, in_ledger, check_dtype=False)


def test_the_bad_spell_shows_in_the_exports():
    lines = periodic_and_frequent()
    monthly = lines[(lines["site"] == "Quarrowby Yard") & (lines["environment"] == "caustic wash")]
    first_on = monthly["inspected_on"].min()
    settled = monthly[monthly["inspected_on"] > first_on + pd.DateOffset(months=2)]
    # Looks in June and later cover a month of the bad spell; looks up to April none of it.
    before = settled[settled["inspected_on"] < pd.Timestamp(BAD_FROM)]
    after = settled[settled["inspected_on"] >= pd.Timestamp(2026, 6, 5)]
    share_before = before["removed"].sum() / before["quantity"].sum()
    share_after = after["removed"].sum() / after["quantity"].sum()
    assert 2.0 < share_after / share_before < 3.0


def test_three_places_are_plainly_overdue():
    lines = periodic_and_frequent()
    periodic = lines[lines["kind"].isin(["thorough", "Quarterly", "interval", "round"])]
    last_on = periodic.groupby(PLACE)["inspected_on"].max()
    interval = pd.read_csv(DEMO / "site_register.csv").set_index(PLACE)["current_interval_months"]
    due_on = pd.Series(
        {place: day + pd.DateOffset(months=int(interval[place])) for place, day in last_on.items()}
    )
    overdue = due_on[due_on < pd.Timestamp(HISTORY_ENDS) - pd.DateOffset(months=1)]
    assert sorted(overdue.index) == [
        ("Harrowmere Marine", "Brackmere Slip", "cold store"),
        ("Harrowmere Marine", "Mosshaven Terminal", "outdoor inland"),
        ("Ostrevane Metals", "Steinmoor Mill", "furnace heat"),
    ]


def test_the_history_is_wide_and_long_enough():
    lines = periodic_and_frequent()
    assert lines["site"].nunique() == 20
    assert lines["environment"].nunique() == 7
    months = lines["inspected_on"].dt.to_period("M").unique()
    assert sorted(months.astype(str)) == [
        str(month) for month in pd.period_range("2023-10", "2026-09", freq="M")
    ]


def test_the_files_are_small():
    assert sum((DEMO / name).stat().st_size for name in GENERATED) < 4_000_000


def test_rows_stand_in_date_order():
    for name, column, form in [
        ("harrowmere_quantity_log.csv", "Visit date", "%Y-%m-%d"),
        ("harrowmere_toolstore_items.xlsx", "Checked on", None),
        ("ostrevane_reason_columns.csv", "Date", "%d.%m.%Y"),
        ("ostrevane_receiving_2024_2026.csv", "Received on", "%d/%m/%Y"),
        *((name, "Date", "%d %b %Y") for name in [*ROUNDS, "wendrake_other_gear.csv"]),
    ]:
        assert pd.to_datetime(good_rows(name)[column], format=form).is_monotonic_increasing, name


def test_expected_quarantine_points_at_the_bad_cells():
    for bad in pd.read_csv(DEMO / "expected_quarantine.csv", keep_default_na=False).itertuples():
        rows = export(bad.file)
        assert rows.loc[bad.row - 1, bad.column] == bad.cell
        # The next record is the same line, typed rightly.
        differing = rows.columns[rows.loc[bad.row - 1] != rows.loc[bad.row]]
        assert bad.column in differing
        assert len(differing) == 1, (bad.file, bad.row, list(differing))


def test_few_rows_of_any_file_are_bad():
    bad = pd.read_csv(DEMO / "expected_quarantine.csv")["file"].value_counts()
    assert sorted(bad.index) == sorted(path.name for path in EXPORTS.iterdir())
    assert all(count < 0.01 * len(export(name)) for name, count in bad.items())


def test_stock_rated_loads_are_those_of_the_reference_table():
    stock = pd.read_csv(DEMO / "stock_register.csv").query("gear_family == 'shackle'")
    table = pd.read_csv(shipped_folder("data_contracts") / "code_lists" / "rated_loads.csv")
    table = table[table["gear_family"] == "shackle"]
    both = stock.merge(table, on=["nominal_size_mm", "grade"], how="left")
    assert len(both) == len(stock)
    # 1 short ton = 2 000 lb of 0.45359237 kg (international pound, 1959); the register gives two decimals.
    assert both["rated_load_t"].to_numpy() == pytest.approx(
        both["rated_load_short_tons"] * 0.90718474, abs=0.005
    )
