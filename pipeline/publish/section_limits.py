"""What the data cannot say: a section of the shop report."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.views import Said, Section
from pipeline.publish.words import Words


def limits(tables: Tables, w: Words) -> Section:
    items: list[Any] = []
    lives = figures.frame(tables, "lives", ("ending",))
    if lives.height:
        watched = lives.filter(pl.col("in_curve")) if "in_curve" in lives.columns else lives
        if watched.height:
            still = watched.filter(pl.col("ending") != "failed").height
            items.append(
                Said(w("shop.limit_censored", share=w.percent(still / watched.height), n=w.number(watched.height)))
            )
        unsided = lives.filter(pl.col("ending") == "side_unknown").height
        if unsided:
            items.append(Said(w("shop.limit_side", n=w.count("part", unsided))))
        fitted = lives.filter(pl.col("origin") == "replacement") if "origin" in lives.columns else pl.DataFrame()
        if fitted.height and "supplier" in fitted.columns:
            untold = fitted.filter(pl.col("supplier").is_null() | (pl.col("supplier") == "unknown")).height
            if untold:
                items.append(Said(w("shop.limit_supplier", share=w.percent(untold / fitted.height))))
        if "km_estimated" in lives.columns and lives["km_estimated"].any():
            items.append(Said(w("shop.limit_km", share=w.percent(lives["km_estimated"].fill_null(False).mean()))))
    items += [Said(w(f"shop.limit_{k}")) for k in ("elsewhere", "cause", "words")]
    return Section("limits", w("shop.limits"), tuple(items), w("shop.limits_lead"))
