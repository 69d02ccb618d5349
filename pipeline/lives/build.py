"""Repairs become lives: registers the rules' parameters, runs the SQL models in order, and puts km on the days that need it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from pipeline.lives.rules import BUILT_IN, FITTED_TO, SIDED
from pipeline.settings import Settings
from pipeline.store import read_table, run_models, write_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    from pipeline.intake.vocabulary import Vocabulary

# Columns of clean.vehicles that are ours; any other is a stratum column of the user's.
_OWN_COLUMNS = frozenset((
    "vehicle", "unit_number", "customer_group", "first_use_on", "lighting", "vehicle_class", "drive_side", "in_service_from",
    "in_service_to", "km_per_year", "odometer_unit", "not_original", "file", "row", "vehicle_id"))


def last_day(con: duckdb.DuckDBPyConnection) -> dt.date | None:
    """The last date in the data: of orders, lines, readings. None where no table has a date."""
    return con.execute("""
        select max(d) from (
            select max(opened_on) as d from clean.orders union all select max(opened_on) from clean.repair_lines
            union all select max(reading_on) from clean.odometer)
    """).fetchall()[0][0]


def stratum_columns(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """The vehicle columns that the settings name as strata and the data has."""
    there = {row[0] for row in con.execute("describe clean.vehicles").fetchall()}
    return [c for c in settings.strata.vehicle_columns if c in there]


def build_lives(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date, vocabulary: Vocabulary | None = None) -> None:
    """Make lives.vehicles, lives.renewals, lives.endings, lives.lives, lives.episodes, lives.episode_parts.

    Needs the clean.* tables with words read and odometers mended. `as_of` cuts the data: nothing later is used. `vocabulary` reads
    vehicles.not_original; the shipped one where none is given.
    """
    parameters = rule_parameters(settings, as_of)
    run_models(con, "1_clean", parameters)
    make_places(con, settings, parameters, components_seen(con), vocabulary)
    put_km_on_points(con, median_paces(own_paces(con)))
    run_models(con, "3_endings", parameters)
    end_lives(con, settings, parameters)


# The four stages below are what a run spread over parts calls one by one, with what only the whole data tells in between: which
# components occur, the usual pace of a vehicle class, how likely a return is no chance.


def rule_parameters(settings: Settings, as_of: dt.date) -> dict[str, Any]:
    """The settings that the SQL models read, by the name of their variable."""
    return {
        "as_of": as_of,
        "labour_rate": settings.costs.labour_rate_per_hour,
        "default_coverage": settings.observation.coverage,
        "default_grace_days": settings.observation.grace_days,
        "original_within_days": settings.observation.original_within_days,
        "assume_original": list(settings.observation.assume_original),
        "unmarked_routine_is_planned": settings.rules.unmarked_routine_is_planned,
        "return_window_days": settings.rules.return_window_days,
        "return_window_km": settings.rules.return_window_km,
        "assembly_renews": ",".join(settings.rules.assembly_renews),
        "assembly_renews_led": ",".join(settings.rules.assembly_renews_led),
    }


def components_seen(con: duckdb.DuckDBPyConnection) -> list[str]:
    """The components that any line speaks of."""
    return [r[0] for r in con.execute("select distinct component from clean.lines where component <> 'unknown' order by 1").fetchall()]


def make_places(con: duckdb.DuckDBPyConnection, settings: Settings, parameters: dict[str, Any], seen: list[str],
                vocabulary: Vocabulary | None = None) -> None:
    """lives.vehicles, lives.placed, lives.renewals, lives.points. `seen`: the components that occur in the whole data."""
    con.execute("create schema if not exists lives")
    _register_rules(con, settings, vocabulary, seen)
    run_models(con, "2_places", parameters)


def end_lives(con: duckdb.DuckDBPyConnection, settings: Settings, parameters: dict[str, Any]) -> None:
    """lives.lives, lives.episodes, lives.episode_parts, from lives.endings."""
    run_models(con, "4_lives", parameters)
    _add_hours_and_strata(con, settings)


def _register_rules(con: duckdb.DuckDBPyConnection, settings: Settings, vocabulary: Vocabulary | None, seen: list[str]) -> None:
    import polars as pl

    from pipeline.intake.classify import read_not_original
    from pipeline.intake.vocabulary import load_vocabulary

    groups = settings.observation.groups
    write_table(con, "lives.coverage", pl.DataFrame(
        {"customer_group": list(groups), "coverage": [g.coverage for g in groups.values()],
         "grace_days": [g.grace_days for g in groups.values()]},
        schema={"customer_group": pl.String, "coverage": pl.String, "grace_days": pl.Int64}))

    own = [c for c in seen if c not in BUILT_IN]
    components = [*BUILT_IN, *own]
    write_table(con, "lives.components", pl.DataFrame(
        {"component": components, "is_sided": [c in SIDED for c in components],
         "has_many_places": [c in settings.rules.many_places for c in components]}))
    # Where no line speaks of a headlamp part at all, the machines are others, and have only the user's own components.
    has_headlamps = len(own) < len(seen) or not own
    fitted = [(lighting, c) for lighting, parts in FITTED_TO.items() for c in (*(parts if has_headlamps else ()), *own)]
    write_table(con, "lives.fitted_to", pl.DataFrame(fitted, schema=["lighting", "component"], orient="row"))

    told = read_table(con, """
        select vehicle, not_original, drive_side from clean.vehicles where not_original is not null order by vehicle""")
    if told.height and vocabulary is None:
        vocabulary = load_vocabulary()
    rows = [(vehicle, component, side) for vehicle, text, drive_side in told.iter_rows()
            for side, component in read_not_original(text, vocabulary, drive_side)[0] or ()]
    write_table(con, "lives.not_original", pl.DataFrame(
        rows, schema={"vehicle": pl.String, "component": pl.String, "side": pl.String}, orient="row").unique(maintain_order=True))

    there = {row[0] for row in con.execute("describe clean.vehicles").fetchall()}
    from_master = "light_source_category" if "light_source_category" in there else "null"
    con.execute(f"""
        create or replace table lives.light_sources as
        select vehicle, any_value(category order by priority) as light_source_category
        from (select vehicle, upper({from_master}) as category, 1 as priority from clean.vehicles
              union all
              select vehicle, upper(light_source_category), 2 from clean.lines
              where component = 'lamp' and action = 'replaced')
        where category is not null
        group by vehicle""")


def own_paces(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """vehicle_class, pace (km a day) of each vehicle with readings over 90 days or more; rows of parts of the data add up."""
    return read_table(con, """
        with span as (
            select vehicle, (max(km) - min(km)) / nullif(max(reading_on) - min(reading_on), 0) as pace
            from clean.odometer where km is not null group by vehicle
            having max(reading_on) - min(reading_on) >= 90
        )
        select v.vehicle_class, s.pace from lives.vehicles v join span s on s.vehicle = v.vehicle
        where s.pace is not null order by all""")


def median_paces(paces: pl.DataFrame) -> pl.DataFrame:
    """vehicle_class, pace: the median of each class, and of all in a last row whose class is null (a class may be null too)."""
    import polars as pl

    by_class = paces.drop_nulls("vehicle_class").group_by("vehicle_class").agg(pl.col("pace").median()).sort("vehicle_class")
    return pl.concat([by_class, paces.select(pl.lit(None, dtype=by_class.schema["vehicle_class"]).alias("vehicle_class"),
                                             pl.col("pace").median())])


def put_km_on_points(con: duckdb.DuckDBPyConnection, usual: pl.DataFrame) -> None:
    """lives.km_points: km on each day that needs it. `usual`: vehicle_class, pace, as median_paces gives them."""
    import polars as pl

    from pipeline.intake.odometer import km_at

    points = read_table(con, 'select vehicle, on_date as "on" from lives.points order by vehicle, on_date')
    readings = read_table(con, """
        select vehicle, reading_on, km from clean.odometer where km is not null order by vehicle, reading_on, km""")
    first_use = read_table(con, """
        select vehicle, first_use_on from lives.vehicles where first_use_on is not null order by vehicle""")
    # A vehicle without a single reading: its own yearly distance where the master file tells it, else its class's, else everyone's.
    write_table(con, "lives.usual_paces", usual)
    paces = read_table(con, """
        select v.vehicle, coalesce(v.km_per_year / 365.25, c.pace, a.pace) as km_per_day
        from lives.vehicles v
        left join lives.usual_paces c on c.vehicle_class = v.vehicle_class
        left join lives.usual_paces a on a.vehicle_class is null
        order by v.vehicle""").drop_nulls()
    km = km_at(readings, points, first_use_on=first_use, class_rate_km_per_day=paces)
    write_table(con, "lives.km_points", km.rename({"on": "on_date"}).select(
        "vehicle", "on_date", pl.col("km").cast(pl.Float64), "km_estimated", pl.col("km_per_day").cast(pl.Float64)))


def _add_hours_and_strata(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    clocks = settings.clocks
    # Lit hours = km / mean speed x share driven lit + standing hours; every factor is a setting.
    per_km = clocks.share_lit / clocks.mean_speed_km_h + clocks.standing_hours_per_1000_km / 1000
    columns = stratum_columns(con, settings)
    strata = "".join(f', s."{c}"' for c in columns)
    join = "left join clean.vehicles s on s.vehicle = l.vehicle" if columns else ""
    con.execute(f"""
        create or replace table lives.lives as
        select l.*, l.entry_km * {per_km!r} as entry_hours, l.exit_km * {per_km!r} as exit_hours{strata}
        from lives.lives l {join}
        order by l.life_id""")
