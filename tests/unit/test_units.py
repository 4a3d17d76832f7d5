import pytest

from pipelines import units
from pipelines.contracts import rated_loads


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


# NIST Special Publication 811 (2008), Appendix B.8: "inch (in) to millimeter (mm) 2.54 E+01" (exact) and
# "ton, short (2000 lb) to kilogram (kg) 9.071 847 E+02"; the pound in B.8 is 4.535 924 E-01 kg.
def test_the_factors_are_those_that_are_published():
    assert units.MM_PER_INCH == 25.4
    assert 1000 * units.TONNES_PER["short ton"] == pytest.approx(907.1847, abs=5e-5)
    assert 1000 * units.TONNES_PER["lb"] == pytest.approx(0.4535924, abs=5e-8)
    assert units.TONNES_PER["short ton"] == pytest.approx(2000 * units.TONNES_PER["lb"], rel=1e-15)


@pytest.mark.parametrize(
    "row", list(rated_loads().itertuples(index=False)), ids=lambda row: f"{row.size_in} {row.grade}"
)
def test_sizes_and_loads_as_marked_in_inches_and_short_tons_come_back_from_the_metric_label(row):
    """Nominal sizes and rated loads of data_contracts/code_lists/rated_loads.csv, whose sources it names."""
    tonnes = row.rated_load_short_tons * units.TONNES_PER["short ton"]
    label = f"bow shackle, screw pin, {row.nominal_size_mm:g} mm, {tonnes:.2f} t, {row.grade}"
    size, load = units.in_units(label, "us").split(", ")[2:4]
    assert size == f"{row.size_in} in"
    # The label has two decimals of a tonne, so the load is good to half a hundredth of one.
    assert float(load.split()[0]) == pytest.approx(row.rated_load_short_tons, abs=0.011)
    assert units.in_units(label, "metric") == label


@pytest.mark.parametrize(
    ("mm", "inches"),
    # Other metric sizes in common use for the same nominal sizes, then two that no inch size is near to.
    [(12, "1/2"), (14, "9/16"), (28, "1-1/8"), (45, "1-3/4"), (50, "2"), (57, "2-1/4"), (65, "2-1/2"), (75, "3"),
     (89, "3-1/2"), (100, "4"), (17, "0.67"), (1, "0.04")],
)  # fmt: skip
def test_a_metric_size_is_called_by_the_nearest_nominal_size_in_inches(mm, inches):
    assert units.nominal_inches(mm) == inches


def test_a_load_of_one_short_ton_and_a_band_of_sizes():
    assert (
        units.in_units("chain shackle, round pin, 10 mm, 0.91 t", "us")
        == "chain shackle, round pin, 3/8 in, 1 short ton"
    )
    assert units.in_units("above 38 mm", "us") == "above 1-1/2 in"
    assert units.in_units("Sea Wall, 3 lifts", "us") == "Sea Wall, 3 lifts"
