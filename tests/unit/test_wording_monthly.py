"""What the monthly report tells a safety manager to do, on records where the answer is known."""

from datetime import date

import pandas as pd
import pytest

from pipelines import wording_monthly as wording

YARD = {"client": "Brackle Docks", "site": "North Shed", "environment": "indoor dry"}
WALL = {"client": "Brackle Docks", "site": "Sea Wall", "environment": "marine spray"}
MONTH = "2026-03"


def rates(*rows):
    columns = [*YARD, "month", "signal", "removed_per_100_shackle_years", "limit_upper"]
    return pd.DataFrame([{"month": MONTH, "limit_upper": 10.0, **row} for row in rows], columns=columns)


def due(*rows):
    columns = [*YARD, "item_class", "due_on", "days_overdue", "quantity", "unaccounted_for"]
    usual = {"item_class": "bow shackle", "days_overdue": 0, "quantity": 0, "unaccounted_for": 0}
    frame = pd.DataFrame([usual | row for row in rows], columns=columns)
    return frame.assign(due_on=pd.to_datetime(frame["due_on"]))


def between(*rows):
    columns = [*YARD, "item_class", "criterion", "tier", "removed", "removed_since_look"]
    return pd.DataFrame(rows, columns=columns)


def places(*rows):
    columns = [*YARD, "outcome", "needs_sign_off", "highest_rate", "rate_lower"]
    months = ["current_interval_months", "recommended_interval_months"]
    frame = pd.DataFrame([{"needs_sign_off": False} | row for row in rows], columns=[*columns, *months])
    return frame.astype(dict.fromkeys(months, "Int64"))


def reasons(**removed):
    return pd.DataFrame(
        {"criterion": [name.replace("_", " ") for name in removed], "removed": removed.values()}
    )


def files(*quarantined):
    return pd.DataFrame({"rows_quarantined": pd.Series(quarantined, dtype="Int64")})


def tasks(**given):
    usual = {
        "rates": rates(), "between": between(), "due": due(), "recommendations": places(), "reasons": reasons(), "files": files(), "period": MONTH
    }  # fmt: skip
    return wording.to_do(**usual | given)


def test_a_quiet_month_asks_for_nothing_but_the_usual():
    quiet = tasks(
        rates=rates(YARD | {"signal": "within", "removed_per_100_shackle_years": 5.0}),
        due=due(YARD | {"days_overdue": -20, "quantity": 40}),
        recommendations=places(YARD | {"outcome": "keep"}),
        reasons=reasons(deformed=9, not_stated=1),
        files=files(0, None),
    )
    assert quiet == ["Nothing stands out this month. Keep to the intervals, and to the look before use."]


def test_places_above_their_usual_range_come_first_the_farthest_above_before_others():
    first, second, third = tasks(
        rates=rates(
            YARD | {"signal": "above", "removed_per_100_shackle_years": 11.0},
            WALL | {"signal": "above", "removed_per_100_shackle_years": 30.0},
            YARD | {"month": "2026-02", "signal": "above", "removed_per_100_shackle_years": 90.0},
        ),
        files=files(3),
    )
    assert first.startswith("Go and see Sea Wall (marine spray): its removal rate is above its usual range.")
    assert second.startswith("Go and see North Shed (indoor dry)")
    assert third.startswith("Have 3 rows of the logs corrected")


