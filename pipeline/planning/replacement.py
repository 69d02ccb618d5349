"""Preventive replacement of each component: at what age, what it saves and how sure that is, or why not.

The fresh part's own curve, early failures included, decides (Barlow and Hunter 1960, Oper. Res. 8:90-100). Beyond the
last failure seen, a curve is continued at a constant rate with the same mean remaining life, so that no family's tail
can promise a saving there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, Drawn, LifeCurve, find_curve, quantiles, read_curves
from pipeline.planning.policy import (
    Curve,
    age_policy,
    block_at_services,
    block_policy,
    renewal_function,
    snapped_rate,
)

ALL = "all"
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


_POINTS = 3000


def bounded(curve: LifeCurve) -> tuple[Curve, Curve, float] | None:
    """Survival, hazard and mean life of a curve, continued beyond its last failure at the constant rate that keeps
    the mean.

    The cumulative hazard is tabulated at steps of half a per cent of the age and runs straight between them (right to
    about a millionth). None where the mean is not finite (a share of the parts never fails, or the tail is so heavy
    that a million times the oldest failure does not contain it).
    """
    limit, fit = curve.limit, curve.fit
    ages = np.concatenate(([0.0], np.geomspace(limit * 1e-6, limit, _POINTS)))
    cumulative = np.maximum.accumulate(fit.cumulative_hazard(ages))
    tail = limit * np.geomspace(1, 1e6, _POINTS)
    after = np.exp(cumulative[-1] - np.minimum(fit.cumulative_hazard(tail), 1e6))
    left = float(_area(after, tail)[-1])
    mean = float(_area(np.exp(-cumulative), ages)[-1]) + math.exp(-cumulative[-1]) * left
    if not (math.isfinite(left) and left > 0 and after[-1] * tail[-1] < 0.01 * left):
        return None

    def survival(age):
        age = np.asarray(age, float)
        return np.exp(-np.interp(age, ages, cumulative) - np.maximum(age - limit, 0) / left)

    def hazard(age):
        age = np.asarray(age, float)
        return np.where(age <= limit, fit.hazard(np.minimum(age, limit)), 1 / left)

    return survival, hazard, mean


def _area(s: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Integral of survival from 0 up to each age; s (..., ages)."""
    step = (s[..., 1:] + s[..., :-1]) / 2 * np.diff(ages)
    return np.concatenate((np.zeros((*s.shape[:-1], 1)), np.cumsum(step, axis=-1)), axis=-1)


@dataclass(frozen=True, eq=False)
class _Savings:
    """Draws of a curve, of which the saving at an age is read off. A heavy tail makes the mean life long and the
    saving small, as it should."""

    drawn: Drawn
    mean: np.ndarray

    def rate(self, age: float, planned: float, unplanned: float) -> np.ndarray:
        """Cost per unit of age of each draw, renewed at an age."""
        near = np.append(self.drawn.ages[self.drawn.ages < age], age)
        s = np.exp(-np.column_stack([self.drawn.hazards[:, : len(near) - 1], self.drawn.at([age])]))
        return (planned * s[:, -1] + unplanned * (1 - s[:, -1])) / _area(s, near)[:, -1]


def _savings(curve: LifeCurve, draws: int, seed: int) -> _Savings:
    drawn = curve.drawn(draws, seed)
    return _Savings(drawn, _area(np.exp(-drawn.hazards), drawn.ages)[:, -1])


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


@dataclass(frozen=True)
class Use:
    """How a part is used: parts of the kind in one vehicle (2 for two sides), and km a vehicle runs in a day."""

    places_per_vehicle: float
    km_per_day: float | None


