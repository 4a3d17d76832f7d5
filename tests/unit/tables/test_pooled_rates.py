import pytest

from pipelines.tables import compute_tables, read_table
from pipelines.tables.pooled_rates import hazard_looks


def six_sites(thin_removed=0):
    """Six sites with a yearly look of 200 shackles, 10 or 12 removed; one of them twice looked at with 3 shackles."""
    lines = []
    for number in range(5):
        place = {"site": f"Yard {number}"}
        lines += [("periodic", f"20{year}-01-01", 200, 10 + number % 3, place) for year in range(20, 25)]
    thin = {"site": "Thin Yard"}
    return [*lines, ("periodic", "2023-01-01", 3, 0, thin), ("periodic", "2024-01-01", 3, thin_removed, thin)]


def tables(con):
    compute_tables(con)
    return (read_table(con, name) for name in ("pooled_rates", "hazard_model", "interval_recommendations"))


def test_a_thin_place_borrows_from_its_like(store_of):
    rates, _, advice = tables(store_of(*six_sites()))
    thin = rates.set_index("site").loc["Thin Yard"]
    assert thin["is_pooled"]
    assert thin["rate_basis"] == "pooled, 6 places of 6 sites"
    # Its like run at about 5.7 per 100 a year; on its own, 3 shackle-years without a removal allow up to 100.
    assert 4 < thin["pooled_rate"] < 7
    assert thin["highest_rate"] < 20
    of_thin = advice.set_index("site").loc["Thin Yard"]
    assert of_thin["rate_upper"] == pytest.approx(99.8, abs=0.5)
    assert of_thin["highest_rate"] == thin["highest_rate"]
    assert of_thin["outcome"] == "shorten"


def test_with_fewer_than_five_sites_each_place_stands_on_its_own_looks(store_of):
    rates, model, _ = tables(store_of(*six_sites()[:20]))
    assert not rates["is_pooled"].any()
    assert set(rates["rate_basis"]) == {"from its own looks only"}
    assert "fewer than 5 sites, not pooled: each place stands on its own looks" in set(model["remark"])


def test_nothing_removed_leaves_an_exact_upper_limit(store_of):
    rates, _, advice = tables(
        store_of(("periodic", "2023-01-01", 100, 0), ("periodic", "2024-01-01", 100, 0))
    )
    # 2.996 over the exposure: the rule of three, Hanley & Lippman-Hand (1983), JAMA 249, 1743-1745 (from memory).
    assert rates["highest_rate"].tolist() == pytest.approx([100 * 2.9957 / (100 * 365 / 365.25)], rel=1e-4)
    assert advice["highest_rate"].tolist() == rates["highest_rate"].tolist()


def test_a_load_bearing_removal_of_an_item_that_moved_counts_where_its_gap_was_closed(store_of):
    tag = {"serial": "N-17"}
    con = store_of(
        ("periodic", "2024-02-10", 1, 0, tag),
        ("frequent", "2024-05-01", 1, 1, tag | {"reasons": [("wear over limit", 1, 1)]}),
        ("periodic", "2025-02-10", 1, 0, tag | {"site": "Sea Wall"}),
    )
    compute_tables(con)
    (look,) = hazard_looks(con).to_dict("records")
    assert look["site"] == "Sea Wall"
    assert (look["inspected"], look["removed"], look["load_bearing_removed"]) == (2, 1, 1)


def test_load_bearing_removals_are_a_part_of_all(store_of):
    bent = {"reasons": [("deformed", 2, 2), ("identification missing", 8, 8)], "replaced": 10}
    rates, _, advice = tables(
        store_of(("periodic", "2023-01-01", 500, 0), ("periodic", "2024-01-01", 500, 10, bent))
    )
    assert advice["load_bearing_at_risk"].tolist() == [2]
    assert (rates["highest_load_bearing_rate"] < rates["highest_rate"]).all()


def test_what_the_model_says_names_its_references_and_its_fit(store_of):
    _, model, _ = tables(store_of(*six_sites()))
    levels = ["all", "environment", "service class", "use frequency", "size band", "pin"]
    assert (model["level"].notna() == model["covariate"].isin(levels)).all()
    facts = model.set_index("covariate")
    assert {"spread of places", "spread of looks", "ageing of items"} <= set(facts.index)
    assert facts.loc["ageing of items", "remark"].startswith("no tagged item with its receipt on record")


def test_ageing_is_asked_of_tagged_items_whose_receipt_is_on_record(store_of):
    # Of 40 items 3 go in their second year and 15 in their third, none in the first: no steady rate does that.
    lines = []
    for number in range(40):
        tag = {"serial": f"T{number}"}
        lines += [("initial", "2020-01-01", 1, 0, tag), ("periodic", "2021-01-01", 1, 0, tag)]
        lines.append(("periodic", "2022-01-01", 1, int(number < 3), tag))
        if number >= 3:
            lines.append(("periodic", "2023-01-01", 1, int(number < 18), tag))
    lines.append(("periodic", "2022-06-01", 1, 1, {"serial": "no receipt"}))
    # In service before its receipt is on record: nobody knows its age.
    older = {"serial": "older"}
    lines += [("periodic", "2019-06-01", 1, 0, older), ("initial", "2020-01-01", 1, 0, older)]
    lines.append(("periodic", "2021-01-01", 1, 0, older))
    _, model, _ = tables(store_of(*lines))
    ageing = model.set_index("covariate").loc["ageing of items"]
    assert ageing["estimate"] > 2
    assert (
        "40 tagged items with their receipt on record, 18 removed: the data support ageing"
        in ageing["remark"]
    )
    # With no law assumed: nobody was seen to go in the first year.
    assert model.set_index("covariate").loc["still fit after a year", "estimate"] == 1
