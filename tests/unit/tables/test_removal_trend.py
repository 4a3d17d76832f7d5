from pipelines.tables import compute_tables, read_table


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
