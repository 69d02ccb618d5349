"""The fleet plan: its answers, what changed, and its sections in reading order."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.planning.repeats import MORE
from pipeline.publish import fleet_ahead, fleet_pays, fleet_replay, fleet_work
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.findings import _finding, level
from pipeline.publish.fleet_words import (
    age_text,
    horizon_of,
    of_group,
    saving_range,
)
from pipeline.publish.telling import kinds_of, upper
from pipeline.publish.views import Context, Finding, Said, Section
from pipeline.publish.words import Words

FILE = "fleet_plan.html"
QUARTER_DAYS = 92


def sections(tables: Tables, context: Context, words: Words) -> list[Section]:
    """What to do first, then the evidence. One without data says so in words."""
    return [
        fleet_work.due(tables, words),
        fleet_ahead.stock(tables, words),
        fleet_ahead.budget(tables, context, words),
        fleet_work.cause(tables, words),
        fleet_pays.pays(tables, context, words),
        fleet_pays.pairs(tables, words),
        fleet_ahead.demand(tables, context, words),
        fleet_replay.replay(tables, words),
        _assumes(tables, words),
    ]


def findings(tables: Tables, context: Context, words: Words) -> list[Finding]:
    """Up to five answers for the fleet's manager: what to do, to order, to set aside, where planned work pays, and what
    to look into."""
    made = [
        _find_due(tables, context, words),
        _find_stock(tables, words),
        _find_budget(tables, context, words),
        _find_pays(tables, context, words),
        _find_cause(tables, context, words),
    ]
    return [f for f in made if f]


def _find_due(tables: Tables, context: Context, w: Words) -> Finding | None:
    due = ff.due(tables)
    if due.is_empty():
        return None
    renew, pair = (due.filter(pl.col("work") == k) for k in ("renew", "pair"))
    known = due.filter(pl.col("chance_first").is_not_null())
    said = {"places": w.count("part", known.height), "expected": w.number(known["chance_first"].sum())}
    one = renew.filter(pl.col("chance_first").is_not_null())
    if one.height:
        said["range"] = w.percent_range(one["chance_first"].min(), one["chance_first"].max())
        sure = w("fleet_finding.due_sure", **said)
    elif known["chance_first_low"].count():
        top = known.sort("chance_first", descending=True).row(0, named=True)
        said["most"] = w.percent(top["chance_first"])
        said["range"] = w.percent_range(top["chance_first_low"], top["chance_first_high"])
        sure = w("fleet_finding.due_sure_none", **said)
    else:
        sure = w("fleet_finding.due_sure_plain", **said)
    key = ("due_pair" if pair.height else "due") if renew.height else "due_only_pair" if pair.height else "due_nothing"
    soon = renew.filter(pl.col("due_on") <= context.as_of + dt.timedelta(days=QUARTER_DAYS)).height
    return _finding(
        w,
        "due",
        f"fleet_finding.{key}",
        sure,
        f"{FILE}#due",
        n=w.count("part", renew.height),
        soon=w.number(soon) if soon else w("fleet.none_of_them"),
        date=w.date(renew["due_on"].min()) if renew.height else "",
        cost=w.money(renew["cost"].sum()) if renew["cost"].count() else w("fleet.no_cost"),
        pairs=w.count("part", pair.height),
    )


def _find_pays(tables: Tables, context: Context, w: Words) -> Finding | None:
    rules = ff.policies(tables)
    if rules.is_empty():
        return None
    kinds = ff.kinds_by_verdict(rules)
    said = {"waste": w.number(len(kinds[ff.RUN])), "kinds": w.number(sum(map(len, kinds.values())))}
    unsure = w.number(len(kinds[ff.UNSUPPORTED]))
    first = rules.row(0, named=True)
    if first["verdict"] != ff.REPLACE:
        borrowed = rules.filter(pl.col("curve_basis") == "borrowed").height
        sure = w("fleet_finding.pays_sure_none", unsure=unsure, borrowed=w.number(borrowed))
        return _finding(w, "pays", "fleet_finding.pays_none", sure, f"{FILE}#pays", **said)
    n = first["failures"]
    sure = w(
        "fleet_finding.pays_sure",
        level=level(w, context),
        range=saving_range(first, w),
        n=w.count("failure", round(n)) if n is not None else w("format.unknown"),
        unsure=unsure,
    )
    if n is not None and n < ff.THIN_FAILURES:
        sure = f"{upper(w('fleet.thin'))}. {sure}"
    return _finding(
        w,
        "pays",
        "fleet_finding.pays",
        sure,
        f"{FILE}#pays",
        kind=of_group(first, rules, w, plural=True),
        age=age_text(first["snapped_age"] or first["age"], first["clock"], w),
        saving=w.percent(first["saving_share"]),
        **said,
    )


def _find_stock(tables: Tables, w: Words) -> Finding | None:
    found, order = ff.stock(tables), ff.to_order(tables)
    if found.is_empty() or any(c not in found.columns or found[c].n_unique() > 1 for c in ("lead_days", "service_level")):
        return None
    top = found.row(0, named=True)
    key, within = "stock_order_none", {}
    if order.height:
        key = "stock_order"
        within = {"n": w.count("part", int(order["pieces"].sum())), "date": w.date(order["first_on"].min())}
    said = {
        "n": w.count("part", int(found["stock"].sum())),
        "most": f"{w.number(top['stock'])} {kinds_of(w, top['component'], top['lighting'])}",
        "days": w.count("day", round(top["lead_days"])),
        "level": w.percent(top["service_level"]),
    }
    texts = (tell("fleet_finding.stock", order=tell(f"fleet_finding.{key}", **within), **said) for tell in (w.rich, w))
    return Finding("stock", *texts, w("fleet_finding.stock_sure"), f"{FILE}#stock")


def _find_budget(tables: Tables, context: Context, w: Words) -> Finding | None:
    whole, _ = ff.budget(tables)
    if whole is None:
        return None
    rules, (lamps, _) = ff.policies(tables), ff.dark_lamps(tables)
    given = not rules.is_empty() and (rules["costs_basis"] == "given").all()
    basis = w("fleet_finding.basis_given") if given else w("fleet_finding.basis_assumed")
    # With planned work in the plan, what to set aside is the money with it.
    planned = ff.has_planned_work(tables)
    under = "plan_" if planned else ""
    parts = ff.over_horizon(tables)
    columns = ("under", "under_low", "under_high") if planned and parts.height and parts["under"].count() else ("mean", "low", "high")
    count = ff.together(*(parts[c].to_list() for c in columns)) if parts.height else None
    plan = ""
    if planned and lamps:
        told = {"dark": w.number(lamps["mean"]), "under": w.number(lamps["plan_mean"])}
        plan = w("fleet_finding.budget_sure_plan", without=w.money(round(whole["mean"])), **told)
    said = {
        "n": w.count("part", round(count.mean)) if count else w("format.unknown"),
        "n_low": w.number(count.low) if count else w("format.nothing"),
        "n_high": w.number(count.high) if count else w("format.nothing"),
        "months": horizon_of(tables, w),
        **{c: w.money(round(whole[f"{under}{c}"])) for c in ("mean", "low", "high")},
    }
    within = {"n": w.number(lamps[f"{under}mean"])} if lamps else None
    texts = (
        tell("fleet_finding.budget", dark=tell("fleet_finding.budget_dark", **within) if within else "", **said)
        for tell in (w.rich, w)
    )
    sure = w("fleet_finding.budget_sure", level=level(w, context), basis=basis, plan=plan)
    return Finding("budget", *texts, sure, f"{FILE}#budget")


def _find_cause(tables: Tables, context: Context, w: Words) -> Finding | None:
    places, several = ff.repeats(tables), ff.several(tables)
    if places.is_empty() and several.is_empty():
        return None
    more = places.filter(pl.col("verdict") == MORE) if places.height else places
    told, sure = places, w("fleet_finding.cause_sure")
    key = "cause_several" if places.is_empty() else "cause_places" if several.is_empty() else "cause"
    if more.height:
        key, told = ("cause_more" if several.height else "cause_more_places"), more
        rate, rest = w.percent(context.false_discovery_rate), w.number(places.height - more.height)
        sure = w("fleet_finding.cause_sure_more", rate=rate, rest=rest)
    elif places.height and places["verdict"].count():
        key = "cause_calm" if several.height else "cause_calm_alone"
    return _finding(
        w,
        "cause",
        f"fleet_finding.{key}",
        sure,
        f"{FILE}#cause",
        n=w.count("place", told.height),
        vehicles=w.count("vehicle", told["vehicle"].n_unique() if told.height else 0),
        several=w.count("vehicle", several["vehicle"].n_unique() if several.height else 0),
    )


def changes(tables: Tables, context: Context, words: Words) -> list[Markup]:
    """What came onto the due list and left it since the last report."""
    now, before = ff.due(tables), ff.due(context.previous)
    if now.is_empty():
        return []
    if before.is_empty():
        return [words.rich("change.no_report")]
    listed = [
        set(t.filter(pl.col("work") != "leave").select("vehicle", "component", "side").iter_rows())
        for t in (now, before)
    ]
    return [
        words.rich("change.compare_report", date=words.date(context.previous_as_of)),
        words.rich(
            "fleet.change",
            now=words.number(len(listed[0])),
            before=words.number(len(listed[1])),
            new=words.number(len(listed[0] - listed[1])),
            gone=words.number(len(listed[1] - listed[0])),
        ),
    ]


def _assumes(tables: Tables, w: Words) -> Section:
    said: list[Any] = [Said(w("fleet.assume_law"), "caution")]
    rules, due = ff.policies(tables), ff.due(tables)

    def part(key: str, n: int, total: int) -> Said:
        return Said(w.rich(key, n=w.number(n), total=w.number(total)))

    if rules.height:
        assumed = rules.filter(pl.col("costs_basis").is_null() | (pl.col("costs_basis") != "given")).height
        said.append(
            part("fleet.assume_costs_part", assumed, rules.height) if assumed else Said(w("fleet.assume_costs_given"))
        )
        if borrowed := rules.filter(pl.col("curve_basis") == "borrowed").height:
            said.append(part("fleet.assume_borrowed", borrowed, rules.height))
    said.append(Said(w("fleet.assume_run")))
    if due.height:
        assumed = due.filter(pl.col("services_basis").is_null() | (pl.col("services_basis") != "given")).height
        said.append(
            part("fleet.assume_services_part", assumed, due.height)
            if assumed
            else Said(w("fleet.assume_services_given"))
        )
        if unknown := due.filter(pl.col("life_from") == "not known").height:
            said.append(part("fleet.assume_unknown", unknown, due.height))
        if original := due.filter(~pl.col("life_from").is_in(["observed", "not known"])).height:
            said.append(part("fleet.assume_life", original, due.height))
        if beyond := due.filter(pl.col("is_beyond_data").fill_null(False)).height:
            said.append(part("fleet.assume_beyond", beyond, due.height))
    return Section("assumes", w("fleet.assumes"), tuple(said), w("fleet.assumes_lead"))
