"""How long parts last: survival curves with their numbers at risk, a section of the shop report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.publish import charts, figures, section_lifetimes_more
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import components, level
from pipeline.publish.telling import head, kind_of, kinds_of, slug, upper
from pipeline.publish.views import Cell, Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words

MOST_CURVE_CHARTS = 6


def life(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("shop.life"), w("shop.life_lead")
    pairs = figures.curve_pairs(tables, "km")
    clock = "km"
    if not pairs:
        pairs, clock = figures.curve_pairs(tables, "days"), "days"
    if not pairs:
        return Section("life", title, (Said(w("shop.life_none"), "thin"),), lead)
    pictures = [_curves(tables, p, context, w) for p in pairs[:MOST_CURVE_CHARTS]]
    items: list[Any] = [Pictures(tuple(pictures))]
    shown = _life_table(tables, clock, w)
    if shown:
        items.append(shown)
    failed = figures.failures(tables, context.as_of)
    if failed.height:
        without = [c for c in failed["component"] if c not in {p.component for p in pairs}]
        if without:
            items.append(Said(w("shop.life_too_few", names=w.list([components(w, c) for c in without])), "thin"))
    items += section_lifetimes_more.items(tables, context, w)
    return Section("life", title, tuple(items), lead)


def _on_axis(w: Words, clock: str, t: float) -> float:
    return t / 365.25 if clock == "days" else w.in_unit(t) / 1000


def _from_axis(w: Words, clock: str, x: float) -> float:
    return x * 365.25 if clock == "days" else x * 1000 * (1 if w.unit == "km" else 1.609344)


def _t_words(w: Words, clock: str, t: float) -> str:
    return w.years(t) if clock == "days" else w.distance(t)


def _curves(tables: Tables, pair: figures.Pair, context: Context, w: Words) -> Chart:
    kinds = kinds_of(w, pair.component, pair.lighting)
    series = {"original": w.name("generation", "original"), "replacement": w.name("generation", "replacement")}
    longest = max(_on_axis(w, pair.clock, c["t"][-1]) for c in pair.curves.values())
    ticks = charts.ticks_up_to(longest)
    rows, risk, items, late = [], [], [], []
    for g, curve in pair.curves.items():
        rows += [
            {
                "series": series[g],
                "t": round(_on_axis(w, pair.clock, r["t"]), 4),
                "survival": r["survival"],
                "low": r["low"],
                "high": r["high"],
            }
            for r in curve.iter_rows(named=True)
        ]
        inside = [
            x for x in ticks if _on_axis(w, pair.clock, curve["t"][0]) <= x <= _on_axis(w, pair.clock, curve["t"][-1])
        ]
        counts = figures.at_risk(tables, pair, g, [_from_axis(w, pair.clock, x) for x in inside])
        risk += [{"series": series[g], "t": x, "n": n} for x, n in zip(inside, counts, strict=True)]
        last = curve.row(-1, named=True)
        items.append(
            w(
                "shop.life_alt_item",
                generation=series[g],
                share=w.percent(last["survival"]),
                t=_t_words(w, pair.clock, last["t"]),
                range=w.percent_range(last["low"], last["high"]),
            )
        )
        if curve["t"][0] > 0.02 * curve["t"][-1]:
            late.append((g, curve["t"][0]))
    read = w("shop.life_read", level=level(w, context))
    if late:
        read = w(
            "shop.life_read_start",
            level=level(w, context),
            generation=w.list([series[g] for g, _ in late]),
            t=w.list([_t_words(w, pair.clock, t) for _, t in late]),
        )
    numbers = pl.concat(
        [
            c.select(
                "component", "lighting", "generation", "clock", "t", "at_risk", "events", "survival", "low", "high"
            )
            for c in pair.curves.values()
        ]
    )
    return charts.survival(
        f"life_{slug(pair.component)}_{pair.lighting}_{pair.clock}",
        rows,
        risk,
        numbers,
        title=upper(_life_title(pair, kinds, series, ticks, w)),
        alt_text=w("shop.life_alt", components=kinds, items=" ".join(items)),
        x_title=w("shop.life_x_years") if pair.clock == "days" else w("shop.life_x", unit=w.thousand_unit),
        y_title=w("shop.life_y"),
        ticks=ticks,
        at_risk_words=w.text("shop.life_at_risk"),
        series=((series["original"], "blue"), (series["replacement"], "orange")),
        read=read,
    )


def _life_title(pair: figures.Pair, kinds: str, series: dict[str, str], ticks: Sequence[float], w: Words) -> str:
    """The finding. Two curves are compared at one place, fixed before looking: the round distance nearest to
    the middle of what both cover. With one curve, its half life or what has failed by its end."""
    if len(pair.curves) == 2:
        begin = max(c["t"][0] for c in pair.curves.values())
        end = min(c["t"][-1] for c in pair.curves.values())
        places = [t for t in (_from_axis(w, pair.clock, x) for x in ticks) if begin < t <= end]
        t = min(places, key=lambda t: (abs(t - (begin + end) / 2), t)) if places else (begin + end) / 2
        a, b = figures.at(pair.curves["original"], t), figures.at(pair.curves["replacement"], t)
        if a and b:
            told = None not in (a["low"], a["high"], b["low"], b["high"]) and (
                b["high"] < a["low"] or b["low"] > a["high"]
            )
            key = "same" if not told else "sooner" if b["survival"] < a["survival"] else "later"
            return w(
                f"shop.life_{key}",
                components=kinds,
                t=_t_words(w, pair.clock, t),
                a=w.percent(1 - a["survival"]),
                b=w.percent(1 - b["survival"]),
            )
    g, curve = max(pair.curves.items(), key=lambda c: int(c[1]["events"].sum()))
    half = figures.quantile(curve, 0.5)
    if half is not None:
        return w("shop.life_half", generation=series[g], components=kinds, t=_t_words(w, pair.clock, half))
    last = curve.row(-1, named=True)
    return w(
        "shop.life_one",
        generation=series[g],
        components=kinds,
        t=_t_words(w, pair.clock, last["t"]),
        a=w.percent(1 - last["survival"]),
    )


def _life_table(tables: Tables, clock: str, w: Words) -> Table | None:
    found = figures.frame(tables, "life_summary", ("component", "generation"))
    if found.is_empty():
        return None
    names = {c.lower(): c for c in found.columns}
    found = figures.with_columns(
        found.rename({c: k for k, c in names.items() if c != k}),
        lighting="all",
        supplier="all",
        stratum="all",
        clock=clock,
        lives=None,
        failures=None,
        wear="undetermined",
        borrowed=False,
    )
    found = found.filter(
        (pl.col("clock") == clock) & (pl.col("supplier") == "all") & (pl.col("stratum") == "all")
    ).sort(["component", "lighting", "generation"])
    # A part that only one lighting has stands once, under its lighting.
    own = found.filter(pl.col("lighting") != "all").group_by("component").agg(pl.col("lighting").n_unique().alias("n"))
    single = own.filter(pl.col("n") == 1)["component"]
    found = found.filter((pl.col("lighting") != "all") | ~pl.col("component").is_in(single.implode()))
    if "b10" not in found.columns or found.is_empty():
        return None

    def life(r: dict[str, Any], what: str) -> Cell:
        if r.get(what) is None or r.get(f"{what}_reached") is False:
            return cell(w("shop.not_reached"))
        low, high = r.get(f"{what}_low"), r.get(f"{what}_high")
        around = w("format.range", low=_t_words(w, clock, low), high=_t_words(w, clock, high)) if low and high else ""
        return cell(_t_words(w, clock, r[what]), around)

    body = [
        [
            cell(upper(kind_of(w, r["component"], r["lighting"])), strong=True),
            cell(w.name("generation", r["generation"]), w("shop.borrowed") if r["borrowed"] else ""),
            w.number(r["lives"]),
            w.number(r["failures"]),
            life(r, "b10"),
            life(r, "median"),
            cell(w.name("wear", r["wear"])),
            cell(w("head.orders"), href=f"#orders-{slug(r['component'])}"),
        ]
        for r in found.iter_rows(named=True)
    ]
    return table(
        "table-life",
        w("shop.life_table"),
        head(w, "component", "generation", "lives#", "failures#", "b10#", "median#", "wear", "see@"),
        body,
        csv="tables/life_summary.csv",
        folded=True,
    )
