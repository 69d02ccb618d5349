"""The bench page against pipeline.suspects.bench: the same ranking and order to 1e-9, in a real browser, quiet,
within its frame, by keyboard, and with names that try to be markup."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import os
import random
import re
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.bench_page import render_bench
from pipeline.publish.views import Context
from pipeline.suspects import bench
from pipeline.suspects.order import EXAMPLE_ACCESS

NASTY = "</script><script>alert(1)</script>"
WIDTHS = (360, 768, 1200)
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
OVERFLOW = """() => { const w = document.documentElement.clientWidth; return [document.documentElement.scrollWidth - w,
  ...Array.from(document.querySelectorAll('main *, nav *')).filter(e => !e.closest('svg, .unseen, .skip') &&
     e.getBoundingClientRect().right > w + 1).slice(0, 3).map(e => e.outerHTML.slice(0, 80))]; }"""


@pytest.fixture(scope="module")
def data():
    """A small simulated shop, fitted, with its access minutes: what a month's bench.json holds."""
    from pipeline.suspects import grid
    from pipeline.suspects.model import fit_model
    from tests.suspects.simulate import AS_OF, CLOCKS, make_world

    world = make_world(300, 5)
    model = fit_model(world.lives, world.episodes, world.parts, clocks=CLOCKS, as_of=AS_OF, seed=1, draws=50)
    km, age = (0, 60_000, 120_000, 200_000), tuple(365.25 * y for y in (0, 4, 8, 12))
    cells = grid.make_cells(model, world.episodes, world.parts, km, age)
    access = EXAMPLE_ACCESS.filter(pl.col("component") != "igniter").to_dicts()  # one whose minutes are assumed
    access[0] |= {"opens": "dash_panel", "opens_minutes": 7.0}
    access[1] |= {"opens": "dash_panel", "opens_minutes": 4.0}  # the dearer of the two counts
    made = bench.bench_data(model, cells) | {"access": access, "access_is_example": True, "access_source": "examples"}
    made |= {"beats_baselines": False, "backtest": "On 40 cases no better than counting."}
    return json.loads(json.dumps(made, allow_nan=False))


def context(**more) -> Context:
    return Context("Northgate Lamps", dt.date(2025, 6, 30), version="1.0", **more)


def text_of(data, **more) -> str:
    return render_bench(json.dumps(data), context(**more))


def queries(data) -> list[dict]:
    """80 queries: each thing told or not, at random."""
    rng = random.Random(7)
    names = data["components"]
    out: list[dict] = [{}]
    while len(out) < 80:
        q: dict = {}
        maybe = {
            "symptom": lambda: rng.choice([*data["symptoms"], "not a symptom"]),
            "side": lambda: rng.choice(["left", "right", "both"]),
            "km": lambda: rng.choice([0.0, rng.uniform(0, 300_000), 900_000.0, 60_000.0]),
            "age_days": lambda: rng.choice([0.0, rng.uniform(0, 6000), 20_000.0]),
            "lighting": lambda: rng.choice([*data["lightings"], "unknown"]),
            "vehicle_class": lambda: rng.choice([*data["classes"], "tram"]),
            "light_source_category": lambda: rng.choice(["D1S", "d3r", "D2S", "D4R", "H7"]),
            "km_per_day": lambda: rng.choice([0.0, rng.uniform(5, 200)]),
            "replaced": lambda: {
                c: rng.choice([0.0, 30.0, rng.uniform(0, 2500)]) for c in rng.sample(names, rng.randint(1, 3))
            },
            "replaced_km": lambda: {rng.choice(names): rng.uniform(0, 150_000)},
            "original": lambda: rng.sample(names, rng.randint(1, len(names))),
            "cleared": lambda: rng.sample([*names, "no such part"], rng.randint(1, 3)),
            "fault_code": lambda: rng.choice([*data["codes"], *[c.lower() for c in data["codes"]], "X 99"]),
            "check_sensitivity": lambda: rng.uniform(0.5, 1.0),
            "swap_error": lambda: rng.uniform(0.0, 0.3),
        }
        for key, value in maybe.items():
            if rng.random() < 0.45:
                q[key] = value()
        if rng.random() < 0.4:
            swapped = rng.sample(names, 2)
            q |= {"moved": swapped[:1], "stayed": swapped[1:]} if rng.random() < 0.5 else {"stayed": swapped[:1]}
        out.append(q)
    return out


