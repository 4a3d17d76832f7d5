"""Sentences on frames whose answer is known."""

from datetime import date

import pandas as pd
import pytest

from pipelines import wording
from pipelines.settings import CARRIED_IN, carry

MONTHS = [f"{year}-{month:02d}" for year in (2024, 2025) for month in range(1, 13)]


def trend(removed, shackle_years=100.0, inspected=300, site=None, **columns):
    """Rows of `removal_trend` of one place for 24 months; `removed` is one figure or one for each month."""
    frame = pd.DataFrame({"client": "Brackle Docks", "site": site, "month": MONTHS, "removed": removed})
    frame["inspected"], frame["removed_at_risk"], frame["shackle_years"] = (
        inspected,
        frame["removed"],
        shackle_years,
    )
    rates = 100 * frame["removed"] / frame["shackle_years"]
    frame["removed_per_100_shackle_years"] = rates.where(frame["shackle_years"] >= 1)
    defaults = {
        "rate_lower": 0.0,
        "rate_upper": 30.0,
        "centre": 10.0,
        "limit_lower": 2.0,
        "limit_upper": 20.0,
    }
    return frame.assign(**defaults | {"signal": "within", "rate_note": None} | columns)


def test_a_month_within_its_usual_range():
    assert wording.monthly_finding(trend(12, inspected=1230), "2025-12") == (
        "In December 2025, 12 shackles were removed out of 1,230 inspected at Brackle Docks; "
        "the removal rate of 12 per 100 shackle-years is within its usual range."
    )


@pytest.mark.parametrize(
    ("removed", "signal", "ending"),
    [
        (
            25,
            "above",
            "the removal rate of 25 per 100 shackle-years is above its usual range, which ends at 20.",
        ),
        (
            1,
            "below",
            "the removal rate of 1 per 100 shackle-years is below its usual range, which begins at 2.",
        ),
        (0, "within", "the removal rate of 0 per 100 shackle-years is within its usual range."),
    ],
)
def test_a_month_outside_its_usual_range_says_where_that_ends(removed, signal, ending):
    assert wording.monthly_finding(trend(removed, signal=signal), "2025-12").endswith(ending)


def test_one_shackle_is_said_in_the_singular_and_none_as_none():
    assert "1 shackle was removed out of 300 inspected" in wording.monthly_finding(trend(1), "2025-12")
    assert "no shackle was removed out of 300 inspected" in wording.monthly_finding(trend(0), "2025-12")


@pytest.mark.parametrize(
    ("removed", "at_risk", "said"),
    [
        (0, 1, "(1 removal since the look before, those between looks included)"),
        (43, 40, "(40 removals since the look before, not those at first looks)"),
        (3, 0, "(no removal since the look before, not those at first looks)"),
        (4, 4, ""),
    ],
)
def test_a_rate_of_other_removals_than_the_looks_made_says_of_how_many(removed, at_risk, said):
    frame = trend(removed, removed_at_risk=at_risk, removed_per_100_shackle_years=34.0)
    rate = f"the removal rate of 34 per 100 shackle-years {said}".rstrip()
    assert f"; {rate} is within its usual range." in wording.monthly_finding(frame, "2025-12")


def test_a_site_is_named_with_its_client():
    assert "inspected at Sea Wall (Brackle Docks);" in wording.monthly_finding(
        trend(3, site="Sea Wall"), "2025-12"
    )


def test_a_month_without_a_rate_says_why():
    frame = trend(
        1, shackle_years=0.4, inspected=5, rate_note="under 1 shackle-year of exposure; fewer than 20 months"
    )
    assert wording.monthly_finding(frame, "2025-12") == (
        "In December 2025, 1 shackle was removed out of 5 inspected at Brackle Docks; "
        "no removal rate can be given (under 1 shackle-year of exposure)."
    )


