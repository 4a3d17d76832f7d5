"""A report shows what was chosen: palette, language and units reach its kernel, which is a process of its own."""

import re

from pipelines.charts.theme import BLUE, GREYS
from pipelines.packs import run_pack
from pipelines.settings import CARRIED_IN, carry
from tests.notebooks.conftest import PERIOD


def test_a_report_is_in_the_palette_language_and_units_chosen(small_store, tmp_path, monkeypatch):
    monkeypatch.setenv(CARRIED_IN, "{}")
    carry(palette="grey", language="de-DE", units="us")
    pack = run_pack(["monthly"], small_store, PERIOD, "", "", tmp_path).parent
    page = (pack / "monthly.html").read_text(encoding="utf-8")
    assert BLUE not in page
    assert GREYS[BLUE] in page
    assert "rated loads short tons of 2.000 lb." in page
    assert re.search(r">\d+,\d<", page)
    assert not re.search(r">\d+\.\d<", page)
