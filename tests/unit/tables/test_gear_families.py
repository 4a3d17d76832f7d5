"""Families of gear are never pooled: the tables of one are those of a store without the others."""

import pandas as pd
import pytest

from pipelines.tables import TABLES, compute_tables, count_gear, read_table

LINK = {"gear_family": "links and rings", "item_class": "oblong link, 19 mm", "body": "oblong link"}
SHACKLES = [
    ("periodic", "2024-02-10", 40, 2),
    ("periodic", "2025-02-10", 40, 3, {"reasons": [("thread damage", 3, 3)]}),
    ("initial", "2025-02-12", 5, 1, {"supplier": "S-1"}),
    ("periodic", "2025-04-10", 41, 1),
]
LINKS = [
    ("periodic", "2024-03-10", 100, 0, LINK),
    ("periodic", "2025-03-10", 100, 9, LINK | {"reasons": [("not moving freely", 9, 9)]}),
    ("periodic", "2025-05-10", 91, 30, LINK),
]


def tables(con, period="2025-05"):
    compute_tables(con, period)
    return {name: read_table(con, name) for name in TABLES}


@pytest.mark.parametrize(
    ("family", "own", "others"), [("shackle", SHACKLES, LINKS), ("links and rings", LINKS, SHACKLES)]
)
def test_tables_of_a_family_do_not_move_with_lines_of_another(store_of, family, own, others):
    # The lines of its own come first, so that they have the same rows in both stores.
    alone, together = store_of(*own), store_of(*own, *others)
    for con in (alone, together):
        count_gear(con, family)
    expected, found = tables(alone), tables(together)
    assert len(expected["removal_rates"]) > 1
    for name in TABLES:
        pd.testing.assert_frame_equal(found[name], expected[name])
    assert together.execute("select gear_family from table_state").fetchall() == [(family,)]


def test_tiers_are_those_of_the_family_s_own_list(store_of):
    con = store_of(
        *LINKS,
        ("periodic", "2025-05-10", 9, 1, LINK | {"site": "Sea Wall", "reasons": [("wear over limit", 1, 1)]}),
    )
    count_gear(con, "links and rings")
    found = tables(con)["reason_breakdown"].set_index("criterion")["tier"].to_dict()
    assert found == {
        "not moving freely": "moving parts", "wear over limit": "load-bearing", "not stated": "not stated",
    }  # fmt: skip


def test_without_a_family_asked_for_the_tables_are_those_of_shackles(store_of):
    con = store_of(*LINKS)
    compute_tables(con)
    assert all(read_table(con, name).empty for name in TABLES)
