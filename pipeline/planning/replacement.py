"""Preventive replacement of each component: at what age, what it saves and how sure that is, or why not.

The fresh part's own curve, early failures included, decides (Barlow and Hunter 1960, Oper. Res. 8:90-100). Beyond the
last failure seen, a curve is continued at a constant rate with the same mean remaining life, so that no family's tail
can promise a saving there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, LifeCurve, draw_thetas, find_curve, hazards_on_grid, read_curves
from pipeline.planning.policy import Curve, age_policy, block_policy, snapped_rate

REPLACE, RUN, UNSUPPORTED = "replace at age", "run to failure", "no interval supported by these data"
RATIOS = (1.5, 2.0, 3.0, 5.0, 10.0)
_LEAST_COSTS = 20  # bills behind a median before it stands for a cost (our own rule)


def costs_or_assumed(costs: pl.DataFrame | None, lives: pl.DataFrame) -> pl.DataFrame:
    """The costs to plan with: as given, and for components without any the medians of what was billed.

    Out: customer_group ("all" where none), component, planned_cost, unplanned_cost, basis ("given" or "assumed"),
    bills. Assumed: unplanned is the median bill (part and labour) of the replacements made, planned the median of
    those made without a failure where there are 20 of them, else the same. Bills hold no road-side help, downtime or
    fine: without those the answer leans to running to failure.
    """
    schema = {
        "customer_group": pl.String,
        "component": pl.String,
        "planned_cost": pl.Float64,
        "unplanned_cost": pl.Float64,
        "basis": pl.String,
        "bills": pl.Int64,
    }
    given = pl.DataFrame(schema=schema)
    if costs is not None and costs.height:
        given = costs.drop_nulls(["component", "planned_cost", "unplanned_cost"]).select(
            pl.col("customer_group").cast(pl.String).fill_null("all"),
            "component",
            pl.col("planned_cost").cast(pl.Float64),
            pl.col("unplanned_cost").cast(pl.Float64),
            pl.lit("given").alias("basis"),
            pl.lit(0, dtype=pl.Int64).alias("bills"),
        )
    # The bill of the visit that ended a life tells a planned end from a failure; the bill of fitting is there more
    # often.
    bill = pl.col("ended_part_cost").fill_null(0) + pl.col("ended_labour_cost").fill_null(0)
    fitted = pl.col("fitted_part_cost").fill_null(0) + pl.col("fitted_labour_cost").fill_null(0)
    rows = []
    for (component,), some in lives.sort("component").group_by("component", maintain_order=True):
        if component in given["component"].to_list():
            continue
        every = some.select(fitted.alias("c")).filter(pl.col("c") > 0)["c"]
        if not every.len():
            continue
        by = {
            e: some.filter(pl.col("ending").is_in(e)).select(bill.alias("c")).filter(pl.col("c") > 0)["c"]
            for e in (("failed",), ("planned", "paired"))
        }
        failed, planned = by["failed",], by["planned", "paired"]
        unplanned_cost = float((failed if failed.len() >= _LEAST_COSTS else every).median())
        planned_cost = float(planned.median()) if planned.len() >= _LEAST_COSTS else unplanned_cost
        rows.append(("all", component, planned_cost, unplanned_cost, "assumed", every.len()))
    return pl.concat([given, pl.DataFrame(rows, schema=schema, orient="row")])


def bounded(curve: LifeCurve) -> tuple[Curve, Curve, float] | None:
    """Survival, hazard and mean life of a curve, continued beyond its last failure at the constant rate that keeps
    the mean.

    None where the fitted mean is not finite (a share of the parts never fails).
    """
    limit, fit = curve.limit, curve.fit
    mean, left = fit.mean_residual(0.0), fit.mean_residual(limit)
    if not (math.isfinite(mean) and math.isfinite(left) and left > 0 and mean > 0):
        return None
    at_limit = float(fit.survival(np.array([limit]))[0])

    def survival(age):
        age = np.asarray(age, float)
        return np.where(
            age <= limit, fit.survival(np.minimum(age, limit)), at_limit * np.exp(-np.maximum(age - limit, 0) / left)
        )

    def hazard(age):
        age = np.asarray(age, float)
        return np.where(age <= limit, fit.hazard(np.minimum(age, limit)), 1 / left)

    return survival, hazard, mean


def _area(s: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Integral of survival from 0 up to each age; s (..., ages)."""
    step = (s[..., 1:] + s[..., :-1]) / 2 * np.diff(ages)
    return np.concatenate((np.zeros((*s.shape[:-1], 1)), np.cumsum(step, axis=-1)), axis=-1)


