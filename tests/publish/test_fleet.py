"""The fleet plan's page: its answers carry its tables' numbers, and what is not known is said in words."""

from __future__ import annotations

import datetime as dt
import json

import polars as pl
import pytest

from pipeline.publish import fleet, fleet_figures, pages
from tests.publish.conftest import NASTY, make_context
from tests.publish.fleet_tables import make_fleet_tables


@pytest.fixture(scope="module")
def plan():
    return make_fleet_tables(NASTY)


def page_of(tables, context):
    return next(p for p in pages.build(tables, context, context.words()) if p.file == "fleet_plan.html")


def said_in(page) -> dict[str, str]:
    return {f.id: f.plain for f in page.findings}


def cells(page, id: str) -> list[list[str]]:
    return [
        [c.text for c in row] for s in page.sections for i in s.items if getattr(i, "id", "") == id for row in i.rows
    ]


def test_the_answers_carry_the_tables_numbers(plan, context):
    page = page_of(plan, context)
    said = said_in(page)
    assert list(said) == ["due", "pays", "demand", "budget", "cause"]
    assert "3 parts are due" in said["due"] and "20 July 2025" in said["due"] and "€270" in said["due"]
    assert "another 2 parts" in said["due"]
    assert "halogen lamps of parcels" in said["pays"] and "12 %" in said["pays"] and "2 of 4" in said["pays"]
    assert "40,000" in said["pays"]  # the age snapped to the services goes before the bare one
    assert "About 78 parts" in said["demand"]  # 48 + 24 + 6
    assert "€14,500" in said["budget"] and "€11,000 and €18,600" in said["budget"]
    assert "30 places in 15 vehicles" in said["cause"] and "1 vehicle lost" in said["cause"]
    assert all(f.sure for f in page.findings)


def test_intervals_of_independent_parts_add_as_squares():
    # JCGM 100:2008, 5.1.2: 3-4-5 below, 6-8-10 above
    found = fleet_figures.together([10.0, 10.0], [7.0, 6.0], [16.0, 18.0])
    assert (found.mean, found.low, found.high) == (20.0, 15.0, 30.0)
    alone = fleet_figures.together([5.0], [2.0], [9.0])
    assert (alone.low, alone.high) == (2.0, 9.0)


def test_a_verdict_is_told_on_the_clock_that_the_part_is_planned_on(plan):
    rules = fleet_figures.policies(plan)
    assert dict(rules.select("component", "clock").iter_rows()) == {"lamp": "km", "ballast": "days", "wiring": "days"}
    no_list = fleet_figures.policies({"replacement_policy": plan["replacement_policy"]})
    assert no_list.row(0, named=True)["verdict"] == fleet_figures.REPLACE  # then the clock with the best verdict


def test_planned_work_stands_first_and_the_rest_by_chance(plan, context):
    page = page_of(plan, context)
    work = cells(page, "due-list")
    assert (
        len(work) == 5
        and [r[-1].split(" · ")[0] for r in work]
        == ["Renew at this service"] * 3 + ["Renew both sides when this one fails"] * 2
    )
    assert "57 to 64 %" in work[0][4]
    assert len(cells(page, "due-watch")) == fleet.WATCHED


def test_every_estimate_drawn_has_its_interval(plan, context):
    drawn = {c.name: c for c in page_of(plan, context).charts()}
    assert set(drawn) == {"plan_saving", "plan_cost_ratio", "plan_months", "plan_year", "plan_budget"}
    for chart in drawn.values():
        rows = [r for s in chart.spec["datasets"].values() for r in s if r.get("value") is not None]
        assert rows and all(r["low"] <= r["value"] <= r["high"] for r in rows), chart.name
        assert len(chart.title.split()) >= 6 and chart.alt and chart.numbers.height
    assert len(next(iter(v for v in drawn["plan_months"].spec["datasets"].values()))) == 12
    assert "from 5 times a planned visit" in drawn["plan_cost_ratio"].title


@pytest.mark.parametrize("name", sorted(make_fleet_tables("")))
def test_each_table_may_be_absent_or_empty(plan, context, name):
    gone = page_of({k: v for k, v in plan.items() if k != name}, context)
    empty = page_of({**plan, name: plan[name].clear()}, context)
    assert said_in(gone) == said_in(empty)
    assert all(s.items for s in gone.sections)


def test_without_a_plan_every_section_says_so(context):
    page = page_of({}, context)
    text = " ".join(str(i.text) for s in page.sections for i in s.items if hasattr(i, "text"))
    assert not page.findings and not page.charts()
    for words in ("No due list", "No replacement ages", "No rule for pairs", "No forecast", "No stock", "No budget"):
        assert words in text
    assert "comes first" in str(page.sections[0].lead) and "law requires come first" in text


def test_where_nothing_pays_the_page_says_so(plan, context):
    none = {
        "replacement_policy": plan["replacement_policy"].filter(pl.col("verdict") == "run to failure"),
        "due_list": plan["due_list"].with_columns(due_on=pl.lit(None, pl.Date), action=pl.lit("leave")),
    }
    page = page_of(none, context)
    said = said_in(page)
    assert "No part is due" in said["due"] and "not sure to pay" in said["pays"]
    assert not cells(page, "due-list") and not page.charts()


def test_assumed_costs_services_and_borrowed_curves_are_owned_up_to(plan, context):
    text = " ".join(str(i.text) for s in page_of(plan, context).sections if s.id == "assumes" for i in s.items)
    assert "4 of 8 verdicts rest on <strong>assumed</strong> costs" in text
    assert "2 of 8 verdicts are borrowed" in text
    assert "10 of 70 parts the next service is" in text and "7 of 70 parts are taken" in text
    page = page_of(
        {**plan, "replacement_policy": plan["replacement_policy"].with_columns(failures=pl.lit(7.0))}, context
    )
    assert next(f for f in page.findings if f.id == "pays").sure.startswith("Thin.")


def test_the_due_list_is_compared_with_the_last_report(plan):
    before = {"due_list": plan["due_list"].filter(pl.col("rank") != 2)}
    context = make_context(previous=before, previous_as_of=dt.date(2025, 5, 31))
    text = " ".join(str(c) for c in page_of(plan, context).changes)
    assert "<strong>5</strong> parts due" in text and "against 4" in text and "1 new, 0 no longer" in text


def test_miles_reach_the_reasons_too(plan):
    page = page_of(plan, make_context(distance="mi"))
    # 44,103 km is 27,404 miles; 66,066 km is 41,052 (1 mile is 1.609344 km exactly)
    text = " ".join(c for row in cells(page, "due-list") for c in row).replace("\u00a0", " ")
    assert "27,404 miles" in text and "41,052 miles" in text and " km" not in text


def test_text_from_data_stays_text(plan, context):
    html = pages.render_all(plan, context)["fleet_plan.html"]
    assert NASTY not in html and "&lt;script&gt;alert(1)" in html


def test_row_order_does_not_matter(plan, context):
    mixed = {k: t.sample(fraction=1.0, shuffle=True, seed=3) for k, t in plan.items()}
    one, two = page_of(plan, context), page_of(mixed, context)
    assert said_in(one) == said_in(two)
    assert [json.dumps(c.spec) for c in one.charts()] == [json.dumps(c.spec) for c in two.charts()]
    assert [s.items for s in one.sections if s.id == "due"] == [s.items for s in two.sections if s.id == "due"]
