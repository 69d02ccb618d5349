"""Which supplier to buy from: cost for a year in service beside the price; a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level
from pipeline.publish.telling import MOST_ROWS, head, kind_of, kinds_of, more_rows, short, slug, supplier_name, upper
from pipeline.publish.views import Context, Pictures, Said, Section, cell, table
from pipeline.publish.words import Words

MOST_CHARTS = 3
MOST_MARKS = 10
_FILE = "tables/supplier_costs.csv"
_VERDICT = {"cheaper": "cheaper", "dearer": "dearer", "not told apart": "none", "too few": "few", "labour not known": "labour"}


def buy(tables: Tables, context: Context, w: Words) -> Section:
    title = w("buy.title")
    needed = ("level", "component", "lighting", "kind", "supplier", "cost_per_year", "low", "high", "price")
    found = figures.frame(tables, "supplier_costs", needed)
    if found.is_empty():
        return Section("buy", title, (Said(w("buy.none"), "thin"),))
    keys = ["component", "lighting", "kind"]
    groups = []
    for key, part in found.group_by(keys, maintain_order=True):
        whole, parts = part.filter(pl.col("level") == "supplier"), part.filter(pl.col("level") == "part_number")
        # Where suppliers sell several kinds of it, the part number is what is bought.
        several = parts.height > parts["supplier"].n_unique()
        rows = parts if several else whole
        if rows.height < 2:
            continue
        told = rows.filter(pl.col("verdict").is_in(["cheaper", "dearer"])).height
        groups.append((-told, -int(rows["failed"].sum()), *key, rows.sort(["cost_per_year", "supplier", "part_number"])))
    groups.sort(key=lambda g: g[:5])
    judged = [g for g in groups if (g[5]["verdict"] != "too few").sum() >= 2]
    few = [g for g in groups if (g[5]["verdict"] != "too few").sum() < 2]
    items: list[Any] = []
    if judged:
        items.append(
            Pictures(
                tuple(_chart(component, lighting, kind, rows, context, w) for _, _, component, lighting, kind, rows in judged[:MOST_CHARTS])
            )
        )
        items.append(_table(judged, found, context, w))
    else:
        items.append(Said(w("buy.none"), "thin"))
    if few:
        names = list(dict.fromkeys(_kind(c, li, k, w) for _, _, c, li, k, _ in few))
        items.append(Said(w("buy.few_said", names=w.list(names)), "thin"))
    years = (
        w.count("year", found["horizon_years"].max())
        if float(found["horizon_years"].max()).is_integer()
        else w("format.years_long", n=w.number(found["horizon_years"].max(), 1))
    )
    return Section("buy", title, tuple(items), w("buy.lead", years=years))


def _kind(component: str, lighting: str, kind: str, w: Words) -> str:
    name = kind_of(w, component, lighting)
    return name if kind == "all" else w("buy.kind_of", what=name, kind=kind)


def _kinds(component: str, lighting: str, kind: str, w: Words) -> str:
    name = kinds_of(w, component, lighting)
    return name if kind == "all" else f"{kind} {name}"


def _what(r: dict[str, Any], w: Words) -> str:
    name = supplier_name(r["supplier"], w)
    return name if r["part_number"] in ("all", None) else f"{name} {r['part_number']}"


def _verdict(r: dict[str, Any], w: Words) -> str:
    return w(f"buy.verdict_{_VERDICT.get(r['verdict'], 'few')}")


def _chart(component: str, lighting: str, kind: str, rows: pl.DataFrame, context: Context, w: Words) -> Chart:
    kinds = _kinds(component, lighting, kind, w)
    some = rows.filter(pl.col("verdict") != "too few").head(MOST_MARKS)
    told = some.filter(pl.col("verdict").is_in(["cheaper", "dearer"]))
    if told.height:
        best = told.filter(pl.col("verdict") == "cheaper")
        r = (best if best.height else told.sort("cost_per_year", descending=True)).row(0, named=True)
        title = upper(
            w(
                f"buy.chart_title_{r['verdict']}",
                supplier=_what(r, w),
                components=kinds,
                cost=w.money(r["cost_per_year"]),
                others=w.money(r["others_cost_per_year"]),
            )
        )
    else:
        key = "labour" if (some["verdict"] == "labour not known").all() else "none"
        title = upper(w(f"buy.chart_title_{key}", components=kinds))
    marks = [
        {
            "label": f"{short(_what(r, w), 30)}\n"
            + w(
                "buy.row_more",
                price=w.money(r["price"]),
                failed=w.number(r["failed"]),
                fitted=w.number(r["fitted"]),
                verdict=w(f"buy.short_{_VERDICT.get(r['verdict'], 'few')}"),
            ),
            "series": "",
            "value": r["cost_per_year"],
            "low": r["low"],
            "high": r["high"],
        }
        for r in some.iter_rows(named=True)
    ]
    items = [
        w(
            "buy.chart_item",
            what=_what(r, w),
            cost=w.money(r["cost_per_year"]),
            price=w.money(r["price"]),
            range=w("format.range", low=w.money(r["low"]), high=w.money(r["high"])),
        )
        for r in some.iter_rows(named=True)
    ]
    return charts.dot_interval(
        f"cost_{slug(component)}_{lighting}_{slug(kind)}",
        marks,
        some.select(
            "component",
            "lighting",
            "kind",
            "supplier",
            "part_number",
            "fitted",
            "failed",
            "price",
            "cost_per_year",
            "low",
            "high",
            "verdict",
        ),
        title=title,
        alt_text=w("buy.chart_alt", components=kinds, items="; ".join(items)),
        x_title=w("buy.chart_x", currency=context.currency),
        series=(("", "blue", "circle"),),
        read=w("buy.chart_read", level=level(w, context)),
        percent=False,
    )


def _table(groups: list[Any], found: pl.DataFrame, context: Context, w: Words) -> Any:
    body = []
    for _, _, component, lighting, kind, rows in groups:
        for r in rows.iter_rows(named=True):
            body.append(
                [
                    cell(upper(_kind(component, lighting, kind, w))),
                    cell(supplier_name(r["supplier"], w), r["part_number"] if r["part_number"] != "all" else "", strong=True),
                    w.money(r["price"]),
                    cell(w.money(r["cost_per_year"]), w("format.range", low=w.money(r["low"]), high=w.money(r["high"])), strong=True),
                    cell(w.years(365.25 * r["years_in_service"]), w("buy.of_it", amount=w.money(r["of_it_comebacks"]))),
                    cell(w.percent(r["first_year_failed"]), w.percent_range(r["first_year_low"], r["first_year_high"])),
                    w.number(r["fitted"]),
                    w.number(r["failed"]),
                    cell(_verdict(r, w)),
                    w.percent(r["chance_cheapest"]) if r["verdict"] != "too few" else w("format.nothing"),
                ]
            )
    labour = found["labour"].max() or 0.0
    labour_note = w("buy.labour_known" if labour > 0 else "buy.labour_unknown")
    note = w("buy.note", rate=w.percent(context.false_discovery_rate), labour_note=labour_note)
    return table(
        "table-buy",
        w("buy.table"),
        head(
            w,
            "component",
            "supplier",
            "price#",
            "per_year#",
            "years_served#",
            "first_year#",
            "number_fitted#",
            "number_failed#",
            "verdict",
            "cheapest#",
        ),
        body[: 2 * MOST_ROWS],
        note=f"{note} {more_rows(w, min(len(body), 2 * MOST_ROWS), len(body), _FILE)}".strip(),
        csv=_FILE,
        folded=True,
    )
