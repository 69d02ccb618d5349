"""Money to get back from suppliers: a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.telling import MOST_ROWS, head, more_rows, supplier_name, upper, vehicle_label
from pipeline.publish.views import Context, Said, Section, Table, cell, table
from pipeline.publish.words import Words


def money(tables: Tables, context: Context, w: Words) -> Section:
    title = w("shop.money")
    found = figures.claims(tables, context.as_of)
    if not found.open.height and not found.missed.height and not found.claimed.height:
        return Section("money", title, (Said(w("shop.money_none"), "thin"), *_not_covered(tables, context, w)))
    items: list[Any] = []
    file = "tables/warranty_recovery.csv"
    send = file if figures.frame(tables, "claims_to_send").is_empty() else "tables/claims_to_send.csv"
    if found.open.height:
        items.append(
            Said(
                w.rich(
                    "shop.money_total", n=w.count("claim", found.open.height), amount=w.money(found.amount), file=send
                )
            )
        )
        if send != file:
            items.append(Said(w("money.all_rows", file=file)))
        items.append(_claims_table("claims", w("shop.money_table"), found.open, "claim_by", send, w, folded=False))
        items.append(_lacking(found.open, w))
    else:
        items.append(Said(w("finding.claims_none")))
    if found.missed.height:
        items.append(
            _claims_table("claims-missed", w("shop.money_missed"), found.missed, "claim_overdue", file, w, folded=True)
        )
    if found.claimed.height:
        items.append(
            _claims_table("claims-made", w("money.claimed"), found.claimed, "claim_overdue", file, w, folded=True)
        )
    items.append(_by_supplier(found, file, w))
    items += _not_covered(tables, context, w)
    return Section("money", title, tuple(items), w("shop.money_lead"))


def _lacking(rows: pl.DataFrame, w: Words) -> Said:
    """What the open claims still lack, by how many lack it."""
    told = rows.select(pl.col("missing").fill_null("").str.split("; ").alias("what")).explode("what").filter(pl.col("what") != "")
    if told.is_empty():
        return Said(w("money.nothing_lacking"))
    counts = figures.counted(told, "what")
    return Said(w("money.lacking", items=w.list([w("money.lacking_item", what=r["what"], n=w.number(r["n"]))
                                                 for r in counts.iter_rows(named=True)])))


def _by_supplier(found: figures.Claims, file: str, w: Words) -> Table:
    """Parts and amounts by supplier: open, missed, claimed."""
    kinds = {"open": found.open, "missed": found.missed, "claimed": found.claimed}
    parts = [
        f.select(pl.col("supplier").fill_null("unknown"), pl.col("amount").cast(pl.Float64), kind=pl.lit(k))
        for k, f in kinds.items()
        if f.height
    ]
    rows = pl.concat(parts)
    total = rows.group_by("supplier").agg(pl.col("amount").sum()).sort(["amount", "supplier"], descending=[True, False])
    body = []
    for supplier in total["supplier"]:
        mine = rows.filter(pl.col("supplier") == supplier)
        cells = []
        for k in kinds:
            some = mine.filter(pl.col("kind") == k)
            cells.append(cell(w.money(some["amount"].sum()), w.count("part", some.height)) if some.height else cell(w("format.nothing")))
        body.append([cell(supplier_name(supplier, w), strong=True), *cells])
    heads = head(w, "supplier", "open_claims#", "missed_claims#", "claimed#")
    return table("claims-by-supplier", w("money.by_supplier"), heads, body, csv=file)


def _not_covered(tables: Tables, context: Context, w: Words) -> list[Said]:
    """Parts that failed within a year of fitting for which no warranty term is known: money that cannot even be looked for."""
    lives = figures.frame(tables, "lives", ("ending", "origin", "end_on", "exit_days", "warranty_months", "warranty_km"))
    if lives.is_empty():
        return []
    n = lives.filter((pl.col("ending") == "failed") & (pl.col("origin") == "replacement") & (pl.col("exit_days") <= 365)
                     & pl.col("end_on").cast(pl.Date).is_between(figures.months_back(context.as_of, 11), context.as_of)
                     & pl.col("warranty_months").is_null() & pl.col("warranty_km").is_null()).height
    return [Said(w("money.not_covered", n=w.number(n)), "thin")] if n else []


def _claims_table(id: str, caption: str, rows: pl.DataFrame, deadline: str, file: str, w: Words, folded: bool) -> Table:
    body = [
        [
            cell(
                upper(w.name("component", r["component"])), supplier_name(r["supplier"], w), r["part_number"], r["lot"]
            ),
            cell(vehicle_label(r["vehicle_label"]), w.name("side", r["side"])),
            cell(w.short_date(r["fitted_on"]), w.reading(r["fitted_km"]), r["fitted_order"]),
            cell(w.short_date(r["failed_on"]), w.reading(r["failed_km"]), r["failed_order"]),
            cell(
                w.count("month", round(r["months_used"])) if r["months_used"] is not None else "",
                w.distance(r["km_used"]) if r["km_used"] is not None else "",
            ),
            cell(w.money(r["amount"]), strong=True),
            cell(w.short_date(r["claim_by"]) if r["claim_by"] else w("shop.ask_supplier")),
            cell(*str(r["missing"] or "").split("; ")),
        ]
        for r in rows.head(MOST_ROWS).iter_rows(named=True)
    ]
    return table(
        id,
        caption,
        head(w, "component", "vehicle", "fitted", "failed_on", "used", "amount#", deadline, "missing"),
        body,
        note=more_rows(w, len(body), rows.height, file),
        csv=file,
        folded=folded,
    )
