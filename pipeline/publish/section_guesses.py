"""Wrong first guesses: what was replaced first against what was at fault, a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures, guess_detail
from pipeline.publish.figures import Tables
from pipeline.publish.telling import MOST_ROWS, head, more_rows, short_name, short_names, total_of, upper
from pipeline.publish.views import Context, Pictures, Said, Section, cell, table
from pipeline.publish.words import Words


def guess(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("shop.guess"), w("shop.guess_lead")
    found = figures.wrong_first(tables, context.confidence)
    if found is None:
        return Section("guess", title, (Said(w("shop.guess_none"), "thin"),), lead)
    rows = tables["wrong_suspects"]
    pairs = rows.group_by("first_replaced", "cause").agg(pl.col("n").sum()).sort("first_replaced", "cause")
    size = (
        pl.concat([pairs.select(c=pl.col("first_replaced"), n="n"), pairs.select(c=pl.col("cause"), n="n")])
        .group_by("c")
        .agg(pl.col("n").sum())
        .sort(["n", "c"], descending=[True, False])
    )
    order = size["c"].to_list()
    count = {(r["first_replaced"], r["cause"]): r["n"] for r in pairs.iter_rows(named=True)}
    firsts = [c for c in order if any(count.get((c, d)) for d in order)]
    causes = [c for c in order if any(count.get((d, c)) for d in order)]
    tiles = [
        {
            "row": upper(w.name("component", a)),
            "column": upper(w.name("component", b)),
            "n": int(count.get((a, b), 0)),
            "text": w.number(count[a, b]) if count.get((a, b)) else "",
            "same": a == b,
        }
        for a in firsts
        for b in causes
    ]
    values = {
        "wrong": w.number(found.wrong),
        "cases": w.number(found.cases),
        "share": w.percent(found.share),
        "first": w.name("component", found.first),
        "cause": w.name("component", found.cause),
    }
    wrong_ones = sorted(((n, a, b) for (a, b), n in count.items() if a != b and n), key=lambda x: (-x[0], x[1], x[2]))
    chart = charts.matrix(
        "first_guesses",
        tiles,
        pairs,
        title=w("shop.guess_title" if found.wrong else "shop.guess_title_none", **values),
        alt_text=w(
            "shop.guess_alt",
            items=" ".join(
                w("shop.guess_alt_item", first=w.name("component", a), cause=w.name("component", b), n=w.number(n))
                for n, a, b in wrong_ones[:6]
            ),
        ),
        x_title=w("shop.guess_x"),
        y_title=w("shop.guess_y"),
        row_order=[upper(w.name("component", c)) for c in firsts],
        column_order=[upper(w.name("component", c)) for c in causes],
        column_short=[short_name(w, c) for c in causes],
        read=w("shop.guess_read"),
        narrow_read=short_names(w, causes),
        wide=True,
    )
    items: list[Any] = [Pictures((chart,))]
    detail = figures.with_columns(
        rows, symptom=None, labour_hours=None, labour_cost=None, part_cost=None, share=None, low=None, high=None
    ).filter(pl.col("first_replaced") != pl.col("cause"))
    detail = detail.sort(["n", "first_replaced", "cause", "symptom"], descending=[True, False, False, False])
    if detail.height:
        body = [
            [
                cell(upper(w.name("component", r["first_replaced"])), strong=True),
                cell(upper(w.name("component", r["cause"]))),
                cell(w.name("symptom", r["symptom"])),
                w.number(r["n"]),
                cell(w.percent(r["share"]), w.percent_range(r["low"], r["high"])) if r["share"] is not None else "",
                cell(w("format.hours", n=w.number(r["labour_hours"], 1))) if r["labour_hours"] is not None else "",
                w.money(total_of(r["labour_cost"], r["part_cost"])),
                cell(w("head.orders"), href="#back-wrong_part_first"),
            ]
            for r in detail.head(MOST_ROWS).iter_rows(named=True)
        ]
        items.append(
            table(
                "table-guess",
                w("shop.guess_table"),
                head(w, "first_replaced", "cause", "symptom", "n#", "share#", "labour_hours#", "cost#", "see@"),
                body,
                note=more_rows(w, len(body), detail.height, "tables/wrong_suspects.csv"),
                csv="tables/wrong_suspects.csv",
                folded=True,
            )
        )
    items += guess_detail.detail(tables, context, w)
    items.append(Said(w("shop.guess_orders")))
    return Section("guess", title, tuple(items), lead)
