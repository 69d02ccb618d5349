"""The pages in a real browser: drawn, quiet, within their frame, readable by keyboard and without sight, and on
paper."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

playwright_api = pytest.importorskip("playwright.sync_api", reason="the package playwright is not installed")
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
if not Path(CHROMIUM).exists():
    pytest.skip(f"no browser at {CHROMIUM}", allow_module_level=True)

PAGES = ("index.html", "shop_report.html", "fleet_plan.html", "data_quality.html")
WIDTHS = (360, 768, 1200, 1920)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

# Every picture: is it drawn, does it fit its frame, and is any of its words cut off at the picture's edge?
LOOK = """() => Array.from(document.querySelectorAll('.chart')).map(c => {
  const svg = c.querySelector('svg'); if (!svg) return {id: c.id, problem: 'not drawn'};
  const frame = c.getBoundingClientRect(), box = svg.getBoundingClientRect();
  if (c.dataset.error) return {id: c.id, problem: c.dataset.error};
  if (box.width > frame.width + 1 || box.width < frame.width - 40)
    return {id: c.id, problem: `svg ${box.width} in ${frame.width}`};
  const cut = Array.from(svg.querySelectorAll('text')).filter(t => { const b = t.getBoundingClientRect();
    return t.textContent.trim() && b.width && (b.left < box.left - 1.5 || b.right > box.right + 1.5
                                               || b.bottom > box.bottom + 1.5 || b.top < box.top - 1.5); })
    .map(t => t.textContent);
  const marks = svg.querySelectorAll('path, line, rect').length;
  return {id: c.id, problem: cut.length ? 'cut: ' + cut.join(' | ') : marks < 3 ? 'no marks' : ''};
})"""
OVERFLOW = """() => { const w = document.documentElement.clientWidth; return [document.documentElement.scrollWidth - w,
  ...Array.from(document.querySelectorAll('main *')).filter(e => !e.closest('.scroll, .frame, svg, .unseen') &&
     e.getBoundingClientRect().right > w + 1).slice(0, 3).map(e => e.outerHTML.slice(0, 80))]; }"""


@pytest.fixture(scope="module")
def site(rendered, tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    for name, html in rendered.items():
        (folder / name).write_text(html, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def browser():
    with playwright_api.sync_playwright() as p:
        made = p.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)  # with a new profile of its own
        yield made
        made.close()


@pytest.fixture
def tab(browser, site):
    """A tab that opens a page of the site, and keeps what it said and asked for."""
    page = browser.new_page()
    page.heard, page.asked = [], []
    page.on("console", lambda m: page.heard.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda e: page.heard.append(str(e)))
    page.on("request", lambda r: page.asked.append(r.url))

    def show(name: str, width: int = 1200, scheme: str = "light") -> None:
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme, media="null")
        page.goto((site / name).as_uri())
        if page.query_selector("#specs"):
            page.wait_for_selector("html[data-drawn=yes]", timeout=60_000, state="attached")

    page.show = show
    yield page
    page.close()


@pytest.mark.parametrize("name", PAGES)
def test_at_every_width(tab, site, name):
    for width in WIDTHS:
        tab.show(name, width)
        assert [x for x in tab.evaluate(LOOK) if x["problem"]] == [], width
        assert tab.evaluate(OVERFLOW) == [0], width
    assert tab.heard == []
    assert {u for u in tab.asked if u not in ("data:,",)} == {(site / name).as_uri()}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_accessibility(tab, name, scheme):
    """axe-core's rules for WCAG 2.2 A and AA and its best practices, in light and dark."""
    package = pytest.importorskip("axe_playwright_python", reason="the package axe-playwright-python is not installed")
    tab.show(name, 1200 if scheme == "light" else 390, scheme)
    # One fold of each sort is opened: they are all made alike, and what is folded is not looked at.
    tab.evaluate(
        "() => ['figure details', '.fold'].forEach(k => { const d = document.querySelector(k); if (d) d.open = true; })"
    )
    tab.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8") + "; undefined")
    found = tab.evaluate("() => axe.run({exclude: [['.chart svg']]}, {resultTypes: ['violations']})")
    assert [(v["id"], v["nodes"][0]["html"][:160]) for v in found["violations"]] == []


def test_folds_open_by_keyboard_and_by_link(tab):
    tab.show("shop_report.html")
    first = tab.locator("#table-supplier")
    assert first.get_attribute("open") is None
    first.locator("summary").focus()
    tab.keyboard.press("Enter")
    assert first.get_attribute("open") is not None
    tab.keyboard.press("Space")
    assert first.get_attribute("open") is None
    tab.locator("a[href='#back-wrong_part_first']").first.focus()
    tab.keyboard.press("Enter")
    tab.wait_for_function("() => document.getElementById('back-wrong_part_first').open")


def test_the_first_stop_of_the_keyboard_skips_to_the_answers(tab):
    tab.show("shop_report.html")
    tab.keyboard.press("Tab")
    assert tab.evaluate("() => document.activeElement.getAttribute('href')") == "#answers"


def test_dark_and_light_differ_without_redrawing(tab):
    tab.show("shop_report.html", scheme="light")
    ink = "() => getComputedStyle(document.querySelector('.chart svg text')).fill"
    light = tab.evaluate(ink)
    tab.emulate_media(color_scheme="dark")
    assert tab.evaluate(ink) != light


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", PAGES)
def test_on_paper(tab, site, tmp_path, name, paper):
    """Printed from a wide and from a narrow screen: every picture whole on one sheet, its first and last words
    there."""
    for width in (1200, 360):
        tab.show(name, width, scheme="dark")
        path = tmp_path / f"{width}.pdf"
        tab.pdf(path=str(path), format=paper, print_background=True)
        assert path.stat().st_size > 10_000
        if shutil.which("pdftotext"):
            text = subprocess.run(
                ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
            ).stdout
            sheets = [" ".join(s.split()) for s in text.split("\f")]
            assert len(sheets) <= 16
            if name == "shop_report.html":
                # A chart's last word and its caption stand on the sheet of its first word.
                sheet = next(s for s in sheets if "renewed lately is the first suspect again" in s)
                assert "probability to be at fault" in sheet and "the cell with the most cases" in sheet
    assert tab.heard == []


def test_a_page_without_script_still_says_everything(browser, site):
    page = browser.new_page(java_script_enabled=False)
    page.goto((site / "shop_report.html").as_uri())
    assert page.get_by_text("The pictures need JavaScript").is_visible()
    assert page.locator("figure details table").count() >= 10
    page.close()
