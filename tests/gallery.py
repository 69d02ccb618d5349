"""Small pictures of the demo's pages for the README, as a desk and a phone show them.

    lowbeam demo && python -m tests.gallery demo/published/latest reports/gallery

Needs the extra `test` and a Chromium (at $CHROMIUM, or /usr/bin/chromium).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

LARGEST = 150_000  # bytes of a picture
PAGES = ("index", "shop_report", "fleet_plan", "bench", "data_quality")
# Width and height in the reader's pixels, and how many of the picture's stand for one of them.
SCREENS = {"desk": (1280, 1440, 0.55), "phone": (390, 844, 0.9)}


def take(site: Path, out: Path) -> list[Path]:
    """One picture a page and screen. Raises ValueError where one is too large to stand in a repository."""
    from playwright.sync_api import sync_playwright

    made = []
    out.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=os.environ.get("CHROMIUM", "/usr/bin/chromium"), args=["--no-sandbox", "--disable-gpu"])
        for name in PAGES:
            for screen, (width, height, scale) in SCREENS.items():
                page = browser.new_page(viewport={"width": width, "height": height}, device_scale_factor=scale, color_scheme="light")
                page.goto((site / f"{name}.html").resolve().as_uri())
                if page.query_selector("#specs"):
                    page.wait_for_selector("html[data-drawn=yes]", state="attached", timeout=120_000)
                path = out / f"{name}_{screen}.png"
                page.screenshot(path=str(path))
                page.close()
                if path.stat().st_size > LARGEST:
                    raise ValueError(f"{path.name} has {path.stat().st_size:,} bytes; at most {LARGEST:,} are wanted")
                made.append(path)
        browser.close()
    return made


if __name__ == "__main__":
    for picture in take(Path(sys.argv[1]), Path(sys.argv[2])):
        print(f"{picture} {picture.stat().st_size:,} bytes")
