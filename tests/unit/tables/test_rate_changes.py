import pytest

from pipelines.tables import compute_tables, read_table

MONTHS = [f"{year}-{month:02}-01" for year in (2022, 2023, 2024) for month in range(1, 13)]


def changes(con):
    compute_tables(con)
    return read_table(con, "rate_changes")


def monthly(removed, **place):
    return [
        ("periodic", day, 1200, removed(k), place | {"replaced": removed(k)}) for k, day in enumerate(MONTHS)
    ]


def test_a_rate_that_doubles_every_year_is_found_at_its_place_its_site_and_its_client(store_of):
    frame = changes(store_of(*monthly(lambda k: round(20 * 2 ** (k / 12)))))
    assert sorted(frame[["site", "environment"]].notna().sum(axis=1)) == [0, 1, 2]
    assert frame["change_per_year"].tolist() == pytest.approx([2.0] * 3, rel=0.03)
    assert (frame["change_p_value_adjusted"] < 1e-6).all()
    assert frame["change_note"].isna().all()


def test_a_steady_rate_does_not_change(store_of):
    frame = changes(store_of(*monthly(lambda k: 20 + k % 2)))
    assert frame["change_per_year_lower"].between(0.5, 1).all()
    assert frame["change_per_year_upper"].between(1, 2).all()
    assert (frame["change_p_value"] > 0.05).all()


def test_few_months_say_why_there_is_no_rate_of_change(store_of):
    frame = changes(store_of(*monthly(lambda k: 20)[:5]))
    assert set(frame["change_note"]) == {"under 8 points in time, no rate of change"}
    assert frame["change_per_year"].isna().all()
