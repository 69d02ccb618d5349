"""Which part to suspect first: the suspicion maps, a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level, map_sentence
from pipeline.publish.telling import short_name, upper
from pipeline.publish.views import Context, Pictures, Said, Section
from pipeline.publish.words import Words

MOST_MAPS = 4
THIN_MAP_CASES = 15  # a map resting on fewer cases of its own is said, not drawn


def suspect(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("shop.suspect"), w("shop.suspect_lead")
    maps = figures.suspicion_maps(tables)
    drawn = [m for m in maps if m.cases >= THIN_MAP_CASES and any(c.kind != "borrowed" for c in m.cells)][:MOST_MAPS]
    if not drawn:
        return Section("suspect", title, (Said(w("shop.suspect_none"), "thin"),), lead)
    pictures = [_map_chart(m, context, w) for m in drawn]
    recent = figures.recently_renewed(tables, drawn[0])
    items: list[Any] = [Pictures(tuple(pictures))]
    if recent:
        items.append(Pictures((_recent_chart(drawn[0], *recent, context, w),)))
    thin = [m for m in maps if m.cases < THIN_MAP_CASES]
    if thin:
        names = [f"{w.name('symptom', m.symptom)}, {w.name('lighting', m.lighting)}" for m in thin]
        items.append(Said(w("shop.suspect_thin", items="; ".join(names)), "thin"))
    return Section("suspect", title, tuple(items), lead)


def _band(w: Words, low: float, high: float | None, scale: float) -> str:
    def short(x: float) -> str:
        x = x * scale
        return w.number(x, 0 if x >= 9.5 or abs(x - round(x)) < 0.05 else 1)

    return (
        w("format.band", low=short(low), high=short(high))
        if high is not None
        else w("format.band_open", low=short(low))
    )


def _map_chart(m: figures.Map, context: Context, w: Words) -> Chart:
    km_scale = w.in_unit(1.0) / 1000
    km = {band: _band(w, *band, km_scale) for band in m.km}
    ages = {band: w("format.years_short", n=_band(w, *band, 1 / 365.25)) for band in m.ages}
    by_place = {(c.km, c.age_days): c for c in m.cells}
    rows = []
    for age in m.ages:
        for band in m.km:
            c = by_place.get((band, age))
            if c is None:
                rows.append(
                    {
                        "column": km[band],
                        "band": ages[age],
                        "component": None,
                        "word": "",
                        "short": "",
                        "text": w("shop.suspect_blank"),
                        "kind": "blank",
                    }
                )
                continue
            mark = w("shop.close_mark") if c.kind == "close" else ""
            rows.append(
                {
                    "column": km[band],
                    "band": ages[age],
                    "component": c.first,
                    "word": upper(w.name("component", c.first)),
                    "short": short_name(w, c.first),
                    "text": w.percent(c.p) + mark,
                    "kind": c.kind,
                }
            )
    kind, values = map_sentence(m, w)
    met = [c for c in dict.fromkeys(c.first for c in m.cells)]
    key = w("shop.suspect_key", items=w.list([f"{short_name(w, c)} {w.name('component', c)}" for c in met]))
    numbers = pl.DataFrame(
        [
            {
                "symptom": m.symptom,
                "lighting": m.lighting,
                "vehicle_class": m.vehicle_class,
                "km_low": c.km[0],
                "km_high": c.km[1],
                "age_low_days": c.age_days[0],
                "age_high_days": c.age_days[1],
                "first": c.first,
                "probability": c.p,
                "low": c.low,
                "high": c.high,
                "second": c.second,
                "second_probability": c.second_p,
                "effective_cases": c.effective_cases,
                "basis": c.basis,
            }
            for c in m.cells
        ],
        infer_schema_length=None,
    )
    items = [
        w("shop.suspect_alt_item", km=f"{km[b]} {w.thousand_unit}", component=w.name("component", c))
        for b, c in figures.first_by_km(m)
    ]
    return charts.suspicion_map(
        f"suspicion_{m.symptom}_{m.lighting}",
        rows,
        numbers,
        title=upper(w(f"shop.suspect_title_{kind}", **values)),
        alt_text=w("shop.suspect_alt", symptom=values["symptom"], lighting=values["lighting"], items=" ".join(items)),
        x_title=w("shop.suspect_x", unit=w.thousand_unit),
        y_title=w("shop.suspect_y"),
        columns=list(km.values()),
        bands=list(ages.values()),
        read=w("shop.suspect_read"),
        narrow_read=key,
    )


def _recent_chart(m: figures.Map, best: figures.Guess, rows: pl.DataFrame, context: Context, w: Words) -> Chart:
    days = w.number(context.recent_days)
    before, after = w("shop.recent_before"), w("shop.recent_after", days=days)
    data, items = [], []
    for r in rows.iter_rows(named=True):
        label = upper(w.name("component", r["component"]))
        data.append({"label": label, "series": before, "value": r["p"], "low": r["low"], "high": r["high"]})
        data.append(
            {"label": label, "series": after, "value": r["after_p"], "low": r["after_low"], "high": r["after_high"]}
        )
        items.append(f"{label} {w.percent(r['p'])}, {w.percent(r['after_p'])}")
    risen = rows.filter((pl.col("first_after") == pl.col("component")) & (pl.col("after_p") > pl.col("p"))).sort(
        (pl.col("after_p") - pl.col("p")), descending=True
    )
    r = (risen if risen.height else rows).row(0, named=True)
    return charts.dot_interval(
        "renewed_lately",
        data,
        rows,
        title=upper(
            w(
                "shop.recent_title" if risen.height else "shop.recent_title_not",
                component=w.name("component", r["component"]),
                after=w.percent(r["after_p"]),
                before=w.percent(r["p"]),
            )
        ),
        alt_text=w("shop.recent_alt", days=days, items=w.list(items)),
        x_title=w("shop.recent_x"),
        series=((before, "sky", "circle"), (after, "red", "diamond")),
        read=w(
            "shop.recent_read",
            symptom=upper(w.name("symptom", m.symptom)),
            lighting=w.name("lighting", m.lighting),
            km=f"{_band(w, *best.km, w.in_unit(1.0) / 1000)} {w.thousand_unit}",
            age=w("format.years_long", n=_band(w, *best.age_days, 1 / 365.25)),
            level=level(w, context),
        ),
        wide=True,
    )
