"""The worked example of every exposure rule: tests/data/checks/exposure_worked.csv and .json, exact fractions.

Half-interval (actuarial) exposure: Cutler & Ederer (1958), Journal of Chronic Diseases 8, 699-712 (from memory).
"""

import json
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.exposure import build_exposures
from pipelines.store import create_tables
from tests.lines import append_lines

CHECKS = Path(__file__).parents[1] / "data" / "checks"


def exposures_of(lines: pd.DataFrame) -> pd.DataFrame:
    con = duckdb.connect()
    create_tables(con)
    append_lines(con, lines.assign(client="C", site="S", environment="indoor dry"))
    build_exposures(con)
    return con.execute("select * from exposures order by item_class, inspected_on").df()


@pytest.fixture(scope="module")
def exposures() -> pd.DataFrame:
    looks = pd.read_csv(CHECKS / "exposure_worked.csv", parse_dates=["inspected_on", "removed_between_on"])
    periodic = looks.assign(inspection_type="periodic", quantity=looks["inspected"])
    between = looks[looks["removed_between"] > 0].assign(inspection_type="frequent")
    between = between.assign(
        inspected_on=between["removed_between_on"],
        quantity=between["removed_between"],
        removed=between["removed_between"],
        replaced=0,
    )
    lines = pd.concat([periodic, between]).rename(columns={"group": "item_class"})
    columns = ["item_class", "inspected_on", "inspection_type", "quantity", "removed", "replaced"]
    return exposures_of(lines[columns])


@pytest.fixture(scope="module")
def case() -> dict:
    return json.loads((CHECKS / "exposure_worked.json").read_text(encoding="utf-8"))["expected"]


def test_every_look_has_the_worked_exposure(exposures, case):
    # A day with nothing presented is no look here; its items reappear in the look after it.
    expected = pd.DataFrame([look for look in case["looks"] if look["inspected"] > 0])
    counts = ["inspected", "removed", "removed_between", "joined", "unaccounted_for"]
    assert exposures[counts].to_numpy().tolist() == expected[counts].to_numpy().tolist()
    assert (
        exposures["previous_on"].dt.strftime("%Y-%m-%d").fillna("").tolist()
        == expected["previous_on"].tolist()
    )
    np.testing.assert_allclose(exposures["shackle_years"], expected["shackle_years"].astype(float), atol=1e-8)


def test_every_group_adds_up_to_the_worked_total(exposures, case):
    at_risk = exposures[~exposures["is_first_look"]]
    for group, total in case["totals"].items():
        looks = at_risk[at_risk["item_class"] == group]
        assert looks["removed"].sum() + looks["removed_between"].sum() == total["removed"]
        assert looks["shackle_years"].sum() == pytest.approx(total["shackle_years"], abs=1e-8)


def test_half_interval_rate_agrees_with_the_closed_form_and_with_maximum_likelihood():
    # tests/data/checks/actuarial_and_ml_rate.csv, closed forms in R 4.2.2; 1461 days are 48 months of 365.25/12 days.
    cells = pd.read_csv(CHECKS / "actuarial_and_ml_rate.csv")
    opened = pd.DataFrame(
        {"item_class": cells.index.astype(str), "quantity": cells["inspected"], "removed": 0}
    )
    closed = opened.assign(removed=cells["removed"])
    lines = pd.concat(
        [
            opened.assign(inspected_on=pd.Timestamp("2020-01-01")),
            closed.assign(inspected_on=pd.Timestamp("2024-01-01")),
        ]
    ).assign(inspection_type="periodic")
    exposures = exposures_of(lines).query("not is_first_look").set_index("item_class")["shackle_years"]
    shackle_years = exposures[cells.index.astype(str)].to_numpy() * cells["months"] / 48

    np.testing.assert_allclose(shackle_years, cells["shackle_years_actuarial"], rtol=1e-9)
    rate = cells["removed"] / shackle_years
    np.testing.assert_allclose(100 * rate, cells["rate_actuarial"], rtol=1e-9)
    # The two rates agree to (rate * gap)^2 / 12, a little more where much is found.
    difference = (cells["rate_ml"] / 100 - rate).abs()
    assert (difference <= 1.2 * rate * (rate * cells["months"] / 12) ** 2 / 12 + 1e-9).all()
