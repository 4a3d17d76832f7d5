"""Packs of odd sites, in a browser: next to nothing in the records, very much, very long names, other scripts."""

import io
import re

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from pipelines.packs import REPORTS, run_pack
from pipelines.store import make_store, open_store
from pipelines.tables import compute_tables
from tests.lines import append_lines

PERIOD = "2026-02"
MONTHS = [str(month) for month in pd.period_range("2025-01", PERIOD, freq="M")]
ENVIRONMENTS = (
    "indoor dry",
    "outdoor inland",
    "marine spray",
    "acid pickling",
    "caustic wash",
    "furnace heat",
    "cold store",
)
MANY, ODD, OTHER_SCRIPT = "Brackle Docks", "Ålesvik Løfteutstyr & Żurawie «Südwest»", "מנופי הצפון"
NOTHING_REMOVED, ONE_LOOK, ONLY_GOODS = "Nothing Removed", "One Look", "Only Receiving"
# One name of many words, and one that no browser breaks by itself.
LONG = "Yard of the North-Western Harbour Extension behind the Old Customs House, Second Gate, Lower Store"
UNBROKEN = "Hafenerweiterungsgebietslagerhallenverwaltungsgebäudekellergeschosslagerraum"
RIGHT_TO_LEFT = "رصيف البحر الشمالي"
# What is asked for, of whom. The page of the month and that of the intervals are enough for the emptiest site.
SCOPES = {
    "everybody": (["all"], {}),
    "odd client": (["all"], {"client": ODD}),
    "only receiving": (REPORTS[:2], {"client": ODD, "site": ONLY_GOODS}),
}
WIDTHS = (1280, 390)


def rows(client, site, environment, months, quantity, removed=(0,), kind="periodic", **more):
    """Lines of a place, one for each month; removals go round in `removed`."""
    return [
        {
            "client": client, "site": site, "environment": environment, "inspected_on": f"{month}-10",
            "inspection_type": kind, "quantity": quantity, "removed": removed[number % len(removed)],
            "replaced": removed[number % len(removed)], **more,
        }
        for number, month in enumerate(months)
    ]  # fmt: skip


def lines():
    quarters = MONTHS[::3]
    found = []
    for number in range(6):
        for place, environment in enumerate(ENVIRONMENTS):
            found += rows(
                MANY, f"Shed {number + 1}", environment, quarters, 60 + 10 * number, (place, number, 2)
            )
    found += rows(ODD, NOTHING_REMOVED, "indoor dry", quarters, 40)
    found += rows(ODD, ONE_LOOK, "marine spray", MONTHS[-1:], 25, (2,))
    found += rows(ODD, ONLY_GOODS, "cold store", MONTHS[-3:], 30, (1, 0), "initial", supplier="Łódź 7")
    found += rows(
        ODD,
        LONG,
        "furnace heat",
        MONTHS,
        80,
        (3, 1, 2),
        inspector="Ævar Þórsson the Elder of the Lower Store",
    )
    found += rows(ODD, UNBROKEN, "acid pickling", MONTHS, 90, (2, 4))
    found += rows(OTHER_SCRIPT, RIGHT_TO_LEFT, "marine spray", MONTHS, 120, (5, 3, 4), inspector="ע. לוי")
    frame = pd.DataFrame(found).assign(
        file_sha256="e" * 64, source="tests", gear_family="shackle", body="bow", pin="screw pin", nominal_size_mm=16.0,
        rated_load_t=2.95, grade="carbon", item_class="bow shackle, screw pin, 16 mm, 2.95 t, carbon",
    )  # fmt: skip
    frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
    return frame.assign(row=range(1, len(frame) + 1))


@pytest.fixture(scope="module")
def edge_store(tmp_path_factory):
    path = tmp_path_factory.mktemp("edges") / "edges.duckdb"
    make_store(path)
    frame = lines()
    with open_store(path, read_only=False) as con:
        con.execute("select 1").fetchall()
        append_lines(con, frame.assign(load_id=1))
        removed = frame[frame["removed"] > 0]
        reasons = removed[["file_sha256", "row"]].assign(
            criterion="wear over limit",
            mentions=removed["removed"],
            primary_removed=removed["removed"],
            phrase="slitt",
        )
        con.append("removal_reasons", reasons, by_name=True)
        places = frame[["client", "site", "environment"]].drop_duplicates()
        con.append(
            "site_register", places.assign(service_class="severe", current_interval_months=3), by_name=True
        )
        con.execute(
            "insert into loads values (1, 'журнал осмотра с очень длинным именем файла выгрузки за два года.csv', ?, 'tests',"
            " timestamp '2026-03-02 08:00', ?, ?, 0, 0, 0, 0, false)",
            ["e" * 64, len(frame), len(frame)],
        )
        compute_tables(con)
    return path


@pytest.fixture(scope="module", params=SCOPES)
def pack(request, edge_store, tmp_path_factory):
    names, asked = SCOPES[request.param]
    out = tmp_path_factory.mktemp("edgepack")
    index = run_pack(
        names, edge_store, "", asked.get("client", ""), asked.get("site", ""), out, salt="a salt"
    )
    return request.param, index.parent


def test_pages_of_odd_sites_show_no_gap_no_error_and_nothing_beside_the_screen(pack, browser, keep_picture):
    scope, folder = pack
    pages = sorted(folder.rglob("*.html"))
    assert len(pages) > 2
    for path in pages:
        for width in WIDTHS:
            page = browser.new_page(viewport={"width": width, "height": 900})
            complaints: list[str] = []
            page.on("console", lambda said, heard=complaints: heard.append(said.text))
            page.on("pageerror", lambda error, heard=complaints: heard.append(str(error)))
            page.goto(path.as_uri())
            where = f"{scope}, {path.name} at {width} px"
            assert complaints == [], where
            words = page.locator("body").inner_text()
            assert not re.search(
                r"\b(nan|NaN|NaT|<NA>|inf|Infinity|Traceback|\w+Error)\b|^None$", words, re.M
            ), where
            assert page.evaluate("document.documentElement.scrollWidth") <= width, where
            for chart in page.locator("figure svg").all() if width == WIDTHS[0] else ():
                assert 0 < float(chart.get_attribute("width")) < 1000, where
                pixels = np.asarray(Image.open(io.BytesIO(chart.screenshot())).convert("RGB")).astype(int)
                assert (np.abs(pixels - pixels[0, 0]).sum(axis=-1) > 60).mean() > 0.003, where
            keep_picture(page, f"edge-{scope.replace(' ', '-')}-{path.stem}")
            page.close()


def test_names_in_any_script_arrive_whole(pack):
    scope, folder = pack
    written = (folder / "tables" / "removal_rates.csv").read_text(encoding="utf-8")
    pages = "".join(path.read_text(encoding="utf-8") for path in folder.rglob("*.html"))
    names = {
        "everybody": (RIGHT_TO_LEFT, OTHER_SCRIPT, LONG, UNBROKEN, NOTHING_REMOVED, ONE_LOOK, ONLY_GOODS),
        "odd client": (LONG, UNBROKEN, NOTHING_REMOVED, ONE_LOOK, ONLY_GOODS),
        "only receiving": (ONLY_GOODS,),
    }[scope]
    for name in names:
        assert name in written
        assert name in pages
    if scope == "only receiving":
        assert f"No periodic inspection is recorded at {ONLY_GOODS}" in pages
