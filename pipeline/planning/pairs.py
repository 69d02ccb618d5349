"""One side has failed: renew the other side too, or leave it?

Renew it now when its chance of failing before the next opening, less that of a fresh part, times the cost of a
failure exceeds the planned cost less the labour both sides share (common practice, no source). Discharge lamps also
drift in colour with age: a pair of unequal age is a complaint even where the money says to leave it (common practice,
no source).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, LifeCurve, age_grid, find_curve, read_curves
from pipeline.planning.replacement import ALL, _costs_of, _strata

PAIRED = ("lamp", "igniter", "ballast", "headlamp_assembly", "led_module", "led_driver")


def gain(
    curve: LifeCurve,
    fresh: LifeCurve,
    life,
    horizon: float,
    planned_cost: float,
    unplanned_cost: float,
    shared_labour_cost: float,
) -> np.ndarray:
    """Money gained by renewing the other side too, by its life so far; negative: leave it. All in the unit of the
    clock.

    Shared labour counts up to the planned cost: a second part never pays for the first.
    """
    life = np.asarray(life, float)
    old = 1 - np.exp(-(curve.fit.cumulative_hazard(life + horizon) - curve.fit.cumulative_hazard(life)))
    new = 1 - float(fresh.survival(np.array([horizon]))[0])
    return (old - new) * unplanned_cost - max(planned_cost - shared_labour_cost, 0.0)


def break_even_life(
    curve: LifeCurve,
    fresh: LifeCurve,
    horizon: float,
    planned_cost: float,
    unplanned_cost: float,
    shared_labour_cost: float,
) -> float | None:
    """The life so far from which on renewing pays, up to the oldest failure seen; 0 where it always pays, None where
    it never does.
    """
    lives = age_grid(curve.limit, 800)
    value = gain(curve, fresh, lives, horizon, planned_cost, unplanned_cost, shared_labour_cost)
    if value[-1] <= 0:
        return None
    below = np.flatnonzero(value <= 0)
    if not len(below):
        return 0.0
    i = int(below[-1])
    return float(np.interp(0.0, value[i : i + 2], lives[i : i + 2]))


def pair_policy(
    fits: pl.DataFrame | CurveBook,
    costs: pl.DataFrame,
    horizons: Mapping[str, float] | Mapping[str, Mapping[str, float]],
    *,
    shared_labour: dict[str, float] | None = None,
    components: tuple[str, ...] = PAIRED,
) -> pl.DataFrame:
    """Whether to renew the other side too, for every component, lighting and clock.

    costs: as for `replacement_policy`; a column shared_labour_cost where told, else `shared_labour` by component,
    else 0. horizons: clock -> time to the next opening, such as the service interval ({"days": 365, "km": 30000}); or by
    customer group ("all" for the others), where services differ.
    Out: component, lighting, clock, customer_group, generation (of the part on the other side), horizon,
    planned_cost, unplanned_cost, shared_labour_cost, break_even_life (null: never within the data), failures,
    verdict, reason.
    """
    book = read_curves(fits)
    by_group = {g: h for g, h in horizons.items() if isinstance(h, Mapping)} or {ALL: horizons}
    rows = []
    for component, lighting, clock in _strata(book, tuple(sorted({c for h in by_group.values() for c in h}))):
        if component not in components:
            continue
        fresh = find_curve(book, component, lighting, "replacement", clock)
        for group, planned, unplanned, _ in _costs_of(costs, component):
            horizon = by_group.get(group, by_group.get(ALL, {})).get(clock)
            if horizon is None:
                continue
            shared = (shared_labour or {}).get(component, 0.0)
            if "shared_labour_cost" in costs.columns:
                told = costs.filter(
                    (pl.col("component") == component) & (pl.col("customer_group").fill_null("all") == group)
                )
                shared = float(told["shared_labour_cost"].fill_null(shared)[0])
            for generation in ("original", "replacement"):
                curve = find_curve(book, component, lighting, generation, clock)
                at = break_even_life(curve, fresh, horizon, planned, unplanned, shared)
                verdict = (
                    "leave the other side"
                    if at is None
                    else "renew the other side too"
                    if at == 0
                    else "renew the other side too from this life on"
                )
                reason = (
                    "Its chance of failing before the next opening never outweighs the cost."
                    if at is None
                    else "The labour saved pays for it at any life."
                    if at == 0
                    else "From this life on its chance of failing before the next opening outweighs the cost."
                )
                rows.append(
                    (
                        component,
                        lighting,
                        clock,
                        group,
                        generation,
                        float(horizon),
                        planned,
                        unplanned,
                        shared,
                        at,
                        curve.fit.failures,
                        verdict,
                        reason,
                    )
                )
    return pl.DataFrame(rows, schema=_TYPES, orient="row")


_TYPES = {
    "component": pl.String,
    "lighting": pl.String,
    "clock": pl.String,
    "customer_group": pl.String,
    "generation": pl.String,
    "horizon": pl.Float64,
    "planned_cost": pl.Float64,
    "unplanned_cost": pl.Float64,
    "shared_labour_cost": pl.Float64,
    "break_even_life": pl.Float64,
    "failures": pl.Float64,
    "verdict": pl.String,
    "reason": pl.String,
}