def test_a_month_without_limits_says_why():
    frame = trend(
        4, centre=None, signal=None, rate_note="fewer than 20 months with a rate, no control limits"
    )
    assert wording.monthly_finding(frame, "2025-12") == (
        "In December 2025, 4 shackles were removed out of 300 inspected at Brackle Docks, a removal rate of 4 per 100 "
        "shackle-years; what is usual there cannot be said yet (fewer than 20 months with a rate)."
    )


@pytest.mark.parametrize("period", ["2025-12", "2026-02"])
def test_a_month_without_inspection_names_the_last_one(period):
    frame = trend(4)
    frame.loc[frame["month"] == "2025-12", "inspected"] = 0
    finding = wording.monthly_finding(frame, period)
    assert finding.startswith(
        f"No periodic inspection is recorded at Brackle Docks in {wording.month_in_words(period)}"
    )
    assert finding.endswith("the last one was in November 2025.")


def test_a_rate_that_rises_is_told_from_one_that_is_steady():
    risen = trend([8] * 12 + [16] * 12)
    steady = trend([8] * 12 + [8] * 12)
    assert "against 8 in the 12 months before" in wording.yearly_finding(risen, "2025-12")
    assert wording.yearly_finding(risen, "2025-12").endswith(
        "it is up by 100\N{NO-BREAK SPACE}%, more than chance explains."
    )
    assert "chance" in wording.yearly_finding(steady, "2025-12")
    assert "up by" not in wording.yearly_finding(steady, "2025-12")


def test_a_rate_that_falls_is_said_to():
    fallen = wording.yearly_finding(trend([16] * 12 + [8] * 12), "2025-12")
    assert fallen.endswith("it is down by 50\N{NO-BREAK SPACE}%, more than chance explains.")


def test_two_years_are_compared_by_exposure_where_one_of_them_has_no_centre():
    frame = trend([5] * 12 + [10] * 12, centre=[10.0] * 12 + [None] * 12)
    finding = wording.yearly_finding(frame, "2025-12")
    assert finding.endswith(
        "in the 12 months before. It is up by 100\N{NO-BREAK SPACE}%, more than chance explains."
    )


def test_a_difference_of_a_hair_is_about_the_same_however_sure():
    frame = trend([8000] * 12 + [8500] * 12, shackle_years=100_000.0)
    assert "about the same as in the 12 months before" in wording.yearly_finding(frame, "2025-12")


def test_a_year_with_too_little_exposure_has_no_rate():
    thin = wording.yearly_finding(trend(0, shackle_years=0.05), "2025-12")
    assert thin == (
        "Over the 12 months to December 2025 there is under 1 shackle-year of exposure at Brackle Docks, too little for a rate."
    )
    assert "too little exposure to compare" in wording.yearly_finding(
        trend([0] * 12 + [8] * 12, [0.0] * 12 + [100.0] * 12), "2025-12"
    )


def test_the_trend_in_words_gives_range_latest_and_months_outside():
    frame = trend([5] * 23 + [25])
    frame["signal"] = ["within"] * 23 + ["above"]
    said = wording.trend_in_words(frame, "2025-12")
    assert (
        "24 months of 24 have a rate: it runs from 5 (January 2024) to 25 (December 2025) per 100 shackle-years."
        in said
    )
    assert said.endswith("Months above the usual range, latest first: December 2025.")


def place(site, **columns):
    defaults = {
        "client": "Brackle Docks", "site": site, "environment": "marine spray", "month": "2025-12", "inspected": 100,
        "removed_at_risk": 9, "removed_per_100_shackle_years": 30.0, "limit_upper": 20.0, "signal": "above",
    }  # fmt: skip
    return defaults | columns


def test_places_above_come_farthest_first_and_others_not_at_all():
    rates = pd.DataFrame(
        [
            place("A little above", removed_per_100_shackle_years=21.0),
            place("Far above", removed_per_100_shackle_years=60.0),
            place("Fine", signal="within"),
            place("Above last month", month="2025-11"),
        ]
    )
    sentences = wording.places_above_usual(rates, "2025-12")
    assert [sentence.split(" (")[0] for sentence in sentences] == ["Far above", "A little above"]
    assert sentences[0] == (
        "Far above (marine spray): 9 shackles removed since the look before, 60 per 100 shackle-years; the usual range ends at 20."
    )
    assert wording.places_finding(rates, "2025-12") == (
        "3 places were inspected in December 2025; 2 of them lie above the usual range of the place."
    )