def asked(q: dict) -> bench.Query:
    return bench.Query(**{k: tuple(v) if isinstance(v, list) else v for k, v in q.items()})


def close(a, b) -> bool:
    """Equal, numbers to 1e-9 of their size or absolutely."""
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(close(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return isinstance(b, list) and len(a) == len(b) and all(close(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, float) or (isinstance(a, int) and not isinstance(a, bool)):
        return b is not None and abs(a - b) <= 1e-9 * max(1.0, abs(a))
    return a == b


def test_the_page_is_whole_and_names_stay_text(data):
    hostile = data | {
        "components": [NASTY if c == "wiring" else c for c in data["components"]],
        "symptoms": [NASTY if s == "flicker" else s for s in data["symptoms"]],
        "classes": [data["classes"][0], NASTY, *data["classes"][2:]],
        "codes": [NASTY, *data["codes"][1:]],
    }
    html = text_of(hostile)
    assert "<script>alert" not in html
    assert html.count("</script>") == html.count("<script") == 3
    assert "&lt;/script&gt;&lt;script&gt;alert(1)" in html
    inside = re.search(r'id="bench-data">(.*?)</script>', html, re.S).group(1)
    assert json.loads(inside)["data"] == hostile
    assert not re.search(r"\beval\b|new Function|innerHTML|https?://", html.replace("http-equiv", ""))
    assert len(html.encode()) < 3_000_000


def test_every_word_the_script_asks_for_is_there(data):
    script = re.search(r"</script>\s*<script>(.*)</script>", text_of(data), re.S).group(1)
    words = context().words().texts["bench"]
    assert {k for k in re.findall(r"\bT\.(\w+)", script)} <= words.keys()
    # The places the script fills are the places of the texts.
    for key, given in re.findall(r"say\(T\.(\w+), \{(.*?)\}\)", script, re.S):
        for place in re.findall(r"\{(\w+)\}", words[key]):
            assert place == "level" or re.search(rf"\b{place}:", given), (key, place)


def test_refuses_what_is_no_bench_data():
    with pytest.raises(ValueError):
        render_bench("not json", context())
    with pytest.raises(KeyError):
        render_bench("{}", context())


def test_an_empty_list_of_codes_and_one_lighting_make_a_shorter_form(data):
    """A shop with one kind of headlamp and no fault codes is asked for neither."""
    at = data["lightings"].index("halogen")
    cells = [[0, *c[1:]] for c in data["cells"] if c[0] == at]
    html = text_of(data | {"codes": [], "lightings": ["halogen"], "cells": cells})
    assert 'id="code"' not in html and 'id="category"' not in html
    assert html.count('name="lighting"') == 1
    # A part that no headlamp here can have is not asked about.
    assert f'id="renewed-{data["components"].index("ballast")}"' not in html
    assert f'id="renewed-{data["components"].index("lamp")}"' in html


@pytest.fixture(scope="module")
def browser():
    api = pytest.importorskip("playwright.sync_api", reason="the package playwright is not installed")
    if not Path(CHROMIUM).exists():
        pytest.skip(f"no browser at {CHROMIUM}")
    with api.sync_playwright() as p:
        made = p.chromium.launch(
            executable_path=CHROMIUM,
            headless=True,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
            ],
        )
        yield made
        made.close()


@pytest.fixture
def tab(browser, data, tmp_path):
    """A tab that opens a bench page, and keeps what it said and asked for."""
    page = browser.new_page(viewport={"width": 1200, "height": 800})
    page.set_default_timeout(15_000)
    page.heard, page.asked = [], []
    page.on("console", lambda m: page.heard.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda e: page.heard.append(str(e)))
    page.on("dialog", lambda d: (page.heard.append("dialog"), d.dismiss()))
    page.on("request", lambda r: page.asked.append(r.url))

    def show(of=None, width: int = 1200, scheme: str = "light", **more) -> None:
        path = tmp_path / "bench.html"
        path.write_text(text_of(of or data, **more), encoding="utf-8")
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme, media="null")
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=10_000)
        page.address = path.as_uri()

    page.show = show
    yield page
    assert page.heard == []
    assert {u for u in page.asked if u != "data:,"} == {page.address}
    page.close()


