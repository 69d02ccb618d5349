"""The fleet plan: its answers, what changed, and its sections in reading order."""

from __future__ import annotations

import re
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.publish import fleet_charts
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.findings import _finding, level
from pipeline.publish.telling import MOST_ROWS, head, kind_of, kinds_of, more_rows, upper, vehicle_label, wrap
from pipeline.publish.views import Cell, Context, Finding, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import KM_PER_MILE, Words

FILE = "fleet_plan.html"
WATCHED = 20  # parts left in place that are shown all the same: the likeliest to fail
RATIO_FLOOR = -0.25  # the chart of cost ratios is cut here: a greater loss teaches nothing more
RATIO_KINDS = 4  # of which the savings by cost ratio are drawn
LABEL = 18  # letters of a chart's row name before it is broken


def sections(tables: Tables, context: Context, words: Words) -> list[Section]:
    """All sections. One without data says so in words."""
    return [
        _due(tables, words),
        _pays(tables, context, words),
        _pairs(tables, words),
        _demand(tables, context, words),
        _stock(tables, words),
        _budget(tables, context, words),
        _cause(tables, words),
        _assumes(tables, words),
    ]


# Answers


def findings(tables: Tables, context: Context, words: Words) -> list[Finding]:
    """Up to five answers for the fleet's manager."""
    made = [
        _find_due(tables, words),
        _find_pays(tables, context, words),
        _find_demand(tables, context, words),
        _find_budget(tables, context, words),
        _find_cause(tables, words),
    ]
    return [f for f in made if f]


def _find_due(tables: Tables, w: Words) -> Finding | None:
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
    return _finding(
        w,
        "due",
        f"fleet_finding.{key}",
        sure,
        f"{FILE}#due",
        n=w.count("part", renew.height),
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
        range=_saving_range(first, w),
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
        kind=_of_group(first, rules, w, plural=True),
        age=_age(first["snapped_age"] or first["age"], first["clock"], w),
        saving=w.percent(first["saving_share"]),
        **said,
    )


def _find_demand(tables: Tables, context: Context, w: Words) -> Finding | None:
    found = ff.over_horizon(tables)
    if found.is_empty():
        return None
    whole = ff.together(*(found[c].to_list() for c in ("mean", "low", "high")))
    first = found.row(0, named=True)
    return _finding(
        w,
        "demand",
        "fleet_finding.demand",
        w("fleet_finding.demand_sure", level=level(w, context)),
        f"{FILE}#demand",
        mean=w.count("part", round(whole.mean)),
        months=_horizon(tables, w),
        low=w.number(whole.low),
        high=w.number(whole.high),
        kind=kinds_of(w, first["component"], first["lighting"]),
        n=w.number(first["mean"]),
    )


def _find_budget(tables: Tables, context: Context, w: Words) -> Finding | None:
    whole, _ = ff.budget(tables)
    if whole is None:
        return None
    rules = ff.policies(tables)
    given = not rules.is_empty() and (rules["costs_basis"] == "given").all()
    basis = w("fleet_finding.basis_given") if given else w("fleet_finding.basis_assumed")
    return _finding(
        w,
        "budget",
        "fleet_finding.budget",
        w("fleet_finding.budget_sure", level=level(w, context), basis=basis),
        f"{FILE}#budget",
        mean=w.money(round(whole["mean"])),
        low=w.money(round(whole["low"])),
        high=w.money(round(whole["high"])),
        months=_horizon(tables, w),
    )


