"""The section on suspicion: its charts over the distance and after a renewal, the minutes saved, and the flag of a bad test."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.publish import drawing, figures, section_suspicion
from pipeline.publish.views import Pictures, Said


@pytest.fixture(scope="module")
def told(tables):
    m = next(m for m in figures.suspicion_maps(tables) if m.cases >= 15)
    keys = {"symptom": m.symptom, "lighting": m.lighting}
    parts = ("lamp", "ballast", "other")
    by_km = [{**keys, "km_low": low, "km_high": high, "component": c, "probability": p, "low": p / 2, "high": min(1.0, 2 * p)}
             for low, high, shares in ((0.0, 80_000.0, (0.3, 0.6, 0.1)), (80_000.0, None, (0.7, 0.2, 0.1)))
             for c, p in zip(parts, shares, strict=True)]
    after = [{**keys, "component": c, "days": d, "probability": p, "low": p / 2, "high": min(1.0, 1.5 * p), "first": "lamp",
              "is_first": c == "lamp" and p > 0.5, "not_renewed": 0.4, "km": 90_000.0, "age_days": 2600.0}
             for c, course in (("lamp", (0.6, 0.3, 0.45)), ("ballast", (0.2, 0.1, 0.15))) for d, p in zip((7, 90, 365), course, strict=True)]
    saved = [{**keys, "cells": 4, "expected_minutes": 21.0, "expected_minutes_naive": 24.4, "expected_minutes_cheapest": 30.0}]
    extra = {"suspicion_by_km": pl.DataFrame(by_km, infer_schema_length=None), "suspicion_after_renewal": pl.DataFrame(after),
             "minutes_saved": pl.DataFrame(saved)}
    return {**tables, **extra}


def charts_of(section):
    return [c for item in section.items if isinstance(item, Pictures) for c in item.charts]


def rows_with(chart, field):
    """The chart's data that hold a field."""
    return next(rows for rows in chart.spec["datasets"].values() if rows and field in rows[0])


def test_charts_are_drawn_and_say_what_they_show(told, context):
    section = section_suspicion.suspect(told, context, context.words())
    made = {c.name.split("_low_beam")[0].split("_flicker")[0].split("_dim")[0]: c for c in charts_of(section)}
    stacked, slope = (made[n] for n in ("suspicion_by_km", "suspicion_after_renewal"))
    assert "30 % to 70 %" in stacked.title and "ballast 60 %" in stacked.alt
    pieces = rows_with(stacked, "top")
    tops = {p["column"]: p["top"] for p in pieces if p["word"].lower().startswith("something") or p["top"] > 99}
    assert list(tops.values()) == pytest.approx([100.0, 100.0])
    assert "lamp fitted 7 days ago" in slope.title and "60 %" in slope.title and "30 %" in slope.title
    assert [r["first"] for r in rows_with(slope, "first") if r["series"] == "Lamp"] == [True, False, False]
    for chart in (stacked, slope):
        svg, png = drawing.draw(chart.static())
        assert svg.startswith("<svg") and png[:4] == b"\x89PNG"
        assert chart.numbers.height >= 6


def test_minutes_saved_are_drawn_against_the_better_plain_order(told, context):
    section = section_suspicion.suspect(told, context, context.words())
    chart = next(c for c in charts_of(section) if c.name == "minutes_saved")
    points = rows_with(chart, "near")
    assert [(p["value"], p["near"], p["far"]) for p in points] == [(21.0, 21.0, 30.0), (24.4, 21.0, 30.0), (30.0, 21.0, 30.0)]
    assert [p["words"] for p in points] == ["3.4 min saved", "", ""] and "3.4 minutes" in chart.title
    assert chart.numbers["saved"].to_list() == pytest.approx([3.4])
    assert drawing.draw(chart.static())[0].startswith("<svg")


@pytest.mark.parametrize(("value", "words"), [(False, "did not find these first suspects better"), (None, "Too few cases came to test"), (True, None)])
def test_a_bad_or_lacking_test_is_said_before_anything_else(told, context, value, words):
    tested = told["backtest"].drop("is_better", strict=False).with_columns(pl.lit(value, pl.Boolean).alias("is_better"))
    tables = {**told, "backtest": tested.clear() if value is None else tested}
    first = section_suspicion.suspect(tables, context, context.words()).items[0]
    assert (isinstance(first, Said) and words in str(first.text)) if words else isinstance(first, Pictures)
