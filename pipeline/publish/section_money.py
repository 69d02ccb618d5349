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
    if not found.open.height and not found.missed.height:
        return Section("money", title, (Said(w("shop.money_none"), "thin"),))
    items: list[Any] = []
    file = "tables/warranty_recovery.csv"
    if found.open.height:
        items.append(
            Said(
                w.rich(
                    "shop.money_total", n=w.count("claim", found.open.height), amount=w.money(found.amount), file=file
                )
            )
        )
        items.append(_claims_table("claims", w("shop.money_table"), found.open, "claim_by", file, w, folded=False))
    else:
        items.append(Said(w("finding.claims_none")))
    if found.missed.height:
        items.append(
            _claims_table("claims-missed", w("shop.money_missed"), found.missed, "claim_overdue", file, w, folded=True)
        )
    return Section("money", title, tuple(items), w("shop.money_lead"))


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
        ]
        for r in rows.head(MOST_ROWS).iter_rows(named=True)
    ]
    return table(
        id,
        caption,
        head(w, "component", "vehicle", "fitted", "failed_on", "used", "amount#", deadline),
        body,
        note=more_rows(w, len(body), rows.height, file),
        csv=file,
        folded=folded,
    )
