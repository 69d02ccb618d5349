"""Lives become results: reads tables of the build, calls the pure rooms (survival, suspects, planning), leaves results.* tables.

No statistics here and no words: only which lives go into which call, and what the resulting table is named.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.lives.build import stratum_columns
from pipeline.lives.strata import KEYS, banded, stratify
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
    """results.survival_curves, curve_accounts, fits, life_summary, clocks, hazard_ratios, group_tests, walk_in_sensitivity,
    inspection_findings, reporting_delay, months_not_complete."""
    import polars as pl

    from pipeline import results_curves
    from pipeline.survival import clocks, cox, fit, nonparametric

    con.execute("create schema if not exists results")
    own = stratum_columns(con, settings)
    lives = banded(_lives(con), own).with_columns(failed=chance_of_failure())
    options = settings.curves
    curve_options = {"entry": "entry", "exit": "exit", "cluster": "vehicle", "min_at_risk": options.min_at_risk,
                     "min_failures": options.min_failures, "confidence": options.confidence,
                     "p_failed": "p_failed", "otherwise": "ending_otherwise"}
    fit_options = {"entry": "entry", "exit": "exit", "event": "failed", "cluster": "vehicle", "min_failures": options.min_failures,
                   "confidence": options.confidence}
    curve_parts, fit_parts, summary_parts, account_parts = [], [], [], []
    for clock in CLOCKS:
        long = stratify(_on_clock(lives, clock), [*own, *_LIFE_STRATA])
        pooled = pl.col("supplier").eq("all") & pl.col("stratum").eq("all")
        events = ("failed",) if clock == "hours" else ("failed", *_OTHER_ENDINGS)
        for event in events:
            made = nonparametric.curve_set(long if event == "failed" else long.filter(pooled), KEYS, event=event, **curve_options)
            curve_parts.append(made.with_columns(pl.lit(clock).alias("clock")))
        account_parts.append(results_curves.curve_accounts(long, KEYS, clock, settings))
        # Every family where lives are pooled; strata are told apart by their Weibull shape and scale.
        # Lit hours are a fixed multiple of km: their fits are those of km on another scale, and are not made again.
        if clock == "hours":
            continue
        no_fit = pl.any_horizontal(pl.col("stratum").str.starts_with(f"{c}=") for c in _NO_FIT)
        # Strata with too few failures borrow, and say so.
        by_kind = pooled | pl.col("lighting").ne("all") | (long["lighting"].n_unique() == 1)
        fits, summary = fit.fit_set(long.filter(~no_fit & by_kind), KEYS, clock=clock, families=_families, **fit_options)
        fit_parts.append(fits)
        summary_parts.append(summary)
    _write(con, "survival_curves", curve_parts, [*KEYS, "event", "clock", "t"])
    _write(con, "curve_accounts", account_parts, [*KEYS, "clock"])
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
    seasonal = _on_clock(lives, "days").with_columns(season=_season(pl.col("start_on")))
    tested = ("supplier", "grade", "light_source_category", "vehicle_class", "side", "season", *own)
    _write(con, "group_tests", [results_curves.group_tests(seasonal, list(tested), settings)], [])
    _write(con, "walk_in_sensitivity", [results_curves.walk_in_sensitivity(con, settings)], [])
    _write(con, "inspection_findings", [results_curves.inspection_findings(con, settings)], [])
    for name, table in zip(("reporting_delay", "months_not_complete"), results_curves.reporting_delay(con, settings), strict=True):
        _write(con, name, [table], [])


def chance_of_failure() -> pl.Expr:
    """The probability that a life ended by failing: 1 or 0 where that is sure (see sql/3_endings/40_endings.sql)."""
    import polars as pl

    doubtful = pl.col("ending").is_in(["failed", "wrong_suspect"])
    return pl.when(doubtful).then(pl.col("p_failed").fill_null(1.0)).otherwise(0.0)


def _families(key: tuple) -> tuple[str, ...]:
    from pipeline.survival.fit import DEFAULT_FAMILIES

    return DEFAULT_FAMILIES if key[3] == "all" and key[4] == "all" else _FEW_FAMILIES


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


def suspicion(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """results.priors, results.check_order, results.backtest*, results.code_value, and results.bench: what the bench answers from."""
    import json

    import polars as pl

    from pipeline.suspects import backtest, bench, course, grid, model, order, symptoms

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
    source = "given"
    if not access.height:
        access = order.access_from_labour(lives)
        source = "labour" if (access["source"] == "labour").any() else "examples"
    orders = order.check_order(priors, access)
    _write(con, "check_order", [orders], [])
    _write(con, "minutes_saved", [course.minutes_saved(priors, orders)], [])
    tested = backtest.backtest(lives, episodes, parts, as_of=as_of, seed=settings.curves.seed, km_edges=km_edges,
                               age_edges_days=age_edges, clocks=clocks, confidence=settings.curves.confidence)
    better = tested.is_better if tested.scores.height else None
    _write(con, "backtest", [tested.scores.with_columns(pl.lit(tested.verdict).alias("verdict"), pl.lit(better).alias("is_better"))], [])
    _write(con, "backtest_reliability", [tested.reliability], [])
    causes = episodes.group_by("lighting", pl.col("cause").alias("component")).agg(pl.col("p").sum().alias("cases"))
    _write(con, "fault_codes", [symptoms.code_value(made.codes, _cause_counts(made.codes, causes), settings.curves.confidence)], [])
    data = bench.bench_data(made, cells, confidence=settings.curves.confidence)
    data |= {"access": access.to_dicts(), "as_of": as_of.isoformat(), "access_is_example": source != "given", "access_source": source,
             "beats_baselines": better, "backtest": tested.verdict}
    _write(con, "suspicion_by_km", [course.by_km(data)], [])
    _write(con, "suspicion_after_renewal", [course.after_renewal(data)], [])
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


def summaries(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """results.mean_cumulative (count and cost), trend_tests, results.wrong_suspects with shares and intervals."""
    from pipeline import results_curves

    watch = read_table(con, "select * from results.watch where exit_days > entry_days")
    events = read_table(con, "select * from results.recurrences")
    _write(con, "trend_tests", [results_curves.trend_tests(watch, events, settings)], [])
    parts = [results_curves.mean_cumulative(watch, events, settings)]
    _write(con, "mean_cumulative", parts, ["component", "lighting", "measure", "t"])

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