def both(data, q: dict):
    """The answer of the command, in the page's shape; None where it refuses."""
    try:
        ranking = bench.rank(data, asked(q))
        if any(s.probability != s.probability for s in ranking.suspects):
            return None
    except (ValueError, ZeroDivisionError):
        return None
    order = bench.check_order(ranking, pl.DataFrame(data["access"]), tuple(q.get("cleared", ())))
    return {"ranking": ranking.as_dict(), "order": order}


ANSWERS = """qs => qs.map(q => { try { return lowbeamBench.answer(q); }
  catch (e) { if (e instanceof RangeError) return null; throw e; } })"""


def test_answers_as_the_command_does(tab, data):
    asked_for = queries(data)
    tab.show()
    got = tab.evaluate(ANSWERS, asked_for)
    wanted = [both(data, q) for q in asked_for]
    assert sum(w is not None for w in wanted) >= 60
    assert [q for q, a, b in zip(asked_for, wanted, got, strict=True) if not close(a, b)] == []
    seen = {n for w in wanted if w for n in w["ranking"]["notes"]}
    assert seen >= set(bench.NOTES) - {"evidence_conflict", "cell_not_reached", "not_tested"}, set(bench.NOTES) - seen
    assert {s["is_assumed"] for w in wanted if w for s in w["order"]["steps"]} == {True, False}


def test_answers_as_the_command_does_where_cells_are_missing_and_parts_are_added(tab, data):
    """Thin data: half the cells gone, one band of km, a part of the user's own, an LED headlamp's parts."""
    names = [{"wiring": "led_driver", "lamp": "own part"}.get(c, c) for c in data["components"]]
    thin = data | {"components": names, "cells": data["cells"][::2], "km_edges": [0.0], "beats_baselines": None}
    asked_for = [q for q in queries(thin) if "km" in q or "cleared" in q]
    tab.show(thin)
    wanted = [both(thin, q) for q in asked_for]
    assert {"cell_not_reached", "evidence_conflict", "not_tested"} <= {n for w in wanted if w for n in w["ranking"]["notes"]}
    got = tab.evaluate(ANSWERS, asked_for)
    assert [q for q, a, b in zip(asked_for, wanted, got, strict=True) if not close(a, b)] == []


def test_refuses_what_the_command_refuses(tab, data):
    wrong = [
        {"km": -1.0},
        {"age_days": -0.5},
        {"replaced": {"lamp": -3.0}},
        {"check_sensitivity": 1.2},
        {"moved": ["lamp"], "stayed": ["lamp"]},
        {"lighting": "gaslight"},
    ]
    assert [both(data, q) for q in wrong] == [None] * len(wrong)
    tab.show()
    assert tab.evaluate(ANSWERS, wrong) == [None] * len(wrong)


def test_evidence_that_leaves_no_suspect_is_said_in_the_same_words(tab, data):
    impossible = {"lighting": "discharge", "symptom": "low_beam_dark", "moved": ["ballast"], "swap_error": 0.0, "cleared": ["ballast"],
                  "check_sensitivity": 1.0}
    with pytest.raises(ValueError, match="leaves no suspect at all: doubt one of the findings") as refused:
        bench.rank(data, asked(impossible))
    tab.show()
    said = tab.evaluate("q => { try { window.lowbeamBench.answer(q); return ''; } catch (e) { return e.message; } }", impossible)
    assert said == str(refused.value)


