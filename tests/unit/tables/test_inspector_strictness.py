import pytest

from pipelines.tables import compute_tables, read_table


def strictness(con):
    compute_tables(con)
    return read_table(con, "inspector_strictness").set_index("inspector")


def by(inspector, **columns):
    return {"inspector": inspector} | columns


def test_a_look_of_several_persons_is_shared_out_and_what_opens_a_clock_is_left_out(store_of):
    table = strictness(
        store_of(
            ("periodic", "2020-01-01", 40, 9, by("K9", replaced=9)),
            ("frequent", "2022-01-01", 4, 4, by("K8")),
            ("periodic", "2024-01-01", 27, 2, by("K3", replaced=2)),
            ("periodic", "2024-01-01", 9, 1, by("K8", replaced=1)),
        )
    )
    assert table.index.tolist() == ["K3", "K8"]
    assert table[["looks", "inspected"]].to_numpy().tolist() == [[1, 27], [1, 9]]
    exposed = 4 * 36 * (1 - 3 / 72) + 4 * 731 / 365.25
    assert table["shackle_years"].tolist() == pytest.approx([exposed * 27 / 36, exposed * 9 / 36])
    # In the same look each expects the other's rate for the exposure they had.
    assert table["removed_compared"].tolist() == [2, 1]
    assert table["expected_removals"].tolist() == pytest.approx([3 * 1, 2 / 3])


def test_a_visit_of_several_days_is_one_look_for_each_person(store_of):
    table = strictness(
        store_of(
            ("periodic", "2020-01-01", 40, 0),
            ("periodic", "2023-12-30", 10, 0, by("K3")),
            ("periodic", "2023-12-31", 20, 2, by("K3")),
            ("periodic", "2024-01-01", 10, 1, by("K8")),
            register={"visit_days": 2},
        )
    )
    assert table[["looks", "inspected"]].to_numpy().tolist() == [[1, 30], [1, 10]]
    exposed = 4 * 40 * (1 - 3 / 80)
    assert table["shackle_years"].tolist() == pytest.approx([exposed * 30 / 40, exposed * 10 / 40])


def test_a_log_that_names_nobody_has_one_person_not_stated(store_of):
    table = strictness(store_of(("periodic", "2020-01-01", 40, 0), ("periodic", "2024-01-01", 40, 2)))
    assert table.index.tolist() == ["not stated"]
    assert table["strictness_note"].tolist() == ["nobody else looked at the same places"]


def test_a_moved_tag_counts_where_its_gap_was_closed(store_of):
    tag = {"serial": "N-17"}
    table = strictness(
        store_of(
            ("periodic", "2020-01-01", 1, 0, by("K3", **tag)),
            ("periodic", "2024-01-01", 1, 1, by("K8", **tag, site="Sea Wall")),
        )
    )
    assert table[["looks", "shackle_years"]].to_numpy().tolist() == [[1, 2]]


def months(*persons):
    days = [f"{2022 + number // 12}-{number % 12 + 1:02}-01" for number in range(len(persons))]
    return [
        ("periodic", day, 120, 40 if number == 22 else 1, by(person, replaced=40 if number == 22 else 1))
        for number, (day, person) in enumerate(zip(days, persons, strict=True))
    ]


def test_a_signal_at_a_takeover_is_told_from_one_without(store_of):
    con = store_of(*months(*["K3"] * 22, "K8"))
    row = strictness(con).loc["K8"]
    assert row[["months_leading", "takeovers", "signals", "signals_at_takeover"]].tolist() == [1, 1, 1, 1]
    rates = read_table(con, "removal_rates")
    assert rates["main_inspector"].tolist() == ["K3"] * 22 + ["K8"]
    assert rates["is_inspector_changed"].isna().tolist() == [True] + [False] * 22
    assert rates["is_inspector_changed"].tolist()[1:] == [False] * 21 + [True]

    settled = strictness(store_of(*months(*["K3"] * 10, *["K8"] * 13))).loc["K8"]
    assert settled[["months_leading", "takeovers", "signals", "signals_at_takeover"]].tolist() == [
        13,
        1,
        1,
        0,
    ]


def test_whoever_looked_at_most_items_leads_the_month(store_of):
    con = store_of(
        ("periodic", "2024-01-01", 10, 0, by("K3")),
        ("periodic", "2024-01-02", 11, 0, by("K8", item_class="chain 25 mm")),
        ("frequent", "2024-01-03", 90, 0, by("K9")),
        ("frequent", "2024-02-03", 90, 0, by("K9")),
    )
    compute_tables(con)
    assert read_table(con, "removal_rates")["main_inspector"].tolist() == ["K8", None]
