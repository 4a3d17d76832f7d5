"""The demo pack in a browser, from its files and without a network: charts are drawn, nothing is asked for, nothing complains."""

import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipelines.charts.theme import BLUE

playwright = pytest.importorskip("playwright.sync_api")

CHROMIUM = Path("/usr/bin/chromium")
PAGES = ("index", "monthly", "interval_recommendations", "benchmark", "intake_account")
NARROW, WIDE = 390, 1280
PAPER = "#fdfcf8"


@pytest.fixture(scope="module")
def browser():
    if not CHROMIUM.exists():
        missing = f"no browser at {CHROMIUM}"
        pytest.fail(missing) if os.environ.get("CI") else pytest.skip(missing)
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def pack(demo) -> Path:
    out, done = demo
    return (out / done.stdout.splitlines()[-1].removeprefix("Report pack: ")).parent


@pytest.fixture(params=PAGES)
def opened(browser, pack, request):
    """A page of the pack, with all that it asked for and complained of."""
    context = browser.new_context(offline=True, viewport={"width": WIDE, "height": 900})
    page = context.new_page()
    page.asked, page.complaints = [], []
    page.on("request", lambda asked: page.asked.append(asked.url))
    page.on("console", lambda said: page.complaints.append(said.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.goto((pack / f"{request.param}.html").as_uri())
    yield page
    context.close()


def test_a_page_opens_with_no_network_and_no_complaint(opened):
    assert opened.asked == [opened.url]
    assert opened.complaints == []
    assert opened.locator("h1").count() == 1
    assert opened.locator(".cautions li").count() >= 5


def test_every_chart_is_truly_drawn(opened):
    charts = opened.locator("figure svg").all()
    assert charts or opened.url.endswith("index.html")
    for chart in charts:
        pixels = np.asarray(Image.open(io.BytesIO(chart.screenshot())).convert("RGB")).astype(int)
        drawn = distance(pixels, rgb(PAPER)) > 60
        assert drawn.mean() > 0.01
        assert (distance(pixels, rgb(BLUE)) < 30).sum() > 50


def test_words_fit_the_screen_of_a_phone(opened):
    opened.set_viewport_size({"width": NARROW, "height": 800})
    assert opened.evaluate("document.documentElement.scrollWidth") <= NARROW
    sizes = opened.locator("p, li, figcaption, h1").evaluate_all(
        "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
    )
    assert min(sizes) >= 14


def test_on_paper_nothing_is_cut_off_and_the_cautions_stay(opened):
    opened.emulate_media(media="print")
    opened.set_viewport_size({"width": 680, "height": 960})  # A4 less its margins
    for chart in opened.locator("figure svg").all():
        assert chart.bounding_box()["width"] <= 680
    assert opened.locator(".cautions").is_visible()
    assert opened.locator("time").is_visible()


def distance(pixels, colour):
    return np.abs(pixels - colour).sum(axis=-1)


def rgb(colour):
    return [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
