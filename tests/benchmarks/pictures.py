"""Make the two pictures of README from the demo data: ``python tests/benchmarks/pictures.py``.

A sheet of a field and the panel of prices, as Chromium shows them, in few colours so that they stay small.
"""

import subprocess
import sys
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image
from playwright.sync_api import sync_playwright

from fertkit.panels import serve

ROOT = Path(__file__).parents[2]
PLACE = ROOT / "notebooks" / "pictures"
FIELD = (
    "field --crop soybean --goal 60 --leaf datasets_demo/leaf_tests.csv --strips "
    "datasets_demo/soybean_k_strips.csv --nutrient-price 0.45 --grain-price 11 --page"
)
PANEL, TOKEN = "04_optimum_under_price_risk.ipynb", "a-word-for-pictures"
COLOURS, LARGEST, MARGIN = 200, 150_000, 16  # of a picture: count, bytes, and pixels around it


def main() -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        with TemporaryDirectory() as place:
            sheet = Path(place) / "field.html"
            subprocess.run([sys.executable, "-m", "fertkit.cli", *FIELD.split(), sheet], cwd=ROOT, check=True,
                           stdout=subprocess.DEVNULL)  # fmt: skip
            page = browser.new_page(viewport={"width": 900, "height": 1000})
            page.goto(sheet.as_uri())
            keep("field_sheet", around(page, page.locator(".sheet").first))
        port = serve.free_port()
        server = subprocess.Popen(serve.command(PLACE.parent, page=True, room=False, port=port),
                                  env=serve.environment(TOKEN), stderr=subprocess.DEVNULL)  # fmt: skip
        try:
            serve.wait_until_up(server, port)
            page = browser.new_page(viewport={"width": 1100, "height": 1000})
            page.goto(f"http://{serve.HOST}:{port}/voila/render/{PANEL}?token={TOKEN}")
            page.locator(".fertkit-says").first.wait_for(timeout=120_000)
            page.wait_for_function("!document.querySelector('.voila-skeleton-post')", timeout=120_000)
            page.add_style_tag(content=".fertkit-closer { display: none !important; }")
            keep("price_panel", around(page, page.locator(".fertkit-panel").first))
        finally:
            browser.close()
            serve.end(server)


def around(page, place) -> bytes:
    """Take a picture of a place with a margin around it."""
    box = place.bounding_box()
    size = {"width": box["width"] + 2 * MARGIN, "height": box["height"] + 2 * MARGIN}
    return page.screenshot(clip={"x": box["x"] - MARGIN, "y": box["y"] - MARGIN, **size}, full_page=True)


def keep(name: str, shot: bytes) -> None:
    """Write a picture in few colours."""
    image, file = Image.open(BytesIO(shot)).convert("RGB").quantize(COLOURS), PLACE / f"{name}.png"
    image.save(file, optimize=True)
    assert file.stat().st_size < LARGEST, f"{file.name} is too large"


if __name__ == "__main__":
    main()
