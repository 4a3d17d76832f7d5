"""Days are chosen so that gaps are whole: 1461 days are 4 years of 365.25 days, 2020-01-01 to 2024-01-01."""

from datetime import date

import pandas as pd
import pytest

FIRST = ("periodic", "2020-01-01", 10, 0)
YEAR = 365.25


def closing(frame: pd.DataFrame) -> pd.Series:
    """The one look that is not a first one."""
    (row,) = (row for _, row in frame.iterrows() if not row["is_first_look"])
    return row


def test_a_first_look_opens_the_clock_and_has_no_exposure(exposures):
    frame = exposures(("periodic", "2020-01-01", 10, 3))
    assert frame["is_first_look"].tolist() == [True]
    assert frame[["shackle_years", "previous_on"]].isna().all(axis=None)
    assert frame[["inspected", "removed", "removed_between", "joined", "unaccounted_for"]].iloc[
        0
    ].tolist() == [10, 3, 0, 0, 0]
    assert frame["shackle_years_unaccounted_for"].tolist() == [0]


def test_found_fit_has_the_whole_gap(exposures):
    assert closing(exposures(FIRST, ("periodic", "2024-01-01", 10, 0)))["shackle_years"] == 40


def test_removed_at_the_look_has_half_of_it(exposures):
    assert closing(exposures(FIRST, ("periodic", "2024-01-01", 10, 4)))["shackle_years"] == 32


def test_everything_removed_leaves_half_the_gap(exposures):
    assert closing(exposures(FIRST, ("periodic", "2024-01-01", 10, 10)))["shackle_years"] == 20


def test_lines_of_one_group_and_day_are_one_look(exposures):
    frame = exposures(FIRST, ("periodic", "2024-01-01", 6, 4), ("periodic", "2024-01-01", 4, 0))
    assert closing(frame)[["inspected", "removed", "shackle_years"]].tolist() == [10, 4, 32]


def test_nothing_presented_is_no_look_and_the_clock_stays(exposures):
    frame = exposures(FIRST, ("periodic", "2022-01-01", 0, 0), ("periodic", "2024-01-01", 10, 0))
    assert len(frame) == 2
    assert closing(frame)["shackle_years"] == 40


def test_items_unaccounted_for_have_no_exposure_and_are_no_removal(exposures):
    row = closing(exposures(FIRST, ("periodic", "2024-01-01", 7, 0)))
    assert (row["unaccounted_for"], row["removed"], row["shackle_years"]) == (3, 0, 28)
    assert row["shackle_years_unaccounted_for"] == 12


@pytest.mark.parametrize(("inspected", "written", "told"), [(7, 2, 3), (7, 3, 3), (9, 4, 4), (12, 1, 1)])
def test_at_least_what_the_log_says_was_not_presented_is_unaccounted_for(exposures, inspected, written, told):
    absent = {"not_presented": written}
    row = closing(exposures(FIRST, ("periodic", "2024-01-01", inspected, 0, absent)))
    assert row["unaccounted_for"] == told
    assert exposures(("periodic", "2024-01-01", 10, 0, absent))["unaccounted_for"].tolist() == [written]


def test_removed_and_replaced_items_change_how_many_are_expected(exposures):
    frame = exposures(("periodic", "2020-01-01", 10, 3, {"replaced": 2}), ("periodic", "2024-01-01", 9, 0))
    assert closing(frame)[["joined", "unaccounted_for", "shackle_years"]].tolist() == [0, 0, 36]


def test_joiners_have_half_the_gap_and_a_quarter_if_removed(exposures):
    row = closing(exposures(FIRST, ("periodic", "2024-01-01", 14, 0)))
    assert row["days_not_there"] == 4 * 1461 / 2
    assert (row["joined"], row["shackle_years"]) == (4, 48)
    # 14 items, 12 of them as it were for 4 years; 7 removed in all, spread evenly over old and new.
    assert closing(exposures(FIRST, ("periodic", "2024-01-01", 14, 7)))["shackle_years"] == 36


