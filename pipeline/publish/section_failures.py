"""What failed, and what came back: sections of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures, theme
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.telling import (
    MOST_ROWS,
    head,
    life_columns,
    life_row,
    more_rows,
    slug,
    supplier_name,
    upper,
    vehicle_label,
    wrap,
)
from pipeline.publish.views import Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words


def failed(tables: Tables, context: Context, w: Words) -> Section:
    rows = figures.failures(tables, context.as_of)
    if rows.is_empty():
        return Section("failed", w("shop.failed"), (Said(w("shop.failed_none", month=w.month(context.as_of)), "thin"),))
    total = int(rows["year"].sum())
    first = rows.row(0, named=True)
    names = [w.name("component", c) for c in rows["component"]]
    bars = charts.bars(
        "failed_by_component",
        [
            {
                "label": upper(n),
                "value": r["year"],
                "colour": theme.COMPONENT_COLOURS.get(r["component"], "grey"),
                "text": f"{w.number(r['year'])} · {w.money(r['cost'])}" if r["cost"] else w.number(r["year"]),
            }
            for n, r in zip(names, rows.iter_rows(named=True), strict=True)
        ],
        rows,
        title=w("shop.failed_title", component=names[0], k=w.number(first["year"]), n=w.number(total)),
        alt_text=w(
            "shop.failed_alt",
            month=w.month(context.as_of),
            items=w.list([f"{n} {w.number(k)}" for n, k in zip(names, rows["year"], strict=True)]),
        ),
        x_title=w("shop.failed_x"),
        read=w("shop.failed_read"),
    )
    return Section(
        "failed",
        w("shop.failed"),
        (
            Pictures((bars, _months(tables, context, w, rows))),
            _failed_table(tables, context, w, rows),
            *_failed_orders(tables, context, w, rows),
        ),
        w("shop.failed_lead"),
    )


def _months(tables: Tables, context: Context, w: Words, rows: pl.DataFrame) -> Chart:
    months = figures.last_months(context.as_of)
    failed = (
        figures.monthly(tables)
        .filter(pl.col("ending") == "failed")
        .group_by("component", "month")
        .agg(pl.col("n").sum())
    )
    count = {(r["component"], r["month"]): r["n"] for r in failed.iter_rows(named=True)}
    tiles = [{"component": c, "month": m, "n": int(count.get((c, m), 0))} for c in rows["component"] for m in months]
    by_month = [sum(t["n"] for t in tiles if t["month"] == m) for m in months]
    now, before = by_month[-1], by_month[:-1]
    key = "more" if now > max(before) else "less" if now < min(before) else "same"
    items = [
        f"{w.name('component', t['component'])} {w.number(t['n'])}"
        for t in tiles
        if t["month"] == months[-1] and t["n"]
    ]
    return charts.month_tiles(
        "failed_by_month",
        [
            {
                "label": upper(w.name("component", t["component"])),
                "month": w.short_month(t["month"]),
                "n": t["n"],
                "mark": t["month"] == months[-1],
            }
            for t in tiles
        ],
        pl.DataFrame(tiles),
        title=w(
            f"shop.months_title_{key}",
            month=w.month(months[-1]),
            n=w.number(now),
            low=w.number(min(before)),
            high=w.number(max(before)),
        ),
        alt_text=w("shop.months_alt", month=w.month(months[-1]), items=w.list(items) or w("format.nothing")),
        read=w("shop.months_read"),
    )


def _failed_table(tables: Tables, context: Context, w: Words, rows: pl.DataFrame) -> Table:
    months = figures.last_months(context.as_of)
    other = figures.monthly(tables).filter(
        (pl.col("ending") != "failed") & pl.col("month").is_between(months[0], months[-1])
    )
    kinds = other.group_by("component", "ending").agg(pl.col("n").sum()).sort(["n", "ending"], descending=[True, False])
    body = []
    for r in rows.iter_rows(named=True):
        others = [
            f"{w.name('ending', k['ending'])}: {w.number(k['n'])}"
            for k in kinds.filter(pl.col("component") == r["component"]).iter_rows(named=True)
        ]
        body.append(
            [
                cell(upper(w.name("component", r["component"])), strong=True),
                w.number(r["this_month"]),
                w.number(r["year"]),
                w.money(r["part_cost"]),
                w.money(r["labour_cost"]),
                cell(*others),
                cell(w("head.orders"), href=f"#orders-{slug(r['component'])}"),
            ]
        )
    return table(
        "table-failed",
        w("shop.failed_table"),
        head(w, "component", "this_month#", "year#", "parts_cost#", "labour_cost#", "other_endings", "see@"),
        body,
        csv="tables/monthly.csv",
    )


def _failed_orders(tables: Tables, context: Context, w: Words, rows: pl.DataFrame) -> list[Table]:
    lives = figures.frame(tables, "lives", ("component", "ending", "end_on"))
    if lives.is_empty():
        return []
    since = figures.last_months(context.as_of)[0]
    lives = life_columns(lives).filter(
        (pl.col("ending") == "failed") & pl.col("end_on").is_between(since, context.as_of)
    )
    out = []
    for component in rows["component"]:
        part = lives.filter(pl.col("component") == component).sort(
            ["end_on", "vehicle", "side"], descending=[True, False, False]
        )
        if part.is_empty():
            continue
        body = [life_row(r, w) for r in part.head(MOST_ROWS).iter_rows(named=True)]
        out.append(
            table(
                f"orders-{slug(component)}",
                w("shop.failed_orders", component=upper(w.name("component", component))),
                head(w, "vehicle", "supplier", "fitted", "failed_on", "age"),
                body,
                note=more_rows(w, len(body), part.height, "tables/lives.csv"),
                csv="tables/lives.csv",
                folded=True,
            )
        )
    return out


def back(tables: Tables, context: Context, w: Words) -> Section:
    rows = figures.comebacks(tables, context.as_of)
    title, lead = w("shop.back"), w("shop.back_lead")
    if rows.is_empty():
        return Section("back", title, (Said(w("shop.back_none"), "thin"),), lead)
    counts = {k: rows.filter(pl.col("kind") == k) for k in figures.KINDS}
    most = max(figures.KINDS, key=lambda k: (counts[k].height, k))
    months = figures.last_months(context.as_of)
    tiles = [
        {"kind": k, "month": m, "n": counts[k].filter(pl.col("again_on").dt.month_start() == m).height}
        for k in figures.KINDS
        for m in months
    ]
    chart = charts.month_tiles(
        "comebacks_by_month",
        [
            {
                "label": "\n".join(wrap(w(f"kind.{t['kind']}"), 20)),
                "month": w.short_month(t["month"]),
                "n": t["n"],
                "mark": t["month"] == months[-1],
            }
            for t in tiles
        ],
        pl.DataFrame(tiles),
        title=w("shop.back_title", kind=w(f"kind.{most}"), k=w.number(counts[most].height), n=w.number(rows.height)),
        alt_text=w(
            "shop.back_alt",
            items=w.list([f"{w('kind_short.' + k)} {w.number(counts[k].height)}" for k in figures.KINDS]),
        ),
        colour="red",
        read=w("shop.back_read"),
        wide=True,
    )
    body = []
    for k in figures.KINDS:
        part = counts[k]
        body.append(
            [
                cell(w(f"kind.{k}"), strong=True),
                w.number(part.height),
                w.money(part["part_cost"].sum()),
                w.money(part["labour_cost"].sum()),
                cell(w(f"kind_means.{k}")),
                cell(w("head.orders"), href=f"#back-{k}") if part.height else cell(w("format.nothing")),
            ]
        )
    items: list[Any] = [
        Pictures((chart,)),
        table(
            "table-back",
            w("shop.back_table"),
            head(w, "kind", "n#", "parts_cost#", "labour_cost#", "what", "orders@"),
            body,
            csv="tables/comebacks.csv",
        ),
    ]
    for k in figures.KINDS:
        part = counts[k]
        if part.is_empty():
            continue
        shown = part.head(MOST_ROWS)
        items.append(
            table(
                f"back-{k}",
                w("shop.back_orders", kind=w(f"kind.{k}")),
                head(w, "vehicle", "component", "supplier", "first_visit", "again", "after", "cost#"),
                [
                    [
                        cell(vehicle_label(r["vehicle_label"]), w.name("side", r["side"])),
                        cell(*_comeback_parts(r, w)),
                        cell(supplier_name(r["supplier"], w), r["part_number"]),
                        cell(w.short_date(r["first_on"]), r["first_order"]),
                        cell(w.short_date(r["again_on"]), r["again_order"]),
                        cell(
                            w.count("day", round(r["days"])) if r["days"] is not None else "",
                            w.distance(r["km"]) if r["km"] else "",
                        ),
                        w.money(r["cost"]),
                    ]
                    for r in shown.iter_rows(named=True)
                ],
                note=more_rows(w, shown.height, part.height, "tables/comebacks.csv"),
                csv="tables/comebacks.csv",
                folded=True,
            )
        )
    return Section("back", title, tuple(items), lead)


def _comeback_parts(r: dict[str, Any], w: Words) -> list[str]:
    cause = "+".join(w.name("component", c) for c in str(r["component"]).split("+"))
    first = r["first_component"]
    if not first or first == r["component"]:
        return [upper(cause)]
    return [upper(w("shop.first_then", first=w.name("component", first), then=cause))]
