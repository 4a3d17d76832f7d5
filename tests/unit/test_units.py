import pytest

from pipelines import units


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("5/8", 0.625),
        ('5/8"', 0.625),
        ("⅝ in", 0.625),
        ("0.625", 0.625),
        ("1-1/4", 1.25),
        ("1 1/4", 1.25),
        ("1¼", 1.25),
        ("1 1/4 inch", 1.25),
    ],
)
def test_an_inch_size_is_read_however_it_is_written(text, inches):
    assert units.length(text, "in") == (inches, "in")


@pytest.mark.parametrize(
    ("text", "expected"), [("16 mm", (16.0, "mm")), ("16mm", (16.0, "mm")), ("16", (16.0, "in"))]
)
def test_a_unit_beside_the_value_goes_before_the_profile(text, expected):
    assert units.length(text, "in") == expected


@pytest.mark.parametrize("text", ['5/8 or 3/4"', "big", "5/0", "", "16 ft", "--4"])
def test_what_is_no_length_is_none(text):
    assert units.length(text, "mm") is None


# 1 lb = 0.45359237 kg exactly (international yard and pound agreement, 1959); a short ton is 2 000 lb.
@pytest.mark.parametrize(
    ("text", "unit", "tonnes"),
    [
        ("3 1/4 T", "short ton", 3.25 * 2000 * 0.45359237 / 1000),
        ("3.25 t", "t", 3.25),
        ("3250 kg", "short ton", 3.25),
        ("7150 lb", "t", 7150 * 0.45359237 / 1000),
        ("3¼", "t", 3.25),
        ("2.95 tonnes", "short ton", 2.95),
        ("2.95 te", "short ton", 2.95),
        ("3.25 US tons", "t", 3.25 * 2000 * 0.45359237 / 1000),
    ],
)
def test_a_rated_load_becomes_tonnes_by_the_meaning_of_its_unit(text, unit, tonnes):
    assert units.load_t(text, unit) == pytest.approx(tonnes, abs=1e-9)


def test_a_load_with_a_decimal_comma():
    assert units.load_t("2,95", "t", decimal=",") == 2.95
    assert units.load_t("2,95", "t") is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [("25", 25), ("5.0", 5), ("2.5", None), ("12 ea", None), ("1,250", None), ("-3", -3), ("4/2", None)],
)
def test_a_whole_number_is_whole_or_none(text, expected):
    assert units.whole_number(text) == expected
