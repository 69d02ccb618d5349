"""Curves become plans: which places, curves, costs and services go into which call of planning/, and what each table is named.

No statistics here and no words.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.lives.build import stratum_columns
from pipeline.lives.strata import banded
from pipeline.settings import Settings
from pipeline.store import read_table, write_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

DRAWS = 200
SIMULATIONS = 400
MOST_FOLLOWED = 40_000_000  # places times simulations: a large fleet needs fewer, as its counts vary less
DARK = ("low_beam_dark", "high_beam_dark")
OPEN_DAYS = 180  # a complaint older than this and never heard of again is taken as settled elsewhere (our own rule)


def plans(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """results.replacement_policy, cost_ratio_sensitivity, pair_policy, due_list, demand, demand_by_depot, stock, stock_by_depot, budget,
    dark_lamps, season_tests, plan_replay, repeat_places, several_at_once, open_defects."""
    import polars as pl

    from pipeline.planning import curves, demand, due, pairs, repeats, replacement, season, simulate, strata
    from pipeline.results import better_clocks, chance_of_failure

    own = stratum_columns(con, settings)
    lives = banded(read_table(con, "select * from lives.lives order by life_id"), own)
    if lives.is_empty():
        return
    lives = strata.with_stratum(lives.with_columns(failed=chance_of_failure()),
                                strata.choose_strata(_group_tests(con), ["vehicle_class", *own]))
    book = curves.read_curves(read_table(con, "select * from results.fits"))
    clocks, options = better_clocks(con), settings.curves
    same = {"seed": options.seed, "confidence": options.confidence}
    vehicles = _vehicles(con, settings.plan.depot_column)
    depots = vehicles.select("vehicle", "depot")
    costs = replacement.costs_or_assumed(
        read_table(con, "select customer_group, component, planned_cost, unplanned_cost from clean.costs order by file, row"), lives)
    places = curves.places_at(lives, as_of).join(depots, on="vehicle", how="left", maintain_order="left")
    plan = read_table(con, "select * from clean.service_plan order by file, row")
    rates = places.select("vehicle", "customer_group", "km_per_day").drop_nulls("km_per_day").unique(
        "vehicle", keep="first", maintain_order=True)
    every = _service_intervals(plan, rates)
    policy = replacement.replacement_policy(book, costs, services=every, use=_use(places), strata=strata.strata_values(places),
                                            draws=DRAWS, **same)
    _write(con, "replacement_policy", policy.join(_used(places, book, clocks), how="left", maintain_order="left", on=_KIND).with_columns(
        pl.col("places").fill_null(0)))
    _write(con, "cost_ratio_sensitivity", replacement.cost_ratio_sensitivity(book, draws=DRAWS, **same))
    openings = {group: {"days": 365.0, **steps} for group, steps in every.items()} or {"all": {"days": 365.0}}
    pair_rules = pairs.pair_policy(book, costs, openings, shared_labour=_shared_labour(con, settings))
    _write(con, "pair_policy", pair_rules)
    services = due.next_services(vehicles, plan if plan.height else None, as_of, km_per_day=rates)
    listed = due.due_list(places, book, policy, vehicles, services, as_of, pairs=pair_rules, clocks=clocks, costs=costs,
                          draws=DRAWS, **same)
    _write(con, "due_list", listed.join(depots, on="vehicle", how="left", maintain_order="left"))

    in_curve = lives.filter(pl.col("in_curve"))
    told, seasons = season.season_tests(in_curve, book, clocks=clocks, rate=options.false_discovery_rate, draws=DRAWS, **same)
    _write(con, "season_tests", told)
    ahead = demand.forecast(places, book, costs, policy, as_of, lead_days=settings.rules.horizon_stock_days,
                            service_level=settings.plan.service_level, depot="depot", dark=_dark(con),
                            simulations=max(100, min(SIMULATIONS, MOST_FOLLOWED // max(1, places.height))),
                            clocks=clocks, vehicles=vehicles, services=services, seasons=seasons,
                            others=simulate.other_renewals(in_curve), **same)
    for name in ("demand", "demand_by_depot", "stock", "stock_by_depot", "budget", "dark_lamps"):
        _write(con, name, getattr(ahead, name))

    _write(con, "plan_replay", _replay(con, settings, lives, ["vehicle_class", *own], costs, plan, vehicles, every, clocks, as_of))
    repeated = repeats.repeat_places(lives)
    _write(con, "repeat_places", repeats.beyond_chance(repeated, in_curve, book, clocks=clocks, rate=options.false_discovery_rate))
    _write(con, "several_at_once", repeats.several_at_once(lives))
    _write(con, "open_defects", _open_defects(con, as_of))


_KIND = ["component", "lighting", "stratum", "clock", "customer_group"]


def _write(con: duckdb.DuckDBPyConnection, name: str, table: pl.DataFrame) -> None:
    write_table(con, f"results.{name}", table)


def _group_tests(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    import polars as pl

    there = con.execute("select 1 from information_schema.tables where table_schema = 'results' and table_name = 'group_tests'").fetchall()
    return read_table(con, "select * from results.group_tests") if there else pl.DataFrame()


def _vehicles(con: duckdb.DuckDBPyConnection, depot_column: str) -> pl.DataFrame:
    """lives.vehicles with a column `depot`: the column that the settings name, where the vehicle has a value in it, else its group."""
    columns = {r[0] for r in con.execute(
        "select column_name from information_schema.columns where table_schema = 'clean' and table_name = 'vehicles'").fetchall()}
    told = f'c."{depot_column}"::varchar' if depot_column in columns and '"' not in depot_column else "null::varchar"
    return read_table(con, f"""
        select v.*, coalesce(c.depot, v.customer_group, 'all') as depot
        from lives.vehicles v
        left join (select vehicle, any_value({told}) as depot from clean.vehicles c group by vehicle) c using (vehicle)
        order by v.vehicle""")


def _service_intervals(plan: pl.DataFrame, rates: pl.DataFrame) -> dict[str, dict[str, float]]:
    """Time between services by customer group ("all" for those without a plan of their own) and clock: whichever of days and km comes
    first at the group's median rate. Plans of single vehicles stand for their group by their median."""
    import polars as pl

    if plan.is_empty():
        return {}
    groups = dict(rates.select("vehicle", "customer_group").iter_rows())
    rows = plan.with_columns(customer_group=pl.col("customer_group").fill_null(
        pl.col("vehicle").replace_strict(groups, default=None, return_dtype=pl.String)).fill_null("all"))
    of_group = rows.filter(pl.col("vehicle").is_null())
    single = rows.filter(~pl.col("customer_group").is_in(of_group["customer_group"].implode()))
    out = {}
    for (group,), some in pl.concat([of_group, single]).sort("customer_group").group_by("customer_group", maintain_order=True):
        days, km = some["interval_days"].median(), some["interval_km"].median()
        rate = (rates if group == "all" else rates.filter(pl.col("customer_group") == group))["km_per_day"].median()
        gaps = [x for x in (days, km / rate if km and rate else None) if x]
        if gaps:
            out[group] = {"days": float(min(gaps)), **({"km": float(min(gaps) * rate)} if rate else {})}
    return out