def test_removed_between_looks_has_the_time_to_its_day(exposures):
    row = closing(exposures(FIRST, ("frequent", "2020-12-31", 2, 2), ("periodic", "2024-01-01", 8, 0)))
    assert (row["removed_between"], row["joined"]) == (2, 0)
    assert row["shackle_years"] == pytest.approx(32 + 2 * 365 / YEAR)


@pytest.mark.parametrize("day", ["2019-06-01", "2020-01-01", "2024-01-02"])
def test_removed_outside_closed_gaps_is_not_at_risk(exposures, day):
    # Before the first look, on its day, and after the last one.
    frame = exposures(FIRST, ("frequent", day, 2, 2), ("periodic", "2024-01-01", 10, 0))
    assert frame["removed_between"].tolist() == [0, 0]
    assert closing(frame)["shackle_years"] == 40


def test_a_removal_after_the_last_look_counts_once_its_gap_closes(exposures):
    lines = [FIRST, ("periodic", "2024-01-01", 10, 0), ("frequent", "2024-01-02", 2, 2)]
    assert exposures(*lines, ("periodic", "2028-01-01", 8, 0))["removed_between"].tolist() == [0, 0, 2]


def test_removed_on_the_day_of_a_look_counts_as_before_it(exposures):
    row = closing(exposures(FIRST, ("frequent", "2024-01-01", 2, 2), ("periodic", "2024-01-01", 8, 0)))
    assert (row["removed_between"], row["joined"], row["shackle_years"]) == (2, 0, 40)


def test_joiners_with_a_receipt_have_the_time_since_then(exposures):
    receipt = ("initial", "2022-12-31", 5, 1)  # 4 accepted, 366 days before the look
    row = closing(exposures(FIRST, receipt, ("periodic", "2024-01-01", 14, 0)))
    assert row["days_not_there"] == 4 * (1461 - 366)
    assert row["shackle_years"] == pytest.approx(40 + 4 * 366 / YEAR)


def test_joiners_beyond_the_receipts_have_half_the_gap(exposures):
    receipt = ("initial", "2022-12-31", 1, 0)
    row = closing(exposures(FIRST, receipt, ("periodic", "2024-01-01", 14, 0)))
    assert row["shackle_years"] == pytest.approx(40 + 366 / YEAR + 3 * 2)


def test_of_more_receipts_than_joiners_the_latest_count(exposures):
    receipts = [
        ("initial", "2020-06-01", 3, 0),
        ("initial", "2022-12-31", 3, 0),
        ("initial", "2023-12-31", 3, 0),
    ]
    row = closing(exposures(FIRST, *receipts, ("periodic", "2024-01-01", 14, 0)))
    assert row["shackle_years"] == pytest.approx(40 + (3 * 1 + 1 * 366) / YEAR)


def test_receipts_never_raise_what_is_expected(exposures):
    row = closing(exposures(FIRST, ("initial", "2022-12-31", 5, 0), ("periodic", "2024-01-01", 10, 0)))
    assert (row["joined"], row["unaccounted_for"], row["shackle_years"]) == (0, 0, 40)


def test_a_receipt_before_the_gap_tells_no_day(exposures):
    row = closing(exposures(FIRST, ("initial", "2020-01-01", 4, 0), ("periodic", "2024-01-01", 14, 0)))
    assert row["shackle_years"] == 48


def test_more_removed_between_looks_than_stood_there_expects_none(exposures):
    frame = exposures(
        ("periodic", "2020-01-01", 1, 0), ("frequent", "2024-01-01", 9, 9), ("periodic", "2024-01-01", 2, 0)
    )
    row = closing(frame)
    assert row["joined"] == 2
    assert row["shackle_years"] == 4 + 9 * 4


def test_groups_do_not_touch_one_another(exposures):
    other = {"item_class": "chain 25 mm"}
    frame = exposures(FIRST, ("periodic", "2022-01-01", 10, 0, other), ("periodic", "2024-01-01", 10, 0))
    assert closing(frame)["shackle_years"] == 40
    assert frame["is_first_look"].sum() == 2


def test_days_after_the_last_day_counted_are_left_out(exposures):
    frame = exposures(FIRST, ("periodic", "2024-01-01", 10, 0), as_of=date(2023, 12, 31))
    assert frame["is_first_look"].tolist() == [True]
    assert exposures(FIRST, as_of=None).empty