def test_pages_on_longer_records_name_the_places_that_rise_now():
    rates = pd.DataFrame(
        [
            place("Yard"),
            place("Slip", removed_per_100_shackle_years=60.0),
            place("Fine", signal="within"),
            place("Old", month="2025-11"),
        ]
    )
    assert wording.above_usual_now(rates, "2025-12", "More may come.") == (
        "In December 2025 Slip (marine spray) and Yard (marine spray) lie above the usual range. More may come."
    )
    assert wording.above_usual_now(rates.head(1), "2025-12", "So.") == (
        "In December 2025 Yard (marine spray) lies above the usual range. So."
    )
    assert wording.above_usual_now(rates, "2026-01", "So.") == ""


def test_places_without_a_usual_range_are_not_said_to_lie_within_it():
    new = [place("Yard", signal=None), place("Slip", signal=None)]
    assert wording.places_finding(pd.DataFrame(new[:1]), "2025-12") == (
        "1 place was inspected in December 2025; what is usual there cannot be said yet."
    )
    assert wording.places_finding(pd.DataFrame([*new, place("Fine", signal="within")]), "2025-12") == (
        "3 places were inspected in December 2025; none of them lies above the usual range of the place, and for 2 what is "
        "usual cannot be said yet."
    )


def test_a_month_in_which_no_place_was_inspected():
    assert (
        wording.places_finding(pd.DataFrame([place("Fine")]), "2026-01")
        == "No periodic inspection was made in January 2026."
    )


def between(*rows):
    """Rows of removals between looks: class, criterion, tier, removed, of which no look has followed."""
    columns = ["item_class", "criterion", "tier", "removed", "removed_since_look"]
    where = {"client": "Brackle Docks", "site": "North Shed", "environment": "indoor dry"}
    return pd.DataFrame(rows, columns=columns).assign(**where)


def test_removals_between_looks_are_told_with_how_many_were_looked_at_and_what_bears_on_strength():
    found = between(
        ("bow 16 mm", "deformed", "load-bearing", 1, 1),
        ("bow 19 mm", "cracked or broken", "load-bearing", 4, 0),
        ("bow 19 mm", "not stated", "not stated", 1, 0),
        ("bow 19 mm", "thread damage", "pin and fit", 2, 0),
    )
    rates = pd.DataFrame(
        [place("Far", frequent_inspected=30), place("Old", month="2025-11", frequent_inspected=7)]
    )
    said = wording.between_finding(found, rates, "2025-12")
    assert said == (
        "Between periodic inspections, 8 shackles were removed in December 2025 out of 30 looked at by shift or day; 6 of them "
        "count as load-bearing (4 for cracked or broken, 1 for deformed and 1 with no criterion stated). No removal rate "
        "counts 1 of them before the next periodic inspection of its item class and place."
    )
    none_followed = found.assign(removed_since_look=found["removed"])
    assert wording.between_finding(none_followed, rates, "2025-12").endswith(
        "No removal rate counts them before the next periodic inspection of their item class and place."
    )
    assert wording.between_finding(none_followed.head(1), rates, "2025-12").endswith(
        "No removal rate counts it before the next periodic inspection of its item class and place."
    )
    assert wording.between_places(found) == [
        "North Shed (indoor dry): 7 removed of bow 19 mm; 5 of them count as load-bearing (4 for cracked or broken and 1 with "
        "no criterion stated).",
        "North Shed (indoor dry): 1 removed of bow 16 mm; it counts as load-bearing (1 for deformed).",
    ]
    _, told, *_ = wording.month_in_brief(
        [trend(12)], rates, found, pd.DataFrame(columns=OVERDUE_COLUMNS), "2025-12"
    )
    assert told == said
    assert wording.months_headline([trend(12)], rates, found, "2025-12").endswith(f" {said}")


