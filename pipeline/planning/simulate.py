"""Parts in service followed ahead by simulation: each fails by its own curve given its age today, is renewed, and the
renewal may fail in turn.

Each simulation has its own draw of the parameters (Meeker and Escobar 1998, Statistical Methods for Reliability Data,
chapter 12: prediction of the number of failures in a fleet with staggered entry). Where a season is shown, time runs
faster in its dark months and slower in the others, by the same factor for every age.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, Drawn, LifeCurve, find_curve, place_clock, places_at, read_curves
from pipeline.planning.replacement import ALL, REPLACE
from pipeline.planning.unknown_ages import PossibleAges, of_places

MOST_AT_ONCE = 1_500_000  # places times simulations held at one time
Rules = Mapping[tuple[str, str, str, str, str], dict]


@dataclass(frozen=True, eq=False)
class Simulated:
    """Simulated counts: failed and planned are (groups, simulations, spans); groups are named by `keys` in the order
    of `names`.
    """

    names: tuple[str, ...]
    keys: list[tuple]
    failed: np.ndarray
    planned: np.ndarray
    edges_days: np.ndarray
    places: np.ndarray


OTHER_RENEWALS = ("planned", "paired", "with_assembly", "collision", "wrong_suspect", "side_unknown")
Others = Mapping[tuple[str, str, str], Drawn]


def other_renewals(lives: pl.DataFrame, *, least_at_risk: int = 10) -> Others:
    """How fast parts are renewed without having failed (with the other side, at a service, after a collision), by
    (component, lighting, clock): a renewed part starts anew and fails later than it would have.

    lives: those of the curves, with `failed`. The product limit's cumulative hazard, every other ending as a competing
    one (Kalbfleisch and Prentice 2002, section 8.2), so that work at a fixed age takes all who reach it;
    from where fewer than `least_at_risk` are watched it goes on
    at the mean rate. A doubtful ending counts as a renewal by what is left of its probability.
    """
    out: dict[tuple[str, str, str], Drawn] = {}
    for (component, lighting), some in lives.group_by("component", "lighting", maintain_order=True):
        for clock in ("days", "km"):
            ages = [f"entry_{clock}", f"exit_{clock}"]
            known = some.drop_nulls(ages).filter(pl.col(ages[1]) > pl.col(ages[0])).sort(ages[1])
            if known.is_empty():
                continue
            entry, exit = (known[a].to_numpy().astype(float) for a in ages)
            renewed = known.select(
                pl.when(pl.col("ending").is_in(OTHER_RENEWALS)).then(1 - pl.col("failed")).otherwise(0.0)
            ).to_series().to_numpy()
            if not renewed.sum() > 0:
                continue
            times, first = np.unique(exit, return_index=True)
            at_risk = len(exit) - first - (len(entry) - np.searchsorted(np.sort(entry), times, side="left"))
            enough = at_risk >= least_at_risk
            share = np.add.reduceat(renewed, first) / np.maximum(at_risk, 1)
            steps = np.where(enough, -np.log(np.maximum(1 - share, 1e-9)), 0.0)
            last = float(times[enough][-1]) if enough.any() else 0.0
            rate = float(renewed.sum() / (exit - entry).sum())
            reach = max(last, float(exit[-1])) * 30
            grid = np.unique(np.concatenate([[0.0], np.linspace(0, last, 200), [last], np.geomspace(max(last, 1.0), reach, 60)]))
            inside = np.concatenate([[0.0], np.cumsum(steps)])[np.searchsorted(times, np.minimum(grid, last), side="right")]
            # Never quite flat, so that each hazard has one age.
            hazard = inside + np.maximum(grid - last, 0.0) * rate + grid * rate * 1e-9
            out[component, lighting, clock] = Drawn(grid, hazard[None, :])
    return out


@dataclass(frozen=True, eq=False)
class Seasonal:
    """By how much more than in the year's mean a kind of part fails in each calendar month: (draws, 12), January
    first, each row with mean 1."""

    factors: np.ndarray


def rules_of(policy: pl.DataFrame | None) -> Rules:
    """The rows that say "replace at age", by (component, lighting, stratum, clock, customer group)."""
    if policy is None:
        return {}
    stratum = pl.col("stratum") if "stratum" in policy.columns else pl.lit(ALL).alias("stratum")
    chosen = policy.filter(pl.col("verdict") == REPLACE).with_columns(stratum)
    return {
        (r["component"], r["lighting"], r["stratum"], r["clock"], r["customer_group"]): r
        for r in chosen.iter_rows(named=True)
    }


def rule_of(rules: Rules, component: str, lighting: str, stratum: str, clock: str, group: str | None) -> dict | None:
    """The rule for a part: of its stratum before that of all, of its customer group before that of all."""
    for within in (stratum, ALL) if stratum != ALL else (ALL,):
        for whose in (group, ALL):
            found = rules.get((component, lighting, within, clock, whose))
            if found is not None:
                return found
    return None


def target_age(rule: dict | None, origin: str) -> float | None:
    """The age at which a part is renewed early: that of the original part, or that of its replacements at services."""
    if rule is None or rule.get("verdict", REPLACE) != REPLACE:
        return None
    return rule["original_age"] if origin == "original" else (rule["snapped_age"] or rule["age"])


def service_at(age_at_first: float, step: float, target: float) -> int | None:
    """Which service to renew at: 0 the next one, 1 the one after, ...: the one nearest to the target age; None where the
    part ages no further between services."""
    if age_at_first >= target or step <= 0:
        return 0 if age_at_first >= target else None
    return max(0, int(np.ceil((target - age_at_first) / step - 0.5 - 1e-9)))


def pays_until(curve: LifeCurve, fresh: LifeCurve, age: float, stay: float, rule: dict) -> bool:
    """Whether renewing a part of this age pays within what is left of a vehicle's stay (in the unit of the clock): the
    failure it may save until then, at the unplanned cost, against the planned cost now. A stay as long as the planned
    age of a fresh part counts as any other: what is won then is what the rule promises."""
    planned_cost, unplanned_cost = rule["planned_cost"], rule["unplanned_cost"]
    if stay >= (target_age(rule, "replacement") or np.inf):
        return True
    if stay <= 0:
        return False
    met = curve.fit.cumulative_hazard(np.array([age, age + stay]))
    saved = -np.expm1(met[0] - met[1]) + np.expm1(-fresh.fit.cumulative_hazard(np.array([stay]))[0])
    return bool(saved * unplanned_cost > planned_cost)


def simulate(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    as_of: date,
    edges_days: Sequence[float],
    *,
    policy: pl.DataFrame | None = None,
    **options,
) -> Simulated:
    """Counts of failures (and with a policy of planned replacements) between successive edges, days after `as_of`, the
    first 0. Options: see `simulate_plans`."""
    return simulate_plans(lives_in_service, fits, as_of, edges_days, (policy,), **options)[0]


def simulate_plans(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    as_of: date,
    edges_days: Sequence[float],
    policies: Sequence[pl.DataFrame | None],
    *,
    seed: int,
    simulations: int = 400,
    by: tuple[str, ...] = (),
    clocks: dict[str, str] | None = None,
    vehicles: pl.DataFrame | None = None,
    services: pl.DataFrame | None = None,
    seasons: Mapping[tuple[str, str], Seasonal] | None = None,
    others: Others | None = None,
) -> list[Simulated]:
    """One `Simulated` for each policy (None: every part runs to failure), on the same chances, so that they may be
    compared simulation by simulation.

    by: further columns of the lives to count by, such as customer_group. A column `stratum` ("column=value", or "all")
    says which curve a place goes by. clocks: component -> "days" or "km"; a place whose km or rate is unknown goes by
    days. policies: of `replacement_policy`; a part in place is renewed at the service nearest to its age where
    `services` (vehicle, first_on, second_on) tell them, else at that age (at once where it is past it); the parts
    after it at their age. vehicles: vehicle, in_service_to; parts of a vehicle that leaves are followed until then and
    get no planned work; no vehicle is taken to join. seasons: by (component, lighting). others: of `other_renewals`; parts are then renewed
    without having failed as often as they were so far, uncounted; without it nothing but failure and plan
    renews. The draws do not depend on
    `by`, so groups add up to the fleet in every simulation. Raises ValueError for edges that do not rise from 0.
    """
    edges = np.asarray(edges_days, float)
    if len(edges) < 2 or edges[0] != 0 or np.any(np.diff(edges) < 0):
        raise ValueError("edges_days must rise from 0")
    if simulations < 1:
        raise ValueError("simulations must be at least 1")
    book = read_curves(fits)
    names = ("component", "lighting", *by)
    places = _places(lives_in_service, as_of, by, vehicles, services)
    rules = [rules_of(p) for p in policies]
    draws = min(simulations, 200)
    keys: list[tuple] = []
    parts: list[tuple[list[np.ndarray], np.ndarray]] = []
    for (component, lighting), some in places.group_by("component", "lighting", maintain_order=True):
        clock = place_clock(book, component, lighting, clocks)
        if clock is None:
            continue
        groups = some.select(names).unique(maintain_order=True).sort(names, nulls_last=True).rows()
        at = {g: i for i, g in enumerate(groups)}
        code = np.array([at[g] for g in some.select(names).rows()])
        counts = [np.zeros((2, len(groups), simulations, len(edges) - 1), np.int64) for _ in policies]
        seasonal = (seasons or {}).get((component, lighting))
        warp = _Warp(as_of, edges[-1], seasonal, draws)
        # Counted on the kinds of place that share curves; a place without km goes by days.
        has_km = (some["age_km"].is_not_null() & some["km_per_day"].is_not_null()).to_numpy()
        this = np.where(has_km & (clock == "km"), "km", "days")
        stratum = some["stratum"].to_numpy()
        for kind in sorted({*zip(this.tolist(), stratum.tolist(), strict=True)}):
            rows = np.flatnonzero((this == kind[0]) & (stratum == kind[1]))
            curves = [find_curve(book, component, lighting, g, *kind) for g in ("original", "replacement")]
            if curves[0] is None:
                continue
            part = some[rows.tolist()]
            drawn = [c.drawn(draws, seed) for c in curves]
            other = (others or {}).get((component, lighting, kind[0]))
            unknown = of_places(part, kind[0], *curves)
            child = zlib.crc32(f"{component}, {lighting}, {kind[0]}, {kind[1]}".encode())
            first_made = None
            for p, of in enumerate(rules):
                goals = _goals(part, of, component, lighting, kind, curves)
                goals = np.where(unknown[0], np.inf, goals[0]), goals[1]
                if first_made is not None and not np.isfinite(goals[0]).any() and not np.isfinite(goals[1]).any():
                    made = first_made  # as without a policy
                else:
                    made = _follow(
                        part, kind[0], drawn, other, unknown, edges, goals, warp, simulations, [seed, child]
                    )
                    if not np.isfinite(goals[0]).any() and not np.isfinite(goals[1]).any():
                        first_made = made
                place, sim, span, is_planned = made
                np.add.at(counts[p], (is_planned, code[rows][place], sim, span), 1)
        keys += groups
        parts.append((counts, np.bincount(code, minlength=len(groups))))
    if not parts:
        empty = np.zeros((0, simulations, len(edges) - 1), np.int64)
        return [Simulated(names, [], empty, empty, edges, np.zeros(0, np.int64)) for _ in policies]
    number = np.concatenate([p[1] for p in parts])
    out = []
    for p in range(len(policies)):
        every = np.concatenate([counts[p] for counts, _ in parts], axis=1)
        out.append(Simulated(names, keys, every[0], every[1], edges, number))
    return out


def planned_days(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    as_of: date,
    policy: pl.DataFrame,
    *,
    clocks: dict[str, str] | None = None,
    vehicles: pl.DataFrame | None = None,
    services: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """When the policy would renew the part in each place: vehicle, customer_group, component, lighting, side, stratum,
    clock, rate (of the clock in a day), planned_days (after as_of; null where it never would). As in `simulate_plans`.
    """
    book = read_curves(fits)
    rules, out = rules_of(policy), []
    places = _places(lives_in_service, as_of, (), vehicles, services)
    for (component, lighting), some in places.group_by("component", "lighting", maintain_order=True):
        clock = place_clock(book, component, lighting, clocks)
        if clock is None:
            continue
        on_km = (pl.col("age_km").is_not_null() & pl.col("km_per_day").is_not_null()) if clock == "km" else pl.lit(False)
        for this, rows in (("km", some.filter(on_km)), ("days", some.filter(~on_km))):
            for (stratum,), part in rows.group_by("stratum", maintain_order=True):
                curves = [find_curve(book, component, lighting, g, this, stratum) for g in ("original", "replacement")]
                if curves[0] is None:
                    continue
                first = _goals(part, rules, component, lighting, (this, stratum), curves)[0]
                first = np.where(part["age_known"].to_numpy(), first, np.inf)
                rate = pl.col("km_per_day").fill_null(0.0) if this == "km" else pl.lit(1.0)
                group = pl.col("customer_group") if "customer_group" in part.columns else pl.lit(ALL)
                days = pl.Series("planned_days", np.where(np.isfinite(first), first, np.nan)).fill_nan(None)
                out.append(
                    part.select(
                        "vehicle", group.alias("customer_group"), "component", "lighting", "side", "stratum",
                        pl.lit(this).alias("clock"), rate.alias("rate"),
                    ).with_columns(days)
                )  # fmt: skip
    schema = dict.fromkeys(("vehicle", "customer_group", "component", "lighting", "side", "stratum", "clock"), pl.String)
    empty = pl.DataFrame(schema={**schema, "rate": pl.Float64, "planned_days": pl.Float64})
    return pl.concat([empty, *out], how="vertical_relaxed").sort("vehicle", "component", "side")


def _places(
    lives: pl.DataFrame, as_of: date, by: tuple[str, ...], vehicles: pl.DataFrame | None, services: pl.DataFrame | None
) -> pl.DataFrame:
    """The places to follow, in an order of their own: _leaves and _first, _second are days after as_of."""
    places = places_at(lives, as_of)
    leaves = pl.lit(None, dtype=pl.Date).alias("in_service_to")
    if vehicles is not None:
        told = vehicles.select("vehicle", "in_service_to").unique("vehicle", keep="first", maintain_order=True)
        places = places.drop("in_service_to", strict=False).join(told, on="vehicle", how="left", maintain_order="left")
    else:
        places = places.with_columns(leaves)
    if services is not None:
        places = places.join(
            services.select("vehicle", "first_on", "second_on"), on="vehicle", how="left", maintain_order="left"
        )
    else:
        places = places.with_columns(pl.lit(None, dtype=pl.Date).alias(c) for c in ("first_on", "second_on"))
    if "stratum" not in places.columns:
        places = places.with_columns(stratum=pl.lit(ALL))

    def days(column: str) -> pl.Expr:
        return (pl.col(column) - as_of).dt.total_days().cast(pl.Float64)

    told = ("age_known", "may_be_original", "watched_days", "watched_km")
    group = ["customer_group"] if "customer_group" in places.columns else []
    keep = ("vehicle", "component", "side", "lighting", "origin", "stratum", "age_days", "age_km", "km_per_day", *group)
    return (
        places.with_columns(
            _leaves=days("in_service_to").fill_null(float("inf")), _first=days("first_on"), _second=days("second_on")
        )
        .select(*dict.fromkeys((*keep, *told, *by)), "_leaves", "_first", "_second")
        .sort("component", "lighting", "vehicle", "side", "origin", maintain_order=True)
    )


def _goals(
    part: pl.DataFrame,
    rules: Rules,
    component: str,
    lighting: str,
    kind: tuple[str, str],
    curves: Sequence[LifeCurve],
) -> tuple[np.ndarray, np.ndarray]:
    """When the part in place is renewed early, in days after as_of, and at what age those after it; inf: never."""
    if not rules:
        return (np.full(part.height, np.inf),) * 2
    groups = part["customer_group"].to_list() if "customer_group" in part.columns else [None] * part.height
    first, later = np.full(part.height, np.inf), np.full(part.height, np.inf)
    columns = zip(
        groups,
        *(part[c].to_list() for c in ("origin", f"age_{kind[0]}", "_first", "_second", "_leaves")),
        part["km_per_day"].to_list() if kind[0] == "km" else [1.0] * part.height,
        strict=True,
    )
    for i, (group, origin, age, service, after, leaves, rate) in enumerate(columns):
        rule = rule_of(rules, component, lighting, kind[1], kind[0], group)
        if rule is None:
            continue
        is_leaving = bool(np.isfinite(leaves))
        later[i] = np.inf if is_leaving else target_age(rule, "replacement") or np.inf
        own = target_age(rule, origin)
        if own is None or (is_leaving and (service is None or leaves <= after)):
            continue
        if service is None:
            first[i] = max(0.0, (own - age) / rate) if rate > 0 else (0.0 if age >= own else np.inf)
        else:
            k = service_at(age + service * rate, (after - service) * rate, own)
            first[i] = np.inf if k is None else service + k * (after - service)
        if is_leaving and np.isfinite(first[i]):
            curve, stay = curves[0 if origin == "original" else 1], (leaves - first[i]) * rate
            if not pays_until(curve, curves[1], age + first[i] * rate, stay, rule):
                first[i] = np.inf
    return first, later


class _Warp:
    """Days after as_of as days of the season's own time, by draw: faster in the months with more failures."""

    def __init__(self, as_of: date, reach: float, seasonal: Seasonal | None, draws: int):
        self.is_plain = seasonal is None
        if seasonal is not None:
            months = [(as_of + timedelta(days=d + 1)).month - 1 for d in range(int(np.ceil(reach)) + 1)]
            factors = seasonal.factors[np.arange(draws) % len(seasonal.factors)]
            run = np.cumsum(factors[:, months], axis=1)
            self.run = np.concatenate([np.zeros((draws, 1)), run], axis=1)

    def __call__(self, draw: np.ndarray, days: np.ndarray) -> np.ndarray:
        """Days beyond those drawn (and never: inf) stay out of reach."""
        if self.is_plain:
            return days
        last = self.run.shape[1] - 1
        inside = np.clip(days, 0, last)
        low = np.minimum(inside.astype(int), last - 1)
        at = self.run[draw, low] + (self.run[draw, low + 1] - self.run[draw, low]) * (inside - low)
        return np.where(days > last, np.inf, at)


