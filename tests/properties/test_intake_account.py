"""Whatever the rows of a file hold, each one is accepted or quarantined, once, and its items are counted once."""

import tempfile
from pathlib import Path

import duckdb
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake import check_files, load_files
from pipelines.store import make_store

CELLS = {
    "Place": ["North Shed", "Nowhere", ""],
    "Where used": ["indoor dry", "moon"],
    "Body": ["bow", "CHAIN", "hook"],
    "Pin": ["screw pin"],
    "Size": ["16 mm", '"5/8"""', "??"],
    "Load": ["2.95", ""],
    "Grade": ["carbon"],
    "Tag": [""],
    "Day": ["2026-03-02", "2026-02-30", "2999-01-01"],
    "Look": ["yearly", "goods in", "shift", "stroll"],
    "Seen": ["25", "0", "-1", "12 ea", ""],
    "Removed": ["0", "3", "26", ""],
    "Why": ["", "no tag x2; odd pin", "chewed", "no tag; odd pin; no tag x9"],
}
# Half of the rows are plainly good, so that accepted lines are tried as well as quarantined ones.
GOOD = st.tuples(*(st.just(choices[0]) for choices in CELLS.values()))
ANY = st.tuples(*(st.sampled_from(choices) for choices in CELLS.values()))
BROKEN = st.sampled_from([("a", "b"), tuple("x" * 20), ('"',)])
ROWS = st.lists(GOOD | ANY | ANY | BROKEN, min_size=1, max_size=8)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS)
def test_every_row_is_accepted_or_quarantined(rows, register, profile_path):
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        log.write_text(
            "\n".join([",".join(CELLS), *(",".join(row) for row in rows)]) + "\n", encoding="utf-8"
        )
        ((account, quarantined),) = check_files([log], None, [register], profile_path)
    assert account.rows_read == account.rows_accepted + account.rows_quarantined
    assert account.rows_quarantined == len(quarantined) == sum(account.quarantined_by_rule.values())
    # A stray quote joins the lines after it to one record; without one, every line is a record.
    if ('"',) not in rows:
        assert account.rows_read == len(rows)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(GOOD, min_size=1, max_size=4), reasons=st.lists(st.sampled_from(CELLS["Why"]), min_size=4, max_size=4),
       removed=st.lists(st.integers(0, 25), min_size=4, max_size=4))  # fmt: skip
def test_criteria_add_up_to_removals(rows, reasons, removed, register, profile_path):
    with tempfile.TemporaryDirectory() as folder:
        log, store = Path(folder) / "log.csv", Path(folder) / "store.duckdb"
        lines = [
            ",".join([*row[:-2], str(count), why])
            for row, why, count in zip(rows, reasons, removed, strict=False)
        ]
        log.write_text("\n".join([",".join(CELLS), *lines]) + "\n", encoding="utf-8")
        make_store(store)
        list(load_files([log], store, [register], profile_path))
        with duckdb.connect(str(store), read_only=True) as con:
            found = con.execute(
                "select line.row, line.removed, coalesce(sum(primary_removed), 0), bool_and(coalesce(mentions, 0) >= coalesce(primary_removed, 0))"
                " from current_lines as line left join current_reasons using (file_sha256, row) group by line.row, line.removed"
            ).fetchall()
    assert len(found) == len(lines)
    assert all(removed == given_out and holds for _, removed, given_out, holds in found)