def test_removals_between_looks_that_a_look_has_followed_are_in_a_rate():
    rates = pd.DataFrame([place("Far", frequent_inspected=3)])
    found = between(("bow 16 mm", "thread damage", "pin and fit", 1, 0))
    assert wording.between_finding(found, rates, "2025-12") == (
        "Between periodic inspections, 1 shackle was removed in December 2025 out of 3 looked at by shift or day; it does not "
        "count as load-bearing (1 for thread damage)."
    )
    assert wording.between_finding(between(), rates, "2025-12") == (
        "Between periodic inspections no shackle was removed in December 2025."
    )


def test_signals_are_set_against_what_chance_would_give():
    rates = pd.DataFrame(
        [place("A", false_signal_chance=0.003), place("B", false_signal_chance=0.004, signal="within")]
    )
    assert wording.signals_finding(rates, "2025-12") == (
        "2 places with a usual range were inspected; chance alone would put about 0.007 of them outside it."
    )
    assert wording.signals_finding(rates, "2025-11") == "No place inspected this month has a usual range yet."


def test_slow_drift_is_told_where_no_single_month_signals():
    drifting = {"drift_signal": "above", "smoothed_rate": 14.2, "centre": 10.0}
    rates = pd.DataFrame([place("Creeping", signal="within", **drifting), place("Leaping", **drifting)])
    assert wording.drifting_places(rates, "2025-12") == [
        "Creeping (marine spray): its smoothed rate has crept up to 14 per 100 shackle-years, where about 10 is usual."
    ]


def change(site, ratio, p_value, environment="marine spray"):
    return {
        "client": "Brackle Docks", "site": site, "environment": environment, "change_per_year": ratio,
        "change_per_year_lower": 0.9 * ratio, "change_per_year_upper": 1.1 * ratio,
        "change_p_value": p_value, "change_p_value_adjusted": p_value,
    }  # fmt: skip


def test_changes_from_year_to_year_count_places_only():
    changes = pd.DataFrame(
        [change("A", 1.3, 0.001), change("B", 0.8, 0.4), change("A", 1.3, 0.001, environment=None)]
    )
    assert wording.changes_finding(changes) == (
        "Of 2 places with enough months to tell, 1 has a rate that changes from year to year by more than chance explains, "
        "all of them looked at together."
    )
    (said,) = wording.changing_places(changes)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == (
        "A (marine spray): rising by 30 % a year; with 90 % confidence it becomes 1.17 to 1.43 times as high each year."
    )


OVERDUE_COLUMNS = [
    "client", "site", "environment", "item_class", "days_overdue", "quantity", "unaccounted_for",
]  # fmt: skip


def test_the_month_in_brief_names_where_to_look_first():
    rates = pd.DataFrame([place("Far above", removed_per_100_shackle_years=60.0)])
    overdue = pd.DataFrame(
        [("Brackle Docks", "North Shed", "indoor dry", "bow 16 mm", 30, 12, 0)], columns=OVERDUE_COLUMNS
    )
    month, places, late = wording.month_in_brief([trend(12)], rates, between(), overdue, "2025-12")
    assert month == wording.monthly_finding(trend(12), "2025-12")
    assert places == (
        "1 place was inspected in December 2025; it lies above the usual range of the place. Look there first: "
        "Far above (marine spray): 9 shackles removed since the look before, 60 per 100 shackle-years; the usual range "
        "ends at 20."
    )
    assert late.endswith(
        "Longest overdue: North Shed (indoor dry): 12 shackles of 1 item class, up to 30 days late."
    )


def test_a_quiet_month_in_brief_names_no_place():
    rates = pd.DataFrame([place("Sea Wall", signal="within")])
    none_due = pd.DataFrame(columns=OVERDUE_COLUMNS)
    assert wording.month_in_brief([trend(12)], rates, between(), none_due, "2025-12")[1:] == [
        "1 place was inspected in December 2025; it does not lie above the usual range of the place.",
        "No periodic inspection is overdue.",
    ]


