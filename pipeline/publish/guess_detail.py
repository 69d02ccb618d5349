"""Wrong first guesses by month and by fault code, what a code is worth, and codes that named the wrong side. Parts of the section on
first guesses."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from pipeline.publish import charts, figures
from pipeline.publish.figures import Tables
from pipeline.publish.telling import MOST_ROWS, head, more_rows, total_of, upper
from pipeline.publish.views import Context, Pictures, Said, Table, cell, table
from pipeline.publish.words import Words
from pipeline.survival.early import share_interval


def detail(tables: Tables, context: Context, w: Words) -> list[Any]:
    """What stands below the matrix of first guesses, each only where there is something to say."""
    found = figures.frame(tables, "first_guesses", ("by", "value", "cases", "wrong", "share", "low", "high"))
    out: list[Any] = []
    if found.height:
        out += _months(found, context, w)
        made = _codes(found, w)
        if made:
            out.append(made)
    return out + _value(tables, w) + _sides(tables, context, w)


def _months(found: pl.DataFrame, context: Context, w: Words) -> list[Any]:
    months = figures.last_months(context.as_of)
    rows = {
        dt.date.fromisoformat(r["value"]): r for r in found.filter(pl.col("by") == "month").iter_rows(named=True) if r["value"] != "none"
    }
    kept = [(m, rows.get(m)) for m in months]
    total = sum(r["wrong"] for _, r in kept if r)
    if not total:
        return []
    tiles = [
        {"label": label, "month": w.short_month(m), "n": int(r[key]) if r else 0, "mark": m == months[-1]}
        for label, key in ((w("guess.month_cases"), "cases"), (w("guess.month_wrong"), "wrong"))
        for m, r in kept
    ]
    last = kept[-1][1] or {"wrong": 0, "cases": 0}
    numbers = pl.DataFrame(
        [
            {"month": m, "cases": r["cases"] if r else 0, "wrong": r["wrong"] if r else 0, "labour_hours": r["labour_hours"] if r else 0.0}
            for m, r in kept
        ]
    )
    items = [
        w("guess.month_item", month=w.short_month(m), wrong=w.number(r["wrong"] if r else 0), cases=w.number(r["cases"] if r else 0))
        for m, r in kept
    ]
    chart = charts.month_tiles(
        "guesses_by_month",
        tiles,
        numbers,
        title=w(
            "guess.month_title", n=w.number(total), month=w.month(months[-1]), k=w.number(last["wrong"]), cases=w.number(last["cases"])
        ),
        alt_text=w("guess.month_alt", items="; ".join(items)),
        colour="red",
        read=w("guess.month_read"),
        wide=True,
    )
    body = [
        [
            cell(w.month(m), strong=True),
            w.number(r["cases"]),
            w.number(r["wrong"]),
            cell(w.percent(r["share"]), w.percent_range(r["low"], r["high"])),
            w("format.hours", n=w.number(r["labour_hours"], 1)),
            w.money(total_of(r["labour_cost"], r["part_cost"])),
        ]
        for m, r in reversed(kept)
        if r
    ]
    return [
        Pictures((chart,)),
        table(
            "table-guess-months",
            w("guess.month_table"),
            head(w, "month", "cases_all#", "wrong_first#", "share#", "labour_hours#", "cost#"),
            body,
            csv="tables/first_guesses.csv",
            folded=True,
        ),
    ]


def _codes(found: pl.DataFrame, w: Words) -> Table | None:
    rows = found.filter(pl.col("by") == "fault_code").sort(["wrong", "cases", "value"], descending=[True, True, False])
    if rows.filter(pl.col("value") != "none").is_empty():
        return None
    body = []
    for r in rows.head(MOST_ROWS).iter_rows(named=True):
        pair = (
            w(
                "guess.pair",
                first=w.name("component", r["commonest_first"]),
                cause=w.name("component", r["commonest_cause"]),
                n=w.number(r["commonest"]),
            )
            if r["commonest_first"]
            else w("format.nothing")
        )
        body.append(
            [
                cell(w("guess.code_none") if r["value"] == "none" else r["value"], strong=True),
                w.number(r["cases"]),
                w.number(r["wrong"]),
                cell(w.percent(r["share"]), w.percent_range(r["low"], r["high"])),
                cell(pair),
                w("format.hours", n=w.number(r["labour_hours"], 1)),
                w.money(total_of(r["labour_cost"], r["part_cost"])),
            ]
        )
    note = f"{w('guess.code_note')} {more_rows(w, len(body), rows.height, 'tables/first_guesses.csv')}".strip()
    return table(
        "table-guess-codes",
        w("guess.code_table"),
        head(w, "code", "cases_all#", "wrong_first#", "share#", "commonest", "labour_hours#", "cost#"),
        body,
        note=note,
        csv="tables/first_guesses.csv",
        folded=True,
    )


def _value(tables: Tables, w: Words) -> list[Any]:
    found = figures.frame(
        tables,
        "fault_codes",
        ("lighting", "fault_code", "component", "cases_with_code", "probability", "low", "high", "probability_without", "verdict"),
    )
    if found.is_empty():
        return []
    judged = found.filter(pl.col("verdict") != "too few")
    telling = judged.filter(pl.col("verdict").is_in(["points to", "points away"]))
    if telling.is_empty():
        return [Said(w("guess.value_none"))] if judged.height else []
    keys = ["lighting", "fault_code"]
    codes = judged.select(keys).unique().height
    silent = codes - telling.select(keys).unique().height
    telling = telling.sort(["cases_with_code", *keys, "probability", "component"], descending=[True, False, False, True, False])
    body, rows = [], telling.select(keys).unique(maintain_order=True)
    for lighting, code in rows.head(MOST_ROWS).iter_rows():
        mine = telling.filter((pl.col("lighting") == lighting) & (pl.col("fault_code") == code))
        to = list(mine.filter(pl.col("verdict") == "points to").iter_rows(named=True))
        away = [w.name("component", c) for c in mine.filter(pl.col("verdict") == "points away")["component"]]
        lines = [upper(w.name("component", r["component"])) for r in to]
        if away:
            lines.append(w("guess.verdict_away", causes=w.list(away)))
        body.append(
            [
                cell(code, w.name("lighting", lighting), strong=True),
                cell(*lines),
                cell(*[f"{w.percent(r['probability'])} ({w.percent_range(r['low'], r['high'])})" for r in to]),
                cell(*[w.percent(r["probability_without"]) for r in to]),
                w.number(mine["cases_with_code"][0]),
            ]
        )
    note = w("guess.value_note", silent=w.number(silent), codes=w.number(codes))
    return [
        table(
            "table-codes",
            w("guess.value_table"),
            head(w, "code", "points", "with_code#", "without_code#", "cases#"),
            body,
            note=f"{note} {more_rows(w, len(body), rows.height, 'tables/fault_codes.csv')}".strip(),
            csv="tables/fault_codes.csv",
            folded=True,
        )
    ]


def _sides(tables: Tables, context: Context, w: Words) -> list[Any]:
    found = figures.frame(tables, "code_sides", ("fault_code", "named_side", "cases", "other_side", "share", "low", "high"))
    if found.is_empty():
        return []
    cases, other = int(found["cases"].sum()), int(found["other_side"].sum())
    low, high = share_interval(float(other), float(cases), context.confidence)
    cost = found.select(pl.sum_horizontal(pl.col("labour_cost", "part_cost").fill_null(0.0)).sum()).item()
    body = [
        [
            cell(r["fault_code"], strong=True),
            cell(w.name("side", r["named_side"])),
            w.number(r["cases"]),
            w.number(r["other_side"]),
            cell(w.percent(r["share"]), w.percent_range(r["low"], r["high"])),
        ]
        for r in found.sort(["other_side", "cases", "fault_code"], descending=[True, True, False]).head(MOST_ROWS).iter_rows(named=True)
    ]
    return [
        Said(
            w.rich(
                "guess.code_sides_said",
                other=w.number(other),
                cases=w.number(cases),
                share=w.percent(other / cases),
                range=w.percent_range(float(low), float(high)),
                cost=w.money(cost),
            )
        ),
        table(
            "table-code-sides",
            w("guess.code_sides"),
            head(w, "code", "named_side", "cases_all#", "code_other_side#", "share#"),
            body,
            note=more_rows(w, len(body), found.height, "tables/code_sides.csv"),
            csv="tables/code_sides.csv",
            folded=True,
        ),
    ]
