"""What is due at the next service: one row for every part in service, with its risk, the action and the reason in
words.

Lamps that the law requires come first, whatever the money says: a lamp that is out is replaced at once and stands in
no plan.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, LifeCurve, find_curve, place_clock, places_at, quantiles, read_curves
from pipeline.planning.replacement import ALL, REPLACE, _costs_of
from pipeline.planning.simulate import pays_until, rule_of, service_at, target_age
from pipeline.planning.unknown_ages import PossibleAges, of_places

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
    curve: LifeCurve, age, until, *, draws: int, seed: int, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chance that a part of each age fails before it reaches `until`: mean over draws of the parameters, and its
    interval.
    """
    age = np.asarray(age, float)
    until = np.maximum(np.asarray(until, float), age)
    drawn, tail = curve.drawn(draws, seed), (1 - confidence) / 2
    out = []
    for some in np.array_split(np.arange(len(age)), max(1, len(age) * draws // 2_000_000)):
        q = -np.expm1(drawn.at(age[some]) - drawn.at(until[some]))
        out.append(np.vstack([q.mean(axis=0), quantiles(q, [tail, 1 - tail])]))
    mean, low, high = np.concatenate(out, axis=1)
    return mean, low, high


def due_list(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
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

    lives_in_service: rows of the table of lives (others than in_service are passed over); a column `stratum` says
    which curve a place goes by. policy: of
    `replacement_policy`; pairs: of `pair_policy`. vehicles: vehicle, in_service_to (null: stays). next_services:
    vehicle, first_on, second_on, basis. clocks: component -> "days" or "km", the better clock; a place whose km are
    unknown is planned on days. costs: as for the policy, for the expected cost of the places without one. Out: rank,
    vehicle, unit_number, customer_group, component, side, lighting, origin, life_days, life_km, life_from
    ("observed", "assumed original", or "not known": the part may have been fitted before watching began; its
    life is then given as how long it is known to be there, and its chances are those of the ages it may have), clock,
    first_service_on, second_service_on, services_basis, chance_first, _low,
    _high (fails before the first of the two services), chance_second, _low, _high, is_beyond_data, action ("replace
    at the service on <date>", "leave", or the pair action), due_on, cost (of the planned work; null for none),
    expected_failure_cost (chance before the second service times the unplanned cost), stratum (whose curve and rule
    it goes by), reason. A vehicle whose leaving is known gets planned work only where the fresh part earns its cost
    before it leaves. Sorted: work due first, soonest first, the parts of one vehicle together, then by expected
    failure cost and chance.
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
    if "stratum" not in places.columns:
        places = places.with_columns(stratum=pl.lit(ALL))
    rules = {
        (r["component"], r["lighting"], r.get("stratum", ALL), r["clock"], r["customer_group"]): r
        for r in policy.iter_rows(named=True)
    }
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
    for (component, lighting, origin, stratum), some in places.group_by(
        "component", "lighting", "origin", "stratum", maintain_order=True
    ):
        first_clock = place_clock(book, component, lighting, clocks)
        on_km = (
            (pl.col("age_km").is_not_null() & pl.col("km_per_day").is_not_null())
            if first_clock == "km"
            else pl.lit(False)
        )
        for clock, part in (("km", some.filter(on_km)), ("days", some.filter(~on_km))):
            if part.is_empty():
                continue
            curve = find_curve(book, component, lighting, origin, clock, stratum) if first_clock else None
            fresh = find_curve(book, component, lighting, "replacement", clock, stratum) if first_clock else None
            age = part[f"age_{clock}"].to_numpy().astype(float)
            rate = part["km_per_day"].to_numpy() if clock == "km" else np.ones(len(age))
            ahead = [
                (part.select((pl.col(c) - as_of).dt.total_days())[c].cast(pl.Float64).fill_null(0).to_numpy())
                for c in ("first_on", "second_on")
            ]
            reach = [age + np.maximum(a, 0) * rate for a in ahead]
            if curve is not None:
                told = [
                    chance_of_failing(curve, age, r, draws=draws, seed=seed, confidence=confidence) for r in reach
                ]
                first_part = find_curve(book, component, lighting, "original", clock, stratum)
                is_unknown, may_be = of_places(part, clock, first_part, fresh)
                if may_be is not None:
                    options = {"draws": draws, "seed": seed, "confidence": confidence}
                    span = [(r - age)[is_unknown] for r in reach]
                    _mix(told, is_unknown, may_be, span, (fresh, first_part), options)
            for i, r in enumerate(part.iter_rows(named=True)):
                if r["age_known"]:
                    ages[r["vehicle"], component, r["side"]] = (clock, float(age[i]), origin)
                chances = [tuple(float(x[i]) for x in t) for t in told] if curve is not None else [(None,) * 3] * 2
                drafts.append((r, clock, (curve, fresh), float(age[i]), [float(x[i]) for x in reach], chances))
                order.append(r["_at"])
    rows = [_line(*drafts[k], rules, twins, money, ages) for k in np.argsort(order, kind="stable")]
    out = pl.DataFrame(rows, schema=_TYPES, orient="row")
    out = out.with_columns(
        _kind=pl.when(pl.col("due_on").is_not_null()).then(0).when(pl.col("action") == PAIR).then(1).otherwise(2)
    )
    # Within a day, the vehicle with most at stake first, and its parts together.
    out = out.with_columns(_stake=pl.col("expected_failure_cost").sum().over("_kind", "due_on", "vehicle"))
    order = {"_kind": False, "due_on": False, "_stake": True, "expected_failure_cost": True, "chance_second": True}
    grouped = pl.when(pl.col("_kind") == 0).then("_stake").otherwise(0.0)
    out = out.with_columns(_stake=grouped, _vehicle=pl.when(pl.col("_kind") == 0).then("vehicle").otherwise(pl.lit("")))
    by = ["_kind", "due_on", "_stake", "_vehicle", "expected_failure_cost", "chance_second", "vehicle", "component", "side"]
    out = out.sort(by, descending=[order.get(c, False) for c in by], nulls_last=True).drop("_kind", "_stake", "_vehicle")
    return out.with_columns(pl.int_range(1, pl.len() + 1).alias("rank")).select("rank", pl.exclude("rank"))


def _line(
    r: dict,
    clock: str,
    curves: tuple[LifeCurve | None, LifeCurve | None],
    age: float,
    reach: list[float],
    chances: list[tuple],
    rules: dict,
    twins: dict,
    money: dict,
    ages: dict,
) -> dict:
    component, lighting, group = r["component"], r["lighting"], r.get("customer_group")
    curve, fresh = curves
    rule = rule_of(rules, component, lighting, r["stratum"], clock, group)
    by_group = money.get(component, {})
    planned, unplanned = (
        (rule["planned_cost"], rule["unplanned_cost"]) if rule else by_group.get(group, by_group.get(ALL, (None, None)))
    )
    beyond = curve is not None and reach[1] > curve.limit
    action, due_on, cost = LEAVE, None, None
    leaves = r["in_service_to"]
    unit = f"{age:,.0f} {clock}"
    target = target_age(rule, r["origin"])
    if not r["age_known"]:
        target, beyond = None, False
    is_due = target is not None and r["first_on"] is not None and service_at(reach[0], reach[1] - reach[0], target) == 0
    if curve is None:
        reason = "No curve: too few failures of this part are known."
    elif r["first_on"] is None:
        reason = "No service of this vehicle is known."
    elif leaves is not None and leaves <= r["second_on"]:
        when = "its next service" if leaves <= r["first_on"] else "the service after next"
        reason = f"The vehicle leaves on {leaves.isoformat()}, before {when}: no preventive work."
    elif is_due and leaves is not None and not _stays(r, curve, fresh, reach, rule):
        reason = f"The vehicle leaves on {leaves.isoformat()}, too soon for a fresh part to earn its cost."
    elif is_due:
        action, due_on, cost = f"replace at the service on {r['first_on'].isoformat()}", r["first_on"], planned
        if age >= target:
            reason = f"At {unit} it is past the age of {target:,.0f} {clock} at which replacing costs least."
        else:
            reason = (f"It will have run {reach[0]:,.0f} {clock} at this service and {reach[1]:,.0f} at the one after: replacing costs least "
                      f"at {target:,.0f}, nearer to this one.")
    else:
        other = ages.get((r["vehicle"], component, _OTHER.get(r["side"], "")))
        even = None
        if other:
            here = (component, lighting, clock)
            even = twins.get((*here, group, other[2]), twins.get((*here, ALL, other[2])))
        if other and other[0] == clock and even is not None and other[1] >= even:
            action = PAIR
            reason = (
                f"The other side has run {other[1]:,.0f} {clock}; "
                f"from {even:,.0f} on, renewing it at the same time pays."
            )
        elif not r["age_known"] and rule and rule["verdict"] == REPLACE:
            least = f"{max(r[f'watched_{clock}'] or 0.0, 0.0):,.0f} {clock}"
            reason = f"How old it is is not known, only that it has run {least} or more: look at it before renewing it."
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
        "life_days": r["age_days"] if r["age_known"] else r["watched_days"],
        "life_km": r["age_km"] if r["age_known"] else r["watched_km"],
        "life_from": "not known" if not r["age_known"] else "assumed original" if r.get("is_original_assumed") else "observed",
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
        "stratum": r["stratum"],
        "reason": reason,
    }


def _mix(told: list, is_unknown: np.ndarray, may_be: PossibleAges, span: list, curves: tuple, options: dict) -> None:
    """Chances of places of unknown age, in place: the mean over the ages they may have (limits too, roughly)."""
    fresh, first_part = curves
    rows = np.flatnonzero(is_unknown)
    for at, ahead in enumerate(span):
        ages, points = may_be.ages, may_be.ages.shape[1]
        until = ages + ahead[:, None]
        each = np.empty((3, *ages.shape))
        later = chance_of_failing(fresh, ages[:, :-1].ravel(), until[:, :-1].ravel(), **options)
        each[:, :, :-1] = np.reshape(later, (3, len(rows), points - 1))
        each[:, :, -1] = chance_of_failing(first_part, ages[:, -1], until[:, -1], **options)
        mixed = (each * may_be.weights).sum(axis=2)
        told[at] = tuple(np.array(x) for x in told[at])
        for k in range(3):
            told[at][k][rows] = mixed[k]


def _stays(r: dict, curve: LifeCurve, fresh: LifeCurve, reach: list[float], rule: dict) -> bool:
    """Whether a vehicle that leaves stays long enough after its next service for a renewal there to pay."""
    days = (r["second_on"] - r["first_on"]).days
    rate = (reach[1] - reach[0]) / days if days else 0.0
    return pays_until(curve, fresh, reach[0], (r["in_service_to"] - r["first_on"]).days * rate, rule)


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
    "stratum": pl.String,
    "reason": pl.String,
}