def test_overdue_places_come_longest_first_and_days_to_come_are_left_out():
    overdue = pd.DataFrame(
        [
            ("Brackle Docks", "Sea Wall", "marine spray", "bow 16 mm", 3, 40, 0),
            ("Brackle Docks", "Sea Wall", "marine spray", "bow 19 mm", 12, 1, 0),
            ("Brackle Docks", "North Shed", "indoor dry", "bow 16 mm", 90, 1, 0),
            ("Brackle Docks", "Loft", "indoor dry", "bow 16 mm", -5, 7, 0),
        ],
        columns=OVERDUE_COLUMNS,
    )
    assert wording.overdue_places(overdue) == [
        "North Shed (indoor dry): 1 shackle of 1 item class, up to 90 days late.",
        "Sea Wall (marine spray): 41 shackles of 2 item classes, up to 12 days late.",
    ]
    assert (
        wording.overdue_finding(overdue)
        == "42 shackles are past the due day of the periodic inspection, at 2 places."
    )
    assert wording.overdue_finding(overdue.tail(1)) == "No periodic inspection is overdue."


def test_what_nobody_presented_is_named_apart_from_what_is_overdue():
    rows = [
        ("Brackle Docks", "Sea Wall", "marine spray", "bow 16 mm", 3, 40, 0),
        ("Brackle Docks", "Sea Wall", "marine spray", "bow 19 mm", None, 0, 1),
        ("Brackle Docks", "Loft", "indoor dry", "bow 16 mm", -5, 7, 4),
    ]
    overdue = pd.DataFrame(rows, columns=OVERDUE_COLUMNS).astype({"days_overdue": "Int64"})
    assert wording.overdue_finding(overdue) == (
        "40 shackles are past the due day of the periodic inspection, at 1 place. Apart from them, 5 shackles at 2 places "
        "are unaccounted for: they were not presented when last expected."
    )
    assert wording.overdue_places(overdue) == [
        "Sea Wall (marine spray): 40 shackles of 1 item class, up to 3 days late."
    ]
    assert wording.overdue_finding(overdue.iloc[[1]]) == (
        "No periodic inspection is overdue. 1 shackle at 1 place is unaccounted for: it was not presented when last expected."
    )


def recommendation(site="Sea Wall", **columns):
    defaults = {
        "client": "Brackle Docks", "site": site, "environment": "marine spray", "shackle_years": 500.0,
        "rate_per_100_shackle_years": 10.0, "rate_lower": 8.0, "rate_upper": 12.0, "current_interval_months": 3,
        "recommended_interval_months": 3, "binding_rule": "guideline for severe service", "outcome": "keep",
        "share_found_at_current": 0.03, "share_found_at_recommended": 0.03, "share_in_service_at_recommended": 0.015,
        "needs_sign_off": False, "least_shackle_years": 58.9, "shackle_years_to_settle": 900.0,
        "highest_rate": 12.0, "highest_load_bearing_rate": 4.0,
    }  # fmt: skip
    return defaults | columns


SHORTER = recommendation(
    current_interval_months=12,
    recommended_interval_months=5,
    outcome="shorten",
    binding_rule="share found",
    share_found_at_current=0.113,
    share_found_at_recommended=0.0488,
)
LONGER = recommendation(
    recommended_interval_months=12,
    outcome="may lengthen, sign-off needed",
    needs_sign_off=True,
    share_found_at_recommended=0.041,
)


def test_the_highest_rate_is_the_one_that_is_well_supported():
    thin = recommendation("Thin", rate_per_100_shackle_years=50.0, rate_lower=2.0, rate_upper=200.0)
    unrated = recommendation("Loft", rate_per_100_shackle_years=None, rate_lower=None, rate_upper=None)
    assert wording.rates_finding(pd.DataFrame([thin, recommendation(), unrated])) == (
        "Over all its records, Sea Wall (marine spray) has the highest removal rate that is well supported: "
        "10 per 100 shackle-years (8 to 12 with 90\N{NO-BREAK SPACE}% confidence). 1 place has no rate: under 1 shackle-year of exposure."
    )


