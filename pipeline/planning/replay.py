"""What the plan of a year ago would have done: made from what was known then, held against what became of those parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, LifeCurve, find_curve, places_at
from pipeline.planning.replacement import ALL, REPLACE, _costs_of, replacement_policy
from pipeline.planning.simulate import planned_days
from pipeline.planning.strata import choose_strata, strata_values, test_groups, with_stratum
from pipeline.survival.fit import DEFAULT_FAMILIES, fit_families, sample

RECOMMENDED, NOT_RECOMMENDED = "recommended", "not recommended"
TOO_SHORT, NOTHING_DUE = "history too short", "nothing was due"
LEAST_DAYS_BEFORE = 365  # watched before the plan is made, else there is nothing to make it from (our own rule)


def lives_at(lives: pl.DataFrame, then: date) -> pl.DataFrame:
    """The lives as they stood at an earlier day: those begun and watched by then, cut off there.

    lives: rows of the table of lives, with `failed` (the probability that the life ended by failing). Ages at the cut
    lie between those of the start of watching and of the end, in step with the days. What the endings are, of lives
    that had ended by then, is taken as known now: a comeback a few days later may have told.
    """
    rows = lives.filter((pl.col("start_on") <= then) & (pl.col("watched_from").fill_null(pl.col("start_on")) < then))
    over = (pl.col("end_on") - then).dt.total_days().cast(pl.Float64).clip(lower_bound=0.0).fill_null(0.0)
    watched = pl.col("exit_days") - pl.col("entry_days")
    share = pl.when(watched > 0).then((over / watched).clip(0.0, 1.0)).otherwise(0.0)
    is_cut = over > 0
    clocks = [c for c in ("days", "km", "hours") if f"exit_{c}" in rows.columns]
    cut = [
        (pl.col(f"exit_{c}") - share * (pl.col(f"exit_{c}") - pl.col(f"entry_{c}"))).alias(f"exit_{c}") for c in clocks
    ]
    return rows.with_columns(
        *cut,
        pl.when(is_cut).then(pl.lit("in_service")).otherwise("ending").alias("ending"),
        pl.when(is_cut).then(0.0).otherwise("failed").alias("failed"),
        pl.when(is_cut).then(pl.lit(then)).otherwise("end_on").alias("end_on"),
    ).filter(pl.col("exit_days") >= pl.col("entry_days"))


_FEW = ("exponential", "weibull")  # the families of strata: too few lives for more


def curves_at(
    lives: pl.DataFrame, clocks: Mapping[str, str], *, min_failures: float, families=DEFAULT_FAMILIES
) -> CurveBook:
    """The curves of the lives of `lives_at`: by component, lighting and origin, over all lightings, and by the column
    `stratum`, each component on its own clock (days where `clocks` does not tell). Kinds with too few failures have none
    of their own, and go by the wider one as `find_curve` says."""
    known = lives.filter(pl.col("in_curve")) if "in_curve" in lives.columns else lives
    several = known["lighting"].n_unique() > 1
    pooled = known.with_columns(stratum=pl.lit(ALL))
    long = [pooled, *([pooled.with_columns(lighting=pl.lit(ALL))] if several else [])]
    key = ["component", "lighting", "origin", "stratum"]
    long = pl.concat([*long, known.filter(pl.col("stratum") != ALL).select(pooled.columns)]).sort(key, maintain_order=True)
    out: CurveBook = {}
    for (component, lighting, origin, stratum), some in long.group_by(key, maintain_order=True):
        clock = clocks.get(component, "days")
        some = some.filter(pl.col(f"exit_{clock}") > pl.col(f"entry_{clock}"))
        if float(some["failed"].sum()) < min_failures:
            continue
        ages = [some[f"{c}_{clock}"].to_numpy().astype(float) for c in ("exit", "entry")]
        made = fit_families(
            sample(
                ages[0],
                some["failed"].to_numpy().astype(float),
                entry=ages[1],
                cluster=some["vehicle"].to_numpy().astype(str),
            ),
            families if stratum == ALL else [f for f in families if f in _FEW],
            min_failures=min_failures,
        )
        for fit in (f for f in made if f.chosen):
            name = f"then, {component}, {lighting}, {origin}, {stratum}, {clock}"
            out[component, lighting, origin, stratum, clock] = LifeCurve(
                component, lighting, origin, clock, fit, "own", name, stratum
            )
    return out


def replay_plan(
    lives: pl.DataFrame,
    costs: pl.DataFrame,
    services_at,
    then: date,
    now: date,
    *,
    seed: int,
    min_failures: float = 5,
    clocks: dict[str, str] | None = None,
    services: Mapping[str, Mapping[str, float]] | None = None,
    families=DEFAULT_FAMILIES,
    columns: Sequence[str] = (),
    rate: float = 0.05,
    draws: int = 1000,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The plan of `then` replayed on what happened up to `now`.

    lives: as known now, with `failed`. services_at: a function of the lives known at `then` that gives each vehicle's
    next services (see `next_services`). columns: that vehicles' curves may differ by, such as class and duty. Tests of
    them, fits, ages and verdicts are made anew from the lives of `lives_at`; when a
    vehicle would leave is taken as not known then. Beside what the plan recommended, kinds with a cheapest age that was
    not sure to pay are replayed as "not recommended": what renewing them all the same would have come to. Out: see
    `replay`, with basis, then_on, and watched_days (before then). Raises ValueError unless then < now.
    """
    if not then < now:
        raise ValueError("the plan must be older than what it is held against")
    known = lives_at(lives, then)
    first = known["watched_from"].min() if known.height else None
    watched = (then - first).days if first else 0
    told = {"then_on": then, "watched_days": watched}
    if watched < LEAST_DAYS_BEFORE or float(known["failed"].sum()) < min_failures:
        return _table([{"component": ALL, "basis": RECOMMENDED, "due": 0, "verdict": TOO_SHORT, **told}])
    in_curve = known.filter(pl.col("in_curve")) if "in_curve" in known.columns else known
    tests = test_groups(in_curve, columns, min_failures=min_failures, rate=rate)
    known = with_stratum(known, choose_strata(tests, columns))
    book = curves_at(known, clocks or {}, min_failures=min_failures, families=families)
    places = places_at(known, then)
    policy = replacement_policy(
        book, costs, services=services, strata=strata_values(places), seed=seed, confidence=confidence, blocks=False
    )
    perhaps = policy.filter((pl.col("verdict") != REPLACE) & pl.col("candidate_age").is_not_null()).with_columns(
        verdict=pl.lit(REPLACE), age="candidate_age", original_age="candidate_age", snapped_age=pl.lit(None, pl.Float64)
    )
    rows = []
    for basis, rules in ((RECOMMENDED, policy), (NOT_RECOMMENDED, perhaps)):
        due = planned_days(places, book, then, rules, clocks=clocks, services=services_at(known))
        within = (now - then).days
        due = due.filter(pl.col("planned_days").is_not_null() & (pl.col("planned_days") <= within))
        due = due.with_columns(due_on=pl.lit(then) + pl.duration(days=pl.col("planned_days").ceil().cast(pl.Int64)))
        if basis == NOT_RECOMMENDED and due.is_empty():
            continue
        made = replay(due, lives, costs, then, now, book=book, seed=seed, draws=draws, confidence=confidence)
        if basis == NOT_RECOMMENDED:
            made = made.filter(pl.col("component") != ALL)
        rows += [{**r, "basis": basis, **told} for r in made.iter_rows(named=True)]
    return _table(rows)


