"""Which part to suspect first: the suspicion maps, a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures, priors_file, suspicion_charts
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level, map_sentence
from pipeline.publish.telling import short_name, upper
from pipeline.publish.theme import COMPONENT_COLOURS
from pipeline.publish.views import Context, Pictures, Said, Section
from pipeline.publish.words import Words

MOST_MAPS = 4
MOST_SLOPES = 5
MOST_SAVED = 8  # rows of the picture of minutes saved
_DASHES = ("", "7,3", "2,3", "9,3,2,3", "4,2", "1,3")
THIN_MAP_CASES = 15  # a map resting on fewer cases of its own is said, not drawn


def suspect(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("shop.suspect"), w("shop.suspect_lead")
    maps = figures.suspicion_maps(tables)
    drawn = [m for m in maps if m.cases >= THIN_MAP_CASES and any(c.kind != "borrowed" for c in m.cells)][:MOST_MAPS]
    if not drawn:
        return Section("suspect", title, (Said(w("shop.suspect_none"), "thin"),), lead)
    pictures = [_map_chart(m, context, w) for m in drawn]
    recent = figures.recently_renewed(tables, drawn[0])
    better = priors_file.beats_baselines(tables)
    items: list[Any] = [] if better else [Said(w("shop.suspect_untested" if better is None else "shop.suspect_not_better"), "caution")]
    items.append(Pictures(tuple(pictures)))
    by_km = _by_km_chart(tables, drawn, w)
    if by_km:
        items.append(Pictures((by_km,)))
    after = _after_chart(tables, drawn, context, w)
    if after:
        items.append(Pictures((after,)))
    elif recent:
        items.append(Pictures((_recent_chart(drawn[0], *recent, context, w),)))
    saved = _saved_chart(tables, w)
    if saved:
        items.append(Pictures((saved,)))
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


def _by_km_chart(tables: Tables, drawn: list[figures.Map], w: Words) -> Chart | None:
    """How the shares of suspicion move with the distance driven, for the map's symptom and lighting where they move most."""
    found = figures.frame(tables, "suspicion_by_km", ("symptom", "lighting", "km_low", "component", "probability"))
    told = []
    for m in drawn if found.height else ():
        rows = found.filter((pl.col("symptom") == m.symptom) & (pl.col("lighting") == m.lighting))
        if rows["km_low"].n_unique() > 1:
            span = rows.group_by("component").agg(pl.col("probability").max() - pl.col("probability").min())["probability"].max()
            told.append((span, -len(told), m, rows))
    if not told:
        return None
    m, rows = max(told, key=lambda t: t[:2])[2:]
    scale = w.in_unit(1.0) / 1000
    bands = rows.select("km_low", "km_high").unique(maintain_order=True).sort("km_low")
    words = {low: _band(w, low, high, scale) for low, high in bands.iter_rows()}
    weight = rows.group_by("component").agg(pl.col("probability").sum()).sort(["probability", "component"], descending=[True, False])
    named = [c for c in weight["component"] if c != "other"] + ["other"] * ("other" in weight["component"])
    order = [(upper(w.name("component", c)), COMPONENT_COLOURS.get(c, "grey")) for c in named]
    data = [
        {
            "column": words[r["km_low"]],
            "word": upper(w.name("component", r["component"])),
            "short": short_name(w, r["component"]),
            "share": r["probability"],
            "text": w.percent(r["probability"]),
        }
        for r in rows.iter_rows(named=True)
    ]
    # The part that moves most, from the first column to the last.
    ends = [dict(rows.filter(pl.col("km_low") == k).select("component", "probability").iter_rows()) for k in (min(words), max(words))]
    lead = max(named, key=lambda c: (abs(ends[0].get(c, 0.0) - ends[1].get(c, 0.0)), c))
    values = {
        "symptom": w.name("symptom", m.symptom),
        "lighting": w.name("lighting", m.lighting),
        "component": w.name("component", lead),
        "start": w.percent(ends[0].get(lead, 0.0)),
        "end": w.percent(ends[1].get(lead, 0.0)),
    }
    items = [f"{words[k]}: {w.name('component', c)} {w.percent(p)}" for k, c, p in _firsts(rows)]
    key = w("shop.suspect_key", items=w.list([f"{short_name(w, c)} {w.name('component', c)}" for c in named]))
    return suspicion_charts.stacked(
        f"suspicion_by_km_{m.symptom}_{m.lighting}",
        data,
        rows,
        title=upper(w("shop.by_km_title", **values)),
        alt_text=w("shop.by_km_alt", items="; ".join(items), **values),
        x_title=w("shop.suspect_x", unit=w.thousand_unit),
        y_title=w("shop.by_km_y"),
        columns=list(words.values()),
        order=order,
        read=w("shop.by_km_read"),
        narrow_read=key,
    )


def _firsts(rows: pl.DataFrame) -> list[tuple[float, str, float]]:
    ranked = rows.sort(["km_low", "probability", "component"], descending=[False, True, False])
    return list(ranked.unique("km_low", keep="first", maintain_order=True).select("km_low", "component", "probability").iter_rows())


