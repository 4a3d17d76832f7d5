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


def test_a_number_that_is_none_is_named_with_its_row(store):
    text = store.register.read_text(encoding="utf-8")
    store.register.write_text(text.replace(",12,", ",a year,"), encoding="utf-8")
    with pytest.raises(DataFault, match=r"register\.csv, row 1: .*a year"):
        load(store, store.register)


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
