"""The pages in a real browser: drawn, quiet, within their frame, readable by keyboard and without sight, and on paper.

Every page is loaded once and then looked at in each width, in light and dark and on paper, as a reader who turns the phone would.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.publish import pages
from tests.publish.conftest import NASTY, make_context
from tests.publish.fleet_tables import make_fleet_tables
from tests.publish.test_early_sections import early_tables

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
}).filter(c => c.problem)"""
OVERFLOW = """() => { const w = document.documentElement.clientWidth; return [document.documentElement.scrollWidth - w,
  ...Array.from(document.querySelectorAll('main *')).filter(e => !e.closest('.scroll, .frame, svg, .unseen') &&
     e.getBoundingClientRect().right > w + 1).slice(0, 3).map(e => e.outerHTML.slice(0, 80))]; }"""
# axe-core judges contrast of text on plain grounds; the pictures' own words are judged by test_theme.py on every ground they stand on.
AXE = "() => axe.run({exclude: [['.chart svg']]}, {resultTypes: ['violations']})"
ONE_FOLD_OF_EACH_SORT = """open => ['figure details', '.fold'].forEach(
  k => { const d = document.querySelector(k); if (d) d.open = open; })"""


@pytest.fixture(scope="module")
def site(tables, tmp_path_factory):
    """Every page with every section filled, names from data hostile."""
    folder = tmp_path_factory.mktemp("site")
    for name, html in pages.render_all({**tables, **make_fleet_tables(NASTY), **early_tables()}, make_context()).items():
        (folder / name).write_text(html, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def browser():
    with playwright_api.sync_playwright() as p:
        made = p.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)  # with a new profile of its own
        yield made
        made.close()


@pytest.fixture(scope="module")
def tab_of(browser, site):
    """Tabs by page, each loaded once; each keeps what it said and asked for."""
    tabs = {}

    def tab(name: str, width: int = 1200, scheme: str = "light"):
        if name not in tabs:
            page = tabs[name] = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
            page.set_default_timeout(60_000)
            page.heard, page.asked = [], []
            page.on("console", lambda m: page.heard.append(f"{m.type}: {m.text}"))
            page.on("pageerror", lambda e: page.heard.append(str(e)))
            page.on("dialog", lambda d: (page.heard.append("dialog"), d.dismiss()))
            page.on("request", lambda r: page.asked.append(r.url))
            page.goto((site / name).as_uri())
            page.wait_for_selector("html[data-drawn=yes]", state="attached")
        page = tabs[name]
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme, media="null")
        return page

    yield tab
    for page in tabs.values():
        page.close()


def settled(page, look: str, good) -> object:
    """What a look at the page gives, once the pictures have followed a change of width (or after ten seconds as they are)."""
    for _ in range(100):
        seen = page.evaluate(look)
        if seen == good:
            break
        page.wait_for_timeout(100)
    return seen


@pytest.mark.parametrize("name", PAGES)
def test_at_every_width(tab_of, site, name):
    for width in WIDTHS:
        page = tab_of(name, width)
        assert settled(page, LOOK, []) == [], width
        assert page.evaluate(OVERFLOW) == [0], width
    assert page.locator(".chart").count() >= 2
    assert page.heard == []  # no error, no warning, and no dialog out of a name from the data
    assert {u for u in page.asked if u != "data:,"} == {(site / name).as_uri()}


def test_loaded_on_a_phone_it_is_drawn_for_the_phone(browser, site):
    page = browser.new_page(viewport={"width": 390, "height": 844}, device_scale_factor=2, is_mobile=True, has_touch=True)
    page.goto((site / "index.html").as_uri())
    page.wait_for_selector("html[data-drawn=yes]", state="attached")
    assert settled(page, LOOK, []) == [] and page.evaluate(OVERFLOW) == [0]
    # Whatever is pressed with a finger is at least 24 px high (WCAG 2.2, 2.5.8), or stands in a sentence.
    small = page.evaluate("""() => Array.from(document.querySelectorAll('nav a, summary'))
      .map(e => [e.textContent, e.getBoundingClientRect()]).filter(([t, b]) => b.height && b.height < 24).map(([t]) => t)""")
    assert small == []
    page.close()


@pytest.mark.parametrize("name", PAGES)
def test_accessibility(tab_of, name):
    """axe-core's rules for WCAG 2.2 A and AA and its best practices, in light and dark, on desk and phone."""
    package = pytest.importorskip("axe_playwright_python", reason="the package axe-playwright-python is not installed")
    for width, scheme in ((1200, "light"), (390, "dark")):
        page = tab_of(name, width, scheme)
        # One fold of each sort is opened: they are all made alike, and what is folded is not looked at.
        page.evaluate(ONE_FOLD_OF_EACH_SORT, True)
        if not page.evaluate("() => 'axe' in window"):
            page.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8") + "; undefined")
        found = page.evaluate(AXE)
        page.evaluate(ONE_FOLD_OF_EACH_SORT, False)
        assert [(v["id"], v["nodes"][0]["html"][:160]) for v in found["violations"]] == [], (width, scheme)


def test_folds_open_by_keyboard_and_by_link(tab_of):
    page = tab_of("shop_report.html")
    first = page.locator("#table-supplier")
    assert first.get_attribute("open") is None
    first.locator("summary").focus()
    page.keyboard.press("Enter")
    assert first.get_attribute("open") is not None
    page.keyboard.press("Space")
    assert first.get_attribute("open") is None
    page.locator("a[href='#back-wrong_part_first']").first.focus()
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.getElementById('back-wrong_part_first').open")


def test_a_row_leads_to_the_rows_behind_it(tab_of):
    page = tab_of("data_quality.html")
    link = page.locator("#table-reasons a[href^='#aside-']").first
    target = link.get_attribute("href")[1:]
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_function("id => document.getElementById(id).closest('details').open", arg=target)


def test_the_first_stop_of_the_keyboard_skips_to_the_answers(browser, site):
    page = browser.new_page(java_script_enabled=True)
    page.goto((site / "index.html").as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.getAttribute('href')") == "#answers"
    page.close()


def test_dark_and_light_differ_without_redrawing(tab_of):
    ink = "() => getComputedStyle(document.querySelector('.chart svg text')).fill"
    light = tab_of("index.html", scheme="light").evaluate(ink)
    assert tab_of("index.html", scheme="dark").evaluate(ink) != light


@pytest.mark.parametrize("name", PAGES)
def test_on_paper(tab_of, tmp_path, name):
    """Printed on A4 from a wide and on Letter from a narrow screen: every picture whole on one sheet, its first and last words there."""
    for width, paper in ((1200, "A4"), (360, "Letter")):
        page = tab_of(name, width, scheme="dark")
        assert settled(page, LOOK, []) == []
        path = tmp_path / f"{width}.pdf"
        page.pdf(path=str(path), format=paper, print_background=True)
        assert path.stat().st_size > 10_000
        if shutil.which("pdftotext"):
            done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
            sheets = [" ".join(s.split()) for s in done.stdout.split("\f")]
            assert len(sheets) <= 24
            if name == "shop_report.html":
                # A chart's last word and its caption stand on the sheet of its first word.
                sheet = next(s for s in sheets if "renewed lately is the first suspect again" in s)
                assert "probability to be at fault" in sheet and "the cell with the most cases" in sheet
    assert page.heard == []


def test_a_page_without_script_still_says_everything(browser, site):
    page = browser.new_page(java_script_enabled=False)
    page.goto((site / "shop_report.html").as_uri())
    assert page.get_by_text("The pictures need JavaScript").is_visible()
    assert page.locator("figure details table").count() >= 10
    page.close()