def _find_cause(tables: Tables, w: Words) -> Finding | None:
    places, several = ff.repeats(tables), ff.several(tables)
    if places.is_empty() and several.is_empty():
        return None
    key = "cause_several" if places.is_empty() else "cause_places" if several.is_empty() else "cause"
    return _finding(
        w,
        "cause",
        f"fleet_finding.{key}",
        w("fleet_finding.cause_sure"),
        f"{FILE}#cause",
        n=w.count("place", places.height),
        vehicles=w.count("vehicle", places["vehicle"].n_unique() if places.height else 0),
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


# Sections


def _due(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.due"), w("fleet.due_lead")
    due = ff.due(tables)
    if due.is_empty():
        return Section("due", title, (Said(w("fleet.due_none"), "thin"),), lead)
    file = "tables/due_list.csv"
    work, left = due.filter(pl.col("work") != "leave"), due.filter(pl.col("work") == "leave")
    items: list[Any] = []
    if work.height:
        shown = work.head(MOST_ROWS)
        note = more_rows(w, shown.height, work.height, file)
        items.append(_due_table("due-list", w("fleet.due_table"), shown, note, file, w, folded=False))
    else:
        items.append(Said(w("fleet.due_nothing")))
    likely = left.filter(pl.col("chance_first").is_not_null()).sort(
        ["chance_first", "vehicle", "component", "side"], descending=[True, False, False, False]
    )
    if likely.height:
        shown = likely.head(WATCHED)
        told = {"shown": w.number(shown.height), "total": w.number(left.height)}
        note = w("fleet.due_watch_note" if shown.height < left.height else "fleet.due_watch_note_all", **told)
        items.append(_due_table("due-watch", w("fleet.due_watch"), shown, note, file, w, folded=bool(work.height)))
    return Section("due", title, tuple(items), lead)


def _due_table(id: str, caption: str, rows: pl.DataFrame, note: str, file: str, w: Words, folded: bool) -> Table:
    body = []
    for r in rows.iter_rows(named=True):
        renew, pair = r["work"] == "renew", r["work"] == "pair"
        action = w("fleet.action_renew") if renew else w("fleet.action_pair_cell") if pair else w("fleet.action_leave")
        # Its hyphens may not break: a date on two lines is misread.
        on = w.short_date(r["due_on"] or r["first_service_on"]).replace("-", "\u2011")
        assumed = w("fleet.assumed_date") if r["services_basis"] == "assumed" else ""
        body.append(
            [
                cell(on, assumed, strong=renew),
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), _group(r["customer_group"], w)),
                cell(upper(kind_of(w, r["component"], r["lighting"])), w.name("side", r["side"])),
                cell(
                    w.distance(r["life_km"]) if r["life_km"] is not None else w.years(r["life_days"]),
                    w.years(r["life_days"]) if r["life_km"] is not None else "",
                    w("fleet.life_assumed") if r["life_from"] != "observed" else "",
                    w("fleet.beyond") if r["is_beyond_data"] else "",
                ),
                cell(
                    w.percent(r["chance_first"]),
                    w.percent_range(r["chance_first_low"], r["chance_first_high"]),
                ),
                w.percent(r["chance_second"]),
                w.money(r["cost"]),
                cell(upper(action), _told(r["reason"], w), strong=renew or pair),
            ]
        )
    columns = head(
        w, "next_service", "vehicle", "component", "life_so_far", "chance_next#", "chance_after#", "cost#", "action"
    )
    return table(id, caption, columns, body, note=note, csv=file, folded=folded)


