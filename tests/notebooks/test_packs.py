"""Packs of the small store: all clients, one client with nothing removed, one site, an empty month."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from pipelines.faults import Fault, RequestFault
from pipelines.packs import REPORTS, run_pack
from pipelines.packs.choosing import FOR_ALL_CLIENTS, OF_EACH_SITE
from pipelines.packs.kernels import WarmKernel
from pipelines.packs.reading import open_tables
from pipelines.packs.running import run_notebook
from pipelines.shipped import shipped_folder
from pipelines.store import make_store, open_store
from pipelines.tables import TABLES, compute_tables
from pipelines.wording import CAUTIONS
from tests.lines import append_lines
from tests.notebooks.conftest import line
from tests.refusals import fault_of

BRACKLE, FERROW, PERIOD = "Brackle Docks", "Ferrow Mills", "2026-02"
EMPTY_MONTH = "2026-05"
SCOPES = {
    "all clients": {},
    "nothing removed": {"client": FERROW},
    "one site": {"site": "Sea Wall"},
    "empty month": {"period": EMPTY_MONTH},
}


class Page(HTMLParser):
    """Tables, headings, addresses and text of a page."""

    def __init__(self, path: Path):
        super().__init__()
        self.source = path.read_text(encoding="utf-8")
        self.addresses: list[str] = []
        self.heads: list[str] = []
        self.captions: list[str] = []
        self.words = ""
        self._open: list[str] = []
        self.feed(self.source)

    def handle_starttag(self, tag, attributes):
        self.addresses += [
            value for name, value in attributes if name in ("src", "href", "xlink:href", "action", "data")
        ]
        if tag not in ("meta", "link", "br", "img"):
            self._open.append(tag)
        if tag == "th":
            self.heads.append("")
        if tag == "figcaption":
            self.captions.append("")

    def handle_endtag(self, tag):
        self._open.pop()

    def handle_data(self, text):
        if "style" in self._open:
            return
        self.words += text
        if "th" in self._open:
            self.heads[-1] += text
        if "figcaption" in self._open:
            self.captions[-1] += text


@pytest.fixture(params=SCOPES)
def asked(request):
    return SCOPES[request.param]


@pytest.fixture
def pack(asked, make_pack):
    return make_pack(**asked)


@pytest.fixture
def pages(pack):
    return {path.stem: Page(path) for path in pack.glob("*.html")}


def test_a_pack_is_whole(pack, asked):
    assert {path.name for path in pack.iterdir()} == {
        "index.html",
        "tables.xlsx",
        "tables",
        *(
            f"{name}.html"
            for name in set(REPORTS) - {OF_EACH_SITE}
            if not {"client", "site"} & set(asked) or name not in FOR_ALL_CLIENTS
        ),
        *(["site_page_press-hall.html"] if "client" in asked else []),
    }
    own = {
        "files_loaded",
        "contract_rules",
        "quarantine",
        "reasons_not_known",
        "rows_set_aside",
        "count_jumps",
    }
    own |= {"peers", "peer_environments"} if "client" in asked else set()
    # Stock is held by a client as a whole, so a pack of one site has no plan and no assumptions of one.
    of_plan = (
        set() if "site" in asked else {"order_plan", "order_totals", "order_assumptions", "supplier_rejects"}
    )
    tables = {path.stem for path in (pack / "tables").iterdir()}
    assert own | of_plan <= tables
    # What tells of all clients together is in the pack of all clients only.
    assert ("hazard_model" in tables) == (not {"client", "site"} & set(asked))
    assert tables <= own | of_plan | set(TABLES)
    assert [path.name for path in pack.parent.iterdir()] == [pack.name]


def test_without_being_asked_for_no_pdf_is_linked(pack):
    assert '.pdf"' not in (pack / "index.html").read_text(encoding="utf-8")


def test_pages_ask_nothing_of_a_network_and_link_only_into_the_pack(pack, pages):
    for page in pages.values():
        assert not re.search("https?:", page.source)
        assert "url(" not in re.sub(r"url\(#f[0-9a-f]{8}-part\d+\)", "", page.source)
        assert "<script" not in page.source
        assert "default-src 'none'" in page.source
        assert page.addresses
        assert all((pack / address).is_file() for address in page.addresses)


def test_every_page_carries_the_cautions_once_and_says_what_it_is_made_from(pages):
    for page in pages.values():
        for caution in CAUTIONS:
            assert page.words.count(caution) == 1
        assert "Made from " in page.words
        assert re.search(r"Written on \d{4}-\d\d-\d\d \d\d:\d\d UTC", page.words)


def test_headings_are_words_of_the_trade(pages):
    for name in pages.keys() - {"index"}:
        heads = pages[name].heads
        assert heads or name == "interval_recommendations"
        assert not [head for head in heads if re.search(r"[a-z]_[a-z]", head) and not head.endswith(".csv")]


def test_no_code_prompt_warning_or_machine_path_is_shown(pack, pages):
    for page in pages.values():
        for leak in (
            "open_tables",
            "In [",
            "Traceback",
            "Warning",
            str(pack.parent),
            "duckdb",
            "NaN",
        ):
            assert leak not in page.words
        assert not re.search(r">(nan|None|NaT|<NA>)<", page.source)


def test_every_figure_has_a_finding_and_an_alternative_in_words(pages):
    for name in pages.keys() - {"index"}:
        svgs = re.findall(r"<svg [^>]*>", pages[name].source)
        # No site of the small store has an environment in common with another one.
        assert svgs or name in ("benchmark", "evidence")
        assert len(svgs) == len(pages[name].captions)
        assert all(caption.strip().endswith(".") for caption in pages[name].captions)
        assert all('role="img"' in svg and 'aria-label="Chart of ' in svg for svg in svgs)


def test_the_figures_of_a_page_are_those_of_the_table(make_pack, small_store):
    page = Page(make_pack() / "monthly.html")
    (row,) = open_tables(str(small_store)).month().to_dict("records")
    shown = re.search(r"<tr><th scope=\"row\">Sea Wall</th>(.*?)</tr>", page.source)
    cells = re.findall(r">([^<]+)</td>", shown[1])
    assert cells == [
        "marine spray", f"{row['inspected']:,}", f"{row['removed']:,}", f"{row['removed_at_risk']:,}",
        f"{row['shackle_years']:,.1f}", f"{row['removed_per_100_shackle_years']:,.1f}", f"{row['rate_lower']:,.1f}",
        f"{row['rate_upper']:,.1f}", f"{row['limit_upper']:,.1f}", "above",
    ]  # fmt: skip
    written = pd.read_csv(make_pack() / "tables" / "removal_rates.csv")
    (stored,) = written[(written["site"] == "Sea Wall") & (written["month"] == PERIOD)]["rate_upper"]
    assert stored == pytest.approx(row["rate_upper"], abs=1e-12)


def test_the_leap_at_the_sea_wall_leads_the_page_and_the_index(make_pack):
    finding = "In February 2026, 30 shackles were removed out of 300 inspected at Brackle Docks; the removal rate of "
    assert Page(make_pack() / "monthly.html").captions[0].startswith(finding)
    index = Page(make_pack() / "index.html")
    assert finding in index.words
    assert "is above its usual range" in index.words
    assert (
        "Sea Wall (marine spray): 30 shackles removed since the look before"
        in Page(make_pack() / "monthly.html").words
    )


def test_nothing_removed_is_said_and_drawn(make_pack):
    page = Page(make_pack(client=FERROW) / "monthly.html")
    assert "No removal from service is recorded." in page.words
    assert "Nothing was removed at the 1 place with a removal rate." in page.words


def test_an_empty_month_is_said_to_be_one(make_pack):
    page = Page(make_pack(period=EMPTY_MONTH) / "monthly.html")
    assert "No periodic inspection is recorded at Brackle Docks in May 2026" in page.words
    assert "No periodic inspection was made in May 2026." in page.words
    assert "the last one was in February 2026" in page.captions[0]


def test_one_site_is_told_without_the_others(make_pack):
    words = Page(make_pack(site="Sea Wall") / "interval_recommendations.html").words
    assert "Sea Wall" in words
    assert "North Shed" not in words
    assert "Press Hall" not in words


def test_the_buyer_reads_what_to_order_first_and_why_a_line_is_unsure(make_pack, small_store):
    page = Page(make_pack(client=BRACKLE) / "procurement.html")
    (order,) = open_tables(str(small_store), client=BRACKLE).table("order_plan").to_dict("records")
    assert (
        f"Brackle Docks should order {order['order_quantity']} shackles of 1 item class out of 1"
        in page.words
    )
    assert page.words.index("should order") < page.words.index("What to order")
    assert "not in the stock register: counted as nothing in stock" in page.words
    shown = re.search(
        r'<tr><th scope="row">bow shackle, screw pin.*?</tr>|<tr><th scope="row">shackle, bow.*?</tr>',
        page.source,
    )
    assert f">{order['order_quantity']:,}</td>" in shown[0]


def test_a_page_of_one_site_forecasts_and_sends_the_buyer_to_the_client(make_pack):
    words = Page(make_pack(site="Sea Wall") / "procurement.html").words
    assert "Stock is held for a client as a whole" in words
    assert "Sea Wall can expect about" in words
    assert FERROW not in words


def test_what_if_stands_beside_the_plan_of_today(small_store, tmp_path):
    changed = {"fleet_growth": 0.5, "service_level": 0.8, "intervals": "current", "client": BRACKLE}
    with WarmKernel(scratch(tmp_path)) as kernel:
        notebook = shipped_folder("notebooks") / "procurement.ipynb"
        run = run_notebook(notebook, {"store": str(small_store), **changed}, kernel)
    shown = " ".join(
        output["data"].get("text/html", "") for cell in run.notebook.cells for output in cell.get("outputs", [])
        if "data" in output
    )  # fmt: skip
    assert "What if: a service level of 80\xa0% and a fleet that grows by 50\xa0% a year." in shown
    assert "as things stand" in shown
    assert run.headline.startswith("Brackle Docks should order")


@pytest.mark.parametrize(
    ("client", "others"),
    [
        (FERROW, [BRACKLE, "Sea Wall", "North Shed", "brackle_log"]),
        (BRACKLE, [FERROW, "Press Hall", "ferrow_log"]),
    ],
)
def test_a_pack_for_one_client_names_no_other(make_pack, everything_written, client, others):
    written = everything_written(make_pack(client=client))
    assert client in written
    for name in [*others, "both_yards"]:
        assert name.lower() not in written.lower()


def test_a_pack_for_all_names_everybody(make_pack, everything_written):
    written = everything_written(make_pack())
    for name in (FERROW, BRACKLE, "brackle_log.csv", "both_yards.csv", "is not a whole number"):
        assert name in written


def test_a_pack_replaces_an_earlier_one_and_leaves_other_folders_alone(small_store, tmp_path):
    run_pack(["intake_account"], small_store, "", "", "", tmp_path)
    (tmp_path / PERIOD / "monthly.html").write_text("earlier")
    run_pack(["intake_account"], small_store, "", "", "", tmp_path)
    assert not (tmp_path / PERIOD / "monthly.html").exists()
    (tmp_path / PERIOD / "index.html").unlink()
    assert fault_of(run_pack, ["intake_account"], small_store, "", "", "", tmp_path) == (
        f"{tmp_path / PERIOD} is there already and is not a report pack, so it is left as it is. Choose another folder with"
        " --out."
    )
    assert (tmp_path / PERIOD / "tables.xlsx").is_file()


def test_an_unknown_report_is_named_with_the_nearest_one(small_store, tmp_path):
    with pytest.raises(RequestFault) as fault:
        run_pack(["month"], small_store, "", "", "", tmp_path)
    assert str(fault.value) == 'There is no report "month". Did you mean monthly?'
    with pytest.raises(RequestFault, match="Reports to be had: monthly, "):
        run_pack(["horoscope"], small_store, "", "", "", tmp_path)


def test_a_report_of_all_clients_together_is_not_made_for_one(small_store, tmp_path):
    with pytest.raises(RequestFault) as fault:
        run_pack(["evidence"], small_store, "", FERROW, "", tmp_path)
    assert str(fault.value) == (
        'The report "evidence" tells of all clients together. Ask for it without --client and --site.'
    )


def test_a_page_of_each_site_is_made_for_one_client(small_store, tmp_path):
    assert fault_of(run_pack, [OF_EACH_SITE], small_store, "", "", "", tmp_path, kind=RequestFault) == (
        f'The report "{OF_EACH_SITE}" is for one client. Ask for it with --client.'
    )


def test_a_store_without_a_line_has_no_report(tmp_path):
    make_store(tmp_path / "new.duckdb")
    assert fault_of(run_pack, ["monthly"], tmp_path / "new.duckdb", "", "", "", tmp_path / "out") == (
        "The store holds no inspection line yet. Load an export with rigging-removals intake."
    )


def write_notebook(path: Path, *cells: str) -> Path:
    import nbformat

    new = nbformat.v4
    # One line alone would be read as the shell's own command `store`.
    parameters = new.new_code_cell('store: str = ""\nyear: str = ""', metadata={"tags": ["parameters"]})
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    notebook = new.new_notebook(cells=[parameters, *map(new.new_code_cell, cells)], metadata=kernel)
    nbformat.write(notebook, path)
    return path


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        (
            ["raise KeyError('pin')"],
            "The report \"odd\" stopped in its cell 3: KeyError: 'pin'. Open the notebook in JupyterLab with the same"
            " parameters to see where.",
        ),
        (
            ["import sys; sys.exit()", "1"],
            'The report "odd" did not reach its last cell. Open the notebook in JupyterLab to see why.',
        ),
        (
            ["import os; os._exit(1)"],
            'The report "odd" lost its Python process, most often for want of memory. Run fewer side by side with --jobs 1.',
        ),
        (
            ["import time; time.sleep(600)"],
            'The report "odd" was stopped: a cell ran for more than 0 minutes. Ask for one client or one site at a time.',
        ),
        (
            ["from pipelines.faults import RequestFault\nraise RequestFault('Say which month.')"],
            "Say which month.",
        ),
    ],
)
def test_a_notebook_that_stops_is_one_sentence(tmp_path, monkeypatch, cells, sentence):
    if "for more than" in sentence:
        monkeypatch.setattr("pipelines.packs.running.LONGEST_RUN_SECONDS", 2)
    odd = write_notebook(tmp_path / "odd.ipynb", *cells)
    with WarmKernel(scratch(tmp_path)) as kernel, pytest.raises(Fault) as fault:
        run_notebook(odd, {"store": "x"}, kernel)
    assert str(fault.value) == sentence


def test_a_parameter_that_a_notebook_lacks_is_named(tmp_path):
    odd = write_notebook(tmp_path / "odd.ipynb", "1")
    with WarmKernel(scratch(tmp_path)) as kernel, pytest.raises(Fault) as fault:
        run_notebook(odd, {"store": "x", "month": "2026-02"}, kernel)
    assert str(fault.value) == (
        'The notebook "odd" has no parameter month. Name it in the cell tagged "parameters".'
    )


def scratch(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    return folder


def test_a_report_that_fails_leaves_no_folder_behind(small_store, tmp_path, monkeypatch):
    broken = tmp_path / "notebooks"
    broken.mkdir()
    write_notebook(broken / "intake_account.ipynb", "1")
    monkeypatch.setattr("pipelines.packs.pack.shipped_folder", lambda name: broken)
    with pytest.raises(Fault, match="has no parameter client, period, site"):
        run_pack(["intake_account"], small_store, "", "", "", tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_what_tells_of_all_clients_together_is_not_in_the_pack_of_one(make_pack):
    assert (make_pack() / "tables" / "hazard_model.csv").is_file()
    for scope in ({"client": FERROW}, {"site": "Sea Wall"}):
        assert not (make_pack(**scope) / "tables" / "hazard_model.csv").exists()


def test_pages_come_as_pdf_and_notebooks_as_run_where_asked(small_store, tmp_path):
    index = run_pack(
        ["intake_account", "benchmark"],
        small_store,
        "",
        FERROW,
        "",
        tmp_path,
        paper="a4",
        keep_notebooks=True,
        salt="a salt",
    )
    assert (index.parent / "intake_account.pdf").read_bytes().startswith(b"%PDF")
    assert 'href="intake_account.pdf"' in index.read_text(encoding="utf-8")
    written = [path.read_text(encoding="utf-8") for path in index.parent.glob("*.ipynb")]
    assert len(written) == 3
    for notebook in written:
        assert f'store = \\"{small_store.name}\\"' in notebook
        for secret in ("a salt", str(small_store.parent), "/tmp", BRACKLE):
            assert secret not in notebook
        assert '"output_type": "execute_result"' in notebook


def test_a_store_of_shift_checks_alone_has_its_orders_and_its_evidence(tmp_path):
    store = tmp_path / "checks.duckdb"
    make_store(store)
    frame = pd.DataFrame([line("c2" * 32, 0, f"2025-0{month}-10", 40, 0) for month in range(1, 7)])
    frame["inspected_on"] = pd.to_datetime(frame["inspected_on"])
    stock = frame[["client", "gear_family", "body", "pin", "nominal_size_mm", "item_class"]].head(1)
    with open_store(store, read_only=False) as con:
        con.execute("insert into loads (load_id) values (1)")
        append_lines(con, frame.assign(row=range(1, 7), inspection_type="frequent"))
        con.append(
            "stock_register",
            stock.assign(on_hand=3, on_order=0, counted_on=frame["inspected_on"][5]),
            by_name=True,
        )
        compute_tables(con)
    index = run_pack(["procurement", "evidence"], store, "2025-06", "", "", tmp_path)
    assert "none in service: no demand to forecast" in Page(index.parent / "procurement.html").words
    assert "No look says yet whether items wear out" in Page(index.parent / "evidence.html").words