def replacement_policy(
    fits: pl.DataFrame | CurveBook,
    costs: pl.DataFrame,
    *,
    service_km: float | None = None,
    service_days: float | None = None,
    services: Mapping[str, Mapping[str, float]] | None = None,
    use: Mapping[tuple[str, str, str], Use] | None = None,
    strata: Mapping[str, Sequence[str]] | None = None,
    seed: int,
    draws: int = 200,
    confidence: float = 0.95,
    clocks: tuple[str, ...] = ("days", "km"),
    blocks: bool = True,
) -> pl.DataFrame:
    """The preventive age of every component, lighting, stratum and clock, or why there is none.

    fits: the table of fits, or curves read from it. costs: customer_group ("all" or a group), component,
    planned_cost, unplanned_cost and, where told, basis (see `costs_or_assumed`). service_km, service_days: the service
    interval ages are snapped to; `services` by customer group ("all" for the others) and clock, where they differ.
    use: by component, lighting and customer group, for the saving of a vehicle in a year. strata: component -> values
    "column=value" that get rows of their own beside those of "all", where they have a curve of their own.
    Out, one row each component, lighting, stratum, clock, customer_group: planned_cost, unplanned_cost, costs_basis,
    age (null when run to failure), snapped_age, original_age (for parts that came with the vehicle), candidate_age
    (the cheapest age, sure to pay or not), saving_share, saving_low, saving_high (share of the cost of running to
    failure; interval over draws of the parameters, at the age recommended), saving_per_1000_units and
    saving_per_vehicle_year with _low and _high (money), cost_rate, run_to_failure_rate (per unit of the clock),
    service_every, block_interval, block_cost_rate (all renewed at fixed times: at a multiple of the service interval
    where there is one), failed_share (parts that fail before the age all the same), failures, lives, curve_basis,
    p (that nothing is saved), p_adjusted (for all kinds of part compared on this clock: Benjamini and Hochberg 1995,
    J. R. Stat. Soc. B 57:289-300), verdict, reason. The verdict is "replace at age" only where the whole interval
    saves something and the age lies within the failures seen; so a part that does not wear out is wrongly told to be
    replaced with a chance of at most half of 1 - confidence.
    """
    book = read_curves(fits)
    every = services or {ALL: {"km": service_km, "days": service_days}}
    tail = (1 - confidence) / 2
    rows = []
    for component, lighting, clock in _strata(book, clocks):
        for stratum in (ALL, *(strata or {}).get(component, ())):
            curve = find_curve(book, component, lighting, "replacement", clock, stratum)
            original = find_curve(book, component, lighting, "original", clock, stratum)
            if stratum != ALL and stratum not in (curve.stratum, original.stratum):
                continue
            bound, savings, renewals, pays_beyond = bounded(curve), None, None, {}
            for group, planned, unplanned, basis in _costs_of(costs, component):
                row = {
                    "component": component,
                    "lighting": lighting,
                    "stratum": stratum,
                    "clock": clock,
                    "customer_group": group,
                    "planned_cost": planned,
                    "unplanned_cost": unplanned,
                    "costs_basis": basis,
                    "failures": curve.fit.failures,
                    "lives": curve.fit.lives,
                    "curve_basis": curve.basis if not curve.fit.borrowed else "borrowed",
                    "p": 1.0,
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
                reach = min(curve.limit, mean)
                best = age_policy(survival, hazard, planned, unplanned, reach=reach, longest=curve.limit, mean=mean)
                step = every.get(group, every.get(ALL, {})).get(clock)
                row["service_every"] = step
                if blocks:
                    if renewals is None:
                        renewals = renewal_function(survival, min(2 * mean, 2 * curve.limit), 400)
                    row |= _block(renewals, planned, unplanned, mean, step)
                if best.age is None:
                    ratio = unplanned / planned
                    if ratio not in pays_beyond:
                        pays_beyond[ratio] = _pays_beyond(curve, planned, unplanned, mean)
                    if pays_beyond[ratio]:
                        row |= {
                            "verdict": UNSUPPORTED,
                            "reason": "The cheapest age would lie beyond the oldest failure seen.",
                        }
                    else:
                        row["reason"] = "The failure rate does not rise enough with age for a planned replacement to pay."
                    continue
                snapped = _snap(survival, planned, unplanned, best.age, step, curve.limit)
                used = snapped if snapped is not None else best.age
                rate = snapped_rate(survival, planned, unplanned, used)
                savings = savings or _savings(curve, draws, seed)
                run = unplanned / savings.mean
                gained = run - savings.rate(used, planned, unplanned)
                low, high = quantiles(gained / run, [tail, 1 - tail])
                saving = 1 - rate * mean / unplanned
                each = [unplanned / mean - rate, *quantiles(gained, [tail, 1 - tail])]
                row |= {
                    "candidate_age": used,
                    "saving_share": saving,
                    "saving_low": float(low),
                    "saving_high": float(high),
                    "p": _nothing_saved(gained / run),
                    "failed_share": float(1 - survival(np.array([used]))[0]),
                }
                for name, value in zip(("", "_low", "_high"), each, strict=True):
                    row[f"saving_per_1000_units{name}"] = float(value) * 1000
                    row[f"saving_per_vehicle_year{name}"] = _of_vehicle(value, (use or {}).get((component, lighting, group)), clock)
                if saving <= 0:
                    row |= {"reason": "At the services themselves nothing is saved."}
                elif low <= 0:
                    row |= {"verdict": UNSUPPORTED, "reason": "The interval of the saving includes no saving."}
                else:
                    row |= {
                        "verdict": REPLACE,
                        "age": best.age,
                        "snapped_age": snapped,
                        "cost_rate": rate,
                        "original_age": first_cycle_age(original, planned, unplanned, rate),
                        "reason": "Saves money across the whole interval.",
                    }
    out = pl.DataFrame(rows, schema=_POLICY_TYPES, orient="row")
    return out.with_columns(p_adjusted=_adjusted(out))


def _block(renewals: tuple[np.ndarray, np.ndarray], planned: float, unplanned: float, mean: float, step: float | None) -> dict:
    """All renewed at fixed times, for comparison; nothing where that costs more than running to failure."""
    if step:
        found = block_at_services(renewals, planned, unplanned, step)
        return {} if found is None or found[1] >= unplanned / mean else dict(zip(_BLOCK, found, strict=True))
    block = block_policy(lambda age: age, planned, unplanned, reach=1.0, renewals=renewals, mean=mean)
    return {} if block.interval is None else dict(zip(_BLOCK, (block.interval, block.cost_rate), strict=True))


_BLOCK = ("block_interval", "block_cost_rate")


def _nothing_saved(shares: np.ndarray) -> float:
    """Chance that nothing is saved, by the draws' mean and spread: their number alone would not tell small chances apart."""
    from scipy.special import ndtr

    spread = float(shares.std())
    return float(ndtr(-shares.mean() / spread)) if spread > 0 else float(shares.mean() <= 0)


def _adjusted(rows: pl.DataFrame) -> pl.Series:
    """Benjamini and Hochberg's adjusted p over the kinds of part of each clock, each by its best customer group: groups share
    a curve and are no further tests."""
    key = ["component", "lighting", "stratum", "clock"]
    kinds = rows.group_by(key, maintain_order=True).agg(pl.col("p").min())
    kinds = kinds.sort("clock", "p", *key[:3]).with_columns(
        _q=pl.col("p") * pl.len().over("clock") / pl.col("p").cum_count().over("clock")
    )
    kinds = kinds.with_columns(
        _q=pl.col("_q").reverse().cum_min().reverse().over("clock").clip(0.0, 1.0),
        _f=pl.when(pl.col("p") > 0).then(pl.col("p")).otherwise(1.0),
    ).select(*key, (pl.col("_q") / pl.col("_f")).alias("_times"))
    joined = rows.join(kinds, on=key, how="left", maintain_order="left")
    return (joined["p"] * joined["_times"]).clip(0.0, 1.0).alias("p_adjusted")


def _of_vehicle(per_unit: float, use: Use | None, clock: str) -> float | None:
    """Money of one part and unit of the clock as money of a vehicle's parts in a year."""
    if use is None or (clock == "km" and use.km_per_day is None):
        return None
    return float(per_unit) * 365.25 * use.places_per_vehicle * (use.km_per_day if clock == "km" else 1.0)


_POLICY_TYPES = {
    "component": pl.String,
    "lighting": pl.String,
    "stratum": pl.String,
    "clock": pl.String,
    "customer_group": pl.String,
    "planned_cost": pl.Float64,
    "unplanned_cost": pl.Float64,
    "costs_basis": pl.String,
    "age": pl.Float64,
    "snapped_age": pl.Float64,
    "original_age": pl.Float64,
    "candidate_age": pl.Float64,
    "saving_share": pl.Float64,
    "saving_low": pl.Float64,
    "saving_high": pl.Float64,
    **{
        f"{name}{end}": pl.Float64
        for name in ("saving_per_1000_units", "saving_per_vehicle_year")
        for end in ("", "_low", "_high")
    },
    "cost_rate": pl.Float64,
    "run_to_failure_rate": pl.Float64,
    "service_every": pl.Float64,
    "block_interval": pl.Float64,
    "block_cost_rate": pl.Float64,
    "failed_share": pl.Float64,
    "failures": pl.Float64,
    "lives": pl.Float64,
    "curve_basis": pl.String,
    "p": pl.Float64,
    "verdict": pl.String,
    "reason": pl.String,
}


def cost_ratio_sensitivity(
    fits: pl.DataFrame | CurveBook,
    *,
    ratios: tuple[float, ...] = RATIOS,
    clocks: tuple[str, ...] = ("days", "km"),
    seed: int,
    draws: int = 200,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The same question for other ratios of unplanned to planned cost: component, lighting, clock, cost_ratio, age,
    saving_share, saving_low, saving_high, failures, verdict. Only the ratio matters to the age."""
    fits = read_curves(fits)
    names = sorted({k[0] for k in fits})
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
    found = {(c, light, clock) for c, light, _, stratum, clock in book if clock in clocks and stratum == ALL}
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
