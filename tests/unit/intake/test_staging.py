import duckdb
from hypothesis import given
from hypothesis import strategies as st

from pipelines.intake.staging import trimmed

# A space, one that does not break, an em space, an ideographic one, a tab, and letters of one, two and four bytes.
LETTERS = st.text(" \u00a0\u2003\u3000\taé😀", max_size=6)


@given(st.lists(st.none() | LETTERS | st.text(" a", max_size=4) | st.text(max_size=3), max_size=8))
def test_a_cell_is_trimmed_as_trim_does_it(cells: list[str | None]) -> None:
    with duckdb.connect() as con:
        found = con.execute(
            f"select {trimmed('cell')}, trim(cell) from unnest($cells::varchar[]) as given(cell)",
            {"cells": cells},
        ).fetchall()
    assert len(found) == len(cells)
    assert all(ours == usual for ours, usual in found)
