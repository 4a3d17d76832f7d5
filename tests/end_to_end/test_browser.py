"""The demo's pages in a real browser: nothing leaves the page, nothing complains, and the charts are truly drawn."""

import io
import os
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


@pytest.mark.skipif(not CHROMIUM.exists() and not os.environ.get("CI"), reason="no chromium on this machine")
def test_pages_open_offline_and_their_charts_are_drawn(demo):
    pack = next(demo[0].glob("2026-*"))
    asked, complaints, coloured = [], [], []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        for path in sorted(pack.glob("*.html")):
            page.goto(path.as_uri())
            for chart in page.locator("figure svg").all():
                picture = Image.open(io.BytesIO(chart.screenshot())).convert("HSV")
                # Marks are saturated; axes, letters and paper are not.
                coloured.append(sum(picture.getchannel("S").histogram()[120:]))
        browser.close()
    assert [url for url in asked if not url.startswith("file:")] == []
    assert complaints == []
    assert len(coloured) >= 4
    assert min(coloured) > 100
