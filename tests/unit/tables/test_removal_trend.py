import pandas as pd
import pytest

from pipelines.tables import compute_tables, read_table
from pipelines.wording import yearly_finding


def test_every_month_of_a_client_and_of_each_site(store_of):
    con = store_of(
        ("periodic", "2023-11-05", 100, 5),
        ("periodic", "2024-02-05", 95, 1),
        ("periodic", "2024-01-05", 10, 0, {"site": "Sea Wall"}),
        ("periodic", "2024-02-05", 5, 2, {"environment": "marine spray"}),
    )
    compute_tables(con)
    trend = read_table(con, "removal_trend")
    of_client = trend[trend["site"].isna()].set_index("month")
    of_site = trend[trend["site"] == "North Shed"].set_index("month")

    assert of_client["inspected"].to_dict() == {"2023-11": 100, "2023-12": 0, "2024-01": 10, "2024-02": 100}
    assert of_site["inspected"].to_dict() == {"2023-11": 100, "2023-12": 0, "2024-01": 0, "2024-02": 100}
    assert of_site["removed"].tolist() == [5, 0, 0, 3]
    assert of_site["removed_at_risk"].tolist() == [0, 0, 0, 1]
    assert trend.loc[trend["site"] == "Sea Wall", "month"].tolist() == ["2024-01"]
    assert of_client.loc["2023-12", "rate_note"].startswith("no periodic inspection")
    assert (
        of_client.loc["2023-12", ["removed_per_100_inspected", "removed_per_100_shackle_years"]].isna().all()
    )
    # The client first, then its sites, each in order of the months.
    assert trend["site"].fillna("").tolist() == [""] * 4 + ["North Shed"] * 4 + ["Sea Wall"]


def test_a_month_is_no_signal_merely_because_harsher_places_were_looked_at(store_of):
    """Two steady places, 2 and 40 removed per 100 shackle-years, looked at in turn: month by month from 2 to 40."""
    lines = []
    for month in range(1, 13):
        for year, kind in (
            (2022, "calm"),
            (2023, "calm"),
            (2024, "calm"),
            (2022, "harsh"),
            (2023, "harsh"),
            (2024, "harsh"),
        ):
            is_turn = (month % 2 == 0) == (kind == "harsh")
            removed = {"calm": 20, "harsh": 330}[kind]
            if is_turn:
                place = {"site": kind, "environment": "indoor dry"}
                lines.append(
                    (
                        "periodic",
                        f"{year}-{month:02d}-05",
                        1000,
                        removed,
                        place | {"item_class": f"{kind} {month}"},
                    )
                )
    con = store_of(*lines)
    compute_tables(con)
    trend = read_table(con, "removal_trend")
    of_client = trend[trend["site"].isna()].set_index("month")
    rates = of_client["removed_per_100_shackle_years"].dropna()
    assert rates.max() > 10 * rates.min()
    assert len(rates) == 24
    assert set(of_client.loc[rates.index, "signal"]) == {"within"}
    # Steady places: the centre of every month is the rate of the place looked at.
    assert (
        (of_client["centre"] / of_client["removed_per_100_shackle_years"]).dropna().between(0.97, 1.03).all()
    )


def test_a_month_too_thin_for_a_rate_still_has_what_is_usual_and_counts_in_the_comparison_of_years(store_of):
    # Half of 100 are removed each year throughout; in the last year eleven months have under a shackle-year each.
    months = [str(month) for month in pd.period_range("2022-01", periods=48, freq="M")]
    counts = [(48, 2)] * 36 + [(11, month % 2) for month in range(11)] + [(48, 2)]
    lines = [
        ("periodic", f"{month}-15", inspected, removed, {"replaced": removed + 37 * (month == "2025-11")})
        for month, (inspected, removed) in zip(months, counts, strict=True)
    ]
    con = store_of(*lines)
    compute_tables(con)
    for name in ("removal_rates", "removal_trend"):
        rows = read_table(con, name)
        thin = rows[rows["month"] == "2025-03"]
        assert thin["removed_per_100_shackle_years"].isna().all()
        assert thin["centre"].tolist() == pytest.approx([51] * len(thin), abs=1)
    trend = read_table(con, "removal_trend")
    finding = yearly_finding(trend[trend["site"].isna()], "2025-12")
    assert "was 51 per 100 shackle-years, against 51 in the 12 months before: chance" in finding


def test_the_baseline_of_a_site_of_one_place_is_that_of_the_place(store_of):
    # Two years of six items a month, too few for a rate and a fifth of them removed; then 120 items, of which one is.
    months = [str(month) for month in pd.period_range("2021-01", periods=60, freq="M")]
    counts = [(6, int(number % 3 == 0)) if number < 25 else (120, 1) for number in range(60)]
    con = store_of(
        *(("periodic", f"{month}-15", *count) for month, count in zip(months, counts, strict=True))
    )
    compute_tables(con)
    columns = ["month", "centre", "limit_upper", "signal", "drift_signal"]
    of_place = read_table(con, "removal_rates")[columns]
    trend = read_table(con, "removal_trend")
    for of_scope in (trend[trend["site"].isna()], trend[trend["site"].notna()]):
        pd.testing.assert_frame_equal(of_scope[columns].reset_index(drop=True), of_place)
    assert of_place["centre"].iloc[-1] == pytest.approx(10, abs=0.5)
