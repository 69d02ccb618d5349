"""Beside the verdicts on suppliers: how soon fitted parts fail, grades, replacement against original, bad shares of lots, and what the
comparison could have seen. Parts of the section on suppliers."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import charts, figures
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import components, level, what_of
from pipeline.publish.telling import head, kind_of, slug, supplier_name, upper
from pipeline.publish.views import Context, Pictures, Said, Table, cell, table
from pipeline.publish.words import Words

_WINDOWS = (
    ("window_days", 30, "w30"),
    ("window_days", 90, "w90"),
    ("window_days", 180, "w180"),
    ("window_days", 365, "w365"),
    ("window_km", 1_000, "k1000"),
    ("window_km", 5_000, "k5000"),
    ("window_km", 10_000, "k10000"),
)
_FILE = "tables/early_failures.csv"


def detail(tables: Tables, context: Context, days: int, w: Words) -> list[Any]:
    """What stands below the verdicts, each only where there is something to say."""
    out: list[Any] = []
    out += _defects(tables, w)
    out += _power(tables, days, w)
    for made in (_windows(tables, w), _grades(tables, context, days, w)):
        if made:
            out.append(made)
    return out + _bands(tables, context, w)


def _windows(tables: Tables, w: Words) -> Table | None:
    """All suppliers together, by component and lighting, over every window of days and km."""
    found = figures.frame(tables, "early_failures", ("component", "lighting", "supplier", "window_days", "probability", "low", "high"))
    if found.is_empty() or "window_km" not in found.columns:
        return None
    pooled = [
        pl.col(c).cast(pl.String).fill_null("all") == "all" for c in ("supplier", "part_number", "lot", "grade") if c in found.columns
    ]
    whole = found.filter(pl.all_horizontal(pooled))
    body = []
    for (component, lighting), part in whole.sort("component", "lighting").group_by("component", "lighting", maintain_order=True):
        cells = []
        for column, window, _ in _WINDOWS:
            row = part.filter(pl.col(column) == window)
            known = row.height and row["probability"][0] is not None
            cells.append(
                cell(w.percent(row["probability"][0]), w.percent_range(row["low"][0], row["high"][0]))
                if known
                else cell(w("format.nothing"))
            )
        fitted = int(part["fitted"].max() or 0)
        if fitted:
            body.append((-fitted, [cell(upper(kind_of(w, component, lighting)), strong=True), w.number(fitted), *cells]))
    if not body:
        return None
    body.sort(key=lambda b: b[0])
    return table(
        "table-windows",
        w("standing.windows_table"),
        head(w, "component", "number_fitted#", *[f"{k}#" for *_, k in _WINDOWS]),
        [b for _, b in body],
        csv=_FILE,
        folded=True,
    )


def _grades(tables: Tables, context: Context, days: int, w: Words) -> Table | None:
    found = figures.early(tables)
    if found.is_empty():
        return None
    rows = found.filter((pl.col("grade") != "all") & (pl.col("window_days") == days) & (pl.col("fitted") > 0))
    # A grade alone in its kind has nothing to be held against.
    rows = rows.filter(pl.len().over("component", "lighting") > 1).sort("component", "lighting", "grade")
    if rows.is_empty():
        return None
    body = [
        [
            cell(upper(kind_of(w, r["component"], r["lighting"]))),
            cell(w(f"standing.grade_{r['grade']}") if w.has(f"standing.grade_{r['grade']}") else r["grade"], strong=True),
            w.number(r["fitted"]),
            w.number(r["failed"]),
            w.percent(r["probability"]),
            w.percent_range(r["low"], r["high"]),
            cell(w.name("verdict", r["verdict"])),
        ]
        for r in rows.iter_rows(named=True)
    ]
    heads = [
        *head(w, "component", "grade", "number_fitted#", "number_failed#", "share#"),
        (w("head.interval", level=level(w, context)), "number"),
        *head(w, "verdict"),
    ]
    return table("table-grades", w("standing.grade_table", days=w.number(days)), heads, body, csv=_FILE, folded=True)


def _defects(tables: Tables, w: Words) -> list[Said]:
    found = figures.frame(
        tables, "defective_shares", ("component", "supplier", "part_number", "lot", "failed", "share", "low", "high", "verdict")
    )
    out = []
    for r in found.iter_rows(named=True) if found.height else ():
        what = f"{supplier_name(r['supplier'], w)} {components(w, r['component'])}, {what_of(w, r)}"
        if r["verdict"] == "a share is bad":
            out.append(
                Said(
                    w.rich(
                        "standing.defect_said_bad",
                        what=what,
                        share=w.percent(r["share"]),
                        range=w.percent_range(r["low"], r["high"]),
                        left=w.number(r["still_to_fail"], 1),
                    )
                )
            )
        else:
            out.append(Said(w("standing.defect_said_open", what=what, failed=w.number(r["failed"])), "thin"))
    return out[:5]


def _power(tables: Tables, days: int, w: Words) -> list[Said]:
    found = figures.frame(tables, "verdict_power", ("component", "supplier", "window_days", "power"))
    if found.is_empty():
        return []
    rows = found.filter((pl.col("window_days") == days) & pl.col("power").is_not_null() & (pl.col("supplier") != "unknown"))
    if rows.is_empty():
        return []
    strong = int((rows["power"] >= 0.8).sum())
    return [
        Said(
            w(
                "standing.power_said",
                n=w.number(rows.height),
                days=w.number(days),
                strong=w.number(strong),
                weak=w.number(rows.height - strong),
            )
        )
    ]


def _band_words(r: dict[str, Any], w: Words) -> str:
    if r["high_days"] is None:
        return w("standing.band_open", low=w.number(r["low_days"]))
    return w("standing.band_closed", low=w.number(r["low_days"]), high=w.number(r["high_days"]))


def _bands(tables: Tables, context: Context, w: Words) -> list[Any]:
    """The component whose replacements failed most as a picture; all of them as a table."""
    ratios = figures.frame(
        tables,
        "replacement_against_original",
        ("component", "low_days", "high_days", "ratio", "low", "high", "verdict", "replacement_failed", "original_failed"),
    )
    if ratios.is_empty():
        return []
    out: list[Any] = []
    early = figures.frame(tables, "early_against_later", ("component", "origin", "ratio", "low", "high", "verdict"))
    for r in (
        early.filter((pl.col("origin") == "replacement") & (pl.col("verdict") == "early")).sort("component").iter_rows(named=True)
        if early.height
        else ()
    ):
        high = w.significant(r["high"]) if r["high"] is not None else "∞"
        ratio = w.significant(r["ratio"]) if r["ratio"] is not None else "∞"
        out.append(
            Said(
                w(
                    "standing.early_said",
                    components=upper(components(w, r["component"])),
                    ratio=ratio,
                    range=w("format.range", low=w.significant(r["low"]), high=high),
                )
            )
        )
    hazards = figures.frame(tables, "hazard_bands", ("component", "origin", "low_days", "high_days", "rate_per_1000", "low", "high"))
    both = ratios.filter((pl.col("replacement_failed") > 0) & (pl.col("original_failed") > 0))
    if hazards.height and both.height:
        most = (
            both.group_by("component")
            .agg(pl.col("replacement_failed").sum())
            .sort(["replacement_failed", "component"], descending=[True, False])["component"][0]
        )
        out.append(
            Pictures(
                (_band_chart(most, hazards.filter(pl.col("component") == most), ratios.filter(pl.col("component") == most), context, w),)
            )
        )
    shown = ratios.filter(pl.col("verdict") != "too few").sort("component", "low_days")
    if shown.height:
        body = []
        for r in shown.iter_rows(named=True):
            told = r["ratio"] is not None and r["high"] is not None
            body.append(
                [
                    cell(upper(w.name("component", r["component"])), strong=True),
                    cell(_band_words(r, w)),
                    w.number(r["replacement_failed"]),
                    w.number(r["original_failed"]),
                    cell(
                        w("standing.times", ratio=w.significant(r["ratio"])),
                        w("format.range", low=w.significant(r["low"]), high=w.significant(r["high"])),
                    )
                    if told
                    else cell(w("format.from", low=w.significant(r["low"])) if r["low"] is not None else w("format.nothing")),
                    cell(w.name("verdict", r["verdict"])),
                ]
            )
        heads = head(w, "component", "band", "replacements#", "originals#", "ratio#", "verdict")
        out.append(
            table(
                "table-bands",
                w("standing.bands_table"),
                heads,
                body,
                note=w("standing.bands_note"),
                csv="tables/replacement_against_original.csv",
                folded=True,
            )
        )
    return out


def _band_chart(component: str, hazards: pl.DataFrame, ratios: pl.DataFrame, context: Context, w: Words) -> Chart:
    kinds = components(w, component)
    per_year = 365.25 / 10  # failures per 1,000 days to failures per 100 parts a year
    words = {"original": w.name("generation", "original"), "replacement": w.name("generation", "replacement")}
    rows, items = [], []
    for (_low, _high), part in hazards.sort("low_days", "origin").group_by("low_days", "high_days", maintain_order=True):
        label = _band_words(part.row(0, named=True), w)
        value = {r["origin"]: r for r in part.iter_rows(named=True)}
        for origin, word in words.items():
            r = value.get(origin)
            rows.append(
                {
                    "label": label,
                    "series": word,
                    **{
                        k: r[c] * per_year if r and r[c] is not None else None
                        for k, c in (("value", "rate_per_1000"), ("low", "low"), ("high", "high"))
                    },
                }
            )
        said = {o: w.significant(value[o]["rate_per_1000"] * per_year) if o in value else w("format.nothing") for o in words}
        items.append(w("standing.bands_item", band=label, original=said["original"], replacement=said["replacement"]))
    told = ratios.filter(pl.col("verdict").is_in(["worse", "better"]) & pl.col("ratio").is_not_null()).sort("low_days")
    if told.height:
        r = told.row(0, named=True)
        title = w(f"standing.bands_title_{r['verdict']}", components=kinds, ratio=w.significant(r["ratio"]), band=upper(_band_words(r, w)))
    else:
        title = w("standing.bands_title_same", components=kinds)
    return charts.dot_interval(
        f"bands_{slug(component)}",
        rows,
        hazards,
        title=title,
        alt_text=w("standing.bands_alt", components=kinds, items=" ".join(items)),
        x_title=w("standing.bands_x"),
        series=((words["original"], "grey", "circle"), (words["replacement"], "red", "diamond")),
        read=w("standing.bands_read", level=level(w, context)),
        percent=False,
    )
