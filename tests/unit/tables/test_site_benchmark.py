import pytest

from pipelines.tables import compute_tables, read_table

SOUTH = {"site": "South Shed"}


def look(day, quantity, removed, **more):
    return ("periodic", day, quantity, removed, {"replaced": removed, **more})


def tables(con):
    compute_tables(con)
    return read_table(con, "site_benchmark").set_index("site"), read_table(con, "site_benchmark_parts")


def test_what_counts_is_what_has_exposure(store_of):
    sites, _ = tables(
        store_of(
            look("2023-01-01", 100, 40),  # a backlog, of unknown age
            look("2024-01-01", 100, 8),
            ("frequent", "2024-06-01", 100, 2),
            look("2025-01-01", 98, 6),
            ("initial", "2025-01-05", 50, 9),
            look("2023-01-01", 100, 0, **SOUTH),
            look("2025-01-01", 100, 10, **SOUTH),
        )
    )
    assert sites["observed"].tolist() == [16, 10]
    rate = sites["observed"] / sites["shackle_years"]
    # Two sites alike in all else, each left out of its own reference: each is measured by the other's rate.
    assert sites.loc["North Shed", "expected"] == pytest.approx(
        rate["South Shed"] * sites.loc["North Shed", "shackle_years"]
    )
    assert sites.loc["South Shed", "ratio"] == pytest.approx(rate["South Shed"] / rate["North Shed"])


def test_sizes_go_into_bands_and_pins_stay_apart(store_of):
    small, large = {"nominal_size_mm": 16.0}, {"nominal_size_mm": 32.0, "item_class": "bow 32 mm"}
    lines = []
    for site, removed in (("One", 20), ("Two", 20), ("Three", 20)):
        for band, share in ((small, 1), (large, 3)):
            lines += [
                look("2024-01-01", 200, 0, site=site, **band),
                look("2025-01-01", 200, removed * share, site=site, **band),
            ]
    lines += [
        look("2024-01-01", 200, 0, site="All Large", **large),
        look("2025-01-01", 200, 60, site="All Large", **large),
    ]
    sites, parts = tables(store_of(*lines))
    assert sites.loc["All Large", "ratio"] == pytest.approx(1.0)
    factors = parts[parts["site"] == "All Large"].set_index("part")["multiplier"]
    assert factors["item mix"] > 1.3
    assert factors["what remains"] == pytest.approx(1.0)


def test_the_inspector_of_a_look_is_the_one_of_most_of_its_lines(store_of):
    lines = []
    for site in ("One", "Two"):
        for code in "ABCDE":
            group = {"site": site, "item_class": f"class {code}"}
            lines += [look("2024-01-01", 100, 0, **group)]
            strict = 20 if code == "A" else 10
            lines += [
                look("2025-01-01", 60, strict, inspector=code, **group),
                look("2025-01-01", 20, 0, inspector="Z", **group),
            ]
            lines += [look("2025-01-01", 20, 0, inspector=code, **group)]
    # Site One sees the strict inspector once more.
    extra = {"site": "One", "item_class": "class F"}
    lines += [look("2024-01-01", 100, 0, **extra), look("2025-01-01", 100, 20, inspector="A", **extra)]
    _, parts = tables(store_of(*lines))
    strictness = parts[parts["part"] == "inspector strictness"].set_index("site")["multiplier"]
    assert strictness["One"] > 1.01 > 0.99 > strictness["Two"]


def test_a_site_without_a_second_look_is_not_there(store_of):
    sites, parts = tables(store_of(look("2024-01-01", 10, 1)))
    assert sites.empty
    assert parts.empty
