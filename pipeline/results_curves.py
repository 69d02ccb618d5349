"""What stands beside the curves: how far they hang on the walk-in rule, which groups differ, which strata have no curve and why,
failures found at inspections, orders that come late, repairs a vehicle.

As in results.py: only which lives go into which call, and what the table is named.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.settings import Settings
from pipeline.store import read_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

# Ages at which the share failed is compared between the rules, and the rules: days of grace after the last visit.
_AGES_DAYS = {"failed_by_2_years": 730.5, "failed_by_5_years": 1826.25}
_GRACES = {"last_visit": 0, "grace_90_days": 90, "grace_365_days": 365, "to_the_end": None}
_SMALL_GROUP = 20  # lives below which a group joins the others in a comparison (our own rule; lives, not failures: no choice by outcome)
OTHER = "(other)"


def walk_in_sensitivity(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """Headline figures under other rules for how long walk-in customers are watched.

    One row a component, lighting, generation, measure (share failed by 2 and 5 years, B10 in days: product limit, vehicle-robust
    limits) and rule: `as_set`, watched to the last visit, with 90 or 365 days of grace, to the last day in the data, and
    walk-ins left out.
    `moves`: the figure under the rule lies outside the interval as set. Rows only where a walk-in vehicle stands in the curve.
    """
    import polars as pl

    from pipeline.survival import nonparametric

    lives = read_table(con, """
        select l.component, l.lighting, l.origin as generation, l.vehicle, l.ending, l.p_failed, l.start_on, l.end_on, l.entry_days,
               l.exit_days, l.left_out_reason, v.coverage, v.last_visit_on, (select max(visited_on) from lives.visits) as last_day
        from lives.lives l join lives.vehicles v on v.vehicle = l.vehicle
        where l.left_out_reason is null or l.left_out_reason = 'no time under watch'
        order by l.life_id""")
    keys = ["component", "lighting", "generation"]
    doubtful = pl.col("ending").is_in(["failed", "wrong_suspect"])
    lives = lives.with_columns(
        failed=pl.when(doubtful).then(pl.col("p_failed").fill_null(1.0)).otherwise(0.0),
        is_walk_in=pl.col("coverage") != "complete", is_running=pl.col("ending").is_in(["in_service", "vehicle_left"]))
    walk_ins = lives.filter(pl.col("is_walk_in") & pl.col("left_out_reason").is_null())
    columns = {**dict.fromkeys(keys, pl.String), "measure": pl.String, "rule": pl.String, "value": pl.Float64, "low": pl.Float64,
               "high": pl.Float64, "lives": pl.UInt32, "vehicles": pl.UInt32, "failures": pl.Float64, "moves": pl.Boolean}
    if walk_ins.is_empty():
        return pl.DataFrame(schema=columns)
    lives = lives.join(walk_ins.select(keys).unique(), on=keys, how="semi", maintain_order="left")
    parts = [lives.filter(pl.col("left_out_reason").is_null()).with_columns(rule=pl.lit("as_set")),
             lives.filter(~pl.col("is_walk_in")).with_columns(rule=pl.lit("walk_ins_left_out"))]
    for rule, grace in _GRACES.items():
        end = pl.col("last_day") if grace is None else pl.min_horizontal(pl.col("last_visit_on") + pl.duration(days=grace), "last_day")
        longer = (end - pl.col("start_on")).dt.total_days().cast(pl.Float64)
        is_open = pl.col("is_walk_in") & pl.col("is_running")
        parts.append(lives.with_columns(exit_days=pl.when(is_open).then(longer).otherwise(pl.col("exit_days")), rule=pl.lit(rule)))
    stacked = pl.concat(parts).filter(pl.col("exit_days") > pl.col("entry_days"))
    by = [*keys, "rule"]
    curve = nonparametric.kaplan_meier(stacked, by, entry="entry_days", exit="exit_days", event="failed", cluster="vehicle",
                                       confidence=settings.curves.confidence, min_at_risk=settings.curves.min_at_risk)
    counts = stacked.group_by(by).agg(pl.len().alias("lives"), pl.col("vehicle").n_unique().alias("vehicles"),
                                      pl.col("failed").sum().alias("failures"))
    enough = counts.filter(pl.col("failures") >= settings.curves.min_failures - 1e-9)
    curve = curve.join(enough.select(by), on=by, how="semi", maintain_order="left")
    if curve.is_empty():
        return pl.DataFrame(schema=columns)
    found = []
    for measure, age in _AGES_DAYS.items():
        at = nonparametric.at_times(curve, by, [age])
        found.append(at.select(*by, pl.lit(measure).alias("measure"), (1 - pl.col("survival")).alias("value"),
                               (1 - pl.col("high")).alias("low"), (1 - pl.col("low")).alias("high")))
    found.append(nonparametric.quantiles(curve, by, [0.10]).select(
        *by, pl.lit("b10_days").alias("measure"), pl.col("t").alias("value"), "low", "high"))
    out = pl.concat(found).join(counts, on=by, how="left", maintain_order="left")
    base = out.filter(pl.col("rule") == "as_set").select(*keys, "measure", pl.col("low").alias("_low"), pl.col("high").alias("_high"))
    out = out.join(base, on=[*keys, "measure"], how="left", maintain_order="left").with_columns(
        moves=(pl.col("value") < pl.col("_low")) | (pl.col("value") > pl.col("_high")))
    order = {r: i for i, r in enumerate(["as_set", *_GRACES, "walk_ins_left_out"])}
    out = out.sort(*keys, "measure", pl.col("rule").replace_strict(order, return_dtype=pl.Int64), maintain_order=True)
    return out.select(*columns).cast(columns)


def curve_accounts(lives: pl.DataFrame, keys: list[str], clock: str, settings: Settings) -> pl.DataFrame:
    """What stands behind each stratum's curve of failures, and which strata have none of their own, with the reason."""
    import polars as pl

    from pipeline.survival import nonparametric

    made = nonparametric.curve_accounts(lives, keys, entry="entry", exit="exit", event="failed", cluster="vehicle", p_failed="p_failed",
                                        min_at_risk=settings.curves.min_at_risk, min_failures=settings.curves.min_failures)
    return made.with_columns(pl.lit(clock).alias("clock"))


