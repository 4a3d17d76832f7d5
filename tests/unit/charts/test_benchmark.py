import numpy as np
import pandas as pd
import pytest

from pipelines.charts import Figure, caterpillar_chart, funnel_chart, parts_chart
from pipelines.charts.benchmark import _sides
from pipelines.models.benchmark.funnel import funnel_limits
from pipelines.models.benchmark.parts import PARTS

PEER_COLUMNS = ["peer", "expected", "ratio", "shrunken_ratio", "shrunken_lower", "shrunken_upper"]


@pytest.fixture
def sites():
    return pd.DataFrame(
        {
            "client": "Brackle Docks",
            "site": ["Sea Wall", "North Shed", "Tiny"],
            "observed": [60, 20, 0],
            "expected": [30.0, 20.0, 0.5],
            "ratio": [2.0, 1.0, 0.0],
            "shrunken_ratio": [1.8, 1.0, None],
            "shrunken_lower": [1.4, 0.7, None],
            "shrunken_upper": [2.3, 1.4, None],
            "flag": ["far above", "within", None],
            "rank": [1, 2, None],
            "rank_lower": [1, 1, None],
            "rank_upper": [1, 2, None],
            "spread": ["additive", "additive", None],
            "spread_phi": 1.4,
            "spread_tau2": 0.02,
        }
    ).astype(dict.fromkeys(["rank", "rank_lower", "rank_upper"], "Int64"))


@pytest.fixture
def peers():
    rows = [("Peer 1", 70.7, 1.1, 1.1, 0.8, 1.4), ("Peer 2", 31.6, 2.4, 2.0, 1.5, 2.7)]
    return pd.DataFrame(rows, columns=PEER_COLUMNS)


def test_the_funnel_names_the_sites_and_says_how_they_stand(sites, peers):
    svg = Figure(funnel_chart(sites, peers), "", "").svg()
    for words in (
        "Sea Wall",
        "North Shed",
        "above the 99.8 % limit",
        "within the limits",
        "too little expected",
    ):
        assert f">{words}<" in svg
    assert "Peer" not in svg


def test_the_lines_of_the_funnel_are_the_limits_with_the_spread_of_the_sites(sites, peers):
    spec = funnel_chart(sites, peers).to_dict()
    line = pd.concat([pd.DataFrame(rows) for rows in spec["datasets"].values() if rows and "side" in rows[0]])
    one = line[line["side"] == "upper"].iloc[60]
    limits = [funnel_limits([one["expected"]], tail, 0.02)[1][0] for tail in (0.025, 0.001)]
    assert min(abs(one["ratio"] - limit) for limit in limits) < 1e-3


def test_names_of_neighbours_do_not_cover_one_another(sites, peers):
    crowd = pd.concat(
        [sites.head(2).assign(site=["First of two", "Second of two"], expected=30.0, ratio=1.0)]
    )
    spec = funnel_chart(crowd, peers.head(0)).to_dict()
    names = [layer for layer in spec["layer"][-1]["layer"] if spec["datasets"][layer["data"]["name"]]]
    assert sorted(layer["mark"]["align"] for layer in names) == ["left", "right"]


def test_in_a_crowd_the_sites_outside_their_limits_are_named_and_the_key_says_that_others_are_not(
    sites, peers
):
    crowd = pd.concat([sites.head(1)] * 30, ignore_index=True)
    crowd["site"] = [f"Yard {number:02}" for number in range(30)]
    crowd["flag"] = ["within"] * 29 + ["far above"]
    described = funnel_chart(crowd.assign(expected=30.0, ratio=1.0), peers.head(0)).to_dict()
    drawn = [
        row["site"]
        for layer in described["layer"][-1]["layer"]
        for row in described["datasets"][layer["data"]["name"]]
    ]
    assert "Yard 29" in drawn
    assert len(drawn) == len(set(drawn)) == 4  # one on each side of the marks
    assert described["title"][-1] == "Names that found no room are left out; the table below has them."
    assert len(funnel_chart(sites, peers).to_dict()["title"]) == len(described["title"]) - 1


def test_a_name_stands_neither_on_the_axis_nor_beyond_the_drawing():
    ends, lengthy = [10.0, 1000.0], "A Name of Some Length"
    for expected, ratio, away in ((11.0, 1.0, "left"), (900.0, 1.0, "right")):
        drawn = pd.DataFrame({"site": [lengthy], "expected": [expected], "ratio": [ratio], "standing": "-"})
        # A mark stands where the name would stand otherwise.
        beside = pd.DataFrame({"expected": [expected * (1.05 if away == "left" else 1.0)], "ratio": [ratio]})
        ((align, *_),) = _sides(drawn, beside, ends, 2.0)
        assert align != {"left": "right", "right": "left"}[away]


def test_the_caterpillar_stands_in_the_order_of_the_shrunken_ratios(sites, peers):
    chart = caterpillar_chart(sites, peers)
    order = chart.to_dict()["layer"][1]["encoding"]["y"]["scale"]["domain"]
    assert order == ["Peer 2", "Sea Wall", "Peer 1", "North Shed"]
    svg = Figure(chart, "", "").svg()
    assert ">rank 1<" in svg
    assert ">rank 1 to 2<" in svg


def test_parts_lead_from_the_raw_ratio_to_what_remains():
    multipliers = [3.0, 1.5, 2.0, 0.8, 1.0, 1.25]
    parts = pd.DataFrame({"part": PARTS, "position": range(1, 7), "multiplier": multipliers})
    parts["log_contribution"] = np.log(multipliers)
    spec = parts_chart(parts).to_dict()
    bars = next(rows for rows in spec["datasets"].values() if rows and "end" in rows[0])
    assert [(row["start"], row["end"]) for row in bars] == [
        (1.0, 3.0), (3.0, 2.0), (2.0, 1.0), (1.0, 1.25), (1.25, 1.25), (1.0, 1.25),
    ]  # fmt: skip


def test_only_what_is_drawn_goes_into_the_page(sites, peers):
    for chart in (funnel_chart(sites, peers), caterpillar_chart(sites, peers)):
        assert "Brackle Docks" not in chart.to_json()
        assert "observed" not in chart.to_json()
    assert "Peer 1" not in funnel_chart(sites, peers).to_json()


def test_one_site_that_cannot_be_ranked_still_gives_drawings(sites, peers):
    for chart in (
        funnel_chart(sites.tail(1), peers.head(0)),
        caterpillar_chart(sites.tail(1), peers.head(0)),
    ):
        assert "<svg" in Figure(chart, "", "").svg()
