"""What failed: a section of the shop report."""

from __future__ import annotations

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
    upper,
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