@dataclass(frozen=True, eq=False)
class _Drawn:
    """Draws of a curve: survival at one age, area up to it and mean life can be read off for each draw."""

    ages: np.ndarray
    hazards: np.ndarray  # cumulative, (draws, ages)
    mean: np.ndarray

    def rate(self, age: float, planned: float, unplanned: float) -> np.ndarray:
        near = np.append(self.ages[self.ages < age], age)
        cumulative = np.array([np.interp(near, self.ages, h) for h in self.hazards])
        s = np.exp(-cumulative)
        return (planned * s[:, -1] + unplanned * (1 - s[:, -1])) / _area(s, near)[:, -1]


def _drawn(curve: LifeCurve, draws: int, seed: int) -> _Drawn:
    limit = curve.limit
    # Fine up to the limit, then a long tail for the mean: a heavy one makes the mean long and the saving small, as it
    # should.
    ages = np.concatenate(([0.0], np.geomspace(limit * 1e-5, limit, 700), limit * np.geomspace(1.01, 1e6, 1100)))
    hazards = hazards_on_grid(curve.fit, draw_thetas(curve.fit, draws, seed), ages)
    return _Drawn(ages, hazards, _area(np.exp(-hazards), ages)[:, -1])


def first_cycle_age(curve: LifeCurve, planned: float, unplanned: float, cost_rate: float) -> float | None:
    """When to renew a part of another kind than what comes after, such as the original: the age T that minimises
    planned S(T) + unplanned F(T) - cost_rate x integral_0^T S, with the cost rate of all that follows.

    For the replacement itself this is the age of `age_policy`. None where no age up to the last failure seen is best.
    """
    ages = np.concatenate(([0.0], np.geomspace(curve.limit * 1e-4, curve.limit, 1200)))
    s = curve.survival(ages)
    value = planned * s + unplanned * (1 - s) - cost_rate * _area(s, ages)
    best = int(np.argmin(value[1:])) + 1
    return None if best == len(ages) - 1 or best == 1 else float(ages[best])


def _pays_beyond(curve: LifeCurve, planned: float, unplanned: float, mean: float) -> bool:
    """True where the fitted family, taken at its word, would replace from the oldest failure seen on and save a
    thousandth or more.
    """
    ages = np.concatenate(([0.0], np.geomspace(curve.limit * 1e-4, curve.limit * 20, 3000)))
    s = curve.survival(ages)
    rate = (planned * s + unplanned * (1 - s))[1:] / _area(s, ages)[1:]
    best = int(np.argmin(rate))
    return bool(ages[best + 1] >= curve.limit * 0.99 and rate[best] < unplanned / mean * (1 - 1e-3))


def _snap(
    survival: Curve, planned: float, unplanned: float, age: float, every: float | None, limit: float
) -> float | None:
    """The multiple of the service interval beside the best age that costs least; None without a service plan."""
    if not every or not every > 0:
        return None
    below = math.floor(age / every) * every
    options = [x for x in (below, below + every) if 0 < x <= max(limit, every)]
    return min(options, key=lambda x: snapped_rate(survival, planned, unplanned, x)) if options else None


