"""What is due at the next service: one row for every part in service, with its risk, the action and the reason in
words.

Lamps that the law requires come first, whatever the money says: a lamp that is out is replaced at once and stands in
no plan.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.planning.curves import (
    LifeCurve,
    age_grid,
    draw_thetas,
    find_curve,
    hazards_on_grid,
    place_clock,
    places_at,
    read_curves,
)
from pipeline.planning.replacement import REPLACE, _costs_of

PAIR = "pair: renew the other side too when this one fails"
LEAVE = "leave"
_OTHER = {"left": "right", "right": "left"}


def next_services(
    vehicles: pl.DataFrame,
    service_plan: pl.DataFrame | None,
    as_of: date,
    *,
    km_per_day: pl.DataFrame | None = None,
    assumed_days: int = 365,
) -> pl.DataFrame:
    """The next two services of every vehicle after `as_of`: vehicle, first_on, second_on, basis ("given" or
    "assumed").

    vehicles: vehicle, customer_group and where known last_visit_on. service_plan: vehicle or customer_group,
    interval_km, interval_days, next_service_on; a vehicle's own row goes before its group's, a group's before one
    with neither. The interval is the shorter of days and km at the vehicle's rate (km_per_day: vehicle, km_per_day).
    Without a plan the next service is taken to follow the last visit by assumed_days. Raises ValueError for an
    assumed_days below 1.
    """
    if assumed_days < 1:
        raise ValueError("assumed_days must be at least 1")
    own: dict[str, dict] = {}
    group: dict[str | None, dict] = {}
    for r in service_plan.iter_rows(named=True) if service_plan is not None else ():
        if r.get("vehicle") is not None:
            own[r["vehicle"]] = r
        else:
            group[r.get("customer_group")] = r
    rates = dict(km_per_day.select("vehicle", "km_per_day").iter_rows()) if km_per_day is not None else {}
    rows = []
    for v in vehicles.sort("vehicle").iter_rows(named=True):
        plan = own.get(v["vehicle"]) or group.get(v.get("customer_group")) or group.get(None) or {}
        gaps = [plan["interval_days"]] if plan.get("interval_days") else []
        rate = rates.get(v["vehicle"])
        if plan.get("interval_km") and rate and rate > 0:
            gaps.append(plan["interval_km"] / rate)
        given = bool(gaps) or plan.get("next_service_on") is not None
        gap = max(1, round(min(gaps))) if gaps else assumed_days
        first = plan.get("next_service_on")
        if first is None:
            first = (v.get("last_visit_on") or as_of) + timedelta(days=gap)
        if first <= as_of:
            first += timedelta(days=gap * ((as_of - first).days // gap + 1))
        rows.append((v["vehicle"], first, first + timedelta(days=gap), "given" if given else "assumed"))
    return pl.DataFrame(
        rows, schema={"vehicle": pl.String, "first_on": pl.Date, "second_on": pl.Date, "basis": pl.String}, orient="row"
    )


def chance_of_failing(
    curve: LifeCurve, age, until, *, draws: int, seed: int, confidence: float = 0.95, thetas: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chance that a part of each age fails before it reaches `until`: mean over draws of the parameters, and its
    interval.
    """
    thetas = draw_thetas(curve.fit, draws, seed) if thetas is None else thetas
    age, until = np.asarray(age, float), np.maximum(np.asarray(until, float), np.asarray(age, float))
    grid, at = np.unique(np.concatenate([age, until]), return_inverse=True)
    if len(grid) <= 2000:  # exact at every age
        h = hazards_on_grid(curve.fit, thetas, grid)[:, at]
    else:
        fine = age_grid(float(grid[-1]) or 1.0, 1500)
        h = np.array([np.interp(grid, fine, x) for x in hazards_on_grid(curve.fit, thetas, fine)])[:, at]
    q = -np.expm1(-(h[:, len(age) :] - h[:, : len(age)]))
    tail = (1 - confidence) / 2
    low, high = np.quantile(q, [tail, 1 - tail], axis=0)
    return q.mean(axis=0), low, high


