"""A page on paper: what it says is all there, and what a log says changes no layout."""

from io import BytesIO

import pytest
from pypdf import PdfReader

from pipelines.packs.printed import pdf_of_page

HOSTILE = '#image("/etc/passwd") $x^2$ = *bold* \\ `raw` "quoted" <label> @label //'
DRAWING = (
    '<svg role="img" aria-label="Chart of one mark" viewBox="0 0 40 20" width="40" height="20">'
    '<defs><clippath id="c1"><rect width="40" height="20"/></clippath></defs>'
    '<g clip-path="url(#c1)"><circle cx="20" cy="10" r="5" fill="#0072b2"/></g></svg>'
)


def page(site="North Shed"):
    rows = "".join(
        f'<tr><th scope="row">{escaped(site)}</th><td class="figure">{number:,}</td></tr>'
        for number in range(900, 1000)
    )
    return f"""<!DOCTYPE html><html><head><title>Report, {escaped(site)}</title></head><body>
<header class="masthead"><dl><div><dt>Client</dt><dd>Brackle Docks</dd></div></dl></header>
<main><h1>Title</h1><p>Question?</p><h2>Part</h2><p class="said">Said of <em>{escaped(site)}</em>.</p>
<ol class="said"><li>First thing</li><li>Second thing</li></ol>
<figure><figcaption>What the chart shows</figcaption><p class="note">Bar: its range.</p><div class="drawing">{DRAWING}</div></figure>
<div class="table"><table><caption>Counts</caption><thead><tr><th>Site</th><th class="figure">Removed<span class="unit">items</span></th></tr></thead>
<tbody><tr><th scope="rowgroup" colspan="2" class="group">Brackle Docks</th></tr>{rows}</tbody></table></div></main>
<footer><section class="cautions"><h2>Before you use these figures</h2><ul><li>A qualified person decides.</li></ul></section>
<p class="made">Made from 1 file.</p></footer></body></html>"""


def escaped(text):
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def text_of(pdf):
    return " ".join(" ".join(sheet.extract_text() for sheet in PdfReader(BytesIO(pdf)).pages).split())


def test_all_that_a_page_says_stands_on_paper():
    pdf = pdf_of_page(page())
    said = text_of(pdf)
    parts = [
        "Client Brackle Docks", "Title", "Question?", "Said of North Shed.", "1. First thing", "2. Second thing",
        "What the chart shows Bar: its range.", "Counts", "Removed items", "900", "999", "A qualified person decides.", "Made from 1 file.",
    ]  # fmt: skip
    assert [part for part in parts if part not in said] == []
    reader = PdfReader(BytesIO(pdf))
    assert reader.metadata.title == "Report, North Shed"
    # A table over several sheets has its head on each, and every sheet its number and the caution.
    assert len(reader.pages) >= 3
    assert said.count("Removed items") == len(reader.pages)
    assert f"1 / {len(reader.pages)}" in said
    assert said.count("Figures describe records") == len(reader.pages)


def test_a_drawing_is_drawn_and_has_words_for_those_who_do_not_see_it():
    reader = PdfReader(BytesIO(pdf_of_page(page())))
    drawn = [
        each.get_object()["/Subtype"]
        for sheet in reader.pages
        for each in sheet["/Resources"].get("/XObject", {}).values()
    ]
    assert drawn == ["/Form"]
    assert "Chart of one mark" in alternatives(reader.trailer["/Root"]["/StructTreeRoot"])


def test_a_tall_drawing_shares_its_sheet_with_the_words_that_lead_to_it():
    tall = page().replace(
        'viewBox="0 0 40 20" width="40" height="20"', 'viewBox="0 0 40 70" width="40" height="70"'
    )
    filling = "".join(f"<p>Sentence {number}.</p>" for number in range(30))
    led = tall.replace("<figure>", f"{filling}<h2>Tall</h2><p>Words that lead to it.</p><figure>")
    sheets = PdfReader(BytesIO(pdf_of_page(led))).pages
    (drawn,) = [sheet for sheet in sheets if sheet["/Resources"].get("/XObject")]
    said = " ".join(drawn.extract_text().split())
    assert "Tall Words that lead to it. What the chart shows Bar: its range." in said
    assert "Sentence 29" not in said


def test_a_drawing_too_tall_to_be_read_on_one_sheet_goes_on_over_several():
    tall = page().replace(
        'viewBox="0 0 40 20" width="40" height="20"', 'viewBox="0 0 40 500" width="40" height="500"'
    )
    reader = PdfReader(BytesIO(pdf_of_page(tall)))
    drawn = [sheet for sheet in reader.pages if sheet["/Resources"].get("/XObject")]
    assert len(drawn) == 9  # 1,735 mm, 202 of them to a sheet, of which 10 are those of the one before
    assert alternatives(reader.trailer["/Root"]["/StructTreeRoot"]).count("The drawing goes on.") == 8


def alternatives(element):
    """The alternative texts of an element of the structure of a PDF and of all below it."""
    element = element.get_object()
    if isinstance(element, list):
        return [words for each in element for words in alternatives(each)]
    if not isinstance(element, dict):
        return []
    below = alternatives(element["/K"]) if "/K" in element else []
    return [element["/Alt"], *below] if "/Alt" in element else below


@pytest.mark.parametrize("site", [HOSTILE, "ورشة الشمال", "Łódź Żółw Ñandú", "x" * 200])
def test_no_name_in_a_log_changes_the_layout(site):
    said = text_of(pdf_of_page(page(site)))
    assert "A qualified person decides." in said
    assert "Second thing" in said
    if site == HOSTILE:
        assert HOSTILE in said
        assert "root:" not in said


def test_paper_is_the_one_asked_for_and_the_file_the_same_each_time():
    sizes = {
        paper: PdfReader(BytesIO(pdf_of_page(page(), paper))).pages[0].mediabox
        for paper in ("a4", "us-letter")
    }
    # ISO 216: A4 is 210 by 297 mm; Letter is 8.5 by 11 inches; 72 points to the inch.
    assert [float(side) for side in sizes["a4"][2:]] == pytest.approx([595.28, 841.89], abs=0.01)
    assert [float(side) for side in sizes["us-letter"][2:]] == pytest.approx([612, 792], abs=0.01)
    assert pdf_of_page(page()) == pdf_of_page(page())


def test_the_head_of_a_group_stands_on_each_sheet_with_its_rows():
    more = '<tr><th scope="rowgroup" colspan="2" class="group">Sea Gate</th></tr>' + "".join(
        f'<tr><th scope="row">Row {number}</th><td class="figure">{number}</td></tr>' for number in range(70)
    )
    for sentences in range(30, 33):
        filling = "".join(f"<p>Sentence {number}.</p>" for number in range(sentences))
        led = page().replace("</tbody>", f"{more}</tbody>").replace("<figure>", f"{filling}<figure>")
        sheets = [sheet.extract_text() for sheet in PdfReader(BytesIO(pdf_of_page(led))).pages]
        of_group = [sheet for sheet in sheets if "Row " in sheet]
        assert len(of_group) >= 2
        assert [sheet for sheet in sheets if "Sea Gate" in sheet] == of_group