def replacement_policy(
    fits: pl.DataFrame,
    costs: pl.DataFrame,
    *,
    service_km: float | None = None,
    service_days: float | None = None,
    seed: int,
    draws: int = 200,
    confidence: float = 0.95,
    clocks: tuple[str, ...] = ("days", "km"),
    blocks: bool = True,
) -> pl.DataFrame:
    """The preventive age of every component, lighting and clock, or why there is none.

    fits: the table of fits. costs: customer_group ("all" or a group), component, planned_cost, unplanned_cost and,
    where told, basis (see `costs_or_assumed`). service_km, service_days: the service interval ages are snapped to.
    Out, one row each component, lighting, clock, customer_group: planned_cost, unplanned_cost, costs_basis, age (null
    when run to failure), snapped_age, original_age (for parts that came with the vehicle), saving_share, saving_low,
    saving_high (share of the cost of running to failure; interval over draws of the parameters, at the age
    recommended), saving_per_1000_units with _low and _high, cost_rate, run_to_failure_rate (per unit of the clock),
    block_interval, block_cost_rate, failed_share (parts that fail before the age all the same), failures, lives,
    curve_basis, verdict, reason. The verdict is "replace at age" only where the whole interval saves something and
    the age lies within the failures seen.
    """
    book = read_curves(fits)
    every = {"km": service_km, "days": service_days}
    tail = (1 - confidence) / 2
    rows = []
    for component, lighting, clock in _strata(book, clocks):
        curve = find_curve(book, component, lighting, "replacement", clock)
        bound = bounded(curve)
        drawn = None
        for group, planned, unplanned, basis in _costs_of(costs, component):
            row = {
                "component": component,
                "lighting": lighting,
                "clock": clock,
                "customer_group": group,
                "planned_cost": planned,
                "unplanned_cost": unplanned,
                "costs_basis": basis,
                "failures": curve.fit.failures,
                "lives": curve.fit.lives,
                "curve_basis": curve.basis if not curve.fit.borrowed else "borrowed",
                "verdict": RUN,
            }
            rows.append(row)
            if bound is None:
                row["reason"] = "By this curve a share of the parts never fails, so waiting costs least."
                continue
            survival, hazard, mean = bound
            row["run_to_failure_rate"] = row["cost_rate"] = unplanned / mean
            if unplanned <= planned:
                row["reason"] = "A failure costs no more than a planned replacement."
                continue
            best = age_policy(survival, hazard, planned, unplanned, reach=min(curve.limit, mean), longest=curve.limit)
            if blocks:
                block = block_policy(survival, planned, unplanned, reach=min(2 * mean, 2 * curve.limit), steps=400)
                if block.interval is not None:
                    row |= {"block_interval": block.interval, "block_cost_rate": block.cost_rate}
            if best.age is None:
                if _pays_beyond(curve, planned, unplanned, mean):
                    row |= {
                        "verdict": UNSUPPORTED,
                        "reason": "The cheapest age would lie beyond the oldest failure seen.",
                    }
                else:
                    row["reason"] = "The failure rate does not rise enough with age for a planned replacement to pay."
                continue
            snapped = _snap(survival, planned, unplanned, best.age, every.get(clock), curve.limit)
            used = snapped if snapped is not None else best.age
            rate = snapped_rate(survival, planned, unplanned, used)
            drawn = drawn if drawn is not None else _drawn(curve, draws, seed)
            run = unplanned / drawn.mean
            gained = run - drawn.rate(used, planned, unplanned)
            low, high = np.quantile(gained / run, [tail, 1 - tail])
            saving = 1 - rate * mean / unplanned
            each = np.quantile(gained * 1000, [tail, 1 - tail])
            row |= {
                "saving_share": saving,
                "saving_low": float(low),
                "saving_high": float(high),
                "saving_per_1000_units": (unplanned / mean - rate) * 1000,
                "saving_per_1000_units_low": float(each[0]),
                "saving_per_1000_units_high": float(each[1]),
                "failed_share": float(1 - survival(np.array([used]))[0]),
            }
            if saving <= 0:
                row |= {"reason": "At the services themselves nothing is saved."}
            elif low <= 0:
                row |= {"verdict": UNSUPPORTED, "reason": "The interval of the saving includes no saving."}
            else:
                original = find_curve(book, component, lighting, "original", clock)
                row |= {
                    "verdict": REPLACE,
                    "age": best.age,
                    "snapped_age": snapped,
                    "cost_rate": rate,
                    "original_age": first_cycle_age(original, planned, unplanned, rate),
                    "reason": "Saves money across the whole interval.",
                }
    return pl.DataFrame(rows, schema=_POLICY_TYPES, orient="row")