@dataclass(frozen=True, eq=False)
class _Tables:
    """Hazards of the original and the replacement curve, for looking up many draws at once."""

    ages: list[np.ndarray]
    hazards: list[np.ndarray]
    flat: list[np.ndarray]  # each draw's hazards above those of the draw before: rising throughout

    @staticmethod
    def of(drawn: Sequence[Drawn]) -> _Tables:
        flat = [(d.hazards + _STEP * np.arange(len(d.hazards))[:, None]).ravel() for d in drawn]
        return _Tables([d.ages for d in drawn], [d.hazards for d in drawn], flat)

    def hazard(self, which: np.ndarray, draw: np.ndarray, age: np.ndarray) -> np.ndarray:
        out = np.empty(len(age))
        for w in (0, 1):
            mask = which == w
            if mask.any():
                grid, h, d, x = self.ages[w], self.hazards[w], draw[mask], age[mask]
                i = np.clip(np.searchsorted(grid, x, side="right") - 1, 0, len(grid) - 2)
                share = np.clip((x - grid[i]) / (grid[i + 1] - grid[i]), 0.0, 1.0)
                low = h[d, i]
                out[mask] = low + (h[d, i + 1] - low) * share
        return out

    def age(self, which: np.ndarray, draw: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        out = np.empty(len(hazard))
        for w in (0, 1):
            mask = which == w
            if mask.any():
                grid, h, d, v = self.ages[w], self.hazards[w], draw[mask], hazard[mask]
                n = len(grid)
                i = np.clip(np.searchsorted(self.flat[w], v + _STEP * d, side="left") - d * n, 1, n - 1)
                low, high = h[d, i - 1], h[d, i]
                share = np.clip((v - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
                out[mask] = grid[i - 1] + (grid[i] - grid[i - 1]) * share
        return out


_UNCOUNTED = 2  # renewed for another reason
_STEP = 2e6  # above any cumulative hazard, which is cut at 1e6


def _follow(
    part: pl.DataFrame,
    clock: str,
    drawn: Sequence[Drawn],
    other: Drawn | None,
    unknown: tuple[np.ndarray, PossibleAges | None],
    edges: np.ndarray,
    goals: tuple[np.ndarray, np.ndarray],
    warp: _Warp,
    simulations: int,
    seed: list[int],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Simulates the places: place, simulation, span and whether planned (1) or failed (0), of every event."""
    age0 = np.maximum(part[f"age_{clock}"].to_numpy().astype(float), 0)
    rates = np.maximum(part["km_per_day"].to_numpy().astype(float), 0) if clock == "km" else np.ones(len(age0))
    ends = np.minimum(part["_leaves"].to_numpy(), edges[-1])
    origin = np.where((part["origin"] == "original").to_numpy(), 0, 1)
    tables, draws = _Tables.of(drawn), len(drawn[0].hazards)
    beside = None if other is None else _Tables.of([other, other])
    rng, rng_ages = np.random.default_rng(seed), np.random.default_rng([*seed, 1])
    number = np.cumsum(unknown[0]) - 1
    at_once = max(1, MOST_AT_ONCE // max(1, len(age0)))
    found = []
    for start in range(0, simulations, at_once):
        sims = np.arange(start, min(simulations, start + at_once))
        place, sim = np.tile(np.arange(len(age0)), len(sims)), np.repeat(sims, len(age0))
        draw = sim % draws
        age, which = age0[place], origin[place]
        if unknown[1] is not None:
            mask = unknown[0][place]
            age[mask], is_first = unknown[1].draw(number[place[mask]], rng_ages)
            which[mask] = np.where(is_first, 0, 1)
        now, end, goal = np.zeros(len(place)), warp(draw, ends[place]), warp(draw, goals[0][place])
        while len(place):
            rate = rates[place]
            before = tables.hazard(which, draw, age)
            reached = before + rng.exponential(size=len(place))
            hit = reached <= tables.hazard(which, draw, age + (end - now) * rate)
            event = goal.copy()
            aged = tables.age(which[hit], draw[hit], reached[hit])
            fails = now[hit] + np.maximum(aged - age[hit], 0.0) / rate[hit]
            is_planned = np.ones(len(place), np.int64)
            sooner = fails <= goal[hit]
            is_planned[np.flatnonzero(hit)[sooner]] = 0
            event[np.flatnonzero(hit)[sooner]] = fails[sooner]
            if beside is not None:
                none = np.zeros(len(place), np.int64)
                met = beside.hazard(none, none, age) + rng.exponential(size=len(place))
                within = met <= beside.hazard(none, none, age + (end - now) * rate)
                aged = beside.age(none[within], none[within], met[within])
                renewed = now[within] + np.maximum(aged - age[within], 0.0) / rate[within]
                sooner = renewed < event[within]
                is_planned[np.flatnonzero(within)[sooner]] = _UNCOUNTED
                event[np.flatnonzero(within)[sooner]] = renewed[sooner]
            on = (event <= end) & (end > 0)
            place, sim, draw, now, end, is_planned = (x[on] for x in (place, sim, draw, event, end, is_planned))
            span = np.zeros(len(place), np.int64)
            for edge in edges[1:-1]:
                span += now > warp(draw, np.full(len(place), edge))
            counted = is_planned != _UNCOUNTED
            found.append(tuple(x[counted] for x in (place, sim, span, is_planned)))
            age, which = np.zeros(len(place)), np.ones(len(place), np.int64)
            with np.errstate(divide="ignore", invalid="ignore"):
                goal = now + np.where(rates[place] > 0, goals[1][place] / rates[place], np.inf)
    return tuple(np.concatenate([f[i] for f in found]) for i in range(4))
