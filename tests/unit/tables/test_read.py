import pytest

from pipelines.faults import RequestFault
from pipelines.tables import TABLES, compute_tables, known_places, read_table, refuse_unknown
from tests.refusals import fault_of

EVERYTHING = ", ".join([*TABLES, "quarantine"])


@pytest.fixture
def con(store_of):
    con = store_of(
        ("periodic", "2024-02-10", 10, 0),
        ("periodic", "2025-02-10", 10, 1),
        ("periodic", "2025-02-10", 5, 0, {"site": "Sea Wall"}),
        ("initial", "2025-02-10", 5, 0, {"client": "Other Docks", "site": "North Shed"}),
    )
    compute_tables(con)
    return con


def test_one_client_and_one_site(con):
    assert set(read_table(con, "removal_rates", client="Brackle Docks")["site"]) == {"North Shed", "Sea Wall"}
    assert read_table(con, "removal_rates", "Brackle Docks", "Sea Wall")["inspected"].tolist() == [5]
    assert set(read_table(con, "removal_rates", site="North Shed")["client"]) == {
        "Brackle Docks",
        "Other Docks",
    }
    assert read_table(con, "removal_rates", client="Nobody").empty


def test_kinds_of_columns(con):
    overdue = read_table(con, "overdue_inspections")
    assert overdue["due_on"].dtype.kind == overdue["last_periodic_on"].dtype.kind == "M"
    assert overdue["quantity"].dtype == "int64"
    intervals = read_table(con, "interval_recommendations")
    assert intervals["computed_interval_months"].dtype == "Int64"
    assert intervals["computed_interval_months"].isna().all()
    assert intervals["needs_sign_off"].dtype == bool


def test_the_quarantine_can_be_read_but_not_by_client(con):
    assert read_table(con, "quarantine").empty
    with pytest.raises(RequestFault) as fault:
        read_table(con, "quarantine", client="Brackle Docks")
    assert str(fault.value) == 'The table "quarantine" has no client, so no client can be chosen from it.'


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("removal_rate", 'There is no table "removal_rate". Did you mean removal_rates or removal_trend?'),
        ("xyz", f'There is no table "xyz". Tables to be had: {EVERYTHING}.'),
        (
            "inspection_line",
            'There is no table "inspection_line". Did you mean inspector_strictness or overdue_inspections?',
        ),
    ],
)
def test_a_table_that_is_not_there_is_refused(con, name, sentence):
    with pytest.raises(RequestFault) as fault:
        read_table(con, name)
    assert str(fault.value) == sentence


def test_a_store_without_computed_tables_is_refused(store_of):
    with pytest.raises(RequestFault) as fault:
        read_table(store_of(), "removal_rates")
    assert str(fault.value) == (
        'The table "removal_rates" is not in this store yet. '
        "Load an export with rigging-removals intake; that computes the tables."
    )


def test_an_answer_that_somebody_left_half_read_is_no_hindrance(con):
    con.execute("select * from range(10)").fetchone()
    assert not read_table(con, "removal_rates", client="Brackle Docks").empty


@pytest.mark.parametrize(
    ("client", "site", "sentence"),
    [
        ("Nope", "", 'No line of a client "Nope" is loaded. Clients in this store: Brackle Docks, Other Docks.'),
        ("", "Nope", 'No line of a site "Nope" is loaded. Sites: North Shed, Sea Wall.'),
        ("Other Docks", "Sea Wall", 'No line of a site "Sea Wall" of Other Docks is loaded. Sites of Other Docks: North Shed.'),
    ],
)  # fmt: skip
def test_a_place_that_the_store_does_not_know_is_named_with_those_it_knows(con, client, site, sentence):
    assert fault_of(refuse_unknown, known_places(con), client, site, kind=RequestFault) == sentence


def test_a_place_of_a_register_is_known_and_a_client_who_has_only_stock(con):
    con.execute("insert into site_register by name select 'Third Docks' as client, 'Pier' as site")
    con.execute("insert into stock_register by name select 'Fourth Docks' as client")
    for client, site in (("Third Docks", "Pier"), ("Fourth Docks", ""), ("", "")):
        refuse_unknown(known_places(con), client, site)
    told = fault_of(refuse_unknown, known_places(con), "Fourth Docks", "Pier", kind=RequestFault)
    assert told == 'No line of a site "Pier" of Fourth Docks is loaded. Sites of Fourth Docks: none.'
