"""What came back: three kinds of comeback, each with its count, rate, cost and the orders behind it; a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level
from pipeline.publish.telling import MOST_ROWS, head, more_rows, supplier_name, upper, vehicle_label, wrap
from pipeline.publish.views import Cell, Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words

FEWEST_REPAIRS = 10  # a rate of fewer says nothing that the count does not


def back(tables: Tables, context: Context, w: Words) -> Section:
    rows = figures.comebacks(tables, context.as_of)
    title, lead = w("shop.back"), w("shop.back_lead")
    if rows.is_empty():
        return Section("back", title, (Said(w("shop.back_none"), "thin"),), lead)
    counts = {k: rows.filter(pl.col("kind") == k) for k in figures.KINDS}
    rates = figures.frame(tables, "comeback_rates", ("kind", "component", "comebacks", "per_100_repairs", "per_100_vehicle_years"))
    items: list[Any] = [Pictures((_months(rows, counts, context, w),)), _kinds(counts, rates, context, w)]
    by_part = _by_part(rates, w)
    if by_part:
        items.append(by_part)
    items += [_orders(k, counts[k], w) for k in figures.KINDS if counts[k].height]
    doubt = _doubt(tables, w)
    if doubt:
        items.append(doubt)
    return Section("back", title, tuple(items), lead)


def _months(rows: pl.DataFrame, counts: dict[str, pl.DataFrame], context: Context, w: Words) -> Chart:
    most = max(figures.KINDS, key=lambda k: (counts[k].height, k))
    months = figures.last_months(context.as_of)
    tiles = [
        {"kind": k, "month": m, "n": counts[k].filter(pl.col("again_on").dt.month_start() == m).height}
        for k in figures.KINDS
        for m in months
    ]
    return charts.month_tiles(
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


def _kinds(counts: dict[str, pl.DataFrame], rates: pl.DataFrame, context: Context, w: Words) -> Table:
    whole = {r["kind"]: r for r in rates.filter(pl.col("component") == "all").iter_rows(named=True)} if rates.height else {}
    body = []
    for k in figures.KINDS:
        part, r = counts[k], whole.get(k)
        hours = part["labour_hours"].sum() if "labour_hours" in part.columns else None
        body.append(
            [
                cell(w(f"kind.{k}"), w(f"kind_means.{k}"), strong=True),
                w.number(part.height),
                _rate(
                    w(f"back.rate_of_{k}", rate=_plain(r["per_100_repairs"], w)) if r and r["per_100_repairs"] is not None else None,
                    r,
                    "repairs",
                    w,
                ),
                _rate(_plain(r["per_100_vehicle_years"], w) if r and r["per_100_vehicle_years"] is not None else None, r, "years", w),
                w.money(part["part_cost"].sum()),
                cell(w.money(part["labour_cost"].sum()), w("format.hours", n=w.number(hours, 1)) if hours else ""),
                cell(w("head.orders"), href=f"#back-{k}") if part.height else cell(w("format.nothing")),
            ]
        )
    return table(
        "table-back",
        w("shop.back_table"),
        head(w, "kind", "n#", "rate#", "per_vehicle_years#", "parts_cost#", "labour_cost#", "orders@"),
        body,
        note=w("back.note", level=level(w, context)) if rates.height else "",
        csv="tables/comeback_rates.csv" if rates.height else "tables/comebacks.csv",
    )


def _rate(text: str | None, r: dict[str, Any] | None, base: str, w: Words) -> Cell:
    if text is None or r is None:
        return cell(w("format.nothing"))
    return cell(text, w("back.range", low=_plain(r[f"{base}_low"], w), high=_plain(r[f"{base}_high"], w)))


def _plain(x: float, w: Words) -> str:
    """A rate: whole from ten on, one decimal below."""
    return w.number(x, 0 if x >= 9.95 else 1)


def _by_part(rates: pl.DataFrame, w: Words) -> Table | None:
    if rates.is_empty():
        return None
    some = rates.filter((pl.col("component") != "all") & (pl.col("comebacks") > 0)).sort(
        ["comebacks", "kind", "component"], descending=[True, False, False]
    )
    if some.is_empty():
        return None
    body = [
        [
            cell(upper(w.name("component", r["component"])), strong=True),
            cell(w(f"kind.{r['kind']}")),
            w.number(r["comebacks"]),
            _rate(
                w(f"back.rate_of_{r['kind']}", rate=_plain(r["per_100_repairs"], w)) if r["repairs"] >= FEWEST_REPAIRS else None,
                r,
                "repairs",
                w,
            ),
            _rate(_plain(r["per_100_vehicle_years"], w) if r["per_100_vehicle_years"] is not None else None, r, "years", w),
            w.money((r["part_cost"] or 0) + (r["labour_cost"] or 0)),
            cell(w("head.orders"), href=f"#back-{r['kind']}"),
        ]
        for r in some.head(MOST_ROWS).iter_rows(named=True)
    ]
    heads = head(w, "component", "kind", "n#", "rate#", "per_vehicle_years#", "cost#", "orders@")
    return table(
        "table-back-parts",
        w("back.by_part"),
        heads,
        body,
        note=more_rows(w, len(body), some.height, "tables/comeback_rates.csv"),
        csv="tables/comeback_rates.csv",
        folded=True,
    )


def _orders(k: str, part: pl.DataFrame, w: Words) -> Table:
    shown = part.head(MOST_ROWS)
    return table(
        f"back-{k}",
        w("shop.back_orders", kind=w(f"kind.{k}")),
        head(w, "vehicle", "component", "supplier", "first_visit", "again", "after", "cost#"),
        [
            [
                cell(vehicle_label(r["vehicle_label"]), w.name("side", r["side"])),
                cell(*_parts(r, w)),
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


def _parts(r: dict[str, Any], w: Words) -> list[str]:
    cause = "+".join(w.name("component", c) for c in str(r["component"]).split("+"))
    first = r["first_component"]
    if not first or first == r["component"]:
        return [upper(cause)]
    return [upper(w("shop.first_then", first=w.name("component", first), then=cause))]


def _doubt(tables: Tables, w: Words) -> Said | None:
    """How many of the removals read as wrong first guesses will have been true failures, by the rule's own estimate."""
    lives = figures.frame(tables, "lives", ("ending", "p_failed"))
    if lives.is_empty():
        return None
    read = lives.filter(pl.col("ending") == "wrong_suspect")
    if read.is_empty():
        return None
    return Said(w("back.sure_note", n=w.number(read.height), chance=w.number(read["p_failed"].fill_null(0.0).sum())))
