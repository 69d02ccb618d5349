"""Watch over time: comebacks against expected, and since when a bad lot could have been known; a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import early_charts, figures
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import components, what_of
from pipeline.publish.telling import MOST_ROWS, head, kinds_of, more_rows, slug, supplier_name, upper
from pipeline.publish.views import Context, Pictures, Said, Section, cell, table
from pipeline.publish.words import Words

MOST_CHARTS = 3
MONTHS_SHOWN = 36
_FILE = "tables/comeback_watch.csv"


def watch(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("watching.title"), w("watching.lead")
    needed = ("component", "lighting", "supplier", "month", "observed", "expected", "smoothed", "high")
    found = figures.frame(tables, "comeback_watch", needed)
    items: list[Any] = []
    if found.is_empty():
        items.append(Said(w("watching.none"), "thin"))
    else:
        whole = found.filter(pl.col("supplier") == "all")
        keys = ["component", "lighting"]
        # What left its band first, then what comes back most.
        order = (
            whole.group_by(keys)
            .agg(out=pl.col("signal").is_not_null().any(), n=pl.col("observed").sum())
            .sort(["out", "n", *keys], descending=[True, True, False, False])
        )
        shown = order.head(MOST_CHARTS)
        items.append(
            Pictures(
                tuple(
                    _chart(
                        component,
                        lighting,
                        whole.filter((pl.col("component") == component) & (pl.col("lighting") == lighting)).sort("month"),
                        w,
                    )
                    for component, lighting in shown.select(keys).iter_rows()
                )
            )
        )
        rest = found.group_by(*keys, "supplier").agg(pl.col("signal").is_not_null().any())
        more = rest.height - shown.height
        if more > 0:
            out = int(rest["signal"].sum()) - int(shown["out"].sum())
            items.append(Said(w("watching.more_series", n=w.number(more), file=_FILE, out=w.number(out))))
    items += _known(tables, context, w)
    return Section("watch", title, tuple(items), lead)


def _chart(component: str, lighting: str, rows: pl.DataFrame, w: Words) -> Chart:
    kinds = kinds_of(w, component, lighting)
    rows = rows.tail(MONTHS_SHOWN)
    signals = rows.drop_nulls("signal")
    if signals.height:
        last = signals.row(-1, named=True)
        title = w(f"watching.chart_{last['signal']}", components=upper(kinds), month=w.month(last["month"]))
    else:
        title = w("watching.chart_in", components=upper(kinds))
    alarm = rows["false_alarm"][0] if "false_alarm" in rows.columns else None
    return early_charts.watch(
        f"watch_{slug(component)}_{lighting}",
        [
            {
                "month": r["month"].isoformat(),
                "out": r["signal"] is not None,
                **{k: r[k] for k in ("observed", "smoothed", "middle", "low", "high")},
            }
            for r in rows.iter_rows(named=True)
        ],
        rows,
        title=title,
        alt_text=w(
            "watching.chart_alt",
            components=upper(kinds),
            n=w.number(rows.height),
            observed=w.number(rows["observed"].sum()),
            expected=w.number(rows["expected"].sum(), 1),
            title=title,
        ),
        y_title=w("watching.y"),
        months=[w.text(f"month_short.m{m}") for m in range(1, 13)],
        words=(w("watching.bars"), w("watching.line"), w("watching.band")),
        read=w("watching.chart_read", level=w.percent(1 - alarm) if alarm is not None else w("format.nothing")),
    )


def _few(x: float, w: Words) -> str:
    """An expected number: never rounded to nought."""
    return w.number(x, 1) if x >= 0.095 else w.significant(x, 1)


def _known(tables: Tables, context: Context, w: Words) -> list[Any]:
    needed = ("level", "component", "supplier", "first_month", "verdict", "observed", "expected")
    found = figures.frame(tables, "first_months_known", needed)
    if found.is_empty():
        return []
    watched = {k: int((found["level"] == k).sum()) for k in ("lot", "part_number", "supplier")}
    numbers = {"lots": w.number(watched["lot"]), "parts": w.number(watched["part_number"]), "suppliers": w.number(watched["supplier"])}
    out = found.filter(pl.col("verdict") == "stands out").sort(
        ["first_month", "component", "supplier", "part_number", "lot"], descending=[True, False, False, False, False]
    )
    if out.is_empty():
        return [Said(w("watching.known_none", **numbers))]
    items: list[Any] = [Said(w("watching.known_lead"))]
    lots = out.filter(pl.col("level") == "lot")
    for r in lots.head(3).iter_rows(named=True):
        what = f"{supplier_name(r['supplier'], w)} {components(w, r['component'])}, {what_of(w, r)}"
        items.append(
            Said(
                w.rich(
                    "watching.known",
                    what=what,
                    month=w.month(r["first_month"]),
                    seen=w.number(r["observed_then"]),
                    expected=_few(r["expected_then"], w),
                    days=w.count("day", r["window_days"]),
                    observed=w.number(r["observed"]),
                    expected_now=_few(r["expected"], w),
                )
            )
        )
    body = [
        [
            cell(upper(w.name("component", r["component"]))),
            cell(supplier_name(r["supplier"], w), what_of(w, r) or w("watching.whole"), strong=True),
            cell(w.month(r["first_month"])),
            w("watching.against", seen=w.number(r["observed_then"]), expected=_few(r["expected_then"], w)),
            w("watching.against", seen=w.number(r["observed"]), expected=_few(r["expected"], w)),
            cell(w("head.orders"), href="#early-orders"),
        ]
        for r in out.head(MOST_ROWS).iter_rows(named=True)
    ]
    note = w("watching.known_note", **numbers, alarm=w.percent(0.01), rate=w.percent(context.false_discovery_rate))
    heads = head(w, "component", "supplier", "since", "then_seen#", "now_seen#", "see@")
    file = "tables/first_months_known.csv"
    made = table(
        "table-known", w("watching.known_table"), heads, body, note=f"{note} {more_rows(w, len(body), out.height, file)}".strip(), csv=file
    )
    return [*items, made]