def _pays(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.pays"), w("fleet.pays_lead")
    rules = ff.policies(tables)
    if rules.is_empty():
        return Section("pays", title, (Said(w("fleet.pays_none"), "thin"), *_ratio_items(tables, context, w)), lead)
    items: list[Any] = []
    drawn = rules.filter(pl.col("saving_share").is_not_null())
    if drawn.height:
        items.append(Pictures((_saving_chart(drawn, rules, context, w),)))
    else:
        items.append(Said(w("fleet.pays_no_chart")))
    file = "tables/replacement_policy.csv"
    hopeful = rules.filter(pl.col("verdict") != ff.RUN)
    run = rules.filter(pl.col("verdict") == ff.RUN)
    if hopeful.height:
        shown = hopeful.head(MOST_ROWS)
        body = [_rule_row(r, rules, w) for r in shown.iter_rows(named=True)]
        columns = head(w, "component", "verdict", "renew_at#", "saving#", "costs", "behind#")
        note = more_rows(w, shown.height, hopeful.height, file)
        items.append(table("pays-table", w("fleet.pays_table"), columns, body, note=note, csv=file))
    if run.height:
        items.append(_run_table(run, file, w))
    items += _ratio_items(tables, context, w)
    return Section("pays", title, tuple(items), lead)


def _rule_row(r: dict[str, Any], rules: pl.DataFrame, w: Words) -> list[Cell | str]:
    pays = r["verdict"] == ff.REPLACE
    ages = [
        _age(r["age"], r["clock"], w),
        w("fleet.snapped", age=_age(r["snapped_age"], r["clock"], w)) if r["snapped_age"] else "",
        w("fleet.original_age", age=_age(r["original_age"], r["clock"], w)) if r["original_age"] else "",
    ]
    saving = [w("format.nothing")]
    if r["saving_share"] is not None:
        saving = [w.percent(r["saving_share"]), _saving_range(r, w)]
        if pays and r["saving_per_1000_units"] is not None:
            saving.append(_rate(r["saving_per_1000_units"], r["clock"], w))
    if r["block_cost_rate"] is not None and r["block_interval"] is not None:
        rate = _rate(1000 * r["block_cost_rate"], r["clock"], w)
        saving.append(w("fleet.block", every=_age(r["block_interval"], r["clock"], w), rate=rate))
    return [
        cell(upper(kind_of(w, r["component"], r["lighting"])), _group(r["customer_group"], w), strong=pays),
        cell(w.name("plan_verdict", r["verdict"]), _told(r["reason"], w), strong=pays),
        cell(*ages) if r["age"] is not None else cell(w("format.nothing")),
        cell(*saving),
        _costs(r, w),
        _behind(r, w),
    ]


def _run_table(run: pl.DataFrame, file: str, w: Words) -> Table:
    """Kinds of part that run to failure, one row a kind with all its groups."""
    body = []
    for (component, lighting), rows in run.group_by("component", "lighting", maintain_order=True):
        first = rows.row(0, named=True)
        groups = [_group(g, w) for g in rows["customer_group"].unique().sort()]
        reasons = rows["reason"].drop_nulls().unique().sort().to_list()
        body.append(
            [
                cell(upper(kind_of(w, component, lighting)), w.list(groups)),
                cell(*(_told(x, w) for x in reasons)),
                _costs(first, w) if rows.height == 1 else _costs_span(rows, w),
                _behind(first, w),
            ]
        )
    columns = head(w, "component", "why", "costs", "behind#")
    return table("run-table", w("fleet.run_table"), columns, body, csv=file, folded=True)


def _saving_chart(drawn: pl.DataFrame, rules: pl.DataFrame, context: Context, w: Words):
    rows, said = [], []
    for r in drawn.iter_rows(named=True):
        kind = _of_group(r, rules, w)
        value, low, high = (100 * r[c] for c in ("saving_share", "saving_low", "saving_high"))
        rows.append(
            {
                "label": "\n".join(wrap(upper(kind), LABEL)),
                "sub": "",
                "series": w.name("plan_verdict", r["verdict"]),
                "value": value,
                "low": low,
                "high": high,
                "text": w.percent(r["saving_share"]),
            }
        )
        said.append(w("fleet.pays_alt_item", kind=kind, saving=w.percent(r["saving_share"]), range=_saving_range(r, w)))
    paying = drawn.filter(pl.col("verdict") == ff.REPLACE)
    first = (paying if paying.height else drawn).row(0, named=True)
    told = {"kind": _of_group(first, rules, w, plural=True), "saving": w.percent(first["saving_share"])}
    key = "one" if paying.height == 1 else "some" if paying.height else "zero"
    return fleet_charts.intervals(
        "plan_saving",
        rows,
        drawn.select(
            "component", "lighting", "customer_group", "clock", "saving_share", "saving_low", "saving_high", "verdict"
        ),
        title=w(f"fleet.pays_title_{key}", n=w.number(paying.height), **told),
        alt_text=w("fleet.pays_alt", items=w.list(said)),
        x_title=w("fleet.pays_x"),
        series=_series(w),
        read=w("fleet.pays_read", level=level(w, context)),
        wide=True,
    )


def _series(w: Words) -> list[tuple[str, str, str]]:
    looks = {ff.REPLACE: ("green", "diamond"), ff.UNSUPPORTED: ("grey", "circle"), ff.RUN: ("red", "square")}
    return [(w.name("plan_verdict", v), *looks[v]) for v in ff.VERDICTS]


def _ratio_items(tables: Tables, context: Context, w: Words) -> list[Any]:
    found = ff.ratios(tables)
    if found.is_empty():
        return [Said(w("fleet.ratio_none"), "thin")]
    kinds = list(dict.fromkeys(found.select("component", "lighting").iter_rows()))[:RATIO_KINDS]
    nothing_up_to = {
        kind_of(w, r["component"], r["lighting"]): r["cost_ratio"]
        for r in found.filter(pl.col("saving_share").is_null()).sort("cost_ratio").iter_rows(named=True)
    }
    rows, said = [], []
    for r in found.iter_rows(named=True):
        if (r["component"], r["lighting"]) not in kinds:
            continue
        kind, ratio, value = kind_of(w, r["component"], r["lighting"]), _ratio(r["cost_ratio"], w), r["saving_share"]
        if value is not None:
            text = w("fleet.ratio_text", ratio=ratio, saving=w.percent(value))
        else:
            # One line for all the ratios at which there is no saving: the greatest of them stands for the rest.
            text = w("fleet.ratio_run", ratio=ratio) if r["cost_ratio"] == nothing_up_to[kind] else ""
        low, high = (None, None) if value is None else (r["saving_low"], r["saving_high"])
        rows.append(
            {
                "label": "\n".join(wrap(upper(kind), LABEL)),
                "sub": ratio,
                "series": w.name("plan_verdict", r["verdict"]),
                "value": None if value is None else 100 * max(value, RATIO_FLOOR),
                "low": None if low is None else 100 * low,
                "high": None if high is None else 100 * high,
                "text": text,
            }
        )
        if text:
            said.append(f"{kind} {text}")
    paying = found.filter(pl.col("verdict") == ff.REPLACE).sort("cost_ratio", "component", "lighting")
    if paying.height:
        top = paying.row(0, named=True)
        kind = kinds_of(w, top["component"], top["lighting"])
        title = w("fleet.ratio_title", ratio=_ratio(top["cost_ratio"], w), kind=kind)
    else:
        title = w("fleet.ratio_title_none", ratio=_ratio(found["cost_ratio"].max(), w))
    chart = fleet_charts.intervals(
        "plan_cost_ratio",
        rows,
        found.select(
            "component", "lighting", "clock", "cost_ratio", "saving_share", "saving_low", "saving_high", "verdict"
        ),
        title=title,
        alt_text=w("fleet.ratio_alt", items="; ".join(said)),
        x_title=w("fleet.pays_x"),
        series=_series(w),
        read=w("fleet.ratio_read", level=level(w, context), floor=w.percent(-RATIO_FLOOR)),
        wide=True,
        floor=100 * RATIO_FLOOR,
    )
    return [Pictures((chart,))]


def _pairs(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.pairs"), w("fleet.pairs_lead")
    found = ff.pairs(tables)
    if found.is_empty():
        return Section("pairs", title, (Said(w("fleet.pairs_none"), "thin"),), lead)
    file = "tables/pair_policy.csv"
    renew, leave = (found.filter(pl.col("break_even_life").is_not_null() == x) for x in (True, False))
    key = "fleet.pairs_said" if renew.height else "fleet.pairs_said_none"
    items: list[Any] = [Said(w.rich(key, n=w.number(renew.height), total=w.number(found.height)))]
    if renew.height:
        body = [
            [
                cell(upper(kind_of(w, r["component"], r["lighting"])), _group(r["customer_group"], w), strong=True),
                w.name("generation", r["generation"]),
                cell(w("fleet.pairs_from", life=_age(r["break_even_life"], r["clock"], w)), strong=True),
                _costs(r, w),
                _behind(r, w),
            ]
            for r in renew.head(MOST_ROWS).iter_rows(named=True)
        ]
        columns = head(w, "component", "generation", "other_side", "costs", "behind#")
        note = more_rows(w, len(body), renew.height, file)
        items.append(table("pairs-table", w("fleet.pairs_table"), columns, body, note=note, csv=file))
    if leave.height:
        body = []
        for (component, lighting, generation), rows in leave.group_by(
            "component", "lighting", "generation", maintain_order=True
        ):
            groups = [_group(g, w) for g in rows["customer_group"].unique().sort()]
            reasons = rows["reason"].drop_nulls().unique().sort().to_list()
            body.append(
                [
                    cell(upper(kind_of(w, component, lighting)), w.list(groups)),
                    w.name("generation", generation),
                    cell(*(_told(x, w) for x in reasons)),
                    _behind(rows.row(0, named=True), w),
                ]
            )
        columns = head(w, "component", "generation", "why", "behind#")
        items.append(table("pairs-leave", w("fleet.pairs_leave_table"), columns, body, csv=file, folded=True))
    return Section("pairs", title, tuple(items), lead)


def _demand(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.demand"), w("fleet.demand_lead")
    months, parts = ff.by_month(tables), ff.over_horizon(tables)
    if not months and parts.is_empty():
        return Section("demand", title, (Said(w("fleet.demand_none"), "thin"),), lead)
    horizon, charts_made = _horizon(tables, w), []
    if months:
        charts_made.append(_months_chart(months, horizon, context, w))
    if parts.height:
        charts_made.append(_year_chart(parts, horizon, context, w))
    items: list[Any] = [Pictures(tuple(charts_made))]
    if parts.height:
        body = [
            [
                cell(upper(kind_of(w, r["component"], r["lighting"])), strong=True),
                w.number(r["places"]),
                _some(r["mean"], w),
                w("format.range", low=w.number(r["low"]), high=w.number(r["high"])),
                _some(r["planned"], w),
            ]
            for r in parts.iter_rows(named=True)
        ]
        columns = head(w, "component", "places#", "expected#") + [
            (w("head.between", level=level(w, context)), "number"),
            (w("head.planned"), "number"),
        ]
        caption = w("fleet.demand_table", months=horizon)
        items.append(table("demand-table", caption, columns, body, csv="tables/demand.csv", folded=True))
    return Section("demand", title, tuple(items), lead)


def _months_chart(months: list[dict[str, Any]], horizon: str, context: Context, w: Words):
    rows = [
        {
            "month": w.short_month(m["from_on"]),
            "value": m["count"].mean,
            "low": m["count"].low,
            "high": m["count"].high,
            "text": w.number(m["count"].mean),
        }
        for m in months
    ]
    said = [
        w(
            "fleet.months_alt_item",
            month=w.month(m["from_on"]),
            n=w.number(m["count"].mean),
            range=w("format.range", low=w.number(m["count"].low), high=w.number(m["count"].high)),
        )
        for m in months
    ]
    return fleet_charts.months(
        "plan_months",
        rows,
        pl.DataFrame(
            [
                {"month": m["from_on"], "expected": m["count"].mean, "low": m["count"].low, "high": m["count"].high}
                for m in months
            ]
        ),
        title=w(
            "fleet.months_title",
            low=w.number(min(r["low"] for r in rows)),
            high=w.number(max(r["high"] for r in rows)),
            months=horizon,
            mean=w.number(sum(r["value"] for r in rows) / len(rows)),
        ),
        alt_text=w("fleet.months_alt", items=w.list(said)),
        y_title=w("fleet.months_y"),
        read=w("fleet.months_read", level=level(w, context), day=w.number(months[0]["from_on"].day)),
    )


def _year_chart(parts: pl.DataFrame, horizon: str, context: Context, w: Words):
    shown = parts.head(12)
    rows = [
        {
            "label": "\n".join(wrap(upper(kind_of(w, r["component"], r["lighting"])), LABEL)),
            "sub": "",
            "series": "",
            "value": r["mean"],
            "low": r["low"],
            "high": r["high"],
            "text": _some(r["mean"], w),
        }
        for r in shown.iter_rows(named=True)
    ]
    first = parts.row(0, named=True)
    said = [f"{kind_of(w, r['component'], r['lighting'])} {_some(r['mean'], w)}" for r in shown.iter_rows(named=True)]
    return fleet_charts.intervals(
        "plan_year",
        rows,
        parts,
        title=w(
            "fleet.year_title",
            kind=upper(kinds_of(w, first["component"], first["lighting"])),
            n=w.number(first["mean"]),
            months=horizon,
            low=w.number(first["low"]),
            high=w.number(first["high"]),
        ),
        alt_text=w("fleet.year_alt", months=horizon, items=w.list(said)),
        x_title=w("fleet.year_x", months=horizon),
        series=[("", "blue", "circle")],
        read=w("fleet.year_read", months=horizon, level=level(w, context)),
    )


def _stock(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.stock"), w("fleet.stock_lead")
    found = ff.stock(tables)
    if found.is_empty():
        return Section("stock", title, (Said(w("fleet.stock_none"), "thin"),), lead)
    items: list[Any] = []
    same = all(c in found.columns and found[c].n_unique() == 1 for c in ("lead_days", "service_level"))
    if same:
        items.append(
            Said(
                w.rich(
                    "fleet.stock_said",
                    n=w.count("part", int(found["stock"].sum())),
                    days=w.count("day", round(found["lead_days"][0])),
                    level=w.percent(found["service_level"][0]),
                )
            )
        )
    body = [
        [
            cell(upper(kind_of(w, r["component"], r["lighting"])), strong=r["stock"] > 0),
            cell(w.number(r["stock"]), strong=r["stock"] > 0),
            _some(r["expected"], w),
            w.percent(r["chance_short"]),
            w.count("day", round(r["lead_days"])) if r.get("lead_days") is not None else w("format.nothing"),
        ]
        for r in found.iter_rows(named=True)
    ]
    columns = head(w, "component", "stock#", "expected#", "chance_short#", "lead#")
    items.append(table("stock-table", w("fleet.stock_table"), columns, body, csv="tables/stock.csv"))
    return Section("stock", title, tuple(items), lead)


def _budget(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.budget"), w("fleet.budget_lead")
    whole, parts = ff.budget(tables)
    if whole is None and parts.is_empty():
        return Section("budget", title, (Said(w("fleet.budget_none"), "thin"),), lead)
    horizon, items = _horizon(tables, w), []
    if whole is not None and parts.height and whole["mean"]:
        items.append(Pictures((_budget_chart(whole, parts, horizon, context, w),)))
    body = [
        [
            cell(
                w("fleet.budget_all") if r["component"] == ff.ALL else upper(w.name("component", r["component"])),
                strong=bold,
            ),
            cell(w.money(round(r["mean"])), strong=bold),
            w("format.range", low=w.money(round(r["low"])), high=w.money(round(r["high"]))),
            _some(r["failures"], w),
            _some(r["planned"], w),
        ]
        for r, bold in [*([(whole, True)] if whole else []), *((r, False) for r in parts.iter_rows(named=True))]
    ]
    columns = [
        *head(w, "component", "expected#"),
        (w("head.between", level=level(w, context)), "number"),
        *head(w, "failures#", "planned#"),
    ]
    items.append(
        table("budget-table", w("fleet.budget_table"), columns, body, csv="tables/budget.csv", folded=len(items) > 0)
    )
    return Section("budget", title, tuple(items), lead)


def _budget_chart(whole: dict[str, Any], parts: pl.DataFrame, horizon: str, context: Context, w: Words):
    rows = [
        {
            "label": "\n".join(wrap(upper(w.name("component", r["component"])), LABEL)),
            "sub": "",
            "series": "",
            "value": r["mean"],
            "low": r["low"],
            "high": r["high"],
            "text": w.money(round(r["mean"])),
        }
        for r in parts.iter_rows(named=True)
    ]
    first = parts.row(0, named=True)
    plural = w.texts["components"].get(first["component"], w.name("component", first["component"]))
    return fleet_charts.intervals(
        "plan_budget",
        rows,
        parts.select("component", "mean", "low", "high", "failures", "planned"),
        title=w(
            "fleet.budget_title",
            mean=w.money(round(whole["mean"])),
            months=horizon,
            kind=plural,
            share=w.percent(first["mean"] / whole["mean"]),
        ),
        alt_text=w(
            "fleet.budget_alt",
            months=horizon,
            items=w.list(
                [
                    f"{w.name('component', r['component'])} {w.money(round(r['mean']))}"
                    for r in parts.iter_rows(named=True)
                ]
            ),
        ),
        x_title=w("fleet.budget_x", currency=w.currency, months=horizon),
        series=[("", "blue", "circle")],
        read=w(
            "fleet.budget_read",
            months=horizon,
            level=level(w, context),
            range=w("format.range", low=w.money(round(whole["low"])), high=w.money(round(whole["high"]))),
        ),
        wide=True,
    )


def _cause(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.cause"), w("fleet.cause_lead")
    places, several = ff.repeats(tables), ff.several(tables)
    if places.is_empty() and several.is_empty():
        return Section("cause", title, (Said(w("fleet.cause_none")),), lead)
    items: list[Any] = []
    if places.height:
        file = "tables/repeat_places.csv"
        shown = places.head(WATCHED)
        body = [
            [
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), _group(r["customer_group"], w)),
                cell(upper(w.name("component", r["component"])), w.name("side", r["side"]), strong=True),
                w.number(r["failures"]),
                w.short_date(r["last_on"]),
                cell(r["lives_days"]),
            ]
            for r in shown.iter_rows(named=True)
        ]
        columns = head(w, "vehicle", "where", "times#", "last", "lives_days")
        note = more_rows(w, shown.height, places.height, file)
        items.append(table("cause-places", w("fleet.cause_places"), columns, body, note=note, csv=file))
    if several.height:
        file = "tables/several_at_once.csv"
        shown = several.head(WATCHED)
        body = [
            [
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), _group(r["customer_group"], w)),
                cell(_places(r["places"], w), strong=True),
                w.number(r["failures"]),
                cell(w("format.range", low=w.short_date(r["first_on"]), high=w.short_date(r["last_on"]))),
            ]
            for r in shown.iter_rows(named=True)
        ]
        columns = head(w, "vehicle", "where", "times#", "date")
        note = more_rows(w, shown.height, several.height, file)
        items.append(table("cause-several", w("fleet.cause_several"), columns, body, note=note, csv=file))
    return Section("cause", title, tuple(items), lead)


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
        if original := due.filter(pl.col("life_from") != "observed").height:
            said.append(part("fleet.assume_life", original, due.height))
        if beyond := due.filter(pl.col("is_beyond_data").fill_null(False)).height:
            said.append(part("fleet.assume_beyond", beyond, due.height))
    return Section("assumes", w("fleet.assumes"), tuple(said), w("fleet.assumes_lead"))


# Words for cells


def _horizon(tables: Tables, w: Words) -> str:
    return w.count("month", ff.horizon_months(tables))


def _group(group: str | None, w: Words) -> str:
    if group is None:
        return ""
    return w("fleet.all_groups") if group == ff.ALL else str(group).replace("_", " ")


def _of_group(r: dict[str, Any], rules: pl.DataFrame, w: Words, plural: bool = False) -> str:
    """A kind of part, with its customer group where verdicts differ by group."""
    what = (kinds_of if plural else kind_of)(w, r["component"], r["lighting"])
    if r["customer_group"] in (None, ff.ALL) or rules["customer_group"].n_unique() < 2:
        return what
    return w("fleet.in_group", what=what, group=_group(r["customer_group"], w))


def _age(x: float | None, clock: str, w: Words) -> str:
    if x is None:
        return w("format.nothing")
    return w.distance(x) if clock == "km" else w.years(x)


def _rate(per_1000: float, clock: str, w: Words) -> str:
    """Money per 1000 units of the clock: per 1000 km or miles, or per year."""
    if clock == "km":
        return w(
            "fleet.per_distance", amount=w.money(per_1000 * (KM_PER_MILE if w.unit == "mi" else 1)), unit=w.unit_word
        )
    return w("fleet.per_year", amount=w.money(per_1000 * 0.36525))


def _saving_range(r: dict[str, Any], w: Words) -> str:
    """Both limits may lie below nought."""
    low, high = r["saving_low"], r["saving_high"]
    if low is None or high is None:
        return w("format.nothing")
    digits = 0 if max(abs(low), abs(high)) >= 0.0995 else 1
    return w("format.percent_range", low=w.number(100 * low, digits), high=w.number(100 * high, digits))


def _costs(r: dict[str, Any], w: Words) -> Cell:
    if r["planned_cost"] is None or r["unplanned_cost"] is None:
        return cell(w("fleet.no_cost"))
    basis = r.get("costs_basis")
    return cell(
        w("fleet.cost_planned", amount=w.money(r["planned_cost"])),
        w("fleet.cost_failed", amount=w.money(r["unplanned_cost"])),
        "" if basis is None else w("fleet.costs_given") if basis == "given" else w("fleet.costs_assumed"),
    )


def _costs_span(rows: pl.DataFrame, w: Words) -> Cell:
    """The costs of several groups as spans."""

    def span(column: str) -> str:
        low, high = rows[column].min(), rows[column].max()
        if low is None:
            return w("format.nothing")
        return w.money(low) if low == high else w("format.band", low=w.money(low), high=w.money(high))

    basis = "given" if (rows["costs_basis"] == "given").all() else "assumed"
    return cell(
        w("fleet.cost_planned", amount=span("planned_cost")),
        w("fleet.cost_failed", amount=span("unplanned_cost")),
        w("fleet.costs_given") if basis == "given" else w("fleet.costs_assumed"),
    )


def _behind(r: dict[str, Any], w: Words) -> Cell:
    n = r["failures"]
    if n is None:
        return cell(w("format.nothing"))
    key = "fleet.behind_borrowed" if r.get("curve_basis") == "borrowed" else "fleet.behind_own"
    return cell(w(key, n=w.number(n)), w("fleet.thin") if n < ff.THIN_FAILURES else "")


def _ratio(x: float, w: Words) -> str:
    return w.number(x, 0 if x == round(x) else 1)


def _some(x: float | None, w: Words) -> str:
    """A mean count: one decimal below ten, so that a rare part is not said to fail never."""
    if x is None:
        return w("format.nothing")
    return w.number(x) if x >= 9.95 or x == 0 else w.number(x, 1) if x >= 0.05 else w.number(x, 2)


def _places(text: str | None, w: Words) -> str:
    """ "igniter right, lamp left" with the parts' names in words."""
    out = []
    for place in str(text or "").split(","):
        component, _, side = place.strip().rpartition(" ")
        out.append(f"{w.name('component', component)} {w.name('side', side)}" if component else place.strip())
    return upper(w.list([x for x in out if x]))


def _told(reason: str | None, w: Words) -> str:
    """A reason as planning gives it; its distances in the unit of the pages."""
    text = str(reason or "")
    if w.unit != "mi":
        return text

    def miles(found: re.Match[str]) -> str:
        return w.reading(float(found.group(1).replace(",", "")))

    # "from 66,066 on" carries no unit of its own; it has that of the sentence.
    if " km" in text:
        text = re.sub(r"(?<=from )(\d[\d,]*)(?= on\b)", miles, text)
    return re.sub(r"(\d[\d,]*) km\b", miles, text)