def test_the_like_of_what_a_shift_removed_as_load_bearing_is_put_before_a_qualified_person():
    cracked = {
        "criterion": "cracked or broken",
        "tier": "load-bearing",
        "removed": 5,
        "removed_since_look": 4,
    }
    first, second, third = tasks(
        rates=rates(YARD | {"signal": "above", "removed_per_100_shackle_years": 11.0}),
        between=between(
            WALL | cracked | {"item_class": "bow 16 mm", "criterion": "not stated", "tier": "not stated", "removed_since_look": 1},
            YARD | cracked | {"item_class": "bow 19 mm"},
            YARD | cracked | {"item_class": "bow 19 mm", "criterion": "thread damage", "tier": "pin and fit"},
            YARD | cracked | {"item_class": "bow 25 mm", "removed_since_look": 0},
            YARD | cracked | {"item_class": "bow 32 mm", "criterion": "thread damage", "tier": "pin and fit"},
        ),
    )  # fmt: skip
    assert first.startswith("Go and see North Shed")
    assert second == (
        "Ask a qualified person whether the other items of bow 19 mm at North Shed (indoor dry) can wait for the next periodic "
        "inspection: this month frequent inspections removed 4 for cracked or broken."
    )
    assert third.startswith(
        "Ask a qualified person whether the other items of bow 16 mm at Sea Wall (marine spray) can wait"
    )
    assert third.endswith("removed 1 with no criterion stated.")
    many = [YARD | cracked | {"item_class": f"bow {size} mm"} for size in range(10, 18)]
    *named, rest = tasks(between=between(*many))
    assert (len(named), rest) == (6, "Ask the same of 2 more item classes, named below.")


def test_inspections_past_their_day_are_counted_with_the_latest_named():
    (task,) = tasks(
        due=due(
            YARD | {"days_overdue": 8, "quantity": 200},
            WALL | {"days_overdue": 90, "quantity": 12},
            WALL | {"days_overdue": -5, "quantity": 1000},
        )
    )
    assert task == (
        "Have 212 shackles at 2 places inspected that are past the day, first at Sea Wall (marine spray), 90 days late. "
        "Nobody knows what state they are in."
    )


def test_shorter_intervals_are_named_and_longer_ones_only_counted():
    shorter, asked, longer = tasks(
        recommendations=places(
            YARD
            | {
                "outcome": "shorten",
                "highest_rate": 4.0,
                "current_interval_months": 12,
                "recommended_interval_months": 6,
            },
            WALL
            | {
                "outcome": "shorten",
                "highest_rate": 40.0,
                "current_interval_months": 3,
                "recommended_interval_months": 1,
            },
            YARD
            | {
                "environment": "furnace heat",
                "outcome": "qualified person to set",
                "highest_rate": 90.0,
            },
            YARD
            | {"environment": "cold store", "outcome": "may lengthen, sign-off needed", "highest_rate": 1.0},
        )
    )
    assert shorter == (
        "Decide with a qualified person on shorter intervals: Sea Wall (marine spray) from 3 to 1 month and "
        "North Shed (indoor dry) from 12 to 6 months."
    )
    assert asked == "Ask a qualified person to set the interval at North Shed (furnace heat)."
    assert longer.startswith("Not urgent: a longer interval would be possible at 1 place, but only if")
    assert "cold store" not in longer


def test_a_place_of_little_experience_whose_lowest_rate_breaks_a_target_is_put_before_a_qualified_person():
    thin = {"outcome": "too little experience, guideline kept", "recommended_interval_months": 12}
    (task,) = tasks(
        recommendations=places(
            YARD | thin | {"needs_sign_off": True, "rate_lower": 113.5},
            WALL | thin | {"needs_sign_off": True, "rate_lower": 266.8, "recommended_interval_months": 1},
            YARD | thin | {"environment": "cold store", "rate_lower": 0.0},
        )
    )
    assert task == (
        "Ask a qualified person whether the interval is short enough: Sea Wall (marine spray) with 1 month and "
        "North Shed (indoor dry) with 12 months. There is too little experience to compute one, yet even the lower limit "
        "of the removal rate breaks a target."
    )


