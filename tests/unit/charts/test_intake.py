import pandas as pd

from pipelines.charts import Figure, intake_chart


def account(*rows):
    return pd.DataFrame(rows, columns=["file", "rows_read", "rule", "rows_quarantined"])


def bars(chart):
    return chart.to_dict()["layer"][0]


def test_files_are_drawn_with_the_most_quarantined_first_and_their_counts_beside():
    chart = intake_chart(
        account(
            ("clean.csv", 1200, None, 0),
            ("odd.csv", 2000, "Quantity is filled in", 3),
            ("odd.csv", 2000, "Pin can be read", 4),
        )
    )
    assert bars(chart)["encoding"]["y"]["scale"]["domain"] == ["odd.csv", "clean.csv"]
    svg = Figure(chart, "", "").svg()
    for words in ("7 of 2,000 rows", "0 of 1,200 rows", "Quantity is filled in", "Pin can be read"):
        assert f">{words}<" in svg


def test_each_rule_drawn_has_a_colour_of_its_own_and_rare_ones_share_one():
    chart = intake_chart(account(*[("odd.csv", 500, f"Rule {number}", 20 - number) for number in range(12)]))
    scale = bars(chart)["encoding"]["color"]["scale"]
    assert scale["domain"] == [*[f"Rule {number}" for number in range(6)], "other rules"]
    assert len(set(scale["range"])) == len(scale["domain"])


def test_nothing_quarantined_is_drawn_all_the_same():
    assert ">0 of 10 rows<" in Figure(intake_chart(account(("clean.csv", 10, None, 0))), "", "").svg()
    assert "<svg" in Figure(intake_chart(account()), "", "").svg()