def fill(tab) -> None:
    tab.get_by_label("low beam dark").check()
    tab.get_by_label("right", exact=True).check()
    tab.get_by_label("discharge", exact=True).check()
    tab.fill("#km", "148,000")
    tab.fill("#age", "9")


BASE = bench.Query(symptom="low_beam_dark", side="right", lighting="discharge", km=148_000.0, age_days=9 * 365.25)


def shown(tab) -> list[str]:
    return tab.locator("#ranking .name").all_text_contents()


def wanted_names(data, query) -> list[str]:
    words = context().words()
    return [words.name("component", s.component) for s in bench.rank(data, query).suspects]


def test_what_the_form_is_told_is_what_is_answered(tab, data):
    tab.show()
    fill(tab)
    assert shown(tab) == wanted_names(data, BASE)
    j = data["components"].index("lamp")
    tab.locator("#renewed > summary").click()
    tab.select_option(f"#renewed-{j}", "renewed")
    tab.fill(f"#ago-{j}", "10")
    tab.select_option(f"#ago-unit-{j}", "w")
    tab.locator("#found > summary").click()
    tab.locator(f"#found-row-{data['components'].index('ballast')}").get_by_label("fault moved").check()
    query = dataclasses.replace(BASE, replaced={"lamp": 70.0}, moved=("ballast",))
    ranking = bench.rank(data, query)
    words = context().words()
    assert shown(tab) == wanted_names(data, query)
    assert tab.locator("#ranking .chance").all_text_contents() == [
        words.percent(s.probability) for s in ranking.suspects
    ]
    first = ranking.suspects[0]
    assert words.percent_range(first.low, first.high) in tab.text_content("#summary")
    order = bench.check_order(ranking, pl.DataFrame(data["access"]))
    steps = tab.locator("#steps .step-head").all_text_contents()
    assert [s.split(" min")[0] for s in steps] == [
        f"{words.name('component', s['component'])}{s['minutes']:.0f}" for s in order["steps"]
    ]
    assert f"{order['expected_minutes']:.0f} min" in tab.text_content("#expected")
    assert words.number(ranking.effective_cases) in tab.text_content("#behind")
    assert tab.locator("#notes li").all_text_contents() == [bench.NOTES[n] for n in ranking.notes]
    # An igniter within the lamp is no part of its own: its rows go.
    tab.select_option("#category", "D1")
    assert "igniter" not in shown(tab)
    assert not tab.locator(f"#renewed-row-{data['components'].index('igniter')}").is_visible()
    tab.get_by_role("button", name="Start over").click()
    tab.wait_for_function("() => document.querySelector('#asked-again').textContent.includes('any headlamp')")


def test_miles_are_turned_into_km(tab, data):
    tab.show(distance="mi")
    fill(tab)
    tab.fill("#km", "100.000")
    query = dataclasses.replace(BASE, km=160_934.4)
    top = bench.rank(data, query).suspects[0]
    assert context().words().percent(top.probability) in tab.text_content("#summary")
    assert "Odometer, mi" in tab.text_content("form")


def test_a_number_that_cannot_be_read_is_said_and_not_guessed(tab):
    tab.show()
    for text in ("-5", "1e5", "nine", "12,34,5"):
        tab.fill("#km", text)
        assert tab.get_attribute("#km", "aria-invalid") == "true"
        assert tab.locator("#km-wrong").is_visible()
        assert not tab.locator("#result-body").is_visible()
        assert "cannot be read" in tab.text_content("#summary")
    tab.fill("#km", "148 000")
    assert tab.get_attribute("#km", "aria-invalid") == "false"
    assert tab.locator("#result-body").is_visible()


