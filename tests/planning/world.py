"""Small simulated fleets and their fits, as the planning room takes them."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.survival.fit import fit_set

AS_OF = date(2024, 6, 30)
KEYS = ["component", "lighting", "generation", "supplier", "stratum"]


def lives_of(
    shape: float, scale: float, vehicles: int, seed: int, *, days: int = 2000, component: str = "lamp"
) -> pl.DataFrame:
    """Lives of both sides, in days, watched from new until AS_OF; vehicles enter over time; renewals of the same
    kind. 40 km a day.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for v in range(vehicles):
        start = int(rng.integers(1, days))
        for side in ("left", "right"):
            at, generation = 0.0, 0
            while True:
                life = scale * rng.weibull(shape)
                end = min(at + life, float(start))
                failed = at + life < start
                rows.append(
                    (
                        f"v{v:04d}",
                        component,
                        side,
                        generation,
                        AS_OF - timedelta(days=start - int(at)),
                        AS_OF - timedelta(days=start - int(end)),
                        "failed" if failed else "in_service",
                        end - at,
                        ("north", "south")[v % 2],
                    )
                )
                if not failed:
                    break
                at, generation = end, generation + 1
    out = pl.DataFrame(
        rows,
        orient="row",
        schema={
            "vehicle": pl.String,
            "component": pl.String,
            "side": pl.String,
            "generation": pl.Int32,
            "start_on": pl.Date,
            "end_on": pl.Date,
            "ending": pl.String,
            "exit_days": pl.Float64,
            "customer_group": pl.String,
        },
    )
    return out.with_columns(
        origin=pl.when(pl.col("generation") == 0).then(pl.lit("original")).otherwise(pl.lit("replacement")),
        entry_days=pl.lit(0.0),
        exit_km=pl.col("exit_days") * 40,
        km_per_day=pl.lit(40.0),
        end_on=pl.when(pl.col("ending") == "in_service").then(AS_OF).otherwise("end_on"),
        unit_number=pl.lit(None, dtype=pl.String),
        lighting=pl.lit("discharge"),
        is_original_assumed=pl.lit(False),
    )


def fits_of(
    lives: pl.DataFrame, *, families=("exponential", "weibull"), pool: bool = False, min_failures: float = 5
) -> pl.DataFrame:
    """Fits by origin on days; pool: originals and replacements as one, entered for both."""
    rows = lives.filter(pl.col("exit_days") > 0).with_columns(
        supplier=pl.lit("all"), stratum=pl.lit("all"), generation=pl.lit("replacement") if pool else pl.col("origin")
    )
    made, _ = fit_set(
        rows,
        KEYS,
        entry="entry_days",
        exit="exit_days",
        clock="days",
        families=families,
        min_failures=min_failures,
        root=3,
    )
    return pl.concat([made, made.with_columns(generation=pl.lit("original"))]) if pool else made


def costs_of(planned: float, unplanned: float, component: str = "lamp") -> pl.DataFrame:
    return pl.DataFrame(
        {"customer_group": [None], "component": [component], "planned_cost": [planned], "unplanned_cost": [unplanned]},
        schema_overrides={"customer_group": pl.String},
    )