def test_places_without_removals_or_without_exposure():
    none_removed = pd.DataFrame([recommendation(rate_per_100_shackle_years=0.0, rate_lower=0.0)])
    assert wording.rates_finding(none_removed) == "Nothing was removed at the 1 place with a removal rate."
    unrated = pd.DataFrame([recommendation(rate_per_100_shackle_years=None)])
    assert (
        wording.rates_finding(unrated)
        == "No place has a removal rate yet: each has under 1 shackle-year of exposure."
    )


def test_intervals_are_counted_by_outcome():
    frame = pd.DataFrame([recommendation(), SHORTER, SHORTER, LONGER])
    assert wording.interval_finding(frame) == (
        "Of 4 places, 2 should be inspected more often, 1 could be inspected less often with a qualified person's signature "
        "and 1 keeps its interval."
    )


def test_proposals_put_shorter_intervals_first_and_say_why():
    first, second = wording.interval_proposals(pd.DataFrame([LONGER, recommendation(), SHORTER]))
    assert first.replace("\N{NO-BREAK SPACE}", " ") == (
        "Sea Wall (marine spray): from 12 to 5 months. At the highest rate of removals that agrees with the records (12 per "
        "100 shackle-years), a look every 12 months would find 11 % of the shackles due for removal, where 5 % is the most "
        "allowed; every 5 months it is 4.9 %."
    )
    assert "only if a qualified person signs for it" in second


def test_a_load_bearing_target_is_told_as_such():
    row = recommendation(
        current_interval_months=12,
        recommended_interval_months=5,
        outcome="shorten",
        binding_rule="share in service, load-bearing criteria",
    )
    (proposal,) = wording.interval_proposals(pd.DataFrame([row]))
    assert proposal.replace("\N{NO-BREAK SPACE}", " ") == (
        "Sea Wall (marine spray): from 12 to 5 months. At the highest rate of removals on load-bearing criteria that agrees "
        "with the records (4 per 100 shackle-years), more than the 1 % allowed would on average be in service while due for "
        "removal on such a criterion; with 5 months it is 0.8 %."
    )


def test_a_longer_interval_held_back_is_told_with_its_ground():
    row = recommendation(
        current_interval_months=6,
        recommended_interval_months=6,
        computed_interval_months=14,
        guideline_interval_months=12,
        outcome="latest rate above its usual range, not lengthened",
    )
    (proposal,) = wording.interval_proposals(pd.DataFrame([row]))
    assert proposal.endswith(
        "stays at 6 months. Its whole history would support a longer interval, up to 12 months, but its latest rate lies "
        "above its usual range. Find out why first."
    )


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (
            "too little experience, guideline kept",
            "Too little experience to compute an interval: 500 shackle-years, where at least 59",
        ),
        ("no interval in the list meets the targets", "Not even a look every month meets the targets"),
        ("qualified person to set", "In special service a qualified person sets the interval"),
    ],
)
def test_each_other_outcome_has_a_sentence_of_its_own(outcome, words):
    row = recommendation(outcome=outcome, needs_sign_off=True)
    (proposal,) = wording.interval_proposals(pd.DataFrame([row]))
    assert words in proposal


def test_reasons_as_shares_where_there_are_enough():
    reasons = pd.DataFrame(
        {"criterion": ["deformed", "wear over limit", "not stated"], "removed": [15, 30, 5]}
    )
    assert wording.reasons_finding(reasons).replace("\N{NO-BREAK SPACE}", " ") == (
        "Of 50 removals from service, 60 % were for wear over limit, 30 % were for deformed and "
        "10 % have no criterion written down."
    )


def test_reasons_as_counts_where_there_are_few_or_none():
    few = pd.DataFrame({"criterion": ["deformed", "not stated"], "removed": [1, 2]})
    assert (
        wording.reasons_finding(few) == "3 removals from service: 1 for deformed. That is too few for shares."
    )
    assert wording.reasons_finding(few.assign(removed=0)) == "No removal from service is recorded."