def test_a_check_clears_a_part_by_keyboard(tab, data):
    tab.show()
    tab.get_by_label("low beam dark").focus()
    tab.keyboard.press("Space")
    before = shown(tab)
    order = bench.check_order(bench.rank(data, bench.Query(symptom="low_beam_dark")), pl.DataFrame(data["access"]))
    first = order["steps"][0]["component"]
    told = tab.text_content("#summary")
    tab.locator("#steps button").first.focus()
    tab.keyboard.press("Enter")
    assert tab.is_checked(f"#cleared-{data['components'].index(first)}")
    after = shown(tab)
    assert after == wanted_names(data, bench.Query(symptom="low_beam_dark", cleared=(first,)))
    assert after != before
    assert tab.text_content("#summary") != told
    assert len(tab.locator("#steps .step").all()) == len(order["steps"]) - 1
    # The keyboard stays in the list of checks, and what was cleared can be taken back.
    assert tab.evaluate("() => document.activeElement.closest('#steps') !== null")
    tab.locator("#back button").focus()
    tab.keyboard.press("Space")
    assert shown(tab) == before
    # The form's own box does the same.
    tab.locator("#found > summary").focus()
    tab.keyboard.press("Enter")
    tab.focus(f"#cleared-{data['components'].index(first)}")
    tab.keyboard.press("Space")
    assert shown(tab) == after


def everything_open(tab) -> None:
    fill(tab)
    tab.evaluate("""() => {
      document.querySelectorAll('details').forEach(d => { d.open = true; });
      document.querySelectorAll(".part-row > select").forEach(s => { s.value = 'renewed'; });
      document.querySelector('#steps button').click();
    }""")
    assert tab.locator(".ago:visible").count() > 3


def test_nothing_runs_over_the_frame(tab):
    tab.show()
    everything_open(tab)
    for width in WIDTHS:
        tab.set_viewport_size({"width": width, "height": 800})
        assert tab.evaluate(OVERFLOW) == [0], width
    # Big enough for a thumb (WCAG 2.2, 2.5.5 asks for 44 pixels).
    tab.set_viewport_size({"width": 360, "height": 800})
    small = (
        "() => [...document.querySelectorAll('.choice, select, input[type=text], button, summary, .to-answer a')]"
        ".filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 80))"
    )
    assert tab.evaluate(small) == []


@pytest.mark.parametrize(("scheme", "width"), [("light", 1200), ("dark", 360)])
def test_accessibility(tab, scheme, width):
    package = pytest.importorskip("axe_playwright_python", reason="the package axe-playwright-python is not installed")
    tab.show(width=width, scheme=scheme)
    everything_open(tab)
    tab.fill("#ago-0", "wrong")
    tab.fill("#ago-0", "3")
    tab.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8") + "; undefined")
    found = tab.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    assert [(v["id"], v["nodes"][0]["html"][:160]) for v in found["violations"]] == []


def test_hostile_names_stay_text_in_the_browser(tab, data):
    hostile = data | {
        "components": [NASTY if c == "wiring" else c for c in data["components"]],
        "symptoms": [NASTY if s == "flicker" else s for s in data["symptoms"]],
        "access": [*data["access"], {"component": NASTY, "check_minutes": 3.0, "opens": NASTY, "opens_minutes": 1.0}],
    }
    tab.show(hostile, width=360)
    tab.get_by_label(NASTY, exact=True).first.check()
    assert NASTY in shown(tab)
    assert any(NASTY in s for s in tab.locator("#steps").all_text_contents())
    assert tab.evaluate("() => document.scripts.length") == 3
    assert tab.evaluate(OVERFLOW) == [0]


def test_on_paper(tab, tmp_path):
    tab.show(width=360, scheme="dark")
    fill(tab)
    tab.emulate_media(media="print")
    assert not tab.locator("#asked").is_visible()
    assert "148,000 km" in tab.inner_text("#asked-again")
    assert tab.locator("#ranking .whisker").first.is_visible()
    path = tmp_path / "bench.pdf"
    tab.pdf(path=str(path), format="A4", print_background=True)
    sheets = re.findall(rb"/Type\s*/Page\b", path.read_bytes())
    assert 1 <= len(sheets) <= 2
