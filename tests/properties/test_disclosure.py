"""Whatever the places of others are, nothing that may not be shown can be found by taking figures away from a total."""

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark.disclosure import (
    ALL_TOGETHER,
    has_enough_peers,
    pooled_peers,
    thin_classes,
)

RULES = benchmark_rules()
PLACE = st.tuples(
    st.sampled_from("ABCDE"),
    st.sampled_from(["North", "South", "East"]),
    st.sampled_from(["indoor dry", "marine spray", "furnace heat", "cold store"]),
    st.integers(0, 60),
    st.floats(1, 500),
)


@given(st.lists(PLACE, max_size=40, unique_by=lambda place: place[:3]))
def test_every_figure_and_every_difference_rests_on_enough_others(rows):
    columns = ["client", "site", "environment", "removed_at_risk", "shackle_years"]
    places = pd.DataFrame(rows, columns=columns)
    pooled = pooled_peers(places, RULES).set_index("environment")
    shown = [name for name in pooled.index[pooled["peer_rate"].notna()] if name != ALL_TOGETHER]
    for name in shown:
        assert has_enough_peers(places[places["environment"] == name], RULES)
    if ALL_TOGETHER in pooled.index and pd.notna(pooled.loc[ALL_TOGETHER, "peer_rate"]):
        rest = places[~places["environment"].isin(shown)]
        assert rest.empty or has_enough_peers(rest, RULES)
        assert has_enough_peers(places, RULES)


@given(st.lists(PLACE, max_size=40, unique_by=lambda place: place[:3]))
def test_a_class_is_told_by_others_where_there_are_none_or_enough_of_them(rows):
    columns = ["client", "site", "item_class", "removed", "shackle_years"]
    history = pd.DataFrame(rows, columns=columns)
    owners = pd.DataFrame(
        {"client": "A", "item_class": ["indoor dry", "marine spray", "furnace heat", "cold store"]}
    )
    thin = thin_classes(owners, history, RULES)
    for name in owners["item_class"]:
        others = history[(history["client"] != "A") & (history["item_class"] == name)]
        assert (("A", name) not in thin) == (others.empty or has_enough_peers(others, RULES))
