"""The pages as text: answers first, nothing unescaped, absent tables said in words, the same bytes again."""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish import charts, earlier, figures, findings, pages, theme
from pipeline.publish.views import Table
from tests.publish.conftest import AS_OF, NASTY, make_context, make_tables
from tests.publish.fleet_tables import make_fleet_tables
from tests.publish.test_early_sections import early_tables

ALL = ("index.html", "shop_report.html", "fleet_plan.html", "data_quality.html")


class Reader(HTMLParser):
    """Tags in order, ids, links, the visible text, and the texts of script elements."""

    def __init__(self, html: str):
        super().__init__()
        self.tags, self.ids, self.links, self.text, self.scripts, self.open = [], [], [], [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.open.append(tag)
        self.ids += [v for k, v in attrs if k == "id"]
        self.links += [v for k, v in attrs if k in ("href", "src")]

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        (self.scripts if self.open and self.open[-1] == "script" else self.text).append(data)


@pytest.fixture(scope="module")
def read(rendered):
    return {name: Reader(html) for name, html in rendered.items()}


def words_of(reader: Reader) -> str:
    return re.sub(r"\s+", " ", " ".join(reader.text))


def test_the_pages_are_there_and_small(rendered):
    assert set(rendered) == set(ALL)
    assert all(len(html.encode()) < 3_000_000 for html in rendered.values())


@pytest.mark.parametrize("name", ALL)
def test_answers_come_first_then_changes_then_evidence(rendered, name):
    html = rendered[name]
    places = [html.index(f'id="{i}"') for i in ("answers", "changed")]
    assert places == sorted(places)
    first_section = html.index('class="part"')
    assert places[1] < first_section


@pytest.mark.parametrize("name", ALL)
def test_text_from_data_stays_text(rendered, read, name):
    assert NASTY not in rendered[name]
    assert "alert(1)" not in "".join(s for s in read[name].scripts if not s.lstrip().startswith("{"))
    assert read[name].tags.count("script") == 4  # one flag, one bundle, the data, and what draws them
    assert "<b>" not in rendered[name] and "Harrow Lane Workshop &lt;b&gt;" in rendered[name]


def test_the_nasty_part_is_shown_as_it_is_named(read):
    assert NASTY in words_of(read["shop_report.html"])
    assert NASTY in words_of(read["data_quality.html"])


def test_specs_cannot_end_their_script():
    text = str(pages.safe_json({"a": [NASTY, "<!--", "\u2028"]}))
    assert "<" not in text and ">" not in text and "\u2028" not in text
    assert json.loads(text) == {"a": [NASTY, "<!--", "\u2028"]}


@pytest.mark.parametrize("name", ALL)
def test_no_outside_address_and_no_machine_path(rendered, read, name):
    assert not [x for x in read[name].links if re.match(r"(?i)[a-z]+:|//", x) and x != "data:,"]
    assert "default-src 'none'" in rendered[name]
    assert str(Path(__file__).parents[2]) not in rendered[name] and tempfile.gettempdir() + "/" not in rendered[name]


@pytest.mark.parametrize("name", ALL)
def test_ids_are_unique_and_inner_links_lead_somewhere(read, name):
    reader = read[name]
    assert len(reader.ids) == len(set(reader.ids))
    ids = {n: set(r.ids) for n, r in read.items()}
    for link in reader.links:
        page, _, anchor = link.partition("#")
        if anchor:
            assert anchor in ids[page or name], link
        elif page.endswith(".html"):
            assert page in ids or page == "bench.html"  # made from the month's model, not from tables


def test_files_that_the_pages_link_to_are_those_that_are_published(read, tables, context):
    drawn = {f"charts/{c.name}.{e}" for c in pages.all_charts(tables, context) for e in ("svg", "png", "csv")}
    known = (
        drawn
        | {f"tables/{t}.csv" for t in [*tables, "set_aside"]}
        | {"priors.json", "priors.schema.json", "manifest.json", "tables/", "charts/"}
        | {"tables/due_list.xlsx", "planned_work.ics"}  # see fleet_files.py
    )
    linked = {x for r in read.values() for x in r.links if "#" not in x and not x.endswith(".html") and x != "data:,"}
    assert linked <= known


def test_the_same_inputs_give_the_same_bytes(rendered, tables, context):
    again = pages.render_all({k: tables[k] for k in reversed(list(tables))}, context)
    assert again == rendered


def test_row_order_of_the_tables_does_not_matter(rendered, tables, context):
    mixed = {k: t.sample(fraction=1.0, shuffle=True, seed=5) for k, t in tables.items()}
    # lists of orders may hold ties in another order; pictures and answers may not
    one, two = (pages.build(t, context, context.words()) for t in (tables, mixed))
    for a, b in zip(one, two, strict=True):
        assert [f.plain for f in a.findings] == [f.plain for f in b.findings]
        assert a.changes == b.changes
        assert [c.title for c in a.charts()] == [c.title for c in b.charts()]


def shape(page) -> list:
    """What a page says and shows, without its pictures' insides."""
    return [
        [f.plain for f in page.findings],
        list(page.changes),
        [
            (s.id, [type(i).__name__ + getattr(i, "id", str(getattr(i, "text", ""))) for i in s.items])
            for s in page.sections
        ],
    ]


@pytest.mark.parametrize(
    "absent", [("lives", "files"), ("monthly", "early_failures", "priors"), tuple(sorted(make_tables()))], ids="-".join
)
def test_an_absent_table_is_as_good_as_an_empty_one(tables, context, absent, monkeypatch):
    monkeypatch.setattr(charts, "_spec", lambda chart, rows, height: {})
    words = context.words()
    gone = pages.build({k: v for k, v in tables.items() if k not in absent}, context, words)
    empty = pages.build({**tables, **{k: tables[k].clear() for k in absent}}, context, words)
    assert [shape(p) for p in gone] == [shape(p) for p in empty]
    sections = {s.id: s.items for p in gone for s in p.sections}
    assert all(sections.values()), "a section without anything"


def test_without_any_table_every_page_says_so(context):
    made = pages.render_all({}, context)
    assert set(made) == set(ALL)
    text = words_of(Reader(made["shop_report.html"]))
    assert (
        "There is nothing to say" in text
        and "too few complaints" in text
        and "no part failed inside a warranty" in text
    )
    assert "vegaEmbed" not in made["shop_report.html"]


def test_three_to_five_answers_and_three_top_findings(tables, context):
    words = context.words()
    assert 3 <= len(findings.shop(tables, context, words)) <= 5
    assert 3 <= len(findings.quality(tables, context, words)) <= 5
    top = findings.top_findings(tables, context)
    assert len(top) == 3 and "Brightwell Parts ballasts come back: 12 of 85" in top[0]
    assert all(f.sure for f in findings.top(tables, context))


def test_the_answers_carry_the_numbers_of_the_tables(tables, context):
    failed = (
        tables["monthly"].filter((pl.col("ending") == "failed") & (pl.col("month") > dt.date(2024, 6, 30)))["n"].sum()
    )
    said = {f.id: f.plain for f in findings.shop(tables, context, context.words())}
    assert f"{failed} headlamp parts failed" in said["failed"]
    open_ones = tables["warranty_recovery"].filter(pl.col("claim_by") >= AS_OF)
    assert f"for {open_ones.height} parts" in said["claims"]
    assert f"€{open_ones['amount'].sum():,.0f}" in said["claims"]


def test_a_bad_model_is_said_to_be_bad(tables, context):
    bad = tables["backtest"].with_columns(
        log_score=pl.when(pl.col("method") == "model").then(1.5).otherwise(pl.col("log_score"))
    )
    said = {f.id: f.plain for f in findings.quality({**tables, "backtest": bad}, context, context.words())}
    assert "no better" in said["backtest"]


def test_accounts_that_do_not_add_up_are_shouted(tables, context):
    bad = tables["files"].with_columns(rows_used=pl.col("rows_used") - 1)
    assert "do not add up" in pages.render_all({**tables, "files": bad}, context)["data_quality.html"]


def test_changes_against_an_earlier_report(tables):
    late = tables["monthly"].with_columns(
        n=pl.when(
            (pl.col("month") == dt.date(2025, 4, 1)) & (pl.col("component") == "lamp") & (pl.col("ending") == "failed")
        )
        .then(pl.col("n") - 2)
        .otherwise(pl.col("n"))
    )
    before = {
        **tables,
        "monthly": late,
        "early_failures": tables["early_failures"].with_columns(verdict=pl.lit("not told apart")),
    }
    context = make_context(previous=before, previous_as_of=dt.date(2025, 5, 31))
    front = pages.build(tables, context, context.words())[0]
    text = " ".join(str(c) for c in front.changes)
    assert "<strong>2</strong> more failures are now known" in text
    assert "New verdict: Brightwell Parts ballasts" in text and "No first suspect changed" in text


def test_miles_and_pounds_reach_the_pages(tables):
    context = make_context(distance="mi", currency="GBP")
    page = pages.build(tables, context, context.words())[1]
    text = " ".join(f.plain for f in page.findings) + " ".join(c.title + json.dumps(c.spec) for c in page.charts())
    assert "miles" in text and "£" in text and " km" not in text and "€" not in text


def test_a_first_guess_interval_is_wilsons():
    # Newcombe 1998, Statistics in Medicine 17, table I: 81 of 263, score method without correction: 0.2553 to
    # 0.3662
    low, high = figures.wilson(81, 263)
    assert (round(low, 4), round(high, 4)) == (0.2553, 0.3662)


def test_numbers_at_risk_are_counted_from_the_lives(tables):
    pair = next(p for p in figures.curve_pairs(tables, "km") if p.component == "ballast")
    lives = tables["lives"].filter((pl.col("component") == "ballast") & (pl.col("origin") == "original"))
    t = 50_000.0
    by_hand = sum(1 for a, b in zip(lives["entry_km"], lives["exit_km"], strict=True) if a < t <= b)
    assert figures.at_risk(tables, pair, "original", [t]) == [by_hand]


def test_every_chart_says_its_finding_and_reads_without_sight(tables, context):
    drawn = pages.all_charts(tables, context)
    assert len({c.name for c in drawn}) == len(drawn) >= 14
    for c in drawn:
        assert len(c.title.split()) >= 4 and c.alt and c.numbers.height and re.fullmatch(r"[a-z0-9_-]+", c.name), c.name
        text = json.dumps(c.spec)
        assert "NaN" not in text and "#" not in re.sub(r'"values": \[.*?\]', "", text), c.name  # colours by name only
        assert not [v for v in re.findall(r"var\(--c-(\w+)\)", text) if v not in theme.LIGHT]


def test_specs_are_the_same_again_and_keep_to_the_schema(tables, context, monkeypatch):
    """A run saves the time of checking, so every chart function is held against the drawing library's schema here."""
    whole = {**tables, **make_fleet_tables(NASTY), **early_tables()}
    monkeypatch.setattr(charts, "CHECK_AGAINST_SCHEMA", True)
    one = json.dumps([c.spec for c in pages.all_charts(whole, context)])
    monkeypatch.setattr(charts, "CHECK_AGAINST_SCHEMA", False)
    assert one == json.dumps([c.spec for c in pages.all_charts(whole, context)])


def test_the_month_before_is_the_newest_one_published_earlier(tmp_path):
    for day in ("2025-04-30", "2025-05-31", "2025-06-30", ".making-2025-06-30-1"):
        (tmp_path / day / "tables").mkdir(parents=True)
        pl.DataFrame({"month": [day]}).write_parquet(tmp_path / day / "tables" / "monthly.parquet")
    (tmp_path / "2025-05-31" / "tables" / "files.parquet").write_bytes(b"broken")
    (tmp_path / "latest").symlink_to("2025-06-30")
    day, found = earlier.earlier(tmp_path, dt.date(2025, 6, 30))
    assert day == dt.date(2025, 5, 31) and list(found) == ["monthly"] and found["monthly"]["month"][0] == "2025-05-31"
    assert earlier.earlier(tmp_path, dt.date(2025, 4, 30)) == (None, {})


def test_a_misnamed_field_is_an_error_and_no_blank_picture():
    with pytest.raises(ValueError, match="colour"):
        charts.bars(
            "x",
            [{"label": "a", "value": 1, "text": "1"}],
            pl.DataFrame({"a": [1]}),
            title="t",
            alt_text="a",
            x_title="x",
        )


def test_ticks():
    assert charts.ticks_up_to(372) == [0, 50, 100, 150, 200, 250, 300, 350]
    assert charts.ticks_up_to(0.9)[-1] <= 0.9 and charts.ticks_up_to(0) == [0]


def test_what_is_counted_leads_to_the_orders_behind_it(tables, context):
    shop = pages.build(tables, context, context.words())[1]
    found = {i.id: i for s in shop.sections for i in s.items if isinstance(i, Table)}
    behind = {"table-failed": "orders-", "table-back": "back-", "table-supplier": "early-orders", "table-guess": "back-wrong",
              "table-life": "orders-"}
    for id, start in behind.items():
        hrefs = {c.href for row in found[id].rows for c in row if c.href}
        assert hrefs and all(h.startswith(f"#{start}") for h in hrefs), id
        for href in hrefs:  # and there stand orders, by their numbers
            listed = next(t for t in found.values() if href[1:] == t.id or href[1:] in t.ids)
            assert listed.rows and "RO-" in " ".join(c.text for row in listed.rows for c in row), href


def test_a_link_to_nothing_is_no_link():
    from pipeline.publish.views import Section, cell, leading_somewhere, table

    made = table("t", "t", [("a", "text"), ("b", "link")], [[cell("x"), cell("see", href="#t")], [cell("y"), cell("see", href="#gone")]])
    rows = leading_somewhere([Section("s", "s", (made,))])[0].items[0].rows
    assert rows[0][1].href == "#t" and rows[1][1].text == ""