TAG = {"serial": "N-17"}
OTHER_TAG = {"serial": "N-18"}


def test_each_serialised_item_is_a_group_of_its_own(exposures):
    frame = exposures(
        ("periodic", "2020-01-01", 1, 0, TAG),
        ("periodic", "2022-01-01", 1, 0, OTHER_TAG),
        ("periodic", "2024-01-01", 1, 1, TAG),
    )
    assert closing(frame)[["serial", "shackle_years"]].tolist() == ["N-17", 2]


def test_a_serialised_item_starts_its_clock_when_it_is_accepted(exposures):
    frame = exposures(("initial", "2020-01-01", 1, 0, TAG), ("periodic", "2024-01-01", 1, 1, TAG))
    row = closing(frame)
    assert len(frame) == 1
    assert (row["previous_on"], row["joined"], row["shackle_years"]) == (pd.Timestamp("2020-01-01"), 0, 2)


def test_a_serialised_item_rejected_on_receipt_starts_no_clock(exposures):
    frame = exposures(("initial", "2020-01-01", 1, 1, TAG), ("periodic", "2024-01-01", 1, 0, TAG))
    assert frame["is_first_look"].tolist() == [True]


def test_a_receipt_counted_by_quantity_starts_no_clock(exposures):
    frame = exposures(("initial", "2020-01-01", 10, 0), ("periodic", "2024-01-01", 10, 0))
    assert frame["is_first_look"].tolist() == [True]


def test_a_serialised_item_that_comes_back_has_the_time_since_it_was_accepted_again(exposures):
    frame = exposures(
        ("periodic", "2020-01-01", 1, 1, TAG),
        ("initial", "2022-12-31", 1, 0, TAG),
        ("periodic", "2024-01-01", 1, 0, TAG),
    )
    row = closing(frame)
    assert (row["joined"], row["shackle_years"]) == (1, pytest.approx(366 / YEAR))


def test_one_item_is_never_in_service_for_longer_than_the_gap(exposures):
    # Written down twice: removed that day at the frequent inspection, and seen at the periodic one.
    frame = exposures(
        ("periodic", "2020-01-01", 1, 0, TAG),
        ("frequent", "2024-01-01", 1, 1, TAG),
        ("periodic", "2024-01-01", 1, 0, TAG),
    )
    row = closing(frame)
    assert (row["removed_between"], row["shackle_years"]) == (1, 4)


GONE = [("periodic", "2020-01-01", 1, 0, TAG), ("frequent", "2020-12-31", 1, 1, TAG)]


def test_a_serialised_item_that_is_gone_counts_when_its_class_is_looked_at_next(exposures):
    others = [("periodic", "2020-01-01", 1, 0, OTHER_TAG), ("periodic", "2024-01-01", 1, 0, OTHER_TAG)]
    frame = exposures(*GONE, *others)
    row = frame[(frame["serial"] == "N-17") & ~frame["is_first_look"]].iloc[0]
    assert row[["inspected", "removed", "removed_between", "joined", "unaccounted_for"]].tolist() == [
        0,
        0,
        1,
        0,
        0,
    ]
    assert row["inspected_on"] == pd.Timestamp("2024-01-01")
    assert row["shackle_years"] == pytest.approx(365 / YEAR)


def test_a_serialised_item_that_is_gone_waits_while_its_class_is_not_looked_at(exposures):
    assert exposures(*GONE)["removed_between"].tolist() == [0]


def test_a_look_at_others_on_the_day_it_went_closes_its_gap(exposures):
    frame = exposures(*GONE, ("periodic", "2020-12-31", 1, 0, OTHER_TAG))
    assert frame["removed_between"].sum() == 1


def test_a_look_at_items_counted_by_quantity_closes_no_gap_of_a_serialised_item(exposures):
    assert exposures(*GONE, ("periodic", "2024-01-01", 10, 0))["removed_between"].sum() == 0