def group_tests(lives: pl.DataFrame, columns: list[str], settings: Settings) -> pl.DataFrame:
    """Log-rank tests on days: does any supplier, grade, class, side, season, duty differ, within component and generation?

    lives: those in the curves, with `entry`, `exit` and the probability `failed`. Lightings are strata; errors are by vehicle. p_adjusted
    and verdict control the false discovery rate over all rows; `stands_out` names the group furthest above what was expected of it.
    """
    import polars as pl

    from pipeline.survival import cox, tests_of_groups

    rows = []
    for (component, generation), part in sorted(lives.group_by("component", "origin"), key=lambda g: g[0]):
        for column in columns:
            if column not in part.columns or (generation == "original" and column in ("supplier", "grade", "season", "part_number")):
                continue
            some = part.drop_nulls(column).with_columns(pl.col(column).cast(pl.String))
            small = some.group_by(column).len().filter(pl.col("len") < _SMALL_GROUP)[column]
            is_small = pl.col(column).is_in(small.implode())
            some = some.with_columns(pl.when(is_small).then(pl.lit(OTHER)).otherwise(pl.col(column)).alias(column))
            if some[column].n_unique() < 2 or some["failed"].sum() < settings.curves.min_failures:
                continue
            found = tests_of_groups.log_rank(some, column, entry="entry", exit="exit", event="failed", strata=["lighting"],
                                             cluster="vehicle")
            shares = found.groups.filter((pl.col("expected") > 0) & (pl.col("group") != OTHER)).with_columns(
                ratio=pl.col("observed") / pl.col("expected")).sort("ratio", "group", descending=[True, False])
            worst = shares.row(0, named=True) if shares.height else {}
            rows.append({
                "component": component, "generation": generation, "covariate": column, "groups": found.groups.height, "lives": some.height,
                "failures": float(some["failed"].sum()), "chi_square": found.chi_square, "degrees": found.degrees, "p": found.p_value,
                "stands_out": worst.get("group"), "observed": worst.get("observed"), "expected": worst.get("expected")})
    schema = {"component": pl.String, "generation": pl.String, "covariate": pl.String, "groups": pl.Int64, "lives": pl.Int64,
              "failures": pl.Float64, "chi_square": pl.Float64, "degrees": pl.Int64, "p": pl.Float64, "stands_out": pl.String,
              "observed": pl.Float64, "expected": pl.Float64}
    out = pl.DataFrame(rows, schema=schema)
    adjusted = cox.false_discovery(out["p"].to_numpy()) if out.height else []
    return out.with_columns(pl.Series("p_adjusted", adjusted, dtype=pl.Float64)).with_columns(
        verdict=pl.when(pl.col("degrees") == 0).then(pl.lit("never at risk together"))
        .when(pl.col("p_adjusted") <= settings.curves.false_discovery_rate).then(pl.lit("differ")).otherwise(pl.lit("not told apart")))


