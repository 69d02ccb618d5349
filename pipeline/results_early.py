"""Parts that came back become results: early failures, what they rest on, the watch over time, comebacks with their exposure, wrong first
guesses, and what a supplier's part costs per year in service.

As in results.py: which rows go into which pure call, and what the table is named; no statistics and no words here.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.results import _lives, _on_clock, _write, better_clocks
from pipeline.settings import Settings
from pipeline.store import read_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

KEYS = ("component", "lighting", "supplier", "part_number", "lot", "grade")
_BY_SUPPLIER = ["component", "lighting", "supplier"]
_BY_PART = [*_BY_SUPPLIER, "part_number"]
_BY_LOT = [*_BY_PART, "lot"]
_WATCH_DAYS = 180  # failures later than this tell wear as much as a bad piece
_GUESS_DIMENSIONS = ("month", "symptom", "fault_code", "lighting")


def early(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """results.early_failures, by component and lighting, supplier, part number, lot, grade; results.verdict_power,
    results.defective_shares,
    results.hazard_bands, results.replacement_against_original, results.early_against_later, results.comeback_watch,
    results.first_months_known, results.supplier_costs."""
    import polars as pl

    from pipeline.survival import early as rooms
    from pipeline.survival import standing_out

    lives = _lives(con).filter(pl.col("origin") == "replacement")
    options = settings.curves
    parts, power, by_lot = [], [], None
    for clock, windows in (("days", rooms.DAY_WINDOWS), ("km", rooms.KM_WINDOWS)):
        told = _on_clock(lives, clock)
        for keys in (["component", "lighting"], _BY_SUPPLIER, _BY_PART, _BY_LOT, ["component", "lighting", "grade"]):
            some = told.drop_nulls([k for k in keys if k in ("part_number", "lot", "grade")])
            if some.is_empty():
                continue
            made = rooms.early_failures(some, keys, windows, clock, rate=options.false_discovery_rate, confidence=options.confidence)
            parts.append(made)
            if keys == _BY_SUPPLIER and clock == "days":
                power.append(
                    standing_out.power_of_verdicts(made, rate=options.false_discovery_rate).select(
                        *keys, "window_days", "fitted", "failed", "expected", "bar", "power"
                    )
                )
            if keys == _BY_LOT and clock == "days":
                by_lot = made
    table = pl.concat(parts, how="diagonal_relaxed") if parts else pl.DataFrame(schema=dict.fromkeys(KEYS, pl.String))
    # Every key column is there; `all` where a row is pooled over it.
    table = table.with_columns(
        *[(pl.col(n) if n in table.columns else pl.lit(None, dtype=pl.String)).fill_null("all").alias(n) for n in KEYS]
    )
    _write(con, "early_failures", [table], [*KEYS, "window_days"])
    _write(con, "verdict_power", power, [*_BY_SUPPLIER, "window_days"])
    if by_lot is not None:
        worse = by_lot.filter(pl.col("verdict") == "worse")
        _write(
            con,
            "defective_shares",
            [standing_out.defective_shares(lives, worse, _BY_LOT, confidence=options.confidence, min_failures=options.min_failures)],
            _BY_LOT,
        )
    every = _lives(con)
    _write(con, "hazard_bands", [rooms.hazard_bands(every, confidence=options.confidence)], [])
    _write(
        con,
        "replacement_against_original",
        [rooms.replacement_against_original(every, confidence=options.confidence, min_failures=options.min_failures)],
        [],
    )
    _write(
        con, "early_against_later", [rooms.early_against_later(every, confidence=options.confidence, min_failures=options.min_failures)], []
    )
    _watch(con, settings, lives, as_of)
    _supplier_costs(con, settings, lives)


def _watch(con: duckdb.DuckDBPyConnection, settings: Settings, lives: pl.DataFrame, as_of: dt.date) -> None:
    """results.comeback_watch: each component's and each supplier's comebacks by month; results.first_months_known: lots, part numbers and
    suppliers that stood out above the others, and since when that could have been known."""
    import polars as pl

    from pipeline.survival import monitor, watch
    from pipeline.survival.early import false_discoveries

    options = settings.curves
    known_supplier = lives.filter(pl.col("supplier") != "unknown")
    series = []
    for keys, some in ((["component", "lighting"], lives), (_BY_SUPPLIER, known_supplier)):
        made = watch.watch_by_month(some, keys, as_of=as_of, seed=options.seed, min_failures=options.min_failures)
        series.append(made if "supplier" in keys else made.with_columns(supplier=pl.lit("all")))
    _write(con, "comeback_watch", series, [*_BY_SUPPLIER, "month"])
    groups = []
    for level, keys in (("supplier", _BY_SUPPLIER), ("part_number", _BY_PART), ("lot", _BY_LOT)):
        some = known_supplier.drop_nulls([k for k in keys if k in ("part_number", "lot")])
        if some.is_empty():
            continue
        months = monitor.observed_expected_by_month(some, keys, window_days=_WATCH_DAYS, as_of=as_of)
        found = monitor.first_month_known(months, keys, seed=options.seed, runs=10_000)
        q = false_discoveries(found["p_value"].fill_null(float("nan")).to_numpy())
        groups.append(
            found.with_columns(
                level=pl.lit(level),
                window_days=pl.lit(_WATCH_DAYS, dtype=pl.Int64),
                watched=pl.lit(found.height, dtype=pl.Int64),
                q_value=pl.Series(q).fill_nan(None),
            )
        )
    if groups:
        table = pl.concat(groups, how="diagonal_relaxed")
        table = table.with_columns(
            *[
                (pl.col(n) if n in table.columns else pl.lit(None, dtype=pl.String)).fill_null("all").alias(n)
                for n in ("part_number", "lot")
            ]
        )
        stands_out = (pl.col("q_value") <= options.false_discovery_rate) & pl.col("first_month").is_not_null()
        few = pl.max_horizontal(pl.col("observed").cast(pl.Float64), pl.col("expected")) < options.min_failures
        table = table.with_columns(
            verdict=pl.when(stands_out)
            .then(pl.lit("stands out"))
            .when(few | pl.col("p_value").is_null())
            .then(pl.lit("too few"))
            .otherwise(pl.lit("not told apart"))
        )
        _write(con, "first_months_known", [table], ["level", *_BY_LOT])


def _supplier_costs(con: duckdb.DuckDBPyConnection, settings: Settings, lives: pl.DataFrame) -> None:
    """results.supplier_costs: by supplier, and by supplier and part number, within component, lighting and light source category."""
    import polars as pl

    from pipeline.survival import buying

    priced = read_table(
        con,
        """
        with spread as (select line_key, count(*) as places from lives.placed group by all),
        paid as (
            select l.life_id, c.part_cost / coalesce(s.places, 1) as price, c.labour_cost / coalesce(s.places, 1) as labour
            from lives.lives l join clean.lines c on c.file = l.fitted_file and c.row = l.fitted_row
            left join spread s on s.line_key = c.line_key
            where l.generation > 0
        )
        select * from paid order by life_id""",
    )
    some = lives.filter(pl.col("supplier") != "unknown").join(priced, on="life_id", how="left", maintain_order="left")
    # Categories differ in price and life: within a component where most parts have one, only like is compared with like.
    known = pl.col("light_source_category").is_not_null()
    mostly = known.mean().over("component") > 0.5
    some = some.filter(known | ~mostly).with_columns(kind=pl.when(mostly).then("light_source_category").otherwise(pl.lit("all")))
    clocks = better_clocks(con)
    costs = read_table(
        con,
        """
        select component, median(unplanned_cost - planned_cost) as extra from clean.costs
        where unplanned_cost >= planned_cost group by component order by component""",
    )
    extra_of = dict(costs.iter_rows())
    keys, options = ["component", "lighting", "kind"], settings.curves
    parts = []
    for number, ((component, _lighting, _kind), part) in enumerate(some.group_by(keys, maintain_order=True)):
        clock = clocks.get(component, "days")
        pace = part["km_per_day"].drop_nulls().median()
        if clock == "km" and not pace:
            clock = "days"
        labour = part.filter(pl.col("labour") > 0)["labour"].median() or 0.0
        for level, group in (("supplier", ["supplier"]), ("part_number", ["supplier", "part_number"])):
            here = part.drop_nulls(group)
            prices = here.filter(pl.col("price") > 0).group_by([*keys, *group]).agg(pl.col("price").median()).sort([*keys, *group])
            made = buying.supplier_costs(
                here,
                prices,
                keys,
                group,
                labour=labour,
                extra=extra_of.get(component) or 0.0,
                clock=clock,
                per_year=365.25 * pace if clock == "km" else 365.25,
                horizon_years=settings.rules.horizon_purchase_years,
                confidence=options.confidence,
                seed=options.seed + number,
                min_failures=options.min_failures,
            )
            if made.height:
                parts.append(
                    made.with_columns(level=pl.lit(level), clock=pl.lit(clock), extra=pl.lit(float(extra_of.get(component) or 0.0)))
                )
    if not parts:
        return
    table = pl.concat(parts, how="diagonal_relaxed")
    table = table.with_columns(
        (pl.col("part_number") if "part_number" in table.columns else pl.lit(None, dtype=pl.String)).fill_null("all").alias("part_number")
    )
    # Suppliers and part numbers are two questions, each with a false discovery rate of its own.
    judged = [buying.cost_verdicts(p, options.false_discovery_rate) for _, p in table.group_by("level", maintain_order=True)]
    # Without labour a part that comes back costs its price only, and the cheapest would win: that is no judgement.
    unknown = pl.when(pl.col("labour") > 0).then("verdict").otherwise(pl.lit("labour not known"))
    judged = [t.with_columns(verdict=unknown) for t in judged]
    _write(con, "supplier_costs", judged, ["level", *keys, "supplier", "part_number"])


def comebacks(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """results.comeback_rates, results.first_guesses, results.code_sides; needs the tables of sql/5_summaries."""
    import polars as pl

    from pipeline.survival.comebacks import comeback_rates
    from pipeline.suspects import first_guesses

    confidence = settings.curves.confidence
    rows = read_table(con, "select * from results.comebacks")
    bases = read_table(con, "select * from results.comeback_bases")
    _write(con, "comeback_rates", [comeback_rates(rows, bases, confidence=confidence)], ["kind", "component"])
    con.execute("drop table results.comeback_bases")
    episodes = read_table(con, "select * from lives.episodes order by episode_id")
    if episodes.is_empty():
        return
    told = episodes.with_columns(month=pl.col("opened_on").dt.month_start())
    tables = [first_guesses.guesses_by(told, [], confidence).with_columns(by=pl.lit("all"), value=pl.lit("all"))]
    for by in _GUESS_DIMENSIONS:
        made = first_guesses.guesses_by(told, [by], confidence).with_columns(by=pl.lit(by), value=pl.col(by).cast(pl.String))
        tables.append(made.drop(by))
    _write(con, "first_guesses", [t.with_columns(pl.col("value").fill_null("none")) for t in tables], ["by", "value"])
    _write(con, "code_sides", [first_guesses.code_sides(episodes, confidence)], [])
