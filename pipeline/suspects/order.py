"""In which order to check, so that the cause is found in the fewest minutes.

One fault, checks that never err, independent minutes: by probability / minutes, the classic ratio rule
(Kadane and Simon 1977, Optimal strategies for a class of constrained sequential problems, Ann. Stat.
5:237-255; Heckerman, Breese and Rommelse 1995, Decision-theoretic troubleshooting, Commun. ACM 38(3):49-57).
Where one opening (a bumper, a wheel-arch liner) serves several checks the ratio rule is not optimal (Ottosen
and Jensen 2010, The cost of troubleshooting cost clusters with inside information, UAI): then dynamic
programming over the sets of checks done, exact, for 12 checks at most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.suspects.checks import (
    MOST_CHECKS,
    Check,
    Plan,
    best_order,
    cheapest_first,
    checks_from_rows,
    likeliest_first,
    ratio_order,
    walk,
)
from pipeline.suspects.grid import KEYS
from pipeline.suspects.parts import OTHER

# Examples to replace with one's own minutes: common practice, no source.
EXAMPLE_ACCESS = pl.DataFrame(
    [
        ("switch_or_fuse", 5.0, None, 0.0),
        ("control_module", 12.0, None, 0.0),
        ("wiring", 12.0, "headlamp_out", 25.0),
        ("lamp", 4.0, "headlamp_out", 25.0),
        ("igniter", 6.0, "headlamp_out", 25.0),
        ("ballast", 8.0, "headlamp_out", 25.0),
        ("headlamp_assembly", 5.0, "headlamp_out", 25.0),
        ("led_module", 8.0, "headlamp_out", 25.0),
        ("led_driver", 8.0, "headlamp_out", 25.0),
    ],
    schema={
        "component": pl.String,
        "check_minutes": pl.Float64,
        "opens": pl.String,
        "opens_minutes": pl.Float64,
    },
    orient="row",
)


def checks_from(access: pl.DataFrame, components: Sequence[str]) -> tuple[list[Check], set[str]]:
    """`checks_from_rows` of a table."""
    return checks_from_rows(access.to_dicts(), components)


def best_orders(p: np.ndarray, checks: Sequence[Check], last_is_inferred: bool = False) -> np.ndarray:
    """The best order for each row of p (rows, checks), all with the same checks: numbers of the checks, shape
    (rows, checks).

    Dynamic programming from the full set down: V(done) = min over i of minutes(i | done) x P(cause not in
    done) + V(done + i)."""
    rows, n = p.shape
    if n > MOST_CHECKS:
        raise ValueError(f"{n} checks; exact orders are made for {MOST_CHECKS} at most")
    if not n:
        return np.zeros((rows, 0), dtype=np.int64)
    full = (1 << n) - 1
    same_step = [
        sum(1 << k for k in range(n) if checks[i].opens and checks[k].opens == checks[i].opens)
        for i in range(n)
    ]
    free = (p.sum(axis=1) >= 1 - 1e-9) & last_is_inferred
    value = np.zeros((full + 1, rows), dtype=float)
    choice = np.zeros((full + 1, rows), dtype=np.int8)
    for done in range(full - 1, -1, -1):
        inside = [i for i in range(n) if done >> i & 1]
        left = np.maximum(1.0 - p[:, inside].sum(axis=1), 0.0)
        best, pick = np.full(rows, np.inf), np.zeros(rows, dtype=np.int8)
        last = n - len(inside) == 1
        for i in range(n):
            if done >> i & 1:
                continue
            cost = checks[i].minutes + (0.0 if done & same_step[i] else checks[i].opens_minutes)
            spent = np.where(free, 0.0, cost) if last else cost
            tried = spent * left + value[done | 1 << i]
            better = tried < best - 1e-12
            best, pick = np.where(better, tried, best), np.where(better, i, pick)
        value[done], choice[done] = best, pick
    out = np.zeros((rows, n), dtype=np.int64)
    at = np.zeros(rows, dtype=np.int64)
    for place in range(n):
        out[:, place] = choice[at, np.arange(rows)]
        at |= 1 << out[:, place]
    return out


def check_order(
    priors: pl.DataFrame, access: pl.DataFrame | None = None, *, last_is_inferred: bool = True
) -> pl.DataFrame:
    """The best order of checks for every cell of the published priors.

    access: component, check_minutes, opens, opens_minutes (minutes); None takes the shipped examples.
    Columns: the priors' keys, rank (from 1), component, probability, minutes (at its turn, an access step
    counted where it is opened), opens (the step opened then), expected_minutes (of the whole order, to the
    cause or to the end of the checks), expected_minutes_naive (likeliest first), expected_minutes_cheapest
    (cheapest first), is_assumed (the minutes are the table's median: the component has no row). `other` has
    no check; while it has a share the last suspect is checked too. Raises ValueError as checks_from."""
    access = EXAMPLE_ACCESS if access is None else access
    names = sorted(priors.filter(pl.col("component") != OTHER)["component"].unique())
    checks, assumed = checks_from(access, names)
    number = {c: i for i, c in enumerate(names)}
    cells = (
        priors.with_columns(pl.struct(KEYS).rank("dense").alias("cell"))
        if priors.height
        else priors.with_columns(pl.lit(0, pl.UInt32).alias("cell"))
    )
    keys = cells.group_by("cell").agg(pl.col(KEYS).first()).sort("cell")
    suspects = cells.filter(pl.col("component") != OTHER)
    cell = suspects["cell"].to_numpy().astype(np.int64) - 1
    j = (
        suspects["component"].replace_strict(number, return_dtype=pl.Int64).to_numpy()
        if names
        else np.zeros(0, dtype=np.int64)
    )
    p = np.zeros((keys.height, len(names)))
    there = np.zeros(p.shape, dtype=bool)
    p[cell, j], there[cell, j] = suspects["probability"].to_numpy(), True
    frames = []
    for pattern in np.unique(there, axis=0):
        at = np.flatnonzero((there == pattern).all(axis=1))
        own = np.flatnonzero(pattern)
        if not len(own):
            continue
        some = [checks[i] for i in own]
        if len(own) > MOST_CHECKS:
            raise ValueError(
                f"{len(own)} suspects in a cell; exact orders are made for {MOST_CHECKS} at most"
            )
        q = p[np.ix_(at, own)]
        best = best_orders(q, some, last_is_inferred)
        minutes, steps, expected = _walk_all(best, q, some, last_is_inferred)
        own_minutes = np.array([c.minutes + c.opens_minutes for c in some])
        naive = _walk_all(np.argsort(-q, axis=1, kind="stable"), q, some, last_is_inferred)[2]
        cheap = np.tile(np.argsort(own_minutes, kind="stable"), (len(at), 1))
        cheapest = _walk_all(cheap, q, some, last_is_inferred)[2]
        k = len(own)
        labels = np.array([c.component for c in some])
        frames.append(
            pl.DataFrame(
                {
                    "cell": np.repeat(at + 1, k).astype(np.uint32),
                    "rank": np.tile(np.arange(1, k + 1), len(at)),
                    "component": labels[best].ravel(),
                    "probability": np.take_along_axis(q, best, axis=1).ravel(),
                    "minutes": minutes.ravel(),
                    "opens": np.array([c.opens or "" for c in some])[np.where(steps, best, 0)].ravel(),
                    "is_opened": steps.ravel(),
                    "expected_minutes": np.repeat(expected, k),
                    "expected_minutes_naive": np.repeat(naive, k),
                    "expected_minutes_cheapest": np.repeat(cheapest, k),
                    "is_assumed": np.isin(labels, list(assumed))[best].ravel(),
                }
            )
        )
    schema = {
        "cell": pl.UInt32,
        "rank": pl.Int64,
        "component": pl.String,
        "probability": pl.Float64,
        "minutes": pl.Float64,
        "opens": pl.String,
        "is_opened": pl.Boolean,
        "expected_minutes": pl.Float64,
        "expected_minutes_naive": pl.Float64,
        "expected_minutes_cheapest": pl.Float64,
        "is_assumed": pl.Boolean,
    }
    table = pl.concat(frames) if frames else pl.DataFrame(schema=schema)
    table = table.with_columns(pl.when("is_opened").then("opens").alias("opens")).drop("is_opened")
    return (
        table.join(keys.with_columns(pl.col("cell").cast(pl.UInt32)), on="cell", how="left")
        .sort("cell", "rank")
        .select(*KEYS, *[c for c in table.columns if c != "cell"])
    )


def _walk_all(
    orders: np.ndarray, p: np.ndarray, checks: Sequence[Check], last_is_inferred: bool
) -> tuple[np.ndarray, ...]:
    """Minutes and opened steps by place (rows, checks), and expected minutes (rows), of given orders."""
    rows, n = orders.shape
    steps = sorted({c.opens for c in checks if c.opens})
    step = np.array([steps.index(c.opens) if c.opens else -1 for c in checks])
    own, opening = np.array([c.minutes for c in checks]), np.array([c.opens_minutes for c in checks])
    opened = np.zeros((rows, len(steps) + 1), dtype=bool)
    left, total = np.ones(rows), np.zeros(rows)
    minutes, opens = np.zeros((rows, n)), np.zeros((rows, n), dtype=bool)
    free = (p.sum(axis=1) >= 1 - 1e-9) & last_is_inferred
    at = np.arange(rows)
    for place in range(n):
        i = orders[:, place]
        first = (step[i] >= 0) & ~opened[at, step[i]]
        cost = own[i] + np.where(first, opening[i], 0.0)
        if place == n - 1:
            cost, first = np.where(free, 0.0, cost), first & ~free
        opened[at, step[i]] = True
        total += cost * np.maximum(left, 0.0)
        left = left - p[at, i]
        minutes[:, place], opens[:, place] = cost, first
    return minutes, opens, total


def access_from_labour(
    lives: pl.DataFrame,
    access: pl.DataFrame | None = None,
    *,
    check_share: float = 0.3,
    most_access: float = 0.6,
    min_jobs: int = 10,
) -> pl.DataFrame:
    """Check minutes learned from labour hours: the median labour of a component's replacement, less its
    access step, times check_share.

    lives: rows with component, fitted_labour_hours (hours). access: the table whose steps stay, and whose
    minutes stay where fewer than min_jobs jobs tell labour; None takes the shipped examples. An access step takes
    most_access of the shortest median labour behind it at most. check_share: a check's part of the work of a
    replacement; both common practice, no source. Adds columns jobs and source ('labour' or 'given'). A median that
    leaves nothing after access keeps 1 minute."""
    access = EXAMPLE_ACCESS if access is None else access
    jobs = (
        lives.filter(pl.col("fitted_labour_hours") > 0)
        .group_by("component")
        .agg(pl.len().alias("jobs"), (pl.col("fitted_labour_hours").median() * 60).alias("labour_minutes"))
    )
    learned = pl.max_horizontal(
        pl.lit(1.0), (pl.col("labour_minutes") - pl.col("opens_minutes").fill_null(0)) * check_share
    )
    told = pl.col("jobs").fill_null(0) >= min_jobs
    shortest = pl.when(told).then("labour_minutes").min().over("opens") * most_access
    step = pl.when(pl.col("opens").is_not_null()).then(pl.min_horizontal("opens_minutes", shortest))
    return (
        access.join(jobs, on="component", how="left", maintain_order="left")
        .with_columns(step.otherwise("opens_minutes").alias("opens_minutes"))
        .with_columns(
            pl.when(told).then(learned).otherwise("check_minutes").alias("check_minutes"),
            pl.when(told).then(pl.lit("labour")).otherwise(pl.lit("given")).alias("source"),
            pl.col("jobs").fill_null(0),
        )
        .drop("labour_minutes")
    )


__all__ = [
    "EXAMPLE_ACCESS",
    "MOST_CHECKS",
    "Check",
    "Plan",
    "access_from_labour",
    "best_order",
    "best_orders",
    "cheapest_first",
    "check_order",
    "checks_from",
    "likeliest_first",
    "ratio_order",
    "walk",
]