def loaded(**columns):
    return {
        "file": "a.csv",
        "rows_read": 10,
        "rows_accepted": 9,
        "rows_quarantined": 1,
        "rows_set_aside": 0,
        "lines_in_use": 9,
    } | columns


def test_the_account_of_files():
    files = pd.DataFrame([loaded(), loaded(file="b.csv", rows_accepted=10, rows_quarantined=0)])
    assert (
        wording.intake_finding(files)
        == "2 files were loaded: of 20 rows read, 19 were accepted and 1 was quarantined."
    )
    assert (
        wording.intake_finding(files.tail(1))
        == "1 file was loaded: of 10 rows read, 10 were accepted and none was quarantined."
    )
    assert wording.intake_finding(files.assign(rows_set_aside=1)).endswith(
        "1 was quarantined. 2 rows are no part of a log: blank, a repeated header or a total."
    )
    assert wording.intake_finding(files.head(0)) == "No file with lines of this place is loaded."


def test_counts_of_thousands_are_all_written_alike():
    files = pd.DataFrame([loaded(rows_read=100_000, rows_accepted=87_655, rows_quarantined=12_345)])
    assert wording.intake_finding(files) == (
        "1 file was loaded: of 100,000 rows read, 87,655 were accepted and 12,345 were quarantined."
    )


def test_records_set_aside_are_told_by_what_they_are():
    aside = pd.DataFrame({"kind": ["total", "blank", "total"]})
    assert (
        wording.set_aside_finding(aside)
        == "3 records are no part of a log and not counted: blank 1 and total 2."
    )
    assert wording.set_aside_finding(aside.head(0)) == "No record was set aside as no part of a log."


def test_counts_that_jump_are_told_site_by_site():
    jumps = pd.DataFrame(
        {"site": ["Sea Wall", "Quay"], "client": "Brackle Docks", "counted": [2_500, 22], "usual": [25, 60]}
    )
    assert wording.jumps_finding(jumps) == (
        "2 counts jump against the site's earlier looks: Sea Wall (Brackle Docks) 2,500 where 25 were usual and Quay (Brackle"
        " Docks) 22 where 60 were usual. The lines are loaded; ask whether the export was whole and its counts are of items."
    )
    assert wording.jumps_finding(jumps.head(1)).startswith(
        "1 count jumps against the site's earlier looks: Sea"
    )
    assert wording.jumps_finding(jumps.head(0)) == (
        "No site counted far more or fewer items in a file than at its earlier looks."
    )


def test_reasons_that_no_profile_knows_are_told_by_what_became_of_them():
    phrases = pd.DataFrame({"criterion": ["not stated", "not stated", "deformed"], "lines": [3, 1, 5]})
    assert wording.phrases_finding(phrases) == (
        "2 reasons are in no source profile and counted as not stated, in 4 lines: add the words to the profile."
        " 1 reason was read by its likeness to a known one: look whether rightly."
    )
    assert wording.phrases_finding(phrases.head(0)) == (
        "Every reason written in the logs is in the words of its source profile."
    )


def test_a_file_shared_with_other_clients_is_told_apart():
    shared = loaded(rows_read=pd.NA, rows_accepted=pd.NA, rows_quarantined=pd.NA, lines_in_use=1)
    assert wording.intake_finding(pd.DataFrame([shared])) == (
        "1 file shared with other clients holds 1 line of this one; what was quarantined there is not counted here, "
        "since nobody can say whose it was."
    )


def test_rules_are_counted():
    rules = pd.DataFrame({"description": ["a", "b", "c"], "rows_failing": [0, 2, 0]})
    assert (
        wording.rules_finding(rules)
        == "3 contract rules were run on every row; 1 rule found rows that break it."
    )
    assert (
        wording.rules_finding(rules.head(1))
        == "1 contract rule was run on every row, and every row keeps all of them."
    )