def _use(places: pl.DataFrame) -> dict:
    """How many parts of a kind a vehicle has, and how far its group runs in a day."""
    import polars as pl

    from pipeline.planning.replacement import Use

    out = {}
    for groups in ([pl.lit("all").alias("group")], [pl.col("customer_group").alias("group")]):
        counted = places.group_by("component", "lighting", *groups).agg(
            (pl.len() / pl.col("vehicle").n_unique()).alias("each"), pl.col("km_per_day").median())
        out |= {(c, light, g): Use(each, rate) for c, light, g, each, rate in counted.iter_rows() if g is not None}
    return out


def _used(places: pl.DataFrame, book, clocks: dict[str, str]) -> pl.DataFrame:
    """How many places in service go by each rule: component, lighting, stratum, clock, customer group, places."""
    import polars as pl

    from pipeline.planning.curves import find_curve, place_clock

    kinds = places.select("component", "lighting", "stratum").unique()
    rows = []
    for component, lighting, stratum in kinds.iter_rows():
        clock = place_clock(book, component, lighting, clocks)
        for this in ("days", "km") if clock else ():
            found = [find_curve(book, component, lighting, g, this, stratum) for g in ("original", "replacement")]
            own = any(f is not None and f.stratum == stratum for f in found)
            rows.append((component, lighting, stratum, this, clock, stratum if own else "all"))
    names = ["component", "lighting", "stratum", "clock", "_wanted", "_rule"]
    rules = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    known = pl.col("age_km").is_not_null() & pl.col("km_per_day").is_not_null()
    joined = places.join(rules, on=["component", "lighting", "stratum"])
    joined = joined.filter(pl.col("clock") == pl.when((pl.col("_wanted") == "km") & known).then(pl.lit("km")).otherwise(pl.lit("days")))
    counted = [joined.with_columns(customer_group=g) for g in (pl.col("customer_group"), pl.lit("all"))]
    return pl.concat(counted).group_by("component", "lighting", pl.col("_rule").alias("stratum"), "clock", "customer_group").agg(
        pl.len().cast(pl.Int64).alias("places"))


