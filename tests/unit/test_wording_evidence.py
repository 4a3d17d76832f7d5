import pandas as pd

from pipelines import wording_evidence as wording
from pipelines.contracts import coverage_study

SPACE = "\N{NO-BREAK SPACE}"


def held(*rows):
    columns = ["removed", "removed_expected", "removed_lower", "removed_upper", "removed_expected_alone"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(site="Sea Wall", environment="marine spray", origin_on=pd.Timestamp("2026-06-30"))


def test_forecasts_that_held_are_counted_with_the_ends_of_their_range():
    frame = held(
        (16, 12.0, 10, 16, 11.0),
        (10, 12.0, 10, 16, 11.0),
        (16, 12.0, 10, 16, 11.0),
        (17, 12.0, 10, 16, 11.0),
        (9, 12.0, 10, 16, 11.0),
    )
    assert wording.backtest_finding(frame).replace(SPACE, " ") == (
        "Held against the 1 quarter that followed, 3 of 5 forecasts of a place's removals took in what came (60 %, where 90 % "
        "is claimed). In all 60 removals were expected and 68 came; each place's own looks alone gave 55 to expect."
    )


def test_misses_come_farthest_out_first_whichever_way():
    frame = held((12, 12.0, 8, 16, 12.0), (20, 12.0, 8, 16, 12.0), (2, 12.0, 8, 16, 12.0))
    assert wording.backtest_misses(frame) == [
        "Sea Wall (marine spray), the quarter after 2026-06-30: 2 came, 8 to 16 were foretold.",
        "Sea Wall (marine spray), the quarter after 2026-06-30: 20 came, 8 to 16 were foretold.",
    ]


def test_without_a_forecast_the_page_says_so():
    assert wording.backtest_finding(held()).startswith("There are too few months of records")


def model(*rows):
    return pd.DataFrame(
        rows, columns=["covariate", "level", "estimate", "estimate_lower", "estimate_upper", "remark"]
    )


def test_the_fit_tells_facts_and_no_levels():
    frame = model(
        ("environment", "marine spray", 0.5, 0.4, 0.6, "times the rate"),
        ("spread of looks", None, 0.14, None, None, "relative to the rate"),
        ("note on the fit", None, None, None, None, "errors are widened"),
    )
    assert wording.fit_finding(frame) == [
        "Spread of looks: 0.14 (relative to the rate).",
        "Note on the fit: errors are widened.",
    ]


def test_ageing_is_told_in_the_words_of_the_model():
    frame = model(("ageing of items", None, 1.1, 0.7, 1.6, "the data do not support ageing"))
    assert wording.ageing_finding(frame) == "Do items wear out with age? The data do not support ageing."


def test_missed_defects_are_told_by_the_middling_place_and_the_worst_one():
    rows = [
        (site, detection, factor, share)
        for site, shares in (("Sea Wall", (0.01, 0.02, 0.03)), ("North Shed", (0.01, 0.015, 0.02)))
        for detection, factor, share in zip((1.0, 0.9, 0.8), (1.0, 1.1, 1.2), shares, strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["site", "detection", "rate_factor", "in_service_if_missed"])
    assert wording.detection_finding(frame.assign(client="Brackle Docks", environment="indoor dry")).replace(
        SPACE, " "
    ) == (
        "Rates take it that a look finds every rejectable item; if looks find 90 % of them, the rate of a middling place is "
        "1.10 times as high; if looks find 80 % of them, the rate of a middling place is 1.20 times as high. The share in "
        "service while due for removal would rise most at Sea Wall (indoor dry), to 3 % with the recommended interval."
    )


def test_a_place_without_a_rate_is_named_and_sets_no_record():
    rows = [
        (site, detection, factor, share)
        for site, factor, share in (("Sea Wall", 1.0, 0.01), ("North Shed", None, None))
        for detection in (1.0, 0.8)
    ]
    columns = ["site", "detection", "rate_factor", "in_service_if_missed"]
    frame = pd.DataFrame(rows, columns=columns).assign(client="Brackle Docks", environment="indoor dry")
    none_given = " At North Shed (indoor dry) so much was removed that no rate can be given for some or all of these shares."
    said = wording.detection_finding(frame).replace(SPACE, " ")
    assert said.endswith(
        f"would rise most at Sea Wall (indoor dry), to 1 % with the recommended interval.{none_given}"
    )
    assert wording.detection_finding(frame.tail(2)) == (
        f"There is no rate yet that missed defects could change.{none_given}"
    )


def test_an_estimate_below_0_is_told_as_it_is():
    frame = model(("exponent of the gap", None, -23.88, -90.2, 0.0004, "1 is steady"))
    assert wording.fit_finding(frame) == [
        f"Exponent of the gap: -24, with 90{SPACE}% limits of -90 to under 0.001 (1 is steady)."
    ]


def test_the_study_is_told_by_its_worst_and_best_kind():
    assert wording.study_finding(coverage_study()).replace(SPACE, " ") == (
        "In 4 kinds of simulated fleets, a thousand of each, the pooled 90 % limits held the true rate of 88 % to 92 % of places, "
        "and at most 2 % of places were advised an interval longer than the truly safe one."
    )


def test_without_a_look_nothing_is_said_of_age():
    model = pd.DataFrame(columns=["covariate", "level", "estimate", "remark"])
    assert wording.ageing_finding(model) == "No look says yet whether items wear out with age."