def missing_at(frame: pd.DataFrame) -> list[str]:
    """The days of the looks that N-17 missed."""
    rows = frame[(frame["serial"] == "N-17") & (frame["unaccounted_for"] > 0)]
    return rows["inspected_on"].dt.strftime("%Y-%m-%d").tolist()


SEEN = ("periodic", "2020-01-01", 1, 0, TAG)


def other_look(day: str, **columns) -> tuple:
    return ("periodic", day, 1, 0, OTHER_TAG | columns)


def test_a_serialised_item_is_unaccounted_for_once_at_the_first_look_of_its_class_when_it_was_due(exposures):
    others = [other_look(day) for day in ("2020-12-31", "2024-01-01", "2025-01-01")]
    frame = exposures(SEEN, *others, interval_months=12)
    assert missing_at(frame) == ["2024-01-01"]
    row = frame[frame["unaccounted_for"] > 0].iloc[0]
    assert row["previous_on"] == pd.Timestamp("2020-01-01")
    assert row[["inspected", "removed", "removed_between", "joined"]].tolist() == [0, 0, 0, 0]
    assert row[["shackle_years", "shackle_years_unaccounted_for"]].tolist() == [0, 4]
    assert not row["is_first_look"]


def test_a_look_on_the_very_due_day_counts_and_one_before_it_does_not(exposures):
    assert missing_at(exposures(SEEN, other_look("2021-01-01"), interval_months=12)) == ["2021-01-01"]
    assert missing_at(exposures(SEEN, other_look("2020-12-31"), interval_months=12)) == []


def test_a_serialised_item_that_turns_up_later_keeps_its_own_earlier_look(exposures):
    log = [SEEN, other_look("2021-01-01"), ("periodic", "2024-01-01", 1, 1, TAG), other_look("2022-01-01")]
    frame = exposures(*log, interval_months=12)
    assert missing_at(frame) == []
    own = frame[(frame["serial"] == "N-17") & ~frame["is_first_look"]]
    assert own[["previous_on", "shackle_years"]].to_numpy().tolist() == [[pd.Timestamp("2020-01-01"), 2]]
    # As long as it had not turned up it was unaccounted for.
    assert missing_at(exposures(*log, interval_months=12, as_of=date(2023, 12, 31))) == ["2021-01-01"]


def test_an_item_seen_at_a_frequent_inspection_since_is_not_unaccounted_for(exposures):
    log = [SEEN, other_look("2022-01-01"), other_look("2022-06-01"), ("frequent", "2022-06-01", 1, 0, TAG)]
    assert missing_at(exposures(*log, interval_months=12)) == []
    assert missing_at(exposures(*log, other_look("2023-01-01"), interval_months=12)) == ["2023-01-01"]


def test_a_line_that_says_it_was_not_there_is_not_seeing_it(exposures):
    absent = ("periodic", "2022-01-01", 0, 0, TAG)
    assert missing_at(exposures(SEEN, other_look("2022-01-01"), absent, interval_months=12)) == ["2022-01-01"]


@pytest.mark.parametrize(
    "elsewhere",
    [{"site": "Sea Wall"}, {"environment": "marine spray"}, {"item_class": "chain 25 mm"}, {"serial": None}],
)
def test_a_look_at_others_elsewhere_or_at_items_counted_by_quantity_is_not_missed(exposures, elsewhere):
    assert missing_at(exposures(SEEN, other_look("2024-01-01", **elsewhere), interval_months=12)) == []


@pytest.mark.parametrize(
    "lines",
    [
        [("periodic", "2020-01-01", 1, 1, TAG)],
        [SEEN, ("frequent", "2020-06-01", 1, 1, TAG)],
        [("initial", "2020-01-01", 1, 1, TAG)],
        [("frequent", "2020-01-01", 1, 0, TAG)],
    ],
)
def test_what_is_not_in_service_cannot_be_missing(exposures, lines):
    assert missing_at(exposures(*lines, other_look("2024-01-01"), interval_months=12)) == []


def test_an_item_received_and_never_looked_at_can_be_missing(exposures):
    received = ("initial", "2020-01-01", 1, 0, TAG)
    frame = exposures(received, other_look("2020-12-31"), other_look("2024-01-01"), interval_months=12)
    assert missing_at(frame) == ["2024-01-01"]


