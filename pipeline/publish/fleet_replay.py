"""What the plan of a year ago would have done."""

from __future__ import annotations

from typing import Any

from pipeline.planning.replay import NOTHING_DUE, RECOMMENDED, TOO_SHORT
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.telling import head, upper
from pipeline.publish.views import Said, Section, cell, table
from pipeline.publish.words import Words


def replay(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.replay"), w("fleet.replay_lead")
    whole, parts = ff.replayed(tables)
    if whole is None:
        return Section("replay", title, (Said(w("fleet.replay_none"), "thin"),), lead)
    date = w.date(whole["then_on"])
    if whole["verdict"] == TOO_SHORT:
        days = w.count("day", whole["watched_days"] or 0)
        return Section("replay", title, (Said(w("fleet.replay_short", days=days, date=date), "thin"),), lead)
    if whole["verdict"] == NOTHING_DUE:
        failures = w.count("failure", whole["failures"] or 0)
        items: list[Any] = [Said(w.rich("fleet.replay_nothing", date=date, failures=failures))]
    else:
        said = w.rich(
            "fleet.replay_said",
            date=date,
            due=w.count("renewal", whole["due"]),
            prevented=w.count("failure", whole["prevented"]),
            wasted=w.count("part", whole["unneeded"]),
            late=w.count("part", whole["too_late"]),
            money=w("fleet.replay_plain", money=_money(whole, w)),
        )
        items = [Said(said)]
    if parts.height:
        body = [
            [
                cell(
                    upper(w.name("component", r["component"])),
                    w("fleet.replay_recommended" if r["basis"] == RECOMMENDED else "fleet.replay_not"),
                    strong=r["basis"] == RECOMMENDED,
                ),
                w.number(r["failures"]),
                w.number(r["due"]),
                w.number(r["prevented"]),
                w.number(r["unneeded"]),
                w.number(r["too_late"]),
                cell(w.money(round(r["saving"])), _range(r, w)),
            ]
            for r in parts.iter_rows(named=True)
        ]
        columns = head(
            w, "component", "failures_year#", "due#", "prevented#", "unneeded#", "too_late#", "money_saved#"
        )
        items.append(table("replay-table", w("fleet.replay_table"), columns, body, csv="tables/plan_replay.csv"))
        items.append(Said(w("fleet.replay_counts")))
    return Section("replay", title, tuple(items), lead)


def _range(r: dict[str, Any], w: Words) -> str:
    if r["saving_low"] is None:
        return ""
    return w("format.range", low=w.money(round(r["saving_low"])), high=w.money(round(r["saving_high"])))


def _money(r: dict[str, Any], w: Words) -> str:
    saved, low, high = (r[f"saving{e}"] for e in ("", "_low", "_high"))
    amount = w.money(round(abs(saved)))
    if low is None:
        return w("fleet.replay_bare", amount=w.money(round(saved)))
    if low > 0 or high < 0:
        limits = sorted((abs(low), abs(high)))
        low_text, high_text = (w.money(round(x)) for x in limits)
        return w("fleet.replay_saved" if low > 0 else "fleet.replay_cost", amount=amount, low=low_text, high=high_text)
    way = w("fleet.replay_way_saved" if saved >= 0 else "fleet.replay_way_cost")
    return w("fleet.replay_unsure", amount=amount, way=way, low=w.money(round(low)), high=w.money(round(high)))
