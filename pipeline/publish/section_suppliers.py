"""Which supplier's part: early failures after fitting, raw beside evened out, a section of the shop report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.publish import charts, figures, supplier_detail
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level, what_of
from pipeline.publish.telling import (
    MOST_ROWS,
    head,
    kind_of,
    kinds_of,
    life_columns,
    life_row,
    more_rows,
    short,
    slug,
    supplier_name,
    upper,
)
from pipeline.publish.views import Cell, Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words

MOST_SUPPLIER_CHARTS = 4


def supplier(tables: Tables, context: Context, w: Words) -> Section:
    found = figures.early(tables)
    title = w("shop.supplier")
    if found.is_empty():
        return Section("supplier", title, (Said(w("shop.supplier_none"), "thin"),))
    days = figures.best_window(found)
    whole = figures.suppliers(found, days)
    groups = []
    for (component, lighting), part in whole.group_by("component", "lighting", maintain_order=True):
        named = part.filter(pl.col("supplier") != "all").sort(["fitted", "supplier"], descending=[True, False])
        if named.is_empty():
            continue
        told = named.filter(pl.col("verdict").is_in(["worse", "better"])).height
        groups.append(
            (-told, -int(named["fitted"].sum()), component, lighting, named, part.filter(pl.col("supplier") == "all"))
        )
    groups.sort(key=lambda g: g[:4])
    if not groups:
        return Section("supplier", title, (Said(w("shop.supplier_none"), "thin"),))
    pictures, said, few = [], [], []
    for _, _, component, lighting, named, all_row in groups:
        if named.height < 2:
            said.append(
                Said(
                    w(
                        "shop.supplier_one",
                        component=upper(kind_of(w, component, lighting)),
                        n=supplier_name(named["supplier"][0], w),
                    ),
                    "thin",
                )
            )
            continue
        if set(named["verdict"]) == {"too few"}:
            failed, fitted = (w.number(float(named[c].sum())) for c in ("failed", "fitted"))
            few.append(w("shop.supplier_few_item", components=kinds_of(w, component, lighting), failed=failed, fitted=fitted))
            continue
        if len(pictures) < 2 * MOST_SUPPLIER_CHARTS:
            pictures.append(_supplier_chart(component, lighting, named, all_row, days, context, w))
            chart = _funnel(component, lighting, named, all_row, days, w)
            if chart and named.height >= 4:
                pictures.append(chart)
    items: list[Any] = [Pictures(tuple(pictures))] if pictures else []
    items += said[:3]
    if few:
        items.append(Said(w("shop.supplier_few", items=w.list(few), days=w.number(days)), "thin"))
    items.append(_supplier_table(groups, days, context, w))
    items += _deeper(found, days, context, w)
    items += supplier_detail.detail(tables, context, days, w)
    orders = _early_orders(tables, context, days, w)
    if orders:
        items.append(orders)
    return Section("supplier", title, tuple(items), w("shop.supplier_lead", days=w.number(days)))


def _supplier_chart(
    component: str, lighting: str, named: pl.DataFrame, all_row: pl.DataFrame, days: int, context: Context, w: Words
) -> Chart:
    kinds = kinds_of(w, component, lighting)
    shown = named.sort(["probability", "fitted", "supplier"], descending=[True, True, False])
    if shown.height > 12:
        shown = named.head(12).sort(["probability", "fitted", "supplier"], descending=[True, True, False])
    rows, items = [], []
    for r in shown.iter_rows(named=True):
        label = f"{short(supplier_name(r['supplier'], w), 24)}\n" + w(
            "shop.supplier_row_more",
            failed=w.number(r["failed"]),
            fitted=w.number(r["fitted"]),
            verdict=w.name("verdict_short", r["verdict"]),
        )
        rows.append(
            {"label": label, "series": w("shop.raw"), "value": r["probability"], "low": r["low"], "high": r["high"]}
        )
        rows.append(
            {
                "label": label,
                "series": w("shop.pooled"),
                "value": r["pooled_probability"],
                "low": r["pooled_low"],
                "high": r["pooled_high"],
            }
        )
        items.append(
            f"{supplier_name(r['supplier'], w)} {w.percent(r['probability'])}, {w.percent(r['pooled_probability'])}, "
            f"{w.name('verdict', r['verdict'])}"
        )
    reference = None
    if all_row.height:
        share = all_row["probability"][0]
        reference = (share, w("shop.all_together", share=w.percent(share)))
    return charts.dot_interval(
        f"early_{slug(component)}_{lighting}_{days}_days",
        rows,
        named.select(
            "component",
            "lighting",
            "supplier",
            "window_days",
            "fitted",
            "failed",
            "probability",
            "low",
            "high",
            "pooled_probability",
            "pooled_low",
            "pooled_high",
            "verdict",
        ),
        title=_supplier_title(named, kinds, days, w),
        alt_text=w("shop.supplier_alt", components=kinds, days=w.number(days), items="; ".join(items)),
        x_title=w("shop.supplier_x", days=w.number(days)),
        series=((w("shop.raw"), "sky", "circle"), (w("shop.pooled"), "blue", "diamond")),
        reference=reference,
        read=w("shop.supplier_read", days=w.number(days), level=level(w, context)),
    )


def _supplier_title(named: pl.DataFrame, kinds: str, days: int, w: Words) -> str:
    for verdict in ("worse", "better"):
        told = named.filter(pl.col("verdict") == verdict)
        if told.height:
            r = told.sort(["failed", "supplier"], descending=[True, False]).row(0, named=True)
            return w(
                f"shop.supplier_title_{verdict}",
                supplier=supplier_name(r["supplier"], w),
                components=kinds,
                failed=w.number(r["failed"]),
                fitted=w.number(r["fitted"]),
                days=w.number(days),
            )
    return w("shop.supplier_title_none", components=kinds, days=w.number(days))


def _funnel(
    component: str, lighting: str, named: pl.DataFrame, all_row: pl.DataFrame, days: int, w: Words
) -> Chart | None:
    """Limits are interpolated binomial quantiles about the share of all suppliers together (Spiegelhalter 2005,
    Statistics in Medicine 24, appendix A.1.1), counts divided by the design effect.

    Parts not yet watched to the end of the window would count as if they could not fail: a supplier stands at the number
    of fully watched parts that would have had its expected failures, and at the common share times observed over expected.
    """

    if all_row.is_empty() or not 0 < all_row["probability"][0] < 1:
        return None
    share = float(all_row["probability"][0])
    if "expected" in named.columns:
        named = named.with_columns(worth=pl.col("expected") / share).filter(pl.col("worth") >= 1)
    else:
        named = named.with_columns(worth=pl.col("fitted").cast(pl.Float64))
    if named.height < 2:
        return None
    effect = float(named["design_effect"].max()) if "design_effect" in named.columns else 1.0
    lowest, highest = max(1, int(named["worth"].min() * 0.7)), int(named["worth"].max() * 1.3) + 2
    steps = sorted({round(lowest * (highest / lowest) ** (i / 60)) for i in range(61)})
    limits = [
        {
            "n": n,
            **{
                f"{side}{band}": _binomial_limit(q, n / effect, share)
                for band, tail in (("95", 0.025), ("998", 0.001))
                for side, q in (("low", tail), ("high", 1 - tail))
            },
        }
        for n in steps
    ]
    rows, out_names = [], []
    for r in named.iter_rows(named=True):
        value = r["failed"] / r["worth"]
        low, high = (_binomial_limit(q, r["worth"] / effect, share) for q in (0.025, 0.975))
        out = bool(value < low or value > high)
        name = supplier_name(r["supplier"], w)
        rows.append({"n": r["worth"], "value": value, "label": short(name, 22) if out else None, "out": out})
        if out:
            out_names.append(name)
    kinds = kinds_of(w, component, lighting)
    if out_names:
        who = w("shop.funnel_out_one" if len(out_names) == 1 else "shop.funnel_out_more", names=w.list(out_names))
        title = upper(w("shop.funnel_title_out", names=who, components=kinds))
    else:
        title = w("shop.funnel_title_in", components=kinds)
    return charts.funnel(
        f"funnel_{slug(component)}_{lighting}_{days}_days",
        rows,
        limits,
        named.select("component", "lighting", "supplier", "fitted", "worth", "failed", "probability"),
        title=title,
        alt_text=w("shop.funnel_alt", components=kinds, share=w.percent(share), names=title),
        x_title=w("shop.funnel_x"),
        y_title=w("shop.funnel_y", days=w.number(days)),
        overall=(share, w("shop.all_together", share=w.percent(share))),
        read=w("shop.funnel_read"),
    )


def _binomial_limit(q: float, worth: float, share: float) -> float:
    """The q-quantile of a binomial share, interpolated between counts so that the limit is smooth in n."""
    from scipy.stats import binom

    n = max(1, round(worth))
    r = int(binom.ppf(q, n, share))
    above, below = float(binom.cdf(r, n, share)), float(binom.cdf(r - 1, n, share))
    return min(1.0, max(0.0, (r - (above - q) / (above - below)) / n)) if above > below else r / n


def _supplier_table(groups: Sequence[Any], days: int, context: Context, w: Words) -> Table:
    body = []
    for _, _, component, lighting, named, _ in groups:
        for r in named.iter_rows(named=True):
            body.append(
                [
                    cell(upper(kind_of(w, component, lighting))),
                    cell(supplier_name(r["supplier"], w), strong=True),
                    *_early_cells(r, w),
                    cell(w("head.orders"), href="#early-orders") if r["failed"] else "",
                ]
            )
    return table(
        "table-supplier",
        w("shop.supplier_table", days=w.number(days)),
        _early_head(w, context, "component", "supplier"),
        body[:MOST_ROWS],
        note=more_rows(w, min(len(body), MOST_ROWS), len(body), "tables/early_failures.csv"),
        csv="tables/early_failures.csv",
        folded=True,
    )


def _early_cells(r: dict[str, Any], w: Words) -> list[Cell | str]:
    return [
        w.number(r["fitted"]),
        w.number(r["failed"]),
        w.percent(r["probability"]),
        w.percent_range(r["low"], r["high"]),
        cell(w.percent(r["pooled_probability"]), w.percent_range(r["pooled_low"], r["pooled_high"])),
        cell(w.name("verdict", r["verdict"])),
    ]


def _early_head(w: Words, context: Context, *first: str) -> list[tuple[str, str]]:
    return [
        *head(w, *first, "number_fitted#", "number_failed#", "share#"),
        (w("head.interval", level=level(w, context)), "number"),
        *head(w, "pooled#", "verdict", "see@"),
    ]


def _deeper(found: pl.DataFrame, days: int, context: Context, w: Words) -> list[Any]:
    rows = pl.concat([figures.verdict_rows(found, "worse"), figures.verdict_rows(found, "better")])
    rows = rows.filter((pl.col("part_number") != "all") | (pl.col("lot") != "all"))
    looked = found.filter((pl.col("part_number") != "all") | (pl.col("lot") != "all"))
    if rows.is_empty():
        return [Said(w("shop.supplier_deeper_none"))] if looked.height else []
    body = [
        [
            cell(upper(w.name("component", r["component"]))),
            cell(supplier_name(r["supplier"], w), what_of(w, r), strong=True),
            w.number(r["fitted"]),
            w.number(r["failed"]),
            w.percent(r["probability"]),
            w.percent_range(r["low"], r["high"]),
            cell(w.percent(r["pooled_probability"]), w.percent_range(r["pooled_low"], r["pooled_high"])),
            cell(w.name("verdict", r["verdict"]), w("shop.within", days=w.count("day", r["window_days"]))),
            cell(w("head.orders"), href="#early-orders"),
        ]
        for r in rows.head(MOST_ROWS).iter_rows(named=True)
    ]
    return [
        table(
            "table-deeper",
            w("shop.supplier_deeper"),
            _early_head(w, context, "component", "supplier"),
            body,
            note=more_rows(w, len(body), rows.height, "tables/early_failures.csv"),
            csv="tables/early_failures.csv",
        )
    ]


def _early_orders(tables: Tables, context: Context, days: int, w: Words) -> Table | None:
    lives = figures.frame(tables, "lives", ("component", "ending", "end_on", "exit_days", "origin"))
    if lives.is_empty():
        return None
    rows = life_columns(lives).filter(
        (pl.col("origin") == "replacement") & (pl.col("ending") == "failed") & (pl.col("exit_days") <= days)
    )
    if rows.is_empty():
        return None
    rows = rows.sort(
        ["component", "supplier", "end_on", "vehicle"], descending=[False, False, True, False], nulls_last=True
    )
    body = [
        [cell(upper(w.name("component", r["component"]))), *life_row(r, w)]
        for r in rows.head(3 * MOST_ROWS).iter_rows(named=True)
    ]
    return table(
        "early-orders",
        w("shop.supplier_orders", days=w.number(days)),
        head(w, "component", "vehicle", "supplier", "fitted", "failed_on", "age"),
        body,
        note=more_rows(w, len(body), rows.height, "tables/lives.csv"),
        csv="tables/lives.csv",
        folded=True,
    )
