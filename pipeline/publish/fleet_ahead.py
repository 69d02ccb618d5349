"""What lies ahead of the fleet: failures by month and part, stock and budget."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.planning.season import SHOWN
from pipeline.publish import fleet_charts
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level
from pipeline.publish.fleet_words import (
    depot_name,
    horizon_of,
    mean_count,
)
from pipeline.publish.telling import head, kind_of, kinds_of, upper, wrap
from pipeline.publish.views import Context, Pictures, Said, Section, cell, table
from pipeline.publish.words import Words

LABEL = 18  # letters of a chart's row name before it is broken


def demand(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.demand"), w("fleet.demand_lead")
    months, parts = ff.by_month(tables), ff.over_horizon(tables)
    if not months and parts.is_empty():
        return Section("demand", title, (Said(w("fleet.demand_none"), "thin"),), lead)
    horizon, charts_made = horizon_of(tables, w), []
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
                mean_count(r["mean"], w),
                w("format.range", low=w.number(r["low"]), high=w.number(r["high"])),
                mean_count(r["under"], w),
                mean_count(r["planned"], w),
            ]
            for r in parts.iter_rows(named=True)
        ]
        columns = [
            *head(w, "component", "places#", "without_plan#"),
            (w("head.between", level=level(w, context)), "number"),
            *head(w, "with_plan#", "planned#"),
        ]
        caption = w("fleet.demand_table", months=horizon)
        items.append(table("demand-table", caption, columns, body, csv="tables/demand.csv", folded=True))
    items += _season_items(tables, w)
    items += _depot_demand(tables, context, w)
    return Section("demand", title, tuple(items), lead)


def _season_items(tables: Tables, w: Words) -> list[Any]:
    """Whether any kind of part is shown to have a season, and the tests."""
    found = ff.seasons(tables)
    if found.is_empty():
        return []
    tested, shown = found.filter(pl.col("p").is_not_null()), found.filter(pl.col("verdict") == SHOWN)
    if tested.is_empty():
        return [Said(w("fleet.season_few"))]
    names = [kinds_of(w, r["component"], r["lighting"]) for r in tested.iter_rows(named=True)]
    if shown.is_empty():
        said = w("fleet.season_none", n=w.number(tested.height), tests=w.list(names))
    else:
        items = [
            w(
                "fleet.season_item",
                kind=kinds_of(w, r["component"], r["lighting"]),
                peak=w.text(f"month.m{r['peak_month']}"),
                ratio=w.number(r["ratio"], 1),
                low_month=w.text(f"month.m{r['low_month']}"),
            )
            for r in shown.iter_rows(named=True)
        ]
        said = w("fleet.season_said", items=w.list(items))
    body = [
        [
            cell(upper(kind_of(w, r["component"], r["lighting"])), strong=r["verdict"] == SHOWN),
            w.text(f"month.m{r['peak_month']}"),
            w.text(f"month.m{r['low_month']}"),
            cell(
                w.number(r["ratio"], 1),
                w("format.range", low=w.number(r["ratio_low"], 1), high=w.number(r["ratio_high"], 1)),
            ),
            w.percent(r["p_adjusted"]),
            w.name("season_verdict", r["verdict"]),
        ]
        for r in tested.iter_rows(named=True)
    ]
    columns = head(w, "component", "peak", "trough", "ratio_months#", "tested_p#", "told")
    made = table("season-table", w("fleet.season_table"), columns, body, csv="tables/season_tests.csv", folded=True)
    return [Said(said), made]


def _depot_demand(tables: Tables, context: Context, w: Words) -> list[Any]:
    found = ff.demand_by_depot(tables)
    if found.is_empty() or found["depot"].n_unique() < 2:
        return []
    body = []
    for (depot,), rows in found.group_by("depot", maintain_order=True):
        whole = ff.together(*(rows[c].to_list() for c in ("mean", "low", "high")))
        parts = [
            f"{mean_count(r['mean'], w)} {kind_of(w, r['component'], r['lighting'])}"
            for r in rows.filter(pl.col("mean") >= 0.5).iter_rows(named=True)
        ]
        span = w("format.range", low=w.number(whole.low), high=w.number(whole.high))
        said = w.list(parts) if parts else w("format.nothing")
        body.append([cell(depot_name(depot, w), strong=True), cell(w.number(whole.mean), span), said])
    columns = head(w, "depot", "expected#", "component")
    caption = w("fleet.demand_depot_table", months=horizon_of(tables, w))
    return [table("demand-depots", caption, columns, body, csv="tables/demand_by_depot.csv", folded=True)]


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
            "text": mean_count(r["mean"], w),
        }
        for r in shown.iter_rows(named=True)
    ]
    first = parts.row(0, named=True)
    said = [f"{kind_of(w, r['component'], r['lighting'])} {mean_count(r['mean'], w)}" for r in shown.iter_rows(named=True)]
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


def stock(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.stock"), w("fleet.stock_lead")
    found, order = ff.stock(tables), ff.to_order(tables)
    if found.is_empty():
        return Section("stock", title, (Said(w("fleet.stock_none"), "thin"),), lead)
    items: list[Any] = []
    depots = ff.stock_by_depot(tables)
    held = found.filter(pl.col("stock") > 0)
    if all(c in found.columns and found[c].n_unique() == 1 for c in ("lead_days", "service_level")):
        n, days = w.count("part", int(found["stock"].sum())), w.count("day", round(found["lead_days"][0]))
        items.append(Said(w.rich("fleet.stock_said", n=n, days=days, level=w.percent(found["service_level"][0]))))
    if not depots.is_empty() and depots["depot"].n_unique() > 1:
        n = w.count("part", int(depots["stock"].sum()))
        items.append(Said(w.rich("fleet.stock_depot_said", n=n, depots=w.count("depot", depots["depot"].n_unique()))))
    body = [
        [
            cell(upper(kind_of(w, r["component"], r["lighting"])), strong=True),
            cell(w.number(r["stock"]), strong=True),
            mean_count(r["expected"], w),
            w.percent(r["chance_short"]),
        ]
        for r in (held if held.height else found).iter_rows(named=True)
    ]
    none = found.height - held.height
    note = w("fleet.stock_zero", n=w.number(none)) if none and held.height else ""
    columns = head(w, "component", "stock#", "expected#", "chance_short#")
    items.append(table("stock-table", w("fleet.stock_table"), columns, body, note=note, csv="tables/stock.csv"))
    if order.height:
        body = [
            [
                cell(depot_name(r["depot"], w), strong=True),
                upper(kind_of(w, r["component"], r["lighting"])),
                cell(w.number(r["pieces"]), strong=True),
                w.short_date(r["first_on"]),
            ]
            for r in order.iter_rows(named=True)
        ]
        columns = head(w, "depot", "component", "pieces#", "order_by")
        items.append(table("order-table", w("fleet.order_table"), columns, body, csv="tables/due_list.csv"))
    else:
        items.append(Said(w("fleet.order_none")))
    if not depots.is_empty() and depots["depot"].n_unique() > 1:
        items.append(_depot_stock(depots, w))
    return Section("stock", title, tuple(items), lead)


def _depot_stock(depots: pl.DataFrame, w: Words):
    """A row a depot: how many of which part."""
    body = []
    for (depot,), rows in depots.group_by("depot", maintain_order=True):
        held = rows.filter(pl.col("stock") > 0).sort(["stock", "component", "lighting"], descending=[True, False, False])
        parts = [f"{w.number(r['stock'])} {kind_of(w, r['component'], r['lighting'])}" for r in held.iter_rows(named=True)]
        said = w.list(parts) if parts else w("format.nothing")
        body.append([cell(depot_name(depot, w), strong=True), w.number(int(rows["stock"].sum())), said])
    columns = head(w, "depot", "stock#", "component")
    return table(
        "stock-depots", w("fleet.stock_depot_table"), columns, body, csv="tables/stock_by_depot.csv", folded=True
    )


def budget(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.budget"), w("fleet.budget_lead")
    whole, parts = ff.budget(tables)
    if whole is None and parts.is_empty():
        return Section("budget", title, (Said(w("fleet.budget_none"), "thin"),), lead)
    horizon, items = horizon_of(tables, w), []
    under = "plan_" if ff.has_planned_work(tables) else ""
    if whole is not None and parts.height and whole["mean"]:
        items.append(Pictures((_budget_chart(whole, parts, under, horizon, context, w),)))
    items += _plan_items(tables, whole, w)
    items += _dark_items(tables, context, w)
    body = [
        [
            cell(
                w("fleet.budget_all") if r["component"] == ff.ALL else upper(w.name("component", r["component"])),
                strong=bold,
            ),
            cell(w.money(round(r["mean"])), strong=bold),
            w("format.range", low=w.money(round(r["low"])), high=w.money(round(r["high"]))),
            mean_count(r["failures"], w),
            w.money(round(r["plan_mean"])) if r["plan_mean"] is not None else w("format.nothing"),
            mean_count(r["plan_failures"], w),
            mean_count(r["plan_planned"], w),
        ]
        for r, bold in [*([(whole, True)] if whole else []), *((r, False) for r in parts.iter_rows(named=True))]
    ]
    columns = [
        *head(w, "component", "without_plan#"),
        (w("head.between", level=level(w, context)), "number"),
        *head(w, "failures#", "with_plan#", "failures#", "planned#"),
    ]
    items.append(
        table("budget-table", w("fleet.budget_table"), columns, body, csv="tables/budget.csv", folded=len(items) > 0)
    )
    return Section("budget", title, tuple(items), lead)


def _plan_items(tables: Tables, whole: dict[str, Any] | None, w: Words) -> list[Any]:
    """The money with the plan beside that without it."""
    if whole is None or whole["plan_mean"] is None:
        return []
    if not ff.has_planned_work(tables):
        return [Said(w("fleet.budget_no_plan"))]

    def span(name: str) -> str:
        return w("format.range", low=w.money(round(whole[f"{name}low"])), high=w.money(round(whole[f"{name}high"])))

    saved, low, high = (whole[f"saving_{e}"] for e in ("mean", "low", "high"))
    if low <= 0 <= high:
        told = w("fleet.budget_same", range=span("saving_"))
    elif low > 0:
        told = w("fleet.budget_saves", saving=w.money(round(saved)), range=span("saving_"))
    else:
        lost = w("format.range", low=w.money(round(-high)), high=w.money(round(-low)))
        told = w("fleet.budget_costs", cost=w.money(round(-saved)), range=lost)
    said = w.rich(
        "fleet.budget_plan",
        under=w.money(round(whole["plan_mean"])),
        under_range=span("plan_"),
        planned=mean_count(whole["plan_planned"], w),
        failed=mean_count(whole["plan_failures"], w),
        without=w.money(round(whole["mean"])),
        without_range=span(""),
        told=told,
    )
    return [Said(said)]


def _dark_items(tables: Tables, context: Context, w: Words) -> list[Any]:
    """Lamps that go dark on the road, without the plan and with it."""
    whole, parts = ff.dark_lamps(tables)
    if whole is None:
        return [Said(w("fleet.dark_unknown"), "thin")]

    def span(name: str, r: dict[str, Any]) -> str:
        return w("format.range", low=w.number(r[f"{name}low"]), high=w.number(r[f"{name}high"]))

    planned = ff.has_planned_work(tables)
    under = w("fleet.dark_under", n=mean_count(whole["plan_mean"], w), range=span("plan_", whole)) if planned else ""
    said = {"n": w.number(whole["mean"]), "months": horizon_of(tables, w), "range": span("", whole), "under": under}
    body = [
        [
            cell(upper(w.name("component", r["component"])), strong=True),
            cell(w.percent(r["share_dark"]), w.percent_range(r["share_dark_low"], r["share_dark_high"])),
            cell(mean_count(r["mean"], w), span("", r)),
            cell(mean_count(r["plan_mean"], w), span("plan_", r)),
        ]
        for r in parts.iter_rows(named=True)
    ]
    columns = head(w, "component", "dark_share#", "without_plan#", "with_plan#")
    made = table("dark-table", w("fleet.dark_table"), columns, body, csv="tables/dark_lamps.csv", folded=True)
    return [Said(w.rich("fleet.dark_said", **said)), made]


def _budget_chart(whole: dict[str, Any], parts: pl.DataFrame, under: str, horizon: str, context: Context, w: Words):
    """under: "plan_" where planned work is in the plan, so that its money is drawn; else ""."""
    rows = [
        {
            "label": "\n".join(wrap(upper(w.name("component", r["component"])), LABEL)),
            "sub": "",
            "series": "",
            "value": r[f"{under}mean"],
            "low": r[f"{under}low"],
            "high": r[f"{under}high"],
            "text": w.money(round(r[f"{under}mean"])),
        }
        for r in parts.iter_rows(named=True)
    ]
    first = parts.row(0, named=True)
    plural = w.texts["components"].get(first["component"], w.name("component", first["component"]))
    return fleet_charts.intervals(
        "plan_budget",
        rows,
        parts.select("component", *(f"{under}{c}" for c in ("mean", "low", "high")), "failures", "planned"),
        title=w(
            "fleet.budget_title",
            mean=w.money(round(whole[f"{under}mean"])),
            months=horizon,
            kind=plural,
            share=w.percent(first[f"{under}mean"] / whole[f"{under}mean"]),
        ),
        alt_text=w(
            "fleet.budget_alt",
            months=horizon,
            items=w.list(
                [
                    f"{w.name('component', r['component'])} {w.money(round(r[f'{under}mean']))}"
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
            range=w("format.range", low=w.money(round(whole[f"{under}low"])), high=w.money(round(whole[f"{under}high"]))),
        ),
        wide=True,
    )