def test_sources_name_files_lines_and_last_day():
    files = pd.DataFrame({"loaded_at": pd.to_datetime(["2026-01-05", "2026-02-03"]), "lines_in_use": [9, 1]})
    assert wording.sources_in_words(files, date(2026, 1, 31)) == (
        "Made from 2 files, the latest loaded on 3 February 2026, with 10 lines in use. Figures take in inspections up to 31 January 2026."
    )


def test_the_targets_are_those_of_the_risk_targets_file():
    said = wording.interval_targets("").replace("\N{NO-BREAK SPACE}", " ")
    assert "at most 5 % of the shackles are found due for removal at a look" in said
    assert "12 months in normal service and 3 months in severe service" in said
    assert "other clients" not in said


def test_a_client_is_told_from_whose_places_its_rates_borrow():
    said = wording.interval_targets("Brackle Docks")
    assert "only in environments where 5 sites or more of 3 other clients or more stand together" in said


def test_the_cautions_say_what_every_report_must():
    together = " ".join(wording.CAUTIONS).lower()
    for thought in (
        "describe records",
        "look before use",
        "qualified person",
        "shortest",
        "lengthened",
        "thin",
    ):
        assert thought in together


def missing(site="Sea Wall", **columns):
    defaults = {"unaccounted_for": 9, "rate_if_unaccounted_fit": 9.8, "rate_if_unaccounted_removed": 11.0}
    return recommendation(site, **defaults | columns)


def test_shackles_unaccounted_for_are_named_where_they_could_change_the_picture():
    frame = pd.DataFrame(
        [
            missing(),
            missing("North Shed", unaccounted_for=30, rate_if_unaccounted_removed=15.4),
            missing("East Quay", unaccounted_for=41, rate_if_unaccounted_removed=20.3),
            missing("West Quay", unaccounted_for=5, rate_if_unaccounted_fit=7.9),
        ]
    )
    assert wording.unaccounted_finding(frame) == [
        "Over all records, 85 shackles were expected at a periodic inspection and not presented: neither inspected nor recorded as removed. "
        "No rate counts them. Where a log counts by quantity, those that turned up later are among them. At 3 places they "
        "could change the picture.",
        "East Quay (marine spray): 41 shackles unaccounted for. The removal rate of 10 per 100 shackle-years would be 20 if "
        "all were due for removal, and 9.8 if all were fit.",
        "North Shed (marine spray): 30 shackles unaccounted for. The removal rate of 10 per 100 shackle-years would be 15 if "
        "all were due for removal, and 9.8 if all were fit.",
        "West Quay (marine spray): 5 shackles unaccounted for. The removal rate of 10 per 100 shackle-years would be 11 if "
        "all were due for removal, and 7.9 if all were fit.",
    ]


def test_a_few_shackles_unaccounted_for_change_no_picture_and_none_is_said_to_be_none():
    (said,) = wording.unaccounted_finding(pd.DataFrame([missing(unaccounted_for=1)]))
    assert said.startswith(
        "Over all records, 1 shackle was expected at a periodic inspection and not presented"
    )
    assert said.endswith("Whatever became of them, no rate would leave its 90\N{NO-BREAK SPACE}% limits.")
    none = pd.DataFrame([missing(unaccounted_for=0)])
    assert wording.unaccounted_finding(none) == ["No shackle is unaccounted for."]


def test_the_level_of_limits_is_that_of_the_users_own_targets(tmp_path, monkeypatch):
    own = tmp_path / "targets.yaml"
    own.write_text("rate_limits_level: 0.99\nchance_level: 0.001\n", encoding="utf-8")
    monkeypatch.setenv(CARRIED_IN, "{}")
    carry(risk_targets=str(own))
    assert "99\N{NO-BREAK SPACE}% limits of 0 to 30" in wording.trend_in_words(trend(8), "2025-12")
    # 8 against 24 removals: p = 0.007, by the exact binomial test.
    assert "could explain" in wording.yearly_finding(trend([0] * 4 + [1] * 8 + [2] * 12), "2025-12")