def inspection_findings(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """Failures found at an inspection, which happened at some time since the part was last seen working: the Weibull fit with those
    intervals beside the one that takes the day they were found for the day they happened.

    A failure counts as found at an inspection where its order has a line of a general inspection and its complaint names no symptom. The
    part was last seen working at the vehicle's inspection before, else at its fitting or when watching began. One row a component,
    lighting and generation with such a failure; a row of words where there is none.
    """
    import polars as pl

    from pipeline.survival import fit

    lives = read_table(con, """
        with inspected as (
            select distinct r.vehicle, r.order_id, r.opened_on
            from clean.repair_lines r join clean.classified_lines c using (line_key)
            where c.action = 'inspected' and c.component is null and r.order_id is not null
        )
        select l.component, l.lighting, l.origin as generation, l.vehicle, l.entry_days, l.exit_days, l.p_failed, l.ending,
               l.ending = 'failed' and l.symptom is null and i.order_id is not null as is_found,
               (select max(b.opened_on) from inspected b where b.vehicle = l.vehicle and b.opened_on < l.end_on) - l.start_on as seen_days
        from lives.lives l
        left join inspected i on i.vehicle = l.vehicle and i.order_id = l.ended_order
        where l.in_curve order by l.life_id""")
    keys = ["component", "lighting", "generation"]
    schema = {**dict.fromkeys(keys, pl.String), "failures": pl.Float64, "found_at_inspection": pl.Int64, "family": pl.String,
              "shape": pl.Float64, "scale_days": pl.Float64, "b10_days": pl.Float64, "b10_low": pl.Float64, "b10_high": pl.Float64,
              "b10_days_taken_as_exact": pl.Float64, "note": pl.String}
    rows = []
    for key, part in sorted(lives.group_by(keys), key=lambda g: g[0]):
        found = part["is_found"].to_numpy()
        if not found.any():
            continue
        entry, end = (part[c].to_numpy() for c in ("entry_days", "exit_days"))
        doubtful = pl.col("ending").is_in(["failed", "wrong_suspect"])
        failed = part.select(pl.when(doubtful).then(pl.col("p_failed")).otherwise(0.0)).to_series().to_numpy()
        seen = part["seen_days"].fill_null(0).cast(pl.Float64).to_numpy()
        lower = end.copy()
        lower[found] = [max(e, min(s, x)) for e, s, x in zip(entry[found], seen[found], end[found], strict=True)]
        made = fit.sample(lower, failed, entry=entry, upper=end, cluster=part["vehicle"].to_numpy())
        exact = fit.sample(end, failed, entry=entry, cluster=part["vehicle"].to_numpy())
        a, b = (fit.fit("weibull", s, min_failures=settings.curves.min_failures) for s in (made, exact))
        row = dict(zip(keys, key, strict=True)) | {"failures": float(failed.sum()), "found_at_inspection": int(found.sum())}
        if a.converged:
            limits = fit.interval(a, made, 0.1, settings.curves.confidence)
            row |= {"family": "weibull", "shape": a.params["shape"], "scale_days": a.params["scale"], "b10_days": limits.value,
                    "b10_low": limits.low, "b10_high": limits.high,
                    "b10_days_taken_as_exact": float(b.quantile(0.1)) if b.converged else None}
        rows.append(row | {"note": a.warning})
    if not rows:
        rows.append({"note": "No failure was found at an inspection: each came with a complaint, or no order tells an inspection."})
    return pl.DataFrame(rows, schema=schema)


def reporting_delay(con: duckdb.DuckDBPyConnection, settings: Settings) -> tuple[pl.DataFrame, pl.DataFrame]:
    """How many exports late orders come, and how much of each source's newest months is in hand.

    An export's day is the newest opening date in it; an order is on time in the first export whose day is not before its opening, and k
    exports late where it first stands in the k-th after that. Reversed-time product limit: orders not yet in hand are not there to be
    counted.
    Returns (lags: source, exports_late, orders, share_in_hand, low, high, note; months: month, source, orders, share_in_hand,
    expected_orders, is_complete), the months those that the newest exports may still add to. A source of one export tells nothing,
    and says so; nor does one whose exports never overlap in their orders' dates, as files cut by opening date do not.
    """
    import numpy as np
    import polars as pl

    from pipeline.survival import delay
    from pipeline.survival.early import share_interval

    told = read_table(con, """
        with said as (
            select file, order_id, opened_on from clean.repair_lines where order_id is not null and opened_on is not null
            union all
            select file, order_id, opened_on from clean.orders where order_id is not null and opened_on is not null
        )
        select f.source, f.table_name, s.file, s.order_id, min(s.opened_on) as opened_on
        from said s join (select distinct file, source, table_name from clean.files) f on f.file = s.file
        group by all order by all""")
    lag_schema = {"source": pl.String, "exports": pl.Int64, "exports_late": pl.Int64, "orders": pl.Int64, "share_in_hand": pl.Float64,
                  "low": pl.Float64, "high": pl.Float64, "note": pl.String}
    month_schema = {"source": pl.String, "month": pl.Date, "orders": pl.Int64, "share_in_hand": pl.Float64, "expected_orders": pl.Float64,
                    "is_complete": pl.Boolean}
    lags, months = [], []
    for (source,), part in sorted(told.group_by("source"), key=lambda g: g[0]):
        days = part.group_by("file").agg(pl.col("opened_on").max().alias("day")).sort("day", "file")
        ends = days["day"].unique().sort()
        if ends.len() < 2:
            lags.append({"source": source, "exports": ends.len(), "note": "One export: when orders first appeared cannot be told from it."})
            continue
        place = part.join(days, on="file").group_by("order_id").agg(pl.col("day").min(), pl.col("opened_on").min())
        at = np.searchsorted(ends.to_numpy(), place["day"].to_numpy())
        due = np.searchsorted(ends.to_numpy(), place["opened_on"].to_numpy())
        late, could = at - due, ends.len() - 1 - due
        if not late.any():
            lags.append({"source": source, "exports": ends.len(), "exports_late": 0, "orders": len(late), "note":
                         "No order came later than the first export that could hold it. Files cut by opening date would look the same."})
            continue
        found = delay.delay_distribution(late, could)
        for k in range(int(late.max()) + 1):
            seen = int(((could >= int(late.max())) & (late <= k)).sum())
            of = int((could >= int(late.max())).sum())
            low, high = (float(v) for v in share_interval(seen, of, settings.curves.confidence))
            lags.append({"source": source, "exports": ends.len(), "exports_late": k, "orders": int((late == k).sum()),
                         "share_in_hand": float(found.within(k)), "low": low, "high": high})
        newest = pl.DataFrame({"month": place["opened_on"].dt.truncate("1mo"), "could": could})
        newest = newest.filter(pl.col("could") < int(late.max()))
        for month in newest["month"].unique().sort().to_list():
            every = place.filter(pl.col("opened_on").dt.truncate("1mo") == month)
            waited = could[(place["opened_on"].dt.truncate("1mo") == month).to_numpy()]
            expected = float((1 / np.maximum(found.within(waited), 0.1)).sum())
            months.append({"source": source, "month": month, "orders": every.height, "share_in_hand": every.height / expected,
                           "expected_orders": expected, "is_complete": False})
    return pl.DataFrame(lags, schema=lag_schema), pl.DataFrame(months, schema=month_schema)


def mean_cumulative(watch: pl.DataFrame, events: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Repairs of each component a vehicle, in number and cost, by the vehicle's age; and of each lighting's vehicles apart where there are
    several. The vehicles of a lighting are those that carry it, repaired or not. A doubtful failure counts as its probability; its cost was
    spent whatever it was."""
    import polars as pl

    from pipeline.survival import recurrent

    parts = []
    several = watch["lighting"].n_unique() > 1 if watch.height else False
    for component in events["component"].unique().sort().to_list():
        of = events.filter(pl.col("component") == component).join(watch.select("vehicle"), on="vehicle", how="semi", maintain_order="left")
        for lighting in ["all", *(of["lighting"].unique().sort().to_list() if several else [])]:
            some = of if lighting == "all" else of.filter(pl.col("lighting") == lighting)
            seen = watch if lighting == "all" else watch.filter(pl.col("lighting") == lighting)
            for amount in (None, "cost"):
                if some.is_empty() or (amount and not some["cost"].sum()):
                    continue
                doubtful = amount is None and "p_failed" in some.columns and (some["p_failed"] < 1).any()
                made = recurrent.mean_cumulative(
                    seen.select("vehicle", "entry_days", "exit_days"), some, entry="entry_days", exit="exit_days", time="age_days",
                    amount="p_failed" if doubtful else amount, confidence=settings.curves.confidence)
                parts.append(made.with_columns(component=pl.lit(component), lighting=pl.lit(lighting), measure=pl.lit(amount or "count")))
    return pl.concat(parts) if parts else pl.DataFrame()


def trend_tests(watch: pl.DataFrame, events: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Does a component's rate of repairs a vehicle grow with the vehicle's age? Adjusted for the number of components looked at."""
    import polars as pl

    from pipeline.survival import cox, tests_of_groups

    schema = {"component": pl.String, "lighting": pl.String, "events": pl.Int64, "vehicles": pl.Int64, "statistic": pl.Float64,
              "p": pl.Float64, "p_adjusted": pl.Float64, "shape": pl.Float64, "shape_low": pl.Float64, "shape_high": pl.Float64,
              "verdict": pl.String, "note": pl.String}
    rows = []
    for (component, lighting), some in sorted(events.group_by("component", "lighting"), key=lambda g: g[0]):
        row = {"component": component, "lighting": lighting, "events": some.height, "vehicles": some["vehicle"].n_unique()}
        try:
            t = tests_of_groups.fleet_trend(watch, some, entry="entry_days", exit="exit_days", time="age_days",
                                            confidence=settings.curves.confidence)
        except ValueError as error:
            rows.append(row | {"verdict": "too few", "note": str(error)})
            continue
        rows.append(row | {"events": t.events, "vehicles": t.vehicles, "statistic": t.statistic, "p": t.p_value, "shape": t.shape,
                           "shape_low": t.shape_low, "shape_high": t.shape_high, "verdict": t.verdict})
    out = pl.DataFrame(rows, schema=schema)
    if not out.height:
        return out
    adjusted = pl.Series("p_adjusted", cox.false_discovery(out["p"].fill_null(float("nan")).to_numpy())).fill_nan(None)
    out = out.with_columns(adjusted, pl.col("shape", "shape_low", "shape_high").fill_nan(None))
    unsure = pl.col("p_adjusted") > settings.curves.false_discovery_rate
    return out.with_columns(pl.when(unsure).then(pl.lit("not told apart")).otherwise(pl.col("verdict")).alias("verdict"))
