"""How many parts will fail: by month, by part and by depot, with renewals; the stock to hold and the budget.

Every part in service is followed by simulation: it fails by its own curve given its age today, is renewed, and the
renewal may fail in turn. Each simulation has its own draw of the parameters (Meeker and Escobar 1998, chapter 12:
prediction of the number of failures in a fleet with staggered entry). Where nothing is renewed twice the count is
Poisson-binomial and `poisson_binomial` is exact.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date

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


def poisson_binomial(p) -> np.ndarray:
    """Probabilities of 0, 1, ..., n events among n independent ones of probabilities p: exact, by convolution.

    Raises ValueError for a probability outside 0..1. Source: Hong 2013, Comput. Stat. Data Anal. 59:41-51.
    """
    p = np.asarray(p, float).ravel()
    if np.any(~((p >= 0) & (p <= 1))):
        raise ValueError("probabilities must lie between 0 and 1")
    out = np.zeros(len(p) + 1)
    out[0] = 1.0
    for i, q in enumerate(p):
        out[1 : i + 2] = out[1 : i + 2] * (1 - q) + out[: i + 1] * q
        out[0] *= 1 - q
    return out


def quantile_of(probabilities, share: float) -> int:
    """The least count reached or undercut with probability `share` or more."""
    return int(np.searchsorted(np.cumsum(probabilities), share - 1e-12))


def failing_within(curve: LifeCurve, ages, span: float) -> np.ndarray:
    """Chance that a part of each age fails within `span` more of the clock: [F(t + D) - F(t)] / S(t)."""
    ages = np.asarray(ages, float)
    return -np.expm1(-(curve.fit.cumulative_hazard(ages + span) - curve.fit.cumulative_hazard(ages)))


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


def month_edges(as_of: date, months: int) -> list[date]:
    """as_of and the days 1, 2, ... months later, the day of the month kept where that month has it."""
    out = []
    for m in range(months + 1):
        year, month = as_of.year + (as_of.month - 1 + m) // 12, (as_of.month - 1 + m) % 12 + 1
        out.append(date(year, month, min(as_of.day, calendar.monthrange(year, month)[1])))
    return out


def simulate(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame,
    as_of: date,
    edges_days,
    *,
    seed: int,
    simulations: int = 400,
    by: tuple[str, ...] = (),
    clocks: dict[str, str] | None = None,
    policy: pl.DataFrame | None = None,
    vehicles: pl.DataFrame | None = None,
) -> Simulated:
    """Counts of failures (and with a policy of planned replacements) between successive edges, days after `as_of`,
    the first 0.

    by: further columns of the lives to count by, such as customer_group. clocks: component -> "days" or "km"; a place
    whose km or rate is unknown goes by days. policy: of `replacement_policy`; parts are renewed at its ages (those
    past them at once). vehicles: vehicle, in_service_to; parts of a vehicle that leaves are followed until then; no
    vehicle is taken to join. The draws do not depend on `by`, so groups add up to the fleet in every simulation.
    Raises ValueError for edges that do not rise from 0.
    """
    edges = np.asarray(edges_days, float)
    if len(edges) < 2 or edges[0] != 0 or np.any(np.diff(edges) < 0):
        raise ValueError("edges_days must rise from 0")
    if simulations < 1:
        raise ValueError("simulations must be at least 1")
    book = read_curves(fits)
    places = places_at(lives_in_service, as_of)
    leaving = pl.lit(float("inf")).alias("_leaves")
    if vehicles is not None:
        told = vehicles.select("vehicle", "in_service_to").unique("vehicle", keep="first", maintain_order=True)
        places = places.drop("in_service_to", strict=False).join(told, on="vehicle", how="left", maintain_order="left")
        leaving = (
            (pl.col("in_service_to") - as_of).dt.total_days().cast(pl.Float64).fill_null(float("inf")).alias("_leaves")
        )
    keep = [c for c in ("vehicle", "component", "side", "lighting", "origin", "age_days", "age_km", "km_per_day", *by)]
    places = (
        places.with_columns(leaving)
        .select(*dict.fromkeys(keep), "_leaves")
        .sort("component", "lighting", "vehicle", "side", "origin", maintain_order=True)
    )
    names = ("component", "lighting", *by)
    keys: list[tuple] = []
    parts = []
    ages_at = (
        {
            (r["component"], r["lighting"], r["clock"], r["customer_group"]): r
            for r in policy.filter(pl.col("verdict") == REPLACE).iter_rows(named=True)
        }
        if policy is not None
        else {}
    )
    draws = min(simulations, 200)
    seeds = np.random.SeedSequence(seed)
    for (component, lighting), some in places.group_by("component", "lighting", maintain_order=True):
        clock = place_clock(book, component, lighting, clocks)
        child = int(seeds.spawn(1)[0].generate_state(1)[0])
        if clock is None:
            continue
        groups = some.select(names).unique(maintain_order=True).sort(names, nulls_last=True).rows()
        at = {g: i for i, g in enumerate(groups)}
        code = np.array([at[g] for g in some.select(names).rows()])
        counts = np.zeros((2, len(groups), simulations, len(edges) - 1), np.int64)
        on_km = (
            (some["age_km"].is_not_null() & some["km_per_day"].is_not_null()).to_numpy()
            if clock == "km"
            else np.zeros(some.height, bool)
        )
        for this, rows in (("km", np.flatnonzero(on_km)), ("days", np.flatnonzero(~on_km))):
            curves = [find_curve(book, component, lighting, g, this) for g in ("original", "replacement")]
            if not len(rows) or curves[0] is None:
                continue
            part = some[rows.tolist()]
            targets = _targets(part, ages_at, component, lighting, this) if ages_at else None
            _follow(
                part,
                this,
                curves,
                edges,
                targets,
                code[rows],
                counts,
                draws,
                np.random.default_rng([child, this == "km"]),
                child,
            )
        keys += groups
        parts.append((counts, np.bincount(code, minlength=len(groups))))
    if not parts:
        empty = np.zeros((0, simulations, len(edges) - 1), np.int64)
        return Simulated(names, [], empty, empty, edges, np.zeros(0, np.int64))
    every = np.concatenate([p[0] for p in parts], axis=1)
    return Simulated(names, keys, every[0], every[1], edges, np.concatenate([p[1] for p in parts]))


def _targets(
    part: pl.DataFrame, ages_at: dict, component: str, lighting: str, clock: str
) -> tuple[np.ndarray, np.ndarray]:
    """Planned ages of the part in place and of those after it, by place; inf where run to failure."""
    groups = part["customer_group"].to_list() if "customer_group" in part.columns else [None] * part.height
    first, later = [], []
    for group, origin in zip(groups, part["origin"].to_list(), strict=False):
        rule = ages_at.get((component, lighting, clock, group)) or ages_at.get((component, lighting, clock, "all"))
        after = (rule["snapped_age"] or rule["age"]) if rule else None
        own = rule["original_age"] if rule and origin == "original" else after
        first.append(own or np.inf)
        later.append(after or np.inf)
    return np.array(first), np.array(later)


def _follow(
    part: pl.DataFrame,
    clock: str,
    curves: list[LifeCurve],
    edges: np.ndarray,
    targets,
    code: np.ndarray,
    counts: np.ndarray,
    draws: int,
    rng: np.random.Generator,
    seed: int,
) -> None:
    """Simulates the places and adds their failures and planned replacements to counts (2, groups, simulations,
    spans).
    """
    simulations, spans = counts.shape[2], counts.shape[3]
    age0 = np.maximum(part[f"age_{clock}"].to_numpy().astype(float), 0)
    rate = np.maximum(part["km_per_day"].to_numpy().astype(float), 0) if clock == "km" else np.ones(len(age0))
    end = np.minimum(part["_leaves"].to_numpy(), edges[-1])
    grid = age_grid(float(np.max(age0 + rate * edges[-1])) + 1.0, 600)
    tables = [hazards_on_grid(c.fit, draw_thetas(c.fit, draws, seed + i), grid) for i, c in enumerate(curves)]
    is_original = (part["origin"] == "original").to_numpy()
    first, later = targets if targets is not None else (np.full(len(age0), np.inf),) * 2
    for d in range(draws):
        sims = np.arange(d, simulations, draws)
        # In the first round all places, simulation by simulation; afterwards only those that had an event.
        place = np.tile(np.arange(len(age0)), len(sims))
        sim = np.repeat(sims, len(age0))
        now, age = np.zeros(len(place)), age0[place]
        original, goal = is_original[place], first[place]
        # Cumulative hazards today and at the end are the same in every simulation of a draw.
        ahead = [
            np.where(is_original, np.interp(x, grid, tables[0][d]), np.interp(x, grid, tables[1][d]))
            for x in (age0, age0 + end * rate)
        ]
        known = (ahead[0][place], ahead[1][place])
        while len(place):
            fails = np.full(len(place), np.inf)
            left = (end[place] - now) * rate[place]
            drawn = rng.exponential(size=len(place))
            for mask, h in ((original, tables[0][d]), (~original, tables[1][d])):
                if not mask.any():
                    continue
                start = known[0][mask] if known else np.interp(age[mask], grid, h)
                until = known[1][mask] if known else np.interp(age[mask] + left[mask], grid, h)
                hit = drawn[mask] <= until - start
                which = np.flatnonzero(mask)[hit]
                fails[which] = np.interp(start[hit] + drawn[mask][hit], h, grid)
            goes = np.maximum(goal, age)
            is_planned = goes < fails
            event = np.minimum(goes, fails)
            with np.errstate(divide="ignore", invalid="ignore"):
                when = now + np.where(event > age, (event - age) / rate[place], 0.0)
            on = np.isfinite(event) & (when <= end[place]) & (end[place] > 0)
            place, sim, now, is_planned = place[on], sim[on], when[on], is_planned[on]
            span = np.clip(np.searchsorted(edges, now, side="left") - 1, 0, spans - 1)
            np.add.at(counts, (is_planned.astype(int), code[place], sim, span), 1)
            age, original, goal, known = np.zeros(len(place)), np.zeros(len(place), bool), later[place], None


def demand(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame,
    as_of: date,
    *,
    months: int = 12,
    seed: int,
    simulations: int = 400,
    by: tuple[str, ...] = (),
    clocks: dict[str, str] | None = None,
    policy: pl.DataFrame | None = None,
    vehicles: pl.DataFrame | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Parts that will be needed because they fail (kind "failed") and, with a policy, because they are due (kind
    "planned").

    Out: component, lighting, columns of `by`, kind, month (1, 2, ...; null in the rows that count from `as_of` to the
    end of that month), from_on, to_on (the month runs after from_on and up to to_on), horizon_days (from `as_of` to
    to_on), low, median, high (of the count), mean, places (parts in service today). Parts fitted for other reasons
    (collisions, wrong suspects) come on top. Without a policy every part is taken to run to failure: a fleet that has
    been renewing early sees fewer failures than that.
    """
    days = month_edges(as_of, months)
    edges = [float((d - as_of).days) for d in days]
    run = simulate(
        lives_in_service,
        fits,
        as_of,
        edges,
        seed=seed,
        simulations=simulations,
        by=by,
        clocks=clocks,
        policy=policy,
        vehicles=vehicles,
    )
    tail = (1 - confidence) / 2
    rows = []
    for g, key in enumerate(run.keys):
        for kind, counts in (
            ("failed", run.failed[g]),
            *((("planned", run.planned[g]),) if policy is not None else ()),
        ):
            for m in range(months):
                for month, start, n in ((m + 1, days[m], counts[:, m]), (None, as_of, counts[:, : m + 1].sum(axis=1))):
                    low, median, high = np.quantile(n, [tail, 0.5, 1 - tail], method="inverted_cdf")
                    rows.append(
                        (
                            *key,
                            kind,
                            month,
                            start,
                            days[m + 1],
                            int(edges[m + 1]),
                            float(low),
                            float(median),
                            float(high),
                            float(n.mean()),
                            int(run.places[g]),
                        )
                    )
    schema = {
        **{n: pl.String for n in run.names},
        "kind": pl.String,
        "month": pl.Int64,
        "from_on": pl.Date,
        "to_on": pl.Date,
        "horizon_days": pl.Int64,
        "low": pl.Float64,
        "median": pl.Float64,
        "high": pl.Float64,
        "mean": pl.Float64,
        "places": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort(
        *run.names, "kind", "month", "horizon_days", nulls_last=True, maintain_order=True
    )


def stock_to_hold(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame,
    as_of: date,
    *,
    lead_days: float,
    service_level: float = 0.95,
    seed: int,
    simulations: int = 400,
    by: tuple[str, ...] = (),
    clocks: dict[str, str] | None = None,
    policy: pl.DataFrame | None = None,
    vehicles: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Parts to have on the shelf so that with probability service_level none is missing over the time a delivery
    takes.

    Out: component, lighting, columns of `by`, lead_days, service_level, expected, stock, chance_short (of running out
    all the same). Each place (depot) alone: shared between depots less is enough. Raises ValueError unless 0 <
    service_level < 1.
    """
    if not 0 < service_level < 1:
        raise ValueError("service_level must lie between 0 and 1")
    run = simulate(
        lives_in_service,
        fits,
        as_of,
        [0.0, float(lead_days)],
        seed=seed,
        simulations=simulations,
        by=by,
        clocks=clocks,
        policy=policy,
        vehicles=vehicles,
    )
    rows = []
    for g, key in enumerate(run.keys):
        n = run.failed[g].sum(axis=1) + run.planned[g].sum(axis=1)
        stock = int(np.quantile(n, service_level, method="inverted_cdf"))
        rows.append((*key, float(lead_days), service_level, float(n.mean()), stock, float(np.mean(n > stock))))
    return pl.DataFrame(
        rows,
        schema={
            **{n: pl.String for n in run.names},
            "lead_days": pl.Float64,
            "service_level": pl.Float64,
            "expected": pl.Float64,
            "stock": pl.Int64,
            "chance_short": pl.Float64,
        },
        orient="row",
    )


def budget(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame,
    costs: pl.DataFrame,
    as_of: date,
    *,
    months: int = 12,
    seed: int,
    simulations: int = 400,
    clocks: dict[str, str] | None = None,
    policy: pl.DataFrame | None = None,
    vehicles: pl.DataFrame | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Money for failures and planned replacements over the months ahead, by component and in all ("all").

    Costs as for `replacement_policy`, each customer group at its own, else at that of "all". Out: component,
    horizon_days, low, median, high, mean (money), failures (expected), planned (expected). The interval of the whole
    comes from whole simulations; it is narrower than the sum of the parts' limits. Components without costs are left
    out of the money.
    """
    end = float((month_edges(as_of, months)[-1] - as_of).days)
    by = ("customer_group",) if "customer_group" in lives_in_service.columns else ()
    run = simulate(
        lives_in_service,
        fits,
        as_of,
        [0.0, end],
        seed=seed,
        simulations=simulations,
        by=by,
        clocks=clocks,
        policy=policy,
        vehicles=vehicles,
    )
    money: dict[str, np.ndarray] = {}
    events: dict[str, np.ndarray] = {}
    for g, key in enumerate(run.keys):
        told = {group: (p, u) for group, p, u, _ in _costs_of(costs, key[0])}
        cost = told.get(key[2] if by else "all", told.get("all"))
        if cost is None:
            continue
        failed, planned = run.failed[g].sum(axis=1), run.planned[g].sum(axis=1)
        for name in (key[0], "all"):
            money[name] = money.get(name, 0) + planned * cost[0] + failed * cost[1]
            events[name] = events.get(name, 0) + np.array([failed.mean(), planned.mean()])
    tail = (1 - confidence) / 2
    rows = []
    for name in sorted(money, key=lambda n: (n == "all", n)):
        low, median, high = np.quantile(money[name], [tail, 0.5, 1 - tail])
        rows.append(
            (
                name,
                int(end),
                float(low),
                float(median),
                float(high),
                float(money[name].mean()),
                *map(float, events[name]),
            )
        )
    return pl.DataFrame(
        rows,
        schema={
            "component": pl.String,
            "horizon_days": pl.Int64,
            "low": pl.Float64,
            "median": pl.Float64,
            "high": pl.Float64,
            "mean": pl.Float64,
            "failures": pl.Float64,
            "planned": pl.Float64,
        },
        orient="row",
    )
