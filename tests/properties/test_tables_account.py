"""The result tables of any log account for every item of it, keep their contracts and do not depend on row order."""

from datetime import date, timedelta

import duckdb
import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contracts import load_contract
from pipelines.intake.rereading import quarantined_lines
from pipelines.store import create_tables
from pipelines.tables import TABLES, compute_tables, read_table
from pipelines.tables.trace import BEHIND, trace_lines
from tests.lines import append_lines

PLACE = ["client", "site", "environment"]
CRITERIA = ["wear over limit", "thread damage", "not stated"]


@st.composite
def lines(draw):
    serial = draw(st.sampled_from([None, None, None, "N-17", "N-18"]))
    quantity = draw(st.integers(0, 60 if serial is None else 1))
    removed = draw(st.integers(0, quantity))
    under_first = draw(st.integers(0, removed))
    return {
        "client": "Brackle Docks",
        "site": draw(st.sampled_from(["North Shed", "Sea Wall"])),
        "environment": draw(st.sampled_from(["indoor dry", "marine spray"])),
        "item_class": "bow 16 mm",
        "source": draw(st.sampled_from(["brackle-log", "other-log"])),
        "serial": serial,
        "inspected_on": date(2020, 1, 15) + timedelta(days=31 * draw(st.integers(0, 40))),
        "inspection_type": draw(st.sampled_from(["periodic", "periodic", "frequent", "initial"])),
        "quantity": quantity,
        "removed": removed,
        "replaced": draw(st.sampled_from([None, removed])),
        "inspector": draw(st.sampled_from(["K3", "K8", None])),
        "primary": (under_first, removed - under_first),
        "criteria": draw(st.permutations(CRITERIA))[:2],
    }


logs = st.lists(lines(), min_size=1, max_size=40)


def computed(log: list[dict]) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    create_tables(con)
    con.execute("insert into loads (load_id) values (1)")
    frame = pd.DataFrame(log).assign(file_sha256="f", row=range(len(log)))
    frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
    append_lines(con, frame.drop(columns=["primary", "criteria"]))
    reasons = frame[["file_sha256", "row", "criteria", "primary"]].explode(["criteria", "primary"])
    reasons = reasons.set_axis(["file_sha256", "row", "criterion", "primary_removed"], axis="columns")
    reasons = reasons.assign(mentions=reasons["primary_removed"])[reasons["primary_removed"] > 0]
    con.append("removal_reasons", reasons.astype({"primary_removed": int, "mentions": int}), by_name=True)
    places = frame[PLACE].drop_duplicates().assign(service_class="normal", current_interval_months=6)
    places["visit_days"] = places["site"].map({"Sea Wall": 40}).astype("Int64")  # two days in a row there
    con.append("site_register", places, by_name=True)
    compute_tables(con)
    return con


@settings(max_examples=15, deadline=None)
@given(logs)
def test_every_item_of_the_log_is_accounted_for(log):
    con = computed(log)
    rates = read_table(con, "removal_rates").groupby(PLACE).sum(numeric_only=True)
    frame = pd.DataFrame(log)
    for inspection_type, prefix in (("periodic", ""), ("frequent", "frequent_"), ("initial", "initial_")):
        of_type = frame[["quantity", "removed"]].where(frame["inspection_type"] == inspection_type, 0)
        of_type = of_type.groupby([frame[column] for column in PLACE]).sum()
        assert rates[f"{prefix}inspected"].to_dict() == of_type["quantity"].to_dict()
        assert rates[f"{prefix}removed"].to_dict() == of_type["removed"].to_dict()

    missing = con.execute("select sum(unaccounted_for), sum(shackle_years_unaccounted_for) from exposures")
    found = rates[["unaccounted_for", "shackle_years_unaccounted_for"]].sum()
    np.testing.assert_allclose(found, [value or 0 for value in missing.fetchall()[0]])

    receipts = read_table(con, "receiving_rejects")[["received", "rejected"]].sum()
    assert receipts.tolist() == rates[["initial_inspected", "initial_removed"]].sum().tolist()

    trend = read_table(con, "removal_trend")
    for rows in (trend["site"].isna(), trend["site"].notna()):
        summed = trend.loc[rows, ["inspected", "removed", "removed_at_risk", "shackle_years"]].sum()
        np.testing.assert_allclose(summed, rates[list(summed.index)].sum())


@settings(max_examples=15, deadline=None)
@given(logs)
def test_criteria_add_up_to_removals_and_to_the_rate(log):
    con = computed(log)
    places = read_table(con, "interval_recommendations").set_index(PLACE)
    in_service = (
        read_table(con, "removal_rates").groupby(PLACE)[["removed", "frequent_removed"]].sum().sum(axis=1)
    )
    sums = (
        read_table(con, "reason_breakdown")
        .groupby(PLACE)[["removed", "removed_at_risk", "per_100_shackle_years"]]
        .sum(min_count=1)
    )
    for place, row in places.iterrows():
        if place not in sums.index:
            assert in_service[place] == 0
            continue
        assert sums.loc[place, "removed"] == in_service[place]
        assert sums.loc[place, "removed_at_risk"] == row["removed_at_risk"]
        np.testing.assert_allclose(
            sums.loc[place, "per_100_shackle_years"], row["rate_per_100_shackle_years"]
        )