def _shared_labour(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, float]:
    """Labour that both sides of a part share when done at once: the access step named for its check, at the workshop's rate."""
    rate = settings.costs.labour_rate_per_hour or con.execute("""
        select median(labour_cost / labour_hours) from clean.repair_lines where labour_hours > 0 and labour_cost > 0""").fetchall()[0][0]
    if not rate:
        return {}
    told = con.execute("""
        select component, max(opens_minutes) from clean.access
        where opens is not null and opens_minutes > 0 group by component""").fetchall()
    return {component: float(minutes) / 60 * float(rate) for component, minutes in told}


def _dark(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[float, float]]:
    """component -> confirmed failures that made a lamp dark, and those that were noticed by something else."""
    rows = con.execute("""
        select cause, sum(p) filter (where symptom in (select unnest($1::varchar[]))),
               sum(p) filter (where symptom not in (select unnest($1::varchar[])))
        from lives.episodes where symptom is not null and symptom <> 'unknown' group by cause order by cause""", [list(DARK)]).fetchall()
    return {cause: (float(yes or 0), float(no or 0)) for cause, yes, no in rows}


def _replay(con: duckdb.DuckDBPyConnection, settings: Settings, lives: pl.DataFrame, columns: list[str], costs: pl.DataFrame,
            plan: pl.DataFrame, vehicles: pl.DataFrame, every: dict, clocks: dict[str, str], as_of: dt.date) -> pl.DataFrame:
    import polars as pl

    from pipeline.planning import due, replay

    year = as_of.year - 1
    then = dt.date(year, as_of.month, min(as_of.day, 28 if as_of.month == 2 else as_of.day))
    visited = read_table(con, "select vehicle, visited_on from lives.visits order by all").filter(pl.col("visited_on") <= then)
    seen = visited.group_by("vehicle").agg(pl.col("visited_on").max().alias("last_visit_on"))
    # The date of a next service, as the plan gives it, is today's; what it was then is not known.
    plan_then = plan.with_columns(next_service_on=pl.lit(None, dtype=pl.Date)) if plan.height else None
    there = vehicles.select("vehicle", "customer_group").join(seen, on="vehicle")

    def services_at(known: pl.DataFrame) -> pl.DataFrame:
        rates = known.select("vehicle", "km_per_day").drop_nulls().unique("vehicle", keep="first", maintain_order=True)
        return due.next_services(there, plan_then, then, km_per_day=rates)

    return replay.replay_plan(lives, costs, services_at, then, as_of, clocks=clocks, services=every, columns=columns,
                              rate=settings.curves.false_discovery_rate,
                              min_failures=settings.curves.min_failures, seed=settings.curves.seed, confidence=settings.curves.confidence)


def _open_defects(con: duckdb.DuckDBPyConnection, as_of: dt.date) -> pl.DataFrame:
    """Complaints of a lamp within the last half year for which no work on a headlamp part is on record since, on vehicles still watched:
    vehicle, unit_number, customer_group, order_id, reported_on, symptom, side, days_open."""
    return read_table(con, f"""
        with told as (
            select r.vehicle, r.order_id, r.opened_on, any_value(c.symptom) as symptom, any_value(c.complaint_side) as side
            from clean.repair_lines r join clean.classified_lines c using (line_key)
            where c.symptom is not null and c.symptom <> 'other'
              and r.opened_on between date '{as_of:%Y-%m-%d}' - {OPEN_DAYS} and date '{as_of:%Y-%m-%d}'
            group by r.vehicle, r.order_id, r.opened_on
        ),
        worked as (
            select r.vehicle, coalesce(r.closed_on, r.opened_on) as worked_on
            from clean.repair_lines r join clean.classified_lines c using (line_key)
            where c.component is not null and c.action in ('replaced', 'refitted', 'repaired', 'adjusted', 'cleaned')
        )
        select t.vehicle, v.unit_number, v.customer_group, t.order_id, t.opened_on as reported_on, t.symptom, t.side,
               (date '{as_of:%Y-%m-%d}' - t.opened_on)::bigint as days_open
        from told t join lives.vehicles v using (vehicle)
        where v.leaving = 'in_service'
          and not exists (from worked w where w.vehicle = t.vehicle and w.worked_on >= t.opened_on)
        order by t.symptom not in ('low_beam_dark', 'high_beam_dark'), t.opened_on, t.vehicle, t.order_id""")