def due_list(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame,
    policy: pl.DataFrame,
    vehicles: pl.DataFrame,
    next_services: pl.DataFrame,
    as_of: date,
    *,
    pairs: pl.DataFrame | None = None,
    clocks: dict[str, str] | None = None,
    costs: pl.DataFrame | None = None,
    seed: int,
    draws: int = 100,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The due list of `as_of`.

    lives_in_service: rows of the table of lives (others than in_service are passed over). policy: of
    `replacement_policy`; pairs: of `pair_policy`. vehicles: vehicle, in_service_to (null: stays). next_services:
    vehicle, first_on, second_on, basis. clocks: component -> "days" or "km", the better clock; a place whose km are
    unknown is planned on days. costs: as for the policy, for the expected cost of the places without one. Out: rank,
    vehicle, unit_number, customer_group, component, side, lighting, origin, life_days, life_km, life_from
    ("observed", "assumed original"), clock, first_service_on, second_service_on, services_basis, chance_first, _low,
    _high (fails before the first of the two services), chance_second, _low, _high, is_beyond_data, action ("replace
    at the service on <date>", "leave", or the pair action), due_on, cost (of the planned work; null for none),
    expected_failure_cost (chance before the second service times the unplanned cost), reason. Sorted: work due first,
    soonest first, then by expected failure cost and chance.
    """
    book = read_curves(fits)
    places = places_at(lives_in_service, as_of)
    staying = vehicles.select("vehicle", "in_service_to").unique("vehicle", keep="first", maintain_order=True)
    places = (
        places.join(next_services.rename({"basis": "services_basis"}), on="vehicle", how="left").join(
            staying, on="vehicle", how="left", maintain_order="left"
        )
        if "in_service_to" not in places.columns
        else places.join(next_services.rename({"basis": "services_basis"}), on="vehicle", how="left")
    )
    places = (
        places.filter(pl.col("in_service_to").is_null() | (pl.col("in_service_to") > as_of))
        .sort("vehicle", "component", "side", maintain_order=True)
        .with_row_index("_at")
    )
    rules = {(r["component"], r["lighting"], r["clock"], r["customer_group"]): r for r in policy.iter_rows(named=True)}
    twins = (
        {
            (r["component"], r["lighting"], r["clock"], r["customer_group"], r["generation"]): r["break_even_life"]
            for r in pairs.iter_rows(named=True)
        }
        if pairs is not None
        else {}
    )
    money = (
        {c: {g: (p, u) for g, p, u, _ in _costs_of(costs, c)} for c in costs["component"].unique().to_list()}
        if costs is not None
        else {}
    )
    ages: dict[tuple, tuple[str, float, str]] = {}
    drafts, order = [], []
    for (component, lighting, origin), some in places.group_by("component", "lighting", "origin", maintain_order=True):
        first_clock = place_clock(book, component, lighting, clocks)
        on_km = (
            (pl.col("age_km").is_not_null() & pl.col("km_per_day").is_not_null())
            if first_clock == "km"
            else pl.lit(False)
        )
        for clock, part in (("km", some.filter(on_km)), ("days", some.filter(~on_km))):
            if part.is_empty():
                continue
            curve = find_curve(book, component, lighting, origin, clock) if first_clock else None
            age = part[f"age_{clock}"].to_numpy().astype(float)
            rate = part["km_per_day"].to_numpy() if clock == "km" else np.ones(len(age))
            ahead = [
                (part.select((pl.col(c) - as_of).dt.total_days())[c].cast(pl.Float64).fill_null(0).to_numpy())
                for c in ("first_on", "second_on")
            ]
            reach = [age + np.maximum(a, 0) * rate for a in ahead]
            if curve is not None:
                thetas = draw_thetas(curve.fit, draws, seed)
                told = [
                    chance_of_failing(curve, age, r, draws=draws, seed=seed, confidence=confidence, thetas=thetas)
                    for r in reach
                ]
            for i, r in enumerate(part.iter_rows(named=True)):
                ages[r["vehicle"], component, r["side"]] = (clock, float(age[i]), origin)
                chances = [tuple(float(x[i]) for x in t) for t in told] if curve is not None else [(None,) * 3] * 2
                drafts.append((r, clock, curve, float(age[i]), [float(x[i]) for x in reach], chances))
                order.append(r["_at"])
    rows = [_line(*drafts[k], as_of, rules, twins, money, ages) for k in np.argsort(order, kind="stable")]
    out = pl.DataFrame(rows, schema=_TYPES, orient="row")
    out = out.with_columns(
        _kind=pl.when(pl.col("due_on").is_not_null()).then(0).when(pl.col("action") == PAIR).then(1).otherwise(2)
    )
    out = out.sort(
        "_kind",
        "due_on",
        "expected_failure_cost",
        "chance_second",
        "vehicle",
        "component",
        "side",
        descending=[False, False, True, True, False, False, False],
        nulls_last=True,
    ).drop("_kind")
    return out.with_columns(pl.int_range(1, pl.len() + 1).alias("rank")).select("rank", pl.exclude("rank"))


def _of_group(rules: dict, key: tuple, group: str | None):
    return rules.get((*key, group), rules.get((*key, "all")))


def _line(
    r: dict,
    clock: str,
    curve: LifeCurve | None,
    age: float,
    reach: list[float],
    chances: list[tuple],
    as_of: date,
    rules: dict,
    twins: dict,
    money: dict,
    ages: dict,
) -> dict:
    component, lighting, group = r["component"], r["lighting"], r.get("customer_group")
    rule = _of_group(rules, (component, lighting, clock), group)
    by_group = money.get(component, {})
    planned, unplanned = (
        (rule["planned_cost"], rule["unplanned_cost"])
        if rule
        else by_group.get(group, by_group.get("all", (None, None)))
    )
    beyond = curve is not None and reach[1] > curve.limit
    action, due_on, cost = LEAVE, None, None
    leaves = r["in_service_to"]
    unit = f"{age:,.0f} {clock}"
    target = None
    if rule and rule["verdict"] == REPLACE:
        target = rule["original_age"] if r["origin"] == "original" else (rule["snapped_age"] or rule["age"])
    if curve is None:
        reason = "No curve: too few failures of this part are known."
    elif r["first_on"] is None:
        reason = "No service of this vehicle is known."
    elif leaves is not None and leaves <= r["second_on"]:
        when = "its next service" if leaves <= r["first_on"] else "the service after next"
        reason = f"The vehicle leaves on {leaves.isoformat()}, before {when}: no preventive work."
    elif target is not None and (reach[0] >= target or target - reach[0] <= reach[1] - target):
        action, due_on, cost = f"replace at the service on {r['first_on'].isoformat()}", r["first_on"], planned
        state = "past" if age >= target else "near"
        reason = f"At {unit} it is {state} the age of {target:,.0f} {clock} at which replacing costs least."
    else:
        other = ages.get((r["vehicle"], component, _OTHER.get(r["side"], "")))
        even = None
        if other:
            here = (component, lighting, clock)
            even = twins.get((*here, group, other[2]), twins.get((*here, "all", other[2])))
        if other and other[0] == clock and even is not None and other[1] >= even:
            action = PAIR
            reason = (
                f"The other side has run {other[1]:,.0f} {clock}; "
                f"from {even:,.0f} on, renewing it at the same time pays."
            )
        elif target is not None:
            reason = f"At {unit} it is younger than the age of {target:,.0f} {clock} at which replacing costs least."
        elif rule and rule["verdict"] == REPLACE:
            reason = "For the part that came with the vehicle no age within the data is better than running to failure."
        elif rule:
            reason = (
                f"{rule['verdict'][0].upper()}{rule['verdict'][1:]}: {rule['reason'][0].lower()}{rule['reason'][1:]}"
            )
        else:
            reason = "No costs are known for this part."
    if beyond and action != LEAVE:
        reason += " It will be older than any part seen to fail: the chances are extrapolated."
    q = chances[1][0]
    return {
        "vehicle": r["vehicle"],
        "unit_number": r.get("unit_number"),
        "customer_group": group,
        "component": component,
        "side": r["side"],
        "lighting": lighting,
        "origin": r["origin"],
        "life_days": r["age_days"],
        "life_km": r["age_km"],
        "life_from": "assumed original" if r.get("is_original_assumed") else "observed",
        "clock": clock,
        "first_service_on": r["first_on"],
        "second_service_on": r["second_on"],
        "services_basis": r["services_basis"],
        **{
            f"chance_{n}{s}": v
            for n, c in zip(("first", "second"), chances, strict=False)
            for s, v in zip(("", "_low", "_high"), c, strict=False)
        },
        "is_beyond_data": beyond,
        "action": action,
        "due_on": due_on,
        "cost": cost,
        "expected_failure_cost": q * unplanned if q is not None and unplanned is not None else None,
        "reason": reason,
    }


_TYPES = {
    "vehicle": pl.String,
    "unit_number": pl.String,
    "customer_group": pl.String,
    "component": pl.String,
    "side": pl.String,
    "lighting": pl.String,
    "origin": pl.String,
    "life_days": pl.Float64,
    "life_km": pl.Float64,
    "life_from": pl.String,
    "clock": pl.String,
    "first_service_on": pl.Date,
    "second_service_on": pl.Date,
    "services_basis": pl.String,
    "chance_first": pl.Float64,
    "chance_first_low": pl.Float64,
    "chance_first_high": pl.Float64,
    "chance_second": pl.Float64,
    "chance_second_low": pl.Float64,
    "chance_second_high": pl.Float64,
    "is_beyond_data": pl.Boolean,
    "action": pl.String,
    "due_on": pl.Date,
    "cost": pl.Float64,
    "expected_failure_cost": pl.Float64,
    "reason": pl.String,
}
