"""Lives become results: reads tables of the build, calls the pure rooms (survival, suspects, planning), leaves results.* tables.

No statistics here and no words: only which lives go into which call, and what the resulting table is named.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.lives.build import stratum_columns
from pipeline.lives.strata import KEYS, stratify
from pipeline.settings import Settings
from pipeline.store import read_table, write_table

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import polars as pl

    from pipeline.suspects.symptoms import CodeTable

CLOCKS = ("days", "km", "hours")
# Lit hours are a fixed multiple of km (see settings.clocks): they are worth a curve only for parts that age while lit.
_LIT = ("lamp", "igniter", "ballast", "led_module", "led_driver")
_OTHER_ENDINGS = ("planned", "paired", "with_assembly", "collision", "wrong_suspect")
_FEW_FAMILIES = ("exponential", "weibull")
# Strata that have curves but no fits of their own: too many, and sides are alike.
_NO_FIT = ("part_number", "side")
_LIFE_STRATA = ("grade", "light_source_category", "vehicle_class", "side", "part_number")


def _lives(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return read_table(con, "select * from lives.lives where in_curve order by life_id")


def _on_clock(lives: pl.DataFrame, clock: str) -> pl.DataFrame:
    import polars as pl

    out = lives.with_columns(pl.col(f"entry_{clock}").alias("entry"), pl.col(f"exit_{clock}").alias("exit"))
    out = out.filter(pl.col("exit").is_not_null() & (pl.col("exit") > pl.col("entry")))
    return out.filter(pl.col("component").is_in(_LIT)) if clock == "hours" else out


def curves(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """results.survival_curves, results.fits, results.life_summary, results.clocks, results.hazard_ratios."""
    import polars as pl

    from pipeline.survival import clocks, cox, fit, nonparametric

    con.execute("create schema if not exists results")
    lives = _lives(con)
    own = stratum_columns(con, settings)
    options = settings.curves
    curve_options = {"entry": "entry", "exit": "exit", "cluster": "vehicle", "min_at_risk": options.min_at_risk,
                     "min_failures": options.min_failures, "confidence": options.confidence}
    fit_options = {"entry": "entry", "exit": "exit", "event": "failed", "cluster": "vehicle", "min_failures": options.min_failures,
                   "confidence": options.confidence}
    curve_parts, fit_parts, summary_parts = [], [], []
    for clock in CLOCKS:
        long = stratify(_on_clock(lives, clock), [*own, *_LIFE_STRATA])
        pooled = pl.col("supplier").eq("all") & pl.col("stratum").eq("all")
        events = ("failed",) if clock == "hours" else ("failed", *_OTHER_ENDINGS)
        for event in events:
            made = nonparametric.curve_set(long if event == "failed" else long.filter(pooled), KEYS, event=event, **curve_options)
            curve_parts.append(made.with_columns(pl.lit(clock).alias("clock")))
        # Every family where lives are pooled; strata are told apart by their Weibull shape and scale. Pooled rows go into the second
        # call too, so that thin strata borrow from them; their few-family answers are then dropped.
        # Lit hours are a fixed multiple of km: their fits are those of km on another scale, and are not made again.
        tables = []
        if clock != "hours":
            tables.append(fit.fit_set(long.filter(pooled), KEYS, clock=clock, **fit_options))
            no_fit = pl.any_horizontal(pl.col("stratum").str.starts_with(f"{c}=") for c in _NO_FIT)
            own_failures = (pl.col("ending") == "failed").sum().over(KEYS)
            # A supplier with too few failures borrows, and says so; a thin class or duty is left to its parent's row.
            worth = pl.col("stratum").eq("all") | (own_failures >= options.min_failures)
            by_kind = pooled | pl.col("lighting").ne("all") | (long["lighting"].n_unique() == 1)
            few = fit.fit_set(long.filter(~no_fit & worth & by_kind), KEYS, clock=clock, families=_FEW_FAMILIES, **fit_options)
            tables.append(tuple(t.filter(~pooled) for t in few))
        fit_parts += [t[0] for t in tables]
        summary_parts += [t[1] for t in tables]
    _write(con, "survival_curves", curve_parts, [*KEYS, "event", "clock", "t"])
    _write(con, "fits", fit_parts, [*KEYS, "clock", "family"])
    _write(con, "life_summary", summary_parts, [*KEYS, "clock"])

    both = lives.filter(pl.col("exit_km").is_not_null() & pl.col("km_per_day").is_not_null())
    _write(con, "clocks", [clocks.compare_clocks(both, ["component", "lighting", "origin"])], ["component", "lighting", "origin"])
    later = _on_clock(lives, "days").filter(pl.col("origin") == "replacement").with_columns(
        season=_season(pl.col("start_on")))
    # A column that is blank on most lives would leave most lives out of the fit.
    covariates = [c for c in ("supplier", "grade", "vehicle_class", "side", "season", *own)
                  if c in later.columns and later[c].null_count() <= later.height / 2]
    ratios = cox.hazard_ratios(later, covariates, ["component"], entry="entry", exit="exit", event="failed", baseline=["lighting"],
                               min_failures=options.min_failures, confidence=options.confidence, rate=options.false_discovery_rate)
    _write(con, "hazard_ratios", [ratios], [])


def _season(day: pl.Expr) -> pl.Expr:
    """The season of fitting on the northern half, by month (December to February is winter)."""
    import polars as pl

    month = day.dt.month()
    return (pl.when(month.is_in([12, 1, 2])).then(pl.lit("winter")).when(month <= 5).then(pl.lit("spring"))
            .when(month <= 8).then(pl.lit("summer")).otherwise(pl.lit("autumn")))


def _write(con: duckdb.DuckDBPyConnection, name: str, parts: list[pl.DataFrame], first: list[str]) -> None:
    """One results.* table from its parts, `first` columns in front, rows in their order."""
    import polars as pl

    frames = [p for p in parts if p.width]
    table = pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame({"note": []}, schema={"note": pl.String})
    there = [c for c in first if c in table.columns]
    table = table.select(*there, *[c for c in table.columns if c not in there])
    write_table(con, f"results.{name}", table.sort(there, maintain_order=True, nulls_last=True) if there else table)


def early(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """results.early_failures, by component and lighting, supplier, part number, lot, grade; results.band_hazards, results.funnel."""
    import polars as pl

    from pipeline.survival import early as rooms

    lives = _lives(con).filter(pl.col("origin") == "replacement")
    options = settings.curves
    parts = []
    for clock, windows in (("days", rooms.DAY_WINDOWS), ("km", rooms.KM_WINDOWS)):
        told = _on_clock(lives, clock)
        for keys in (["component", "lighting"], ["component", "lighting", "supplier"], ["component", "lighting", "supplier", "part_number"],
                     ["component", "lighting", "supplier", "part_number", "lot"], ["component", "lighting", "grade"]):
            some = told.drop_nulls([k for k in keys if k in ("part_number", "lot", "grade")])
            if some.is_empty():
                continue
            parts.append(rooms.early_failures(some, keys, windows, clock, rate=options.false_discovery_rate,
                                              confidence=options.confidence))
    names = ["component", "lighting", "supplier", "part_number", "lot", "grade"]
    table = pl.concat(parts, how="diagonal_relaxed") if parts else pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    # Every key column is there; `all` where a row is pooled over it.
    table = table.with_columns(*[(pl.col(n) if n in table.columns else pl.lit(None, dtype=pl.String)).fill_null("all").alias(n)
                                 for n in names])
    _write(con, "early_failures", [table], [*names, "window_days"])
    every = _lives(con)
    _write(con, "hazard_bands", [rooms.hazard_bands(every)], [])
    _write(con, "replacement_against_original", [rooms.replacement_against_original(every)], [])


def suspicion(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """results.priors, results.check_order, results.backtest*, results.code_value, and results.bench: what the bench answers from."""
    import json

    import polars as pl

    from pipeline.suspects import backtest, bench, grid, model, order, symptoms

    lives = read_table(con, "select * from lives.lives order by life_id")
    episodes = read_table(con, "select * from lives.episodes order by episode_id")
    parts = read_table(con, "select * from lives.episode_parts order by episode_id, component, side")
    clocks = better_clocks(con)
    km_edges = settings.grid.km_edges
    age_edges = [365.25 * y for y in settings.grid.age_edges_years]
    try:
        made = model.fit_model(lives, episodes, parts, clocks=clocks, as_of=as_of, seed=settings.curves.seed,
                               recent_days=settings.rules.recent_days)
    except ValueError as error:  # nothing to rank: said on the pages, not a fault of the data
        _nothing_to_rank(con, str(error))
        return
    cells = grid.make_cells(made, episodes, parts, km_edges, age_edges)
    priors = grid.priors(made, lives, episodes, parts, km_edges, age_edges, confidence=settings.curves.confidence, cells=cells)
    _write(con, "priors", [priors], [])
    access = read_table(con, "select component, check_minutes, opens, opens_minutes from clean.access order by file, row")
    access = access if access.height else order.EXAMPLE_ACCESS
    _write(con, "check_order", [order.check_order(priors, access)], [])
    tested = backtest.backtest(lives, episodes, parts, as_of=as_of, seed=settings.curves.seed, km_edges=km_edges,
                               age_edges_days=age_edges, clocks=clocks, confidence=settings.curves.confidence)
    _write(con, "backtest", [tested.scores.with_columns(pl.lit(tested.verdict).alias("verdict"))], [])
    _write(con, "backtest_reliability", [tested.reliability], [])
    causes = episodes.group_by("lighting", pl.col("cause").alias("component")).agg(pl.col("p").sum().alias("cases"))
    _write(con, "fault_codes", [symptoms.code_value(made.codes, _cause_counts(made.codes, causes), settings.curves.confidence)], [])
    data = bench.bench_data(made, cells, confidence=settings.curves.confidence)
    data |= {"access": access.to_dicts(), "as_of": as_of.isoformat(), "access_is_example": access is order.EXAMPLE_ACCESS}
    _write(con, "bench", [pl.DataFrame({"json": [json.dumps(data, sort_keys=True, allow_nan=False)]})], [])


_PRIOR_COLUMNS = {"symptom": "String", "lighting": "String", "vehicle_class": "String", "km_low": "Float64", "km_high": "Float64",
                  "age_low_days": "Float64", "age_high_days": "Float64", "recently_replaced": "String", "component": "String",
                  "probability": "Float64", "low": "Float64", "high": "Float64", "effective_cases": "Float64", "basis": "String"}


def _nothing_to_rank(con: duckdb.DuckDBPyConnection, why: str) -> None:
    """The tables of suspicion, empty, with the reason as a note."""
    import polars as pl

    priors = pl.DataFrame(schema={k: getattr(pl, v) for k, v in _PRIOR_COLUMNS.items()})
    _write(con, "priors", [priors], [])
    _write(con, "check_order", [priors.select("symptom", "lighting", "component", "probability")], [])
    _write(con, "suspicion_notes", [pl.DataFrame({"topic": ["limits"], "text": [f"No part can be ranked as a suspect: {why}."]})], [])


def _cause_counts(codes: CodeTable, causes: pl.DataFrame) -> np.ndarray:
    """Confirmed cases as an array (lighting, component) in the order of the code table."""
    import numpy as np

    out = np.zeros((len(codes.lightings), len(codes.components)))
    for lighting, component, cases in causes.iter_rows():
        if lighting in codes.lightings and component in codes.components:
            out[codes.lightings.index(lighting), codes.components.index(component)] += cases
    return out


def better_clocks(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """The better clock (days or km) of each component, where the data tells them apart: of the stratum with the most failures."""
    import polars as pl

    told = read_table(con, "select * from results.clocks")
    if "better" not in told.columns:
        return {}
    told = told.filter(pl.col("better").is_in(["days", "km"])).sort("failures", descending=True, maintain_order=True)
    return dict(told.unique("component", keep="first", maintain_order=True).select("component", "better").iter_rows())


def plans(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """results.replacement_policy, cost_ratio_sensitivity, pair_policy, due_list, demand, stock, budget, repeat_places, several_at_once."""
    from pipeline.planning import curves, demand, due, pairs, repeats, replacement

    lives = read_table(con, "select * from lives.lives order by life_id")
    if lives.is_empty():
        return
    fits = read_table(con, "select * from results.fits")
    vehicles = read_table(con, "select * from lives.vehicles order by vehicle")
    costs = replacement.costs_or_assumed(
        read_table(con, "select customer_group, component, planned_cost, unplanned_cost from clean.costs order by file, row"), lives)
    service = read_table(con, "select * from clean.service_plan order by file, row")
    clocks, options = better_clocks(con), settings.curves
    policy = replacement.replacement_policy(fits, costs, draws=100, seed=options.seed, confidence=options.confidence)
    _write(con, "replacement_policy", [policy], [])
    _write(con, "cost_ratio_sensitivity", [replacement.cost_ratio_sensitivity(fits, draws=100, seed=options.seed, confidence=options.confidence)], [])
    pair_rules = pairs.pair_policy(fits, costs, {"days": 365.0, "km": 20_000.0})
    _write(con, "pair_policy", [pair_rules], [])
    places = curves.places_at(lives, as_of)
    services = due.next_services(vehicles, service if service.height else None, as_of)
    _write(con, "due_list", [due.due_list(places, fits, policy, vehicles, services, as_of, pairs=pair_rules, clocks=clocks, costs=costs,
                                          seed=options.seed, confidence=options.confidence)], [])
    _write(con, "demand", [demand.demand(places, fits, as_of, seed=options.seed, clocks=clocks, confidence=options.confidence)], [])
    _write(con, "stock", [demand.stock_to_hold(places, fits, as_of, simulations=200, lead_days=settings.rules.horizon_stock_days, seed=options.seed,
                                               clocks=clocks)], [])
    _write(con, "budget", [demand.budget(places, fits, costs, as_of, simulations=200, seed=options.seed, clocks=clocks, confidence=options.confidence)], [])
    _write(con, "repeat_places", [repeats.repeat_places(lives)], [])
    _write(con, "several_at_once", [repeats.several_at_once(lives)], [])


def summaries(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """results.mean_cumulative (count and cost), results.wrong_suspects with shares and intervals."""
    import polars as pl

    from pipeline.survival import recurrent

    watch = read_table(con, "select * from results.watch where exit_days > entry_days")
    events = read_table(con, "select * from results.recurrences")
    parts = []
    for component in events["component"].unique().sort().to_list():
        some = events.filter(pl.col("component") == component).join(watch.select("vehicle"), on="vehicle", how="semi")
        for amount in (None, "cost"):
            if amount and not some["cost"].sum():
                continue
            made = recurrent.mean_cumulative(watch.select("vehicle", "entry_days", "exit_days"), some, entry="entry_days", exit="exit_days",
                                             time="age_days", amount=amount, confidence=settings.curves.confidence)
            parts.append(made.with_columns(pl.lit(component).alias("component"), pl.lit(amount or "count").alias("measure")))
    _write(con, "mean_cumulative", parts, ["component", "measure", "t"])

    counts = read_table(con, "select * from results.wrong_suspects_counts")
    _write(con, "wrong_suspects", [rates_of(counts, settings.curves.confidence)], ["first_replaced", "cause", "symptom"])
    con.execute("drop table results.wrong_suspects_counts")


def rates_of(counts: pl.DataFrame, confidence: float) -> pl.DataFrame:
    """Adds to each pair of first part and cause its share of all first replacements of that part, with exact binomial limits
    (Clopper and Pearson 1934, Biometrika 26:404-413); rows where the first part was the cause are kept: they are the rest."""
    import numpy as np
    import polars as pl
    from scipy.stats import beta

    out = counts.with_columns(pl.col("n").sum().over("first_replaced").alias("replaced_first"))
    n, m = out["n"].to_numpy(), out["replaced_first"].to_numpy()
    tail = (1 - confidence) / 2
    low = np.where(n > 0, beta.ppf(tail, n, m - n + 1), 0.0)
    high = np.where(n < m, beta.ppf(1 - tail, n + 1, np.maximum(m - n, 1e-12)), 1.0)
    return out.with_columns((pl.col("n") / pl.col("replaced_first")).alias("share"), pl.Series("low", low), pl.Series("high", high),
                            (pl.col("first_replaced") == pl.col("cause")).alias("is_right_first_time"))
