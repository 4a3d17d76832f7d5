"""What a nominal size is read as, whatever unit the log writes it in."""

import pytest

from pipelines.contracts import load_contract
from pipelines.intake.values import named_load_t, readings
from pipelines.sources import known_profiles

(SIZE,) = [column for column in load_contract("inspection_line").columns if column.name == "nominal_size_mm"]


def size_of(text):
    return readings(SIZE, [text], known_profiles()[0])[text]


# NIST Special Publication 811 (2008), Appendix B.8: an inch is 25.4 mm exactly. The whole millimetres that stand for a size
# are those of data_contracts/code_lists/rated_loads.csv, which names its sources.
@pytest.mark.parametrize(
    ("inches", "converted", "whole_mm"),
    [
        ('3/16"', ["4.7625 mm", "4.76 mm", "4.8 mm"], 5),
        ('1/4"', ["6.35 mm", "6.3 mm", "6.4 mm"], 6),
        ('1/2"', ["12.7 mm", "12.70 mm"], 13),
        ('5/8"', ["15.875 mm", "15.88 mm", "15.9 mm"], 16),
        ('3/4"', ["19.05 mm", "19.1 mm"], 19),
        ('1-3/4"', ["44.45 mm", "44.4 mm", "44.5 mm"], 44),
        ('2-1/2"', ["63.5 mm"], 64),
    ],
)
def test_an_inch_size_that_the_log_has_converted_is_the_size_that_it_was(inches, converted, whole_mm):
    assert {size_of(text) for text in (inches, *converted)} == {whole_mm}


def test_an_inch_size_that_is_in_no_table_is_one_size_too():
    assert {size_of(text) for text in ('9/16"', "14.2875 mm", "14.29 mm", "14.3 mm")} == {14.3}


def test_a_size_in_millimetres_stays_what_it_is():
    assert [size_of(f"{mm} mm") for mm in range(1, 201)] == list(range(1, 201))
    # Further from an inch size than a tenth of a millimetre would have rounded it.
    assert [size_of(text) for text in ("12.6 mm", "12.8 mm", "16.5 mm", "-3 mm", "0 mm")] == [
        12.6,
        12.8,
        16.5,
        -3,
        0,
    ]
    assert size_of("9" * 400 + " mm") is None


# 3.25 and 3.2, 4.75 and 4.7 name one size: figures of 5/8 and 3/4 in, as public sheets print them. The tables of sizes and
# loads are those of data_contracts/code_lists/rated_loads.csv; a short ton is 0.90718474 t.
@pytest.mark.parametrize(
    ("size_mm", "marked", "named"),
    [
        (16, [3.25, 3.2, 3.3], 3.25),
        (19, [4.75, 4.7, 4.8], 4.75),
        (19, [4.31, 4.3], 4.31),  # 4.75 short tons in tonnes
        (19, [4.75 * 0.90718474, 4.7 * 0.90718474], 4.31),  # of a log in short tons
        (19, [7.0], 7.0),
        (19, [4.6], 4.6),
        (22, [4.7], 4.7),  # the next size is another one
    ],
)
def test_a_rated_load_rounded_from_that_of_a_named_size_is_that_one(size_mm, marked, named):
    assert {round(named_load_t(load, "shackle", "bow", float(size_mm)), 2) for load in marked} == {named}


def test_a_rated_load_that_two_loads_of_a_size_may_have_been_rounded_to_stays_as_it_is():
    # 5/16 in, carbon: 0.75 short tons are 0.68 t, which rounds to 0.7; 0.75 t cut off is 0.7 too.
    assert named_load_t(0.7, "shackle", "bow", 8.0) == 0.7


def test_a_rated_load_of_unknown_gear_stays_as_it_is():
    assert [named_load_t(4.7, *kind) for kind in ((None, "bow", 19.0), ("shackle", None, None))] == [4.7, 4.7]
