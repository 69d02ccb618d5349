"""The fleet plan's page: its answers carry its tables' numbers, and what is not known is said in words."""

from __future__ import annotations

import datetime as dt
import json

import polars as pl
import pytest

from pipeline.publish import fleet_figures, fleet_work, pages
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
    assert list(said) == ["due", "stock", "budget", "pays", "cause"]
    assert "3 parts are due" in said["due"] and "20 July 2025" in said["due"] and "€270" in said["due"]
    assert "another 2 parts" in said["due"]
    assert "halogen lamps of parcels" in said["pays"] and "12 %" in said["pays"] and "2 of 4" in said["pays"]
    assert "40,000" in said["pays"]  # the age snapped to the services goes before the bare one
    assert "About 78 parts" in said["budget"]  # 48 + 24 + 6
    assert "€9,900 and €16,740" in said["budget"]
    assert "set aside €13,050" in said["budget"] and "62 of them with a lamp dark" in said["budget"]  # with the plan
    assert "Hold 7 parts" in said["stock"] and "14 days" in said["stock"] and "order 3 parts, the first by 20 July 2025" in said["stock"]
    assert "2 places in 1 vehicle fail more often" in said["cause"] and "1 vehicle lost" in said["cause"]
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
        and [r[3].split(" · ")[0] for r in work]
        == ["Renew at this service"] * 3 + ["Renew both sides when this one fails"] * 2
    )
    assert "57 to 64 %" in work[0][5]
    assert len(cells(page, "due-watch")) == fleet_work.WATCHED


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


def test_the_page_tells_what_to_do_before_it_gives_the_evidence(plan, context):
    ids = [s.id for s in page_of(plan, context).sections]
    assert ids == ["due", "stock", "budget", "cause", "pays", "pairs", "demand", "replay", "assumes"]


def texts(page, section: str) -> str:
    return " ".join(str(i.text) for s in page.sections if s.id == section for i in s.items if hasattr(i, "text"))


def test_reported_lamps_come_before_planned_work(plan, context):
    page = page_of(plan, context)
    due = next(s for s in page.sections if s.id == "due")
    ids = [getattr(i, "id", "") for i in due.items]
    assert ids.index("due-open") < ids.index("due-list") and "1 complaint" in texts(page, "due")
    assert cells(page, "due-open")[0][1:] == ["Low beam dark · left", "2025-06-27", "3"]
    assert 'href="tables/due_list.xlsx"' in texts(page, "due") and 'href="planned_work.ics"' in texts(page, "due")


def test_money_and_dark_lamps_with_and_without_the_plan(plan, context):
    page = page_of(plan, context)
    said = texts(page, "budget")
    assert "€13,050" in said and "€14,500" in said and "cannot be told apart" in said
    assert "64</strong> lamps will go dark" in said and "with the planned work 62" in said
    rows = cells(page, "dark-table")
    assert rows[0][0] == "Lamp" and rows[0][2].startswith("52") and rows[0][3].startswith("50")
    whole = cells(page, "budget-table")[0]
    assert whole[1] == "€14,500" and whole[4] == "€13,050"
    idle = plan["budget"].with_columns(plan_planned=pl.lit(0.0))
    assert "No planned renewal is recommended" in texts(page_of({**plan, "budget": idle}, context), "budget")
    for low, high, word in ((-900.0, -100.0, "cost €100 more"), (100.0, 900.0, "save €100")):
        sure = plan["budget"].with_columns(saving_mean=pl.lit(low if low > 0 else high), saving_low=pl.lit(low), saving_high=pl.lit(high))
        assert word in texts(page_of({**plan, "budget": sure}, context), "budget")


def test_stock_and_orders_by_depot(plan, context):
    page = page_of(plan, context)
    assert sum(int(r[2]) for r in cells(page, "order-table")) == 3
    assert cells(page, "stock-depots") == [["Mill Lane", "3", "3 halogen lamp"], ["Quay", "3", "3 halogen lamp"]]
    assert len(cells(page, "demand-depots")) == 2


def test_a_season_is_told_where_it_is_shown(plan, context):
    assert "halogen lamps (most in December, 1.9 times as many as in June)" in texts(page_of(plan, context), "demand")
    none = plan["season_tests"].with_columns(verdict=pl.lit("no season shown"))
    assert "No season is shown for any of 2 kinds" in texts(page_of({**plan, "season_tests": none}, context), "demand")


def test_last_years_plan_is_held_against_what_happened(plan, context):
    page = page_of(plan, context)
    said = texts(page, "replay")
    assert "20 renewals" in said and "7 failures" in said and "9 parts" in said and "not told apart from nothing" in said
    rows = cells(page, "replay-table")
    assert rows[0][0] == "Lamp · recommended" and rows[1][0].startswith("Ballast · not recommended")
    for verdict, words in (("history too short", "history is too short"), ("nothing was due", "no planned work")):
        other = plan["plan_replay"].with_columns(verdict=pl.lit(verdict))
        assert words in texts(page_of({**plan, "plan_replay": other}, context), "replay")
    sure = plan["plan_replay"].with_columns(saving_low=pl.lit(100.0))
    assert "€300 saved, between €100 and €800" in texts(page_of({**plan, "plan_replay": sure}, context), "replay")


def test_many_comparisons_are_owned_up_to(plan, context):
    many = plan["replacement_policy"].with_columns(p_adjusted=pl.lit(0.2))
    assert "0 of 1 would stay" in texts(page_of({**plan, "replacement_policy": many}, context), "pays")
