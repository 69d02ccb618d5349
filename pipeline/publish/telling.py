"""Small helps that the sections of pages share: headings, names, rows of orders."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.publish import figures
from pipeline.publish.findings import components
from pipeline.publish.views import Cell, cell
from pipeline.publish.words import Words

MOST_ROWS = 40  # of a table on a page; the rest stands in its file
_ONE_LIGHTING = ("ballast", "igniter", "led_module", "led_driver")  # their name tells the lighting


def life_columns(lives: pl.DataFrame) -> pl.DataFrame:
    return figures.with_columns(
        lives,
        vehicle="",
        unit_number=None,
        side=None,
        supplier=None,
        part_number=None,
        lot=None,
        start_on=None,
        fitted_order=None,
        ended_order=None,
        exit_days=None,
        exit_km=None,
        origin=None,
    )


def life_row(r: dict[str, Any], w: Words) -> list[Cell | str]:
    original = r["origin"] == "original"
    return [
        cell(vehicle_label(r.get("unit_number") or r["vehicle"]), w.name("side", r["side"])),
        cell(
            w.name("generation", "original") if original else supplier_name(r["supplier"], w),
            r["part_number"],
            r["lot"],
        ),
        cell(w.short_date(r["start_on"]) if not original else "", r["fitted_order"]),
        cell(w.short_date(r["end_on"]), r["ended_order"]),
        cell(w.years(r["exit_days"]), w.distance(r["exit_km"])),
    ]


def head(w: Words, *names: str) -> list[tuple[str, str]]:
    """Column headings by key; a name that ends in # is a column of numbers, one that ends in @ a column of
    links (not printed)."""
    kinds = {"#": "number", "@": "link"}
    return [(w(f"head.{n.rstrip('#@')}"), kinds.get(n[-1], "text")) for n in names]


def upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def slug(text: str) -> str:
    return "".join(c if c.isalnum() and c.isascii() else "-" for c in text.lower()).strip("-") or "x"


def short(text: str, n: int) -> str:
    return text if len(text) <= n else text[: n - 1] + "…"


def wrap(text: str, n: int) -> list[str]:
    return textwrap.wrap(text, n) or [text]


def short_name(w: Words, component: str) -> str:
    return w.name("component_short", component) if component in w.texts["component_short"] else upper(component[:2])


def short_names(w: Words, components: Sequence[str]) -> str:
    """What the short names of narrow screens stand for, in words."""
    return w("shop.suspect_key", items=w.list([f"{short_name(w, c)} {w.name('component', c)}" for c in components]))


def vehicle_label(label: str | None) -> str:
    """A unit number as it is; a keyed hash by its first letters, enough to find it in the tables."""
    text = str(label or "")
    return text[:9] if len(text) > 14 and text.startswith("v") else text


def supplier_name(supplier: str | None, w: Words) -> str:
    return w("shop.supplier_unknown") if supplier in (None, "", "unknown") else supplier


def kind_of(w: Words, component: str, lighting: str) -> str:
    name = w.name("component", component)
    return (
        name
        if lighting == "all" or component in _ONE_LIGHTING
        else w("format.of_lighting", lighting=w.name("lighting", lighting), what=name)
    )


def kinds_of(w: Words, component: str, lighting: str) -> str:
    name = components(w, component)
    return (
        name
        if lighting == "all" or component in _ONE_LIGHTING
        else w("format.of_lighting", lighting=w.name("lighting", lighting), what=name)
    )


def total_of(*values: float | None) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def more_rows(w: Words, shown: int, total: int, file: str) -> str:
    return w("page.rows_more", shown=w.number(shown), total=w.number(total), file=file) if shown < total else ""