_POLICY_TYPES = {
    "component": pl.String,
    "lighting": pl.String,
    "clock": pl.String,
    "customer_group": pl.String,
    "planned_cost": pl.Float64,
    "unplanned_cost": pl.Float64,
    "costs_basis": pl.String,
    "age": pl.Float64,
    "snapped_age": pl.Float64,
    "original_age": pl.Float64,
    "saving_share": pl.Float64,
    "saving_low": pl.Float64,
    "saving_high": pl.Float64,
    "saving_per_1000_units": pl.Float64,
    "saving_per_1000_units_low": pl.Float64,
    "saving_per_1000_units_high": pl.Float64,
    "cost_rate": pl.Float64,
    "run_to_failure_rate": pl.Float64,
    "block_interval": pl.Float64,
    "block_cost_rate": pl.Float64,
    "failed_share": pl.Float64,
    "failures": pl.Float64,
    "lives": pl.Float64,
    "curve_basis": pl.String,
    "verdict": pl.String,
    "reason": pl.String,
}


def cost_ratio_sensitivity(
    fits: pl.DataFrame,
    *,
    ratios: tuple[float, ...] = RATIOS,
    clocks: tuple[str, ...] = ("days", "km"),
    seed: int,
    draws: int = 200,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The same question for other ratios of unplanned to planned cost: component, lighting, clock, cost_ratio, age,
    saving_share, saving_low, saving_high, failures, verdict. Only the ratio matters to the age."""
    names = sorted({k[0] for k in read_curves(fits)})
    # Each ratio as a customer group of its own: the curves are read and drawn once.
    costs = pl.DataFrame(
        [(repr(float(r)), n, 1.0, float(r)) for n in names for r in ratios],
        orient="row",
        schema={
            "customer_group": pl.String,
            "component": pl.String,
            "planned_cost": pl.Float64,
            "unplanned_cost": pl.Float64,
        },
    )
    made = replacement_policy(fits, costs, seed=seed, draws=draws, confidence=confidence, clocks=clocks, blocks=False)
    return made.select(
        "component",
        "lighting",
        "clock",
        pl.col("unplanned_cost").alias("cost_ratio"),
        "age",
        "saving_share",
        "saving_low",
        "saving_high",
        "failures",
        "verdict",
    ).sort("component", "lighting", "clock", "cost_ratio")


def _strata(book: CurveBook, clocks: tuple[str, ...]) -> list[tuple[str, str, str]]:
    """Component, lighting, clock, sorted; the pooled lighting only where it stands alone."""
    found = {(c, light, clock) for c, light, _, clock in book if clock in clocks}
    return sorted(
        k
        for k in found
        if k[1] is not None
        and (k[1] != "all" or not any(f[0] == k[0] and f[2] == k[2] and f[1] != "all" for f in found))
    )


def _costs_of(costs: pl.DataFrame, component: str) -> list[tuple[str, float, float, str]]:
    rows = costs.filter(pl.col("component") == component)
    basis = pl.col("basis") if "basis" in rows.columns else pl.lit("given").alias("basis")
    out = rows.select(
        pl.col("customer_group").cast(pl.String).fill_null("all"), "planned_cost", "unplanned_cost", basis
    ).sort("customer_group")
    return [r for r in out.iter_rows() if r[1] is not None and r[2] is not None and r[1] > 0 and r[2] > 0]