def replay(
    due_then: pl.DataFrame,
    lives_now: pl.DataFrame,
    costs: pl.DataFrame,
    then: date,
    now: date,
    *,
    book: CurveBook | None = None,
    seed: int,
    draws: int = 1000,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Work asked for at `then` with dates up to `now`, against what became of those very parts.

    due_then: vehicle, customer_group, component, side, due_on (and lighting, stratum, clock, rate where `book` is
    given), made only from what was known at `then`. lives_now: the lives as known at `now`. A part that failed or was
    removed before its date would have met no plan (too_late); one that failed from its date on up to `now` counts as
    prevented; all others are renewed for nothing so far (unneeded: their remaining life is given up). The fresh part
    may fail too: with the curves of then (`book`) its expected failures up to now, or to when the vehicle left, are
    counted against the plan (fresh_failures); so are, for the plan, all failures that the place then saw. Out, by
    component and in all ("all"): due, too_late, prevented, unneeded, unmatched, failures (that all places of the
    component saw in the time), fresh_failures, cost_of_plan, cost_without, saving with saving_low and saving_high
    (vehicles redrawn: Efron and Tibshirani 1993, chapter 6), verdict in words. The money is that of the time between
    only: that parts are younger at its end counts for nothing. Raises ValueError unless then < now.
    """
    if not then < now:
        raise ValueError("the plan must be older than what it is held against")
    key = ["vehicle", "component", "side"]
    due = due_then.filter(pl.col("due_on").is_not_null() & (pl.col("due_on") > then) & (pl.col("due_on") <= now))
    # The life that was in place at `then`.
    there = (
        lives_now.filter(
            (pl.col("start_on") <= then) & ((pl.col("end_on") > then) | (pl.col("ending") == "in_service"))
        )
        .sort("start_on", maintain_order=True)
        .unique(key, keep="last", maintain_order=True)
    )
    failed = lives_now.filter((pl.col("ending") == "failed") & (pl.col("end_on") > then) & (pl.col("end_on") <= now))
    last = lives_now.group_by(key).agg(pl.col("end_on").max().alias("_seen_to"))
    further = [c for c in ("lighting", "stratum", "clock", "rate") if c in due.columns]
    rows = due.select("customer_group", *key, "due_on", *further).join(
        there.select(*key, "end_on", "ending"), on=key, how="left", maintain_order="left"
    )
    rows = rows.join(last, on=key, how="left", maintain_order="left")
    ended = (pl.col("ending") != "in_service") & (pl.col("end_on") <= now)
    rows = rows.with_columns(
        fate=pl.when(pl.col("ending").is_null())
        .then(pl.lit("unmatched"))
        .when(ended & (pl.col("end_on") < pl.col("due_on")))
        .then(pl.lit("too_late"))
        .when(ended & (pl.col("ending") == "failed"))
        .then(pl.lit("prevented"))
        .otherwise(pl.lit("unneeded"))
    )
    after = rows.select(*key, "due_on").join(failed.select(*key, pl.col("end_on").alias("_on")), on=key)
    after = after.filter(pl.col("_on") >= pl.col("due_on")).group_by(key).len("_seen")
    rows = rows.join(after, on=key, how="left", maintain_order="left").with_columns(pl.col("_seen").fill_null(0))
    rows = rows.with_columns(_fresh=_fresh(rows, book, now))
    money = {c: {g: (p, u) for g, p, u, _ in _costs_of(costs, c)} for c in rows["component"].unique().sort().to_list()}
    priced = [
        money[c].get(g, money[c].get(ALL, (np.nan, np.nan)))
        for g, c in rows.select("customer_group", "component").rows()
    ]
    rows = rows.with_columns(
        planned=pl.Series([p[0] for p in priced], dtype=pl.Float64),
        unplanned=pl.Series([p[1] for p in priced], dtype=pl.Float64),
    )
    done = pl.col("fate").is_in(["prevented", "unneeded"])
    rows = rows.with_columns(
        fresh=pl.when(done).then("_fresh").otherwise(0.0),
        plan=pl.when(done).then(pl.col("planned") + pl.col("_fresh") * pl.col("unplanned")).otherwise(0.0),
        without=pl.when(done).then(pl.col("_seen") * pl.col("unplanned")).otherwise(0.0),
    )
    rng = np.random.default_rng(seed)
    tail = (1 - confidence) / 2
    out = []
    for name in [*sorted(money), ALL]:
        some = rows if name == ALL else rows.filter(pl.col("component") == name)
        fates = dict(some.group_by("fate").len().rows())
        by_vehicle = (
            some.sort("vehicle")
            .group_by("vehicle", maintain_order=True)
            .agg((pl.col("without") - pl.col("plan")).sum())["without"]
            .to_numpy()
        )
        low = high = None
        if len(by_vehicle) > 1:
            again = np.array(
                [by_vehicle[rng.integers(0, len(by_vehicle), len(by_vehicle))].sum() for _ in range(draws)]
            )
            low, high = (float(x) for x in np.quantile(again, [tail, 1 - tail]))
        verdict = (
            NOTHING_DUE
            if not some.height
            else "too few vehicles to tell"
            if low is None
            else "would have saved money"
            if low > 0
            else "would have cost money"
            if high < 0
            else "no difference told by these data"
        )
        out.append(
            {
                "component": name,
                "basis": RECOMMENDED,
                "due": some.height,
                **{f: int(fates.get(f, 0)) for f in ("too_late", "prevented", "unneeded", "unmatched")},
                "failures": failed.height if name == ALL else failed.filter(pl.col("component") == name).height,
                "fresh_failures": float(some["fresh"].sum()),
                "cost_of_plan": float(some["plan"].sum()),
                "cost_without": float(some["without"].sum()),
                "saving": float(by_vehicle.sum()),
                "saving_low": low,
                "saving_high": high,
                "verdict": verdict,
                "then_on": then,
            }
        )
    return _table(out)


def _fresh(rows: pl.DataFrame, book: CurveBook | None, now: date) -> pl.Series:
    """Expected failures of the fresh parts from their fitting on; 0 where no curves are given. A part is taken to fail
    once at most in the time."""
    values = []
    for r in rows.iter_rows(named=True) if book is not None else ():
        curve = find_curve(book, r["component"], r["lighting"], "replacement", r["clock"], r["stratum"])
        until = min(now, r["_seen_to"] or now)
        reach = max(0, (until - r["due_on"]) // timedelta(days=1)) * r["rate"]
        values.append(float(1 - curve.survival(np.array([reach]))[0]) if curve is not None else 0.0)
    return pl.Series("_fresh", values if book is not None else [0.0] * rows.height, dtype=pl.Float64)


_TYPES = {
    "component": pl.String,
    "basis": pl.String,
    **dict.fromkeys(("due", "too_late", "prevented", "unneeded", "unmatched", "failures"), pl.Int64),
    **dict.fromkeys(
        ("fresh_failures", "cost_of_plan", "cost_without", "saving", "saving_low", "saving_high"), pl.Float64
    ),
    "verdict": pl.String,
    "then_on": pl.Date,
    "watched_days": pl.Int64,
}


def _table(rows: list[dict]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=_TYPES, orient="row")
