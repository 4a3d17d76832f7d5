import csv

import pytest

from pipelines.faults import DataFault, RequestFault
from pipelines.intake import load_files
from tests.refusals import fault_of

STOCK = """client,gear_family,body,pin,nominal_size_mm,rated_load_t,grade,on_hand,on_order,lead_time_days
Brackle Docks,shackle,bow,screw pin,16,2.95,carbon,40,0,14
"""


def load(store, *registers):
    return list(load_files([], store.path, list(registers), store.profile_path))


def test_a_row_with_a_known_key_is_replaced_and_the_rest_stay(store):
    load(store, store.register)
    text = store.register.read_text(encoding="utf-8")
    header, first, _ = text.splitlines()
    store.register.write_text(f"{header}\n{first.replace(',12,', ',6,')}\n", encoding="utf-8")
    load(store, store.register)
    assert store.ask("select site, current_interval_months from site_register order by site") == [
        ("North Shed", 6),
        ("Sea Wall", 3),
    ]


def test_a_stock_register_carries_the_same_item_class_as_the_log(store, tmp_path):
    path = tmp_path / "stock.csv"
    path.write_text(STOCK, encoding="utf-8")
    load(store, path)
    assert store.ask("select item_class, on_hand from stock_register") == [
        ("bow shackle, screw pin, 16 mm, 2.95 t, carbon", 40)
    ]


def test_a_rated_load_of_a_named_size_is_one_load_in_stock_too(store, tmp_path):
    path = tmp_path / "stock.csv"
    path.write_text(STOCK.replace("2.95", "3.2"), encoding="utf-8")
    load(store, path)
    path.write_text(STOCK.replace("2.95", "3.25").replace(",40,", ",50,"), encoding="utf-8")
    load(store, path)
    assert store.ask("select item_class, on_hand from stock_register") == [
        ("bow shackle, screw pin, 16 mm, 3.25 t, carbon", 50)
    ]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            ",12,",
            ",0,",
            'register.csv, row 1, column "current_interval_months": "0" breaks a rule. The current interval is 1 to 60 months.'
            " Correct the row.",
        ),
        (
            "daily,3,6,",
            "daily,3,0,",
            'register.csv, row 2, column "legal_limit_months": "0" breaks a rule. The legal limit is 1 to 60 months, or empty'
            " where the law sets none. Correct the row.",
        ),
        (
            "daily,3,6,",
            "daily,3,6,-1",
            'register.csv, row 2, column "site_rule_months": "-1" breaks a rule. The site\'s own limit is 1 to 60 months, or'
            " empty where there is none. Correct the row.",
        ),
        (",12,", ",,", 'register.csv, row 1, column "current_interval_months" is empty. Fill it in.'),
        (
            "severe",
            "harsh",
            'register.csv, row 2, column "service_class": "harsh" is none of: normal, severe, special. Correct the row.',
        ),
    ],
)
def test_one_row_at_fault_refuses_the_register_whole(store, old, new, sentence):
    text = store.register.read_text(encoding="utf-8")
    store.register.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataFault) as caught:
        load(store, store.register)
    assert str(caught.value) == sentence
    assert store.ask("select count(*) from site_register") == [(0,)]


@pytest.mark.parametrize(
    ("column", "value"),
    [(column, "-1") for column in ("on_hand", "on_order", "lead_time_days", "lead_time_sd_days", "unit_cost", "minimum_order")]
    + [(column, "0") for column in ("nominal_size_mm", "rated_load_t", "pack_size")],
)  # fmt: skip
def test_a_stock_register_with_a_number_out_of_its_bounds_is_refused(store, tmp_path, column, value):
    path = tmp_path / "stock.csv"
    stock = dict(zip(*(line.split(",") for line in STOCK.splitlines()), strict=True)) | {column: value}
    path.write_text(f"{','.join(stock)}\n{','.join(stock.values())}\n", encoding="utf-8")
    with pytest.raises(
        DataFault, match=rf'stock\.csv, row 1, column "{column}": "{value}[.0]*" breaks a rule'
    ):
        load(store, path)
    assert store.ask("select count(*) from stock_register") == [(0,)]


def test_of_two_rows_at_fault_each_rule_names_its_own(store):
    """The first rule that is broken names the row that broke it, though another row broke a later rule."""
    text = store.register.read_text(encoding="utf-8")
    text = text.replace("weekly,12,,", "weekly,12,0,").replace("daily,3,6,", "daily,0,6,")
    store.register.write_text(text, encoding="utf-8")
    assert fault_of(load, store, store.register).startswith(
        'register.csv, row 2, column "current_interval_months": "0" '
    )


