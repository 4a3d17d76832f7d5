"""Any log gives the exposure that a ledger kept day by day gives, whatever the order of its lines."""

from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contracts import risk_targets
from pipelines.exposure import build_exposures
from pipelines.models.rates import rates_if_unaccounted
from pipelines.store import create_tables
from tests.lines import append_lines

PLACE = {"client": "Brackle Docks", "environment": "indoor dry"}
INTERVAL_MONTHS = {"North Shed": 12, "Sea Wall": 3}
YEAR = 365.25
COLUMNS = [
    "site", "item_class", "serial", "previous_on", "inspected_on", "inspected", "removed", "removed_between", "joined",
    "unaccounted_for", "shackle_years", "is_first_look", "shackle_years_unaccounted_for",
]  # fmt: skip
ANY_EXPOSURE = replace(risk_targets(), least_shackle_years_for_a_rate=0)


@st.composite
def lines(draw):
    serial = draw(st.sampled_from([None, None, "N-17", "N-18"]))
    quantity = draw(st.integers(0, 9 if serial is None else 1))
    return {
        "site": draw(st.sampled_from(list(INTERVAL_MONTHS))),
        "item_class": draw(st.sampled_from(["bow 16 mm", "chain 25 mm"])),
        "serial": serial,
        "inspected_on": date(2020, 1, 1) + timedelta(days=73 * draw(st.integers(0, 12))),
        "inspection_type": draw(st.sampled_from(["periodic", "periodic", "frequent", "initial"])),
        "quantity": quantity,
        "removed": draw(st.integers(0, quantity)),
        "replaced": draw(st.sampled_from([None, 0, 2])),
    }


logs = st.lists(lines(), min_size=1, max_size=30)


def exposures(log: list[dict]) -> list[tuple]:
    con = duckdb.connect()
    create_tables(con)
    frame = pd.DataFrame(log).assign(**PLACE)
    places = pd.DataFrame(INTERVAL_MONTHS.items(), columns=["site", "current_interval_months"])
    con.append("site_register", places.assign(**PLACE), by_name=True)
    frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
    append_lines(con, frame)
    build_exposures(con)
    columns = ", ".join(COLUMNS)
    return con.execute(
        f"select {columns} from exposures order by item_class, serial nulls first, inspected_on, site"
    ).fetchall()


def ledger(log: list[dict]) -> list[tuple]:
    by_group: dict[tuple, dict[date, list[dict]]] = defaultdict(lambda: defaultdict(list))
    for line in log:
        tied_to = None if line["serial"] else line["site"]
        by_group[tied_to, line["item_class"], line["serial"]][line["inspected_on"]].append(line)
    looks = []
    for (_, item_class, serial), days in by_group.items():
        for look in looks_of_group(serial, days):
            looks.append((site_of(days[look[1]]), item_class, serial, *look))
        if serial:
            others = looks_at_serialised(item_class, by_group)
            looks += [
                (site, item_class, serial, *look)
                for site, look in [*closed_by_others(days, others), *missed(days, others)]
            ]
    return sorted(looks, key=lambda look: (look[1], look[2] or "", look[4], look[0]))


def site_of(lines: list[dict]) -> str:
    """Where an item was on a day: where it was looked at, or else at the later site by name."""
    return max(
        (line["inspection_type"] == "periodic" and line["quantity"] > 0, line["site"]) for line in lines
    )[1]


def is_look(lines: list[dict]) -> bool:
    return total(lines, "periodic", "quantity") > 0


def looks_at_serialised(item_class: str, by_group: dict) -> list[tuple[date, str]]:
    return sorted(
        (day, site_of(lines))
        for (_, other_class, serial), days in by_group.items()
        if other_class == item_class and serial
        for day, lines in days.items()
        if is_look(lines)
    )


def due(day: date, site: str) -> date:
    return (pd.Timestamp(day) + pd.DateOffset(months=INTERVAL_MONTHS[site])).date()


def total(lines: list[dict], inspection_type: str, column: str) -> int:
    return sum(line[column] or 0 for line in lines if line["inspection_type"] == inspection_type)


def accepted(lines: list[dict]) -> int:
    return total(lines, "initial", "quantity") - total(lines, "initial", "removed")


def looks_of_group(serial: str | None, days: dict[date, list[dict]]) -> list[tuple]:
    looks, previous, standing = [], None, 0
    between: list[tuple[date, int]] = []
    receipts: list[date] = []
    for day in sorted(days):
        if previous is not None:
            between.append((day, total(days[day], "frequent", "removed")))
            receipts += [day] * accepted(days[day])
        inspected, removed = (total(days[day], "periodic", column) for column in ("quantity", "removed"))
        if inspected:
            if previous is None:
                looks.append((None, day, inspected, removed, 0, 0, 0, None, True, 0))
            else:
                looks.append(
                    closed_look(serial, previous, day, inspected, removed, standing, between, receipts)
                )
            previous, standing = day, standing_after(serial, days[day])
            between, receipts = [], []
        elif serial and previous is None and accepted(days[day]):
            previous, standing = day, 1
    return looks