def test_a_serialised_item_that_moves_takes_its_clock_along(exposures):
    there = {"site": "Sea Wall", "environment": "marine spray"}
    frame = exposures(SEEN, ("periodic", "2024-01-01", 1, 1, TAG | there))
    row = closing(frame)
    assert row[["site", "environment"]].tolist() == ["Sea Wall", "marine spray"]
    assert row[["previous_on", "removed", "shackle_years"]].tolist() == [pd.Timestamp("2020-01-01"), 1, 2]
    assert frame["is_first_look"].sum() == 1


def test_a_serialised_item_that_moved_is_missing_at_its_new_place_only(exposures):
    moved = [SEEN, ("periodic", "2020-06-01", 1, 0, TAG | {"site": "Sea Wall"})]
    assert missing_at(exposures(*moved, other_look("2024-01-01"), interval_months=12)) == []
    frame = exposures(*moved, other_look("2024-01-01", site="Sea Wall"), interval_months=12)
    assert frame.loc[frame["unaccounted_for"] > 0, "site"].tolist() == ["Sea Wall"]


def test_a_removal_between_looks_stands_with_the_look_that_closes_its_gap(exposures):
    # Removed at North Shed, returned to service and looked at by the sea.
    row = closing(exposures(*GONE, ("periodic", "2024-01-01", 1, 0, TAG | {"site": "Sea Wall"})))
    assert row[["site", "removed_between"]].tolist() == ["Sea Wall", 1]


def test_one_item_written_down_at_two_places_on_one_day_is_one_look(exposures):
    there = ("periodic", "2024-01-01", 1, 0, TAG | {"site": "Sea Wall"})
    row = closing(exposures(SEEN, there, ("periodic", "2024-01-01", 1, 0, TAG)))
    assert row[["site", "inspected", "shackle_years"]].tolist() == ["Sea Wall", 2, 4]


def test_items_counted_by_quantity_never_move(exposures):
    frame = exposures(FIRST, ("periodic", "2024-01-01", 10, 0, {"site": "Sea Wall"}))
    assert frame["is_first_look"].tolist() == [True, True]


# 40 items, looked at by halves on two days, 4 years apart.
HALVES = [
    ("periodic", "2019-12-30", 20, 1, {"replaced": 1}), ("periodic", "2020-01-01", 20, 2, {"replaced": 2}),
    ("periodic", "2023-12-30", 20, 3), ("frequent", "2023-12-31", 1, 1), ("periodic", "2024-01-01", 19, 0),
]  # fmt: skip


def test_a_visit_of_several_days_is_one_look_on_its_last_day(exposures):
    frame = exposures(*HALVES, interval_months=12, visit_days=3)
    assert frame["inspected"].tolist() == [40, 39]
    row = closing(frame)
    assert (row["removed"], row["removed_between"]) == (3, 1)
    assert (row["joined"], row["unaccounted_for"]) == (0, 0)
    assert row["shackle_years"] == pytest.approx(4 * 39 * (1 - 3 / 78) + 1460 / YEAR)


@pytest.mark.parametrize("visit_days", [None, 1, 2])
def test_days_as_far_apart_as_that_are_looks_by_themselves(exposures, visit_days):
    frame = exposures(*HALVES, interval_months=12, visit_days=visit_days)
    assert frame["inspected"].tolist() == [20, 20, 20, 19]


def test_days_that_follow_one_another_are_one_visit_however_many_they_are(exposures):
    week = [("periodic", f"2024-01-0{day}", 5, 0) for day in range(1, 8)]
    frame = exposures(*week, interval_months=12, visit_days=2)
    assert frame[["inspected", "is_first_look"]].to_numpy().tolist() == [[35, True]]


def test_a_tag_looked_at_on_two_days_of_a_visit_is_looked_at_twice(exposures):
    tag = {"serial": "N-17"}
    lines = [("periodic", day, 1, 0, tag) for day in ("2024-01-01", "2024-01-02")]
    assert exposures(*lines, interval_months=12, visit_days=5)["inspected"].tolist() == [1, 1]
