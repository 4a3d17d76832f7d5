"""Pictures of the reports for the README: `.venv/bin/python tests/end_to_end/pictures.py`, which makes the demo first.

The first screen of each report, small enough to be kept with the code. Look at them before they are committed.
"""

import io
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "reports" / "pictures"
CHROMIUM = "/usr/bin/chromium"
# Of the screen, and of the picture that is kept [px].
WIDTH, HEIGHT, KEPT_WIDTH = 980, 1100, 760
LARGEST_BYTES = 150_000
CLIENT = "Harrowmere Marine"


def first_screen(page: Any) -> bytes:
    """Return the first screen of the page that a browser shows, as a small PNG file."""
    page.set_viewport_size({"width": WIDTH, "height": HEIGHT})
    screen = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    small = screen.resize((KEPT_WIDTH, round(KEPT_WIDTH * HEIGHT / WIDTH)), Image.Resampling.LANCZOS)
    kept = io.BytesIO()
    small.quantize(96, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(kept, "PNG", optimize=True)
    return kept.getvalue()


def main() -> None:
    """Make the demo, and of one client the pages for its sites, and keep a picture of each report."""
    from playwright.sync_api import sync_playwright

    command = Path(sys.executable).parent / "rigging-removals"
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        out = Path(folder)
        said = subprocess.run(
            [command, "demo", "--out", out], capture_output=True, text=True, check=True
        ).stdout
        pack = Path(said.splitlines()[-1].removeprefix("Report pack: ")).parent
        words = [
            "report",
            "site_page",
            "--store",
            out / "demo.duckdb",
            "--period",
            pack.name,
            "--client",
            CLIENT,
        ]
        subprocess.run([command, *words, "--out", out / "client"], capture_output=True, check=True)
        sites = sorted((out / "client" / pack.name).glob("site_page_*.html"))
        pages = {path.stem: path for path in pack.glob("*.html")} | {"site_page": sites[0]}
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        PICTURES.mkdir(exist_ok=True)
        for name, path in sorted(pages.items()):
            page.goto(path.as_uri())
            (PICTURES / f"{name}.png").write_bytes(first_screen(page))
        browser.close()


if __name__ == "__main__":
    main()