def closed_look(serial, previous, day, inspected, removed, standing, between, receipts) -> tuple:
    gap = (day - previous).days
    gone = sum(items for _, items in between)
    expected = max(0, standing - gone)
    joined = max(0, inspected - expected)
    # One entry for each item seen: the days it was there.
    latest = sorted(receipts, reverse=True)[:joined]
    there = [(day - receipt).days for receipt in latest] + [gap / 2] * (joined - len(latest))
    there += [gap] * (inspected - joined)
    exposed = sum(there) * (1 - removed / inspected / 2) + sum(
        (when - previous).days * items for when, items in between
    )
    if serial:
        exposed = min(exposed, gap)
    missing = max(0, expected - inspected)
    return (
        previous,
        day,
        inspected,
        removed,
        gone,
        joined,
        missing,
        exposed / YEAR,
        False,
        missing * gap / YEAR,
    )


def clock_start(days: dict[date, list[dict]]) -> date | None:
    """The day of the last look at a serialised item, or of its first receipt where there is none."""
    looks = [day for day in days if is_look(days[day])]
    return max(looks, default=None) or min((day for day in days if accepted(days[day])), default=None)


def closed_by_others(days: dict, others: list[tuple[date, str]]) -> list[tuple]:
    """The gaps of a serialised item that was removed after its last look, closed by looks at others of its class."""
    previous = clock_start(days)
    closed = defaultdict(list)
    for day in sorted(days):
        site, removed = site_of(days[day]), total(days[day], "frequent", "removed")
        closing = next((other for other, where in others if other >= day and where == site), None)
        if removed and closing and previous and previous < day:
            closed[closing, site].append((day, removed))
    looks = []
    for (closing, site), removals in closed.items():
        exposed = min(
            sum((day - previous).days * items for day, items in removals), (closing - previous).days
        )
        gone = sum(items for _, items in removals)
        looks.append((site, (previous, closing, 0, 0, gone, 0, 0, exposed / YEAR, False, 0)))
    return looks


def missed(days: dict, others: list[tuple[date, str]]) -> list[tuple]:
    """The look that a serialised item missed, if it was due there and was not seen since."""
    previous = clock_start(days)
    if previous is None:
        return []
    is_in_service = not is_look(days[previous]) or standing_after("N", days[previous]) > 0
    if not is_in_service or any(total(days[day], "frequent", "removed") for day in days if day > previous):
        return []
    seen_on = max(day for day in days if any(line["quantity"] for line in days[day]))
    site = site_of(days[seen_on])
    looks = [day for day, where in others if where == site and day > seen_on and day >= due(previous, site)]
    return [
        (site, (previous, day, 0, 0, 0, 0, 1, 0, False, (day - previous).days / YEAR)) for day in looks[:1]
    ]


def standing_after(serial: str | None, lines: list[dict]) -> int:
    standing = (
        total(lines, "periodic", "quantity")
        - total(lines, "periodic", "removed")
        + total(lines, "periodic", "replaced")
    )
    return min(1, standing) if serial else standing


@settings(max_examples=60, deadline=None)
@given(logs, st.randoms(use_true_random=False))
def test_exposures_are_those_of_a_ledger_in_any_order(log, random):
    expected = ledger(log)
    random.shuffle(log)
    found = exposures(log)
    assert [look[:10] + look[11:] for look in found] == [look[:10] + look[11:] for look in expected]
    for look, known in zip(found, expected, strict=True):
        assert look[10] == (known[10] if known[10] is None else pytest.approx(known[10], abs=1e-9))


@settings(max_examples=20, deadline=None)
@given(logs)
def test_exposure_is_never_negative_and_only_first_looks_have_none(log):
    for look in exposures(log):
        assert (look[10] is None) == look[11]
        assert look[10] is None or look[10] >= 0


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 40), st.integers(0, 40), st.integers(0, 40), st.integers(1, 2000))
def test_bounds_are_the_rates_of_the_same_log_with_everybody_presented(standing, missing, removed, days):
    missing = min(missing, standing - 1)
    inspected = standing - missing
    removed = min(removed, inspected)
    first, look_on = date(2020, 1, 1), date(2020, 1, 1) + timedelta(days=days)

    def rate(inspected, removed):
        quantity_line = {
            "site": "North Shed",
            "item_class": "bow 16 mm",
            "serial": None,
            "inspection_type": "periodic",
            "replaced": 0,
        }
        log = [
            quantity_line | {"inspected_on": first, "quantity": standing, "removed": 0},
            quantity_line | {"inspected_on": look_on, "quantity": inspected, "removed": removed},
        ]
        cell = pd.DataFrame(exposures(log)[1:], columns=COLUMNS)
        cell["removed_at_risk"] = cell["removed"]
        return 100 * removed / cell["shackle_years"].iloc[0], rates_if_unaccounted(cell, ANY_EXPOSURE)

    as_logged, bounds = rate(inspected, removed)
    if_fit, _ = rate(standing, removed)
    if_removed, _ = rate(standing, removed + missing)
    np.testing.assert_allclose(bounds["rate_if_unaccounted_fit"], if_fit, rtol=1e-12)
    np.testing.assert_allclose(bounds["rate_if_unaccounted_removed"], if_removed, rtol=1e-12)
    assert if_fit * (1 - 1e-12) <= as_logged <= if_removed * (1 + 1e-12)