def test_of_many_places_the_most_urgent_are_named_and_the_rest_counted():
    many = [
        YARD | {"site": f"Yard {number}", "signal": "above", "removed_per_100_shackle_years": 11.0 + number}
        for number in range(9)
    ]
    *named, rest = tasks(rates=rates(*many))
    assert [task.split("(")[0] for task in named] == [
        f"Go and see Yard {number} " for number in range(8, 2, -1)
    ]
    assert rest == "Go and see 3 more places above their usual range, named below."
    shorten = {"outcome": "shorten", "current_interval_months": 12, "recommended_interval_months": 6}
    (task,) = tasks(recommendations=places(*({**place, **shorten, "highest_rate": 5.0} for place in many)))
    assert task.count(" from 12 to 6 months") == 6
    assert task.endswith(" and 3 more.")


def test_shackles_that_nobody_presented_are_to_be_found():
    (task,) = tasks(due=due(YARD | {"unaccounted_for": 2}, WALL | {"unaccounted_for": 5}))
    assert task == (
        "Find out what became of 7 shackles that nobody presented, the largest number (5) at Sea Wall (marine spray)."
    )
    (task,) = tasks(due=due(YARD | {"unaccounted_for": 1}))
    assert task == "Find out what became of 1 shackle that nobody presented at North Shed (indoor dry)."


@pytest.mark.parametrize(("missing", "is_asked_for"), [(1, False), (2, True)])
def test_a_reason_is_asked_for_where_more_than_a_tenth_have_none(missing, is_asked_for):
    (task,) = tasks(reasons=reasons(deformed=10 - missing, not_stated=missing))
    assert task.startswith("Ask for a reason with each removal: 20") == is_asked_for


def test_inspections_of_the_month_to_come_are_those_due_in_it():
    coming = due(
        YARD | {"due_on": "2026-04-30", "quantity": 5}, YARD | {"due_on": "2026-04-02", "quantity": 20},
        WALL | {"due_on": "2026-05-01", "quantity": 300}, WALL | {"due_on": "2026-03-31", "quantity": 4000},
    )  # fmt: skip
    as_of = date(2026, 3, 31)
    assert (
        wording.soon_due_finding(coming, as_of)
        == "In April 2026 the periodic inspection falls due for 25 shackles at 1 place."
    )
    assert wording.soon_due_places(coming, as_of) == [
        "North Shed (indoor dry): 25 shackles of 2 item classes, the first on 2 April 2026."
    ]
    assert wording.soon_due_finding(due(), as_of) == "No periodic inspection falls due in April 2026."


def changes(**criteria):
    """Rows of one client by criterion: rate last year, rate before, whether beyond chance."""
    rows = [
        {
            "client": "Brackle Docks", "criterion": name.replace("_", " "), "rate_last_same_places": last,
            "rate_prior_same_places": prior, "is_change_beyond_chance": is_beyond,
            "is_mix_change_beyond_chance": any(beyond for *_, beyond in criteria.values()),
        }
        for name, (last, prior, is_beyond) in criteria.items()
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_reasons_that_changed_are_told_the_greatest_change_first():
    assert wording.reason_changes(
        changes(deformed=(3.0, 2.5, True), heat_damage=(1.0, 4.0, True), nicks_or_gouges=(2.0, 1.9, False)),
        "",
    ) == [
        "At Brackle Docks, against the 12 months before at the same places, removals for heat damage went down from 4 to 1 and removals for "
        "deformed went up from 2.5 to 3 per 100 shackle-years, more than chance explains; the mix of reasons has changed "
        "beyond chance."
    ]


def test_reasons_that_stayed_and_reasons_of_which_too_little_is_known():
    (steady,) = wording.reason_changes(changes(deformed=(3.0, 2.9, False)), "North Shed")
    assert steady.startswith("At North Shed no criterion")
    assert steady.endswith(
        "changed beyond chance against the 12 months before at the same places; the mix of reasons has not changed beyond chance."
    )
    unknown = changes(deformed=(3.0, 2.9, False)).assign(is_change_beyond_chance=None)
    assert wording.reason_changes(unknown, "") == [
        "At Brackle Docks no place has exposure and removals enough in both years to compare reasons with the year before."
    ]