def _after_chart(tables: Tables, drawn: list[figures.Map], context: Context, w: Words) -> Chart | None:
    """How suspicion of a part changes with the days since it was fitted itself; of the first map where some part leads and
    then does not, else of the first that tells."""
    found = figures.frame(tables, "suspicion_after_renewal", ("symptom", "lighting", "component", "days", "probability", "low", "high"))
    if found.is_empty():
        return None
    told = []
    for m in drawn:
        rows = found.filter((pl.col("symptom") == m.symptom) & (pl.col("lighting") == m.lighting))
        if rows.height:
            turns = rows.group_by("component").agg(pl.col("is_first").any() & ~pl.col("is_first").all())["is_first"].any()
            told.append((not turns, len(told), rows))
    if not told:
        return None
    rows = min(told, key=lambda t: t[:2])[2]
    days = rows["days"].unique().sort().to_list()
    weight = rows.group_by("component").agg(pl.col("probability").max()).sort(["probability", "component"], descending=[True, False])
    shown = weight["component"].to_list()[:MOST_SLOPES]
    names = {d: w("shop.after_days", days=w.number(d)) for d in days}
    data, items = [], []
    for c in shown:
        part = rows.filter(pl.col("component") == c).sort("days")
        for r in part.iter_rows(named=True):
            data.append({"series": upper(w.name("component", c)), "column": names[r["days"]], "value": r["probability"], "low": r["low"],
                         "high": r["high"], "first": r["is_first"]})
        items.append(f"{upper(w.name('component', c))}: {', '.join(w.percent(p) for p in part['probability'])}")
    early = rows.filter(pl.col("component").is_in(shown)).sort("days").group_by("component", maintain_order=True).agg(
        pl.col("probability").first().alias("fresh"), pl.col("probability").min().alias("least"), pl.col("not_renewed").first())
    most = early.with_columns((pl.col("fresh") - pl.col("least")).alias("fall")).sort(["fall", "component"], descending=[True, False]).row(0, named=True)
    r = rows.row(0, named=True)
    return suspicion_charts.slopes(
        f"suspicion_after_renewal_{r['symptom']}_{r['lighting']}",
        data,
        rows,
        title=upper(w("shop.after_title", component=w.name("component", most["component"]), fresh=w.percent(most["fresh"]),
                      days=w.number(days[0]), least=w.percent(most["least"]))),
        alt_text=w("shop.after_alt", days=w.list([names[d] for d in days]), items="; ".join(items)),
        x_title=w("shop.after_x"),
        y_title=w("shop.after_y"),
        columns=list(names.values()),
        series=[(upper(w.name("component", c)), COMPONENT_COLOURS.get(c, "grey"), _DASHES[i % len(_DASHES)]) for i, c in enumerate(shown)],
        read=w("shop.after_read", symptom=upper(w.name("symptom", r["symptom"])), lighting=w.name("lighting", r["lighting"]),
               km=w.distance(r["km"]), age=w.years(r["age_days"]), level=level(w, context)),
    )


def _saved_chart(tables: Tables, w: Words) -> Chart | None:
    """Expected minutes to the cause in the order proposed and in the two plain ones."""
    orders = {"best": "expected_minutes", "naive": "expected_minutes_naive", "cheapest": "expected_minutes_cheapest"}
    found = figures.frame(tables, "minutes_saved", ("symptom", "lighting", *orders.values()))
    if found.is_empty():
        return None
    found = found.with_columns(
        (pl.min_horizontal(orders["naive"], orders["cheapest"]) - pl.col(orders["best"])).alias("saved")
    ).sort(["saved", "symptom", "lighting"], descending=[True, False, False])
    called = {key: w(f"shop.saved_{key}") for key in orders}
    data, items = [], []
    for r in found.head(MOST_SAVED).iter_rows(named=True):
        label = f"{upper(w.name('symptom', r['symptom']))},\n{w.name('lighting', r['lighting'])}"
        words = w("shop.saved_words" if r["saved"] >= 0.05 else "shop.saved_none", minutes=w.number(r["saved"], 1))
        for key, column in orders.items():
            data.append({"label": label, "series": called[key], "value": r[column], "words": words if key == "best" else ""})
        items.append(f"{label.replace(chr(10), ' ')}: {', '.join(w.number(r[c]) for c in orders.values())}")
    most, rest = found.row(0, named=True), found.height - MOST_SAVED
    kind = "title" if most["saved"] >= 0.05 else "title_none"
    return suspicion_charts.minutes(
        "minutes_saved",
        data,
        found,
        title=upper(w(f"shop.saved_{kind}", minutes=w.number(most["saved"], 1), symptom=w.name("symptom", most["symptom"]),
                      lighting=w.name("lighting", most["lighting"]))),
        alt_text=w("shop.saved_alt", items="; ".join(items)),
        x_title=w("shop.saved_x"),
        series=((called["best"], "green", "circle"), (called["naive"], "sky", "square"), (called["cheapest"], "red", "diamond")),
        read=w("shop.saved_read") + (w("shop.saved_rest", n=w.number(MOST_SAVED), rest=w.number(rest)) if rest > 0 else ""),
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
