"""How suspicion moves: with the distance on the odometer, and with the days since a part was fitted; and what the order of checks
saves. Tables for charts, each number an answer of `answer.rank` or a row of the published grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.suspects.answer import Query, Ranking, rank
from pipeline.suspects.grid import KEYS
from pipeline.suspects.parts import ALL, BOTH_DARK, NONE, OTHER, is_possible

DAYS = (7, 30, 90, 180, 365, 730)  # since fitting
_TEXT, _NUMBER = pl.String, pl.Float64


def _cases(data: Mapping[str, Any]) -> dict[tuple[int, int], float]:
    """Confirmed cases by (lighting, symptom)."""
    out: dict[tuple[int, int], float] = {}
    for cell in data["cells"]:
        if cell[1] == 0 and cell[4] == -1:
            for s, _, n in cell[11]:
                out[cell[0], s] = out.get((cell[0], s), 0.0) + n
    return out


def _told(data: Mapping[str, Any], min_cases: float) -> list[tuple[int, int]]:
    return sorted(key for key, n in _cases(data).items() if n >= min_cases)


def _middle(edges: Sequence[float], band: int) -> float:
    """The middle of a band; of the last one, its lower edge."""
    return (edges[band] + edges[band + 1]) / 2 if band + 1 < len(edges) else edges[band]


def by_km(data: Mapping[str, Any], *, min_cases: float = 5) -> pl.DataFrame:
    """Shares of suspicion by km band, over all ages of vehicle that were seen there, nothing said of renewals.

    data: of bench.bench_data. One row a symptom, lighting, km band and suspect, for symptoms with min_cases confirmed cases;
    bands that no vehicle has reached are not there. km_low, km_high in km (null: open); effective_cases of the band."""
    rows, edges = [], data["km_edges"]
    reached = {(c[0], c[2]) for c in data["cells"] if c[1] == 0 and c[4] == -1}
    for light, s in _told(data, min_cases):
        for band, low in enumerate(edges):
            if (light, band) not in reached:
                continue
            said = rank(data, Query(symptom=data["symptoms"][s], km=_middle(edges, band), lighting=data["lightings"][light]))
            high = edges[band + 1] if band + 1 < len(edges) else None
            for suspect in said.suspects:
                rows.append((data["symptoms"][s], data["lightings"][light], low, high, suspect.component, suspect.probability,
                             suspect.low, suspect.high, said.effective_cases, said.vehicles))
    schema = {"symptom": _TEXT, "lighting": _TEXT, "km_low": _NUMBER, "km_high": _NUMBER, "component": _TEXT, "probability": _NUMBER,
              "low": _NUMBER, "high": _NUMBER, "effective_cases": _NUMBER, "vehicles": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def after_renewal(data: Mapping[str, Any], *, days: Sequence[int] = DAYS, min_cases: float = 5) -> pl.DataFrame:
    """How probable it is that a part renewed so many days ago is the cause, in the cell with the most confirmed cases.

    data: of bench.bench_data. One row a symptom, lighting, component and day count: days, probability, low, high, first (the
    first suspect then), is_first, not_renewed (its probability where nothing is said of renewals), km, age_days (of the vehicle
    asked about)."""
    rows = []
    for light, s in _told(data, min_cases):
        lighting, symptom = data["lightings"][light], data["symptoms"][s]
        if symptom == BOTH_DARK:
            continue
        cells = [c for c in data["cells"] if c[0] == light and c[1] == 0 and c[4] == -1]
        cell = max(cells, key=lambda c: (sum(n for b, _, n in c[11] if b == s), c[6], -c[2], -c[3]))
        km, age = _middle(data["km_edges"], cell[2]), _middle(data["age_edges_days"], cell[3])
        plain = _by_name(rank(data, Query(symptom=symptom, km=km, age_days=age, lighting=lighting)))
        for component in data["components"]:
            if component not in plain or not is_possible(component, lighting):
                continue
            for day in days:
                said = rank(data, Query(symptom=symptom, km=km, age_days=age, lighting=lighting, replaced={component: float(day)}))
                own = _by_name(said)[component]
                first = said.suspects[0].component
                rows.append((symptom, lighting, component, day, own.probability, own.low, own.high, first, first == component,
                             plain[component].probability, km, age))
    schema = {"symptom": _TEXT, "lighting": _TEXT, "component": _TEXT, "days": pl.Int64, "probability": _NUMBER, "low": _NUMBER,
              "high": _NUMBER, "first": _TEXT, "is_first": pl.Boolean, "not_renewed": _NUMBER, "km": _NUMBER, "age_days": _NUMBER}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _by_name(ranking: Ranking) -> dict[str, Any]:
    return {s.component: s for s in ranking.suspects}


def minutes_saved(priors: pl.DataFrame, orders: pl.DataFrame) -> pl.DataFrame:
    """Expected minutes to the cause by symptom and lighting: in the best order, likeliest first, and cheapest first.

    priors, orders: of grid.priors and order.check_order. Averages over the cells of all classes with nothing renewed lately,
    weighted by vehicles: expected_minutes, expected_minutes_naive, expected_minutes_cheapest; saved_naive, saved_cheapest;
    share_other (causes that no check finds, which are in the minutes)."""
    keys = {"symptom": _TEXT, "lighting": _TEXT}
    figures = ["expected_minutes", "expected_minutes_naive", "expected_minutes_cheapest"]
    if priors.is_empty() or orders.is_empty():
        made = [*figures, "share_other", "saved_naive", "saved_cheapest"]
        return pl.DataFrame(schema={**keys, "cells": pl.UInt32, **dict.fromkeys(made, _NUMBER)})
    plain = (pl.col("vehicle_class") == ALL) & (pl.col("recently_replaced") == NONE)
    weights = priors.filter(plain).group_by(KEYS).agg(
        pl.col("vehicles").first(), pl.col("probability").filter(pl.col("component") == OTHER).sum().alias("share_other"))
    cells = orders.filter(plain & (pl.col("rank") == 1)).join(weights, on=KEYS, nulls_equal=True)
    mean = [(pl.col(c) * pl.col("vehicles")).sum() / pl.col("vehicles").sum() for c in [*figures, "share_other"]]
    return cells.group_by(list(keys)).agg(pl.len().alias("cells"), *mean).with_columns(
        (pl.col("expected_minutes_naive") - pl.col("expected_minutes")).alias("saved_naive"),
        (pl.col("expected_minutes_cheapest") - pl.col("expected_minutes")).alias("saved_cheapest")).sort(list(keys))
