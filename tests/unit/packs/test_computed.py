"""What is said where a store has no line of what is asked for."""

import duckdb
import pytest

from pipelines.faults import RequestFault
from pipelines.packs.computed import _refuse_unknown_client
from tests.refusals import fault_of


@pytest.mark.parametrize(("client", "whose"), [("", ""), ("Ferrow Mills", ' of the client "Ferrow Mills"')])
def test_gear_without_lines_is_named_with_the_gear_that_has_some(client, whose):
    with duckdb.connect() as con:
        con.execute(
            "create table all_current_lines as select 'hook' as gear_family, 'Ferrow Mills' as client"
        )
        told = fault_of(_refuse_unknown_client, con, client, "sling", False, kind=RequestFault)
    assert told == f"No line of sling{whose} is loaded. Gear with lines{whose}: hook. Ask for it with --gear."
