"""The demo pack in a browser, from its files and without a network: charts are drawn, nothing is asked for, nothing complains."""

import io
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipelines.charts.theme import BLUE
from pipelines.packs.choosing import OF_EACH_SITE, REPORTS

ENGINE = "axe_playwright_python.sync_playwright"

PAGES = ("index", *(name for name in REPORTS if name != OF_EACH_SITE))
WITHOUT_CHARTS = ("index", "evidence")
NARROW, WIDE = 390, 1280
PAPER = "#fdfcf8"
WCAG = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
    "resultTypes": ["violations"],  # of the others one example each, which takes half the time
}


@pytest.fixture(params=PAGES)
def opened(browser, demo_pack, request):
    """A page of the pack, with all that it asked for and complained of."""
    context = browser.new_context(offline=True, viewport={"width": WIDE, "height": 900})
    page = context.new_page()
    page.asked, page.complaints = [], []
    page.on("request", lambda asked: page.asked.append(asked.url))
    page.on("console", lambda said: page.complaints.append(said.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.goto((demo_pack / f"{request.param}.html").as_uri())
    yield page
    context.close()


def test_a_page_opens_with_no_network_and_no_complaint(opened):
    assert opened.asked == [opened.url]
    assert opened.complaints == []
    assert opened.locator("h1").count() == 1
    assert opened.locator(".cautions li").count() >= 5


def test_every_chart_is_truly_drawn(opened):
    charts = opened.locator("figure svg").all()
    assert charts or opened.url.endswith(tuple(f"{name}.html" for name in WITHOUT_CHARTS))
    blue = []
    for chart in charts:
        pixels = np.asarray(Image.open(io.BytesIO(chart.screenshot())).convert("RGB")).astype(int)
        drawn = distance(pixels, rgb(PAPER)) > 60
        assert drawn.mean() > 0.01
        blue.append((distance(pixels, rgb(BLUE)) < 30).sum())
    # Marks are blue, but where nothing is known yet of what is usual.
    assert not charts or max(blue) > 50


def test_the_accessibility_engine_finds_nothing_against_wcag_a_or_aa(opened, keep_picture):
    engine = pytest.importorskip(ENGINE).Axe()
    for width in (WIDE, NARROW):
        opened.set_viewport_size({"width": width, "height": 900})
        keep_picture(opened)
        found = engine.run(opened, options=WCAG).response
        # What the engine judged, so that a page it could not look at does not pass for a good one.
        assert {rule["id"] for rule in found["passes"]} >= {
            "color-contrast",
            "document-title",
            "html-has-lang",
            "list",
        }
        broken = [
            (rule["id"], rule["help"], [node["html"][:200] for node in rule["nodes"]])
            for rule in found["violations"]
        ]
        assert broken == [], f"at {width} px"


def test_text_in_charts_stands_out_from_the_paper(opened):
    """The engine does not judge text in a drawing: WCAG 2.2, 1.4.3: 4.5 to 1."""
    texts = opened.locator("figure svg text").evaluate_all(
        "all => all.filter(one => one.textContent.trim()).map(one => {"
        " const style = getComputedStyle(one);"
        " return [one.textContent, style.fill, Number(style.opacity) * Number(style.fillOpacity)] })"
    )
    faint = {
        (words, fill, opacity)
        for words, fill, opacity in texts
        if contrast(
            blended([int(part) for part in re.findall(r"\d+", fill)[:3]], rgb(PAPER), opacity), rgb(PAPER)
        )
        < 4.5
    }
    assert faint == set()


def test_words_fit_the_screen_of_a_phone(opened):
    opened.set_viewport_size({"width": NARROW, "height": 800})
    assert opened.evaluate("document.documentElement.scrollWidth") <= NARROW
    sizes = opened.locator("p, li, figcaption, h1").evaluate_all(
        "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
    )
    assert min(sizes) >= 14


def test_on_paper_nothing_is_cut_off_and_the_cautions_stay(opened, keep_picture):
    opened.emulate_media(media="print")
    opened.set_viewport_size({"width": 680, "height": 960})  # A4 less its margins
    for chart in opened.locator("figure svg").all():
        assert chart.bounding_box()["width"] <= 680
    assert opened.locator(".cautions").is_visible()
    assert opened.locator("time").is_visible()
    keep_picture(opened, f"{Path(opened.url).stem}-print")


def blended(colour, paper, opacity):
    return [opacity * one + (1 - opacity) * other for one, other in zip(colour, paper, strict=True)]


def contrast(colour, paper):
    """Contrast of two colours, 1 to 21, as WCAG 2.2 defines it (contrast ratio, relative luminance)."""
    lighter, darker = sorted((luminance(colour), luminance(paper)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour):
    parts = [part / 255 for part in colour]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return np.dot(linear, [0.2126, 0.7152, 0.0722])


def distance(pixels, colour):
    return np.abs(pixels - colour).sum(axis=-1)


def rgb(colour):
    return [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