@settings(max_examples=15, deadline=None)
@given(logs)
def test_every_table_keeps_the_rules_of_its_contract(log):
    con = computed(log)
    for name in TABLES:
        frame = read_table(con, name)
        for rule in load_contract(name).rules:
            kwargs = rule.implementation["kwargs"]
            if "unexpected_rows_query" in kwargs:
                assert con.execute(kwargs["unexpected_rows_query"].format(batch=name)).fetchall() == [], (
                    rule.name
                )
            else:
                assert not (frame[kwargs["column"]] < kwargs["min_value"]).any(), rule.name
        order = ("origin_on", *PLACE, "supplier", "month", "criterion", "item_class", "inspector")
        key = [column for column in order if column in frame]
        assert frame[key].equals(frame.sort_values(key, na_position="first")[key]), name


@settings(max_examples=8, deadline=None)
@given(logs, st.randoms(use_true_random=False))
def test_the_order_of_lines_does_not_matter(log, random):
    in_order = computed(log)
    random.shuffle(log)
    shuffled = computed(log)
    for name in TABLES:
        pd.testing.assert_frame_equal(read_table(shuffled, name), read_table(in_order, name), rtol=1e-12)


@settings(max_examples=15, deadline=None)
@given(logs)
def test_criteria_of_the_environments_add_up_to_those_of_the_places(log):
    con = computed(log)
    key, sums = ["environment", "criterion"], ["removed", "removed_at_risk"]
    by_environment = read_table(con, "reasons_by_environment").set_index(key)
    by_place = read_table(con, "reason_breakdown").groupby(key)[sums].sum()
    pd.testing.assert_frame_equal(by_environment[sums], by_place)
    assert (by_environment["removed_compared"] <= by_environment["removed_at_risk"]).all()


@settings(max_examples=15, deadline=None)
@given(logs)
def test_what_the_inspectors_did_adds_up_to_the_looks_that_close_a_gap(log):
    con = computed(log)
    persons = read_table(con, "inspector_strictness")
    looks = con.execute(
        "select coalesce(sum(inspected), 0), coalesce(sum(shackle_years), 0) from exposures"
        " where not is_first_look and inspected > 0"
    ).fetchall()[0]
    np.testing.assert_allclose(persons[["inspected", "shackle_years"]].sum(), looks)


def figures_of(name: str, lines: pd.DataFrame) -> dict[str, float]:
    """What the current lines behind a row of a table add up to, under the names of its figures."""
    counts = lines[lines["counts_in"].str.startswith("counts")]
    by_type = {
        kind: counts.loc[counts["inspection_type"] == kind, ["quantity", "removed"]].sum()
        for kind in ("periodic", "frequent", "initial")
    }
    looks = {"inspected": by_type["periodic"]["quantity"], "removed": by_type["periodic"]["removed"]}
    goods = {"received": by_type["initial"]["quantity"], "rejected": by_type["initial"]["removed"]}
    reasons = {"removed": counts["removed_on_criterion"].sum(), "mentions": counts["mentions"].sum()}
    at_risk = lines["removed_at_risk"].sum()
    in_rate = {"removed_at_risk": at_risk}
    match name:
        case "removal_rates":
            others = {
                f"{kind}_{figure}": by_type[kind][column]
                for kind in ("frequent", "initial")
                for figure, column in (("inspected", "quantity"), ("removed", "removed"))
            }
            return looks | others | in_rate
        case "removal_trend" | "interval_recommendations":
            return looks | in_rate
        case "reason_breakdown":
            return reasons | in_rate
        case "reasons_by_environment":
            return {"removed": reasons["removed"]} | in_rate
        case "rate_changes":
            return in_rate
        case "rate_backtest":
            return {"removed": at_risk}
        case "receiving_rejects" | "supplier_rejects":
            return goods
        case "site_practice":
            in_service = by_type["periodic"]["removed"] + by_type["frequent"]["removed"]
            return goods | {"removals": in_service}
        case "inspector_strictness":
            return {"inspected": lines["quantity"].sum()}
        case "site_benchmark":
            return {"observed": at_risk}
    return {}


@settings(max_examples=3, deadline=None)
@given(logs)
def test_the_current_lines_behind_a_row_add_up_to_its_figures(log):
    con = computed(log)
    as_of = con.execute("select as_of from table_state").fetchall()[0][0]
    nothing, _ = quarantined_lines(con, [])
    for name, behind in BEHIND.items():
        rows = read_table(con, name)
        for row in rows.to_dict("records"):
            where = {key: as_typed(row[key]) for key in behind.keys}
            lines = trace_lines(con, name, where, nothing, as_of)
            assert set(lines["standing"]) <= {"current"}
            figures = figures_of(name, lines)
            if name == "site_benchmark" and row["is_left_out"]:
                continue
            assert {figure: row[figure] for figure in figures} == figures, (name, where)


def as_typed(value: object) -> str:
    if pd.isna(value):
        return ""
    return f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else str(value)