@pytest.mark.parametrize(
    ("column", "value", "complaint"),
    [
        ("current_interval_months", "a year", "not a whole number"),
        ("current_interval_months", "6.5", "not a whole number"),
        ("legal_limit_months", "2.5", "not a whole number"),
        ("site_rule_months", "1,000", "not a whole number"),
        ("on_hand", "9.5", "not a whole number"),
        ("lead_time_days", "two weeks", "not a number"),
        ("unit_cost", "9" * 400, "not a number"),
        ("counted_on", "31.12.2025", "not a day, such as 2026-09-30"),
    ],
)
def test_a_value_that_cannot_be_read_is_named_with_its_place_and_never_rounded(
    store, tmp_path, column, value, complaint
):
    """DuckDB casts the text 2.5 to the whole number 3: a site would go past its legal limit."""
    is_of_site = column.endswith("_months")
    header, row = _first_row_of(store.register.read_text(encoding="utf-8") if is_of_site else STOCK)
    if column not in header:
        header, row = [*header, column], [*row, ""]
    row[header.index(column)] = value
    path = _write_register(tmp_path, header, row)
    assert (
        fault_of(load, store, path)
        == f'changed.csv, row 1, column "{column}": "{value}" is {complaint}. Correct the row.'
    )


def test_whole_numbers_as_a_workbook_writes_them_and_days_are_read(store, tmp_path):
    header, row = _first_row_of(STOCK)
    row[header.index("on_hand")] = "40.0"
    load(store, _write_register(tmp_path, [*header, "counted_on", "pack_size"], [*row, "2026-09-30", " 5 "]))
    assert store.ask("select on_hand, counted_on::varchar, pack_size, minimum_order from stock_register") == [
        (40, "2026-09-30", 5, None)
    ]


def test_a_number_too_large_to_keep_is_refused(store, tmp_path):
    path = _write_register(tmp_path, *_first_row_of(STOCK.replace(",40,", f",{10**20},")))
    assert fault_of(load, store, path) == (
        "changed.csv, row 1 holds a number too large to keep. Correct the row."
    )


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("legal_limit_months", "legal_limit",
         'register.csv: site_register has no column "legal_limit". Did you mean legal_limit_months?'),
        ("legal_limit_months", "Legal_Limit_Months",
         'register.csv: site_register has no column "Legal_Limit_Months". Did you mean legal_limit_months?'),
        ("legal_limit_months", "zzz",
         'register.csv: site_register has no column "zzz". Columns to be had: client, site, environment, service_class,'
         " use_frequency, current_interval_months, legal_limit_months, site_rule_months, aliases, visit_days,"
         " closed_on."),
        ("legal_limit_months", "site_rule_months",
         'register.csv: its header names "site_rule_months" twice. Take one of the two columns out.'),
        ("daily,3,6,", "daily,3,,6,7",
         "register.csv, row 2 has 9 cells and the header 8. Put a cell that holds a comma between quotes, or take the"
         " surplus cell out."),
    ],
)  # fmt: skip
def test_what_would_vanish_from_a_register_is_refused(store, old, new, sentence):
    text = store.register.read_text(encoding="utf-8")
    store.register.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert fault_of(load, store, store.register) == sentence
    assert store.ask("select count(*) from site_register") == [(0,)]


def test_empty_columns_behind_the_last_and_columns_left_out_are_taken_as_they_are(store):
    text = store.register.read_text(encoding="utf-8")
    lines = [",".join(line.split(",")[:7]) + ",," for line in text.splitlines()]
    store.register.write_text("\n".join(lines), encoding="utf-8")
    load(store, store.register)
    assert store.ask("select site, legal_limit_months, site_rule_months from site_register order by 1") == [
        ("North Shed", None, None),
        ("Sea Wall", 6, None),
    ]


def _first_row_of(register: str) -> list[list[str]]:
    return [line.split(",") for line in register.splitlines()[:2]]


def _write_register(folder, header, row):
    path = folder / "changed.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([header, row])
    return path


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (STOCK.replace("bow", "bów").encode("cp1252"),
         "stock.csv is not written in UTF-8. Save it as CSV UTF-8."),
        (STOCK.replace("bow", '"' + "x" * 200_000).encode(),
         "stock.csv: it has a cell of more than 131,072 characters. Look for a quote that is never closed."),
    ],
)  # fmt: skip
def test_a_register_that_cannot_be_read_is_refused(store, tmp_path, content, sentence):
    path = tmp_path / "stock.csv"
    path.write_bytes(content)
    assert fault_of(load, store, path) == sentence


def test_a_file_that_is_no_register_is_refused(store, tmp_path):
    path = tmp_path / "other.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    assert fault_of(load, store, path) == (
        "other.csv is not a register: its header fits neither site_register (client, site, environment, ...) or"
        " stock_register (client, item_class, ...). See data_contracts for the columns."
    )
    assert fault_of(load, store, tmp_path / "none.csv", kind=RequestFault) == (
        f"There is no register at {tmp_path / 'none.csv'}. Check the path given with --register."
    )
