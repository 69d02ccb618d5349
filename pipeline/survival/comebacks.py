"""How often repairs come back, by kind, against what could have come back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.survival.early import poisson_interval

YEAR = 365.25


def comeback_rates(
    rows: pl.DataFrame, bases: pl.DataFrame, *, confidence: float = 0.95, kinds: Sequence[str] | None = None
) -> pl.DataFrame:
    """Comebacks of a stretch of time by kind and by the component repaired first, with rates and what they cost.

    rows: kind, first_component, vehicle, again_on, part_cost, labour_cost, labour_hours, a row a comeback; those of `bases`' stretch
    (from_day to to_day) count. bases: kind, component, repairs (that could have come back), part_days (may be null), vehicle_days
    (of all vehicles watched; the same in every row), from_day, to_day. Columns: kind, component ('all': together), from_day, to_day,
    comebacks, vehicles (with one), repairs, per_100_repairs, repairs_low, repairs_high, vehicle_years, per_100_vehicle_years, years_low,
    years_high, part_years, per_100_part_years, part_years_low, part_years_high, design_effect, part_cost, labour_cost, labour_hours.
    Limits: exact Poisson (Garwood 1936, Biometrika 28:437-442), counts divided by the design effect of comebacks that share a vehicle
    (Kish 1965: sum over vehicles of count squared over the count); right at 0. A rate without exposure is null. A count over repairs is
    a rate, not a share: comebacks of the stretch over repairs of the stretch.
    Pinned by tests/survival/test_comebacks.py.
    """
    if bases.is_empty():
        return pl.DataFrame()
    from_day, to_day = bases["from_day"][0], bases["to_day"][0]
    some = rows.filter(pl.col("again_on").cast(pl.Date).is_between(from_day, to_day))
    wanted = list(kinds) if kinds else sorted({*rows["kind"].unique(), *bases["kind"].unique()})
    cells = []
    for kind in wanted:
        mine, base = some.filter(pl.col("kind") == kind), bases.filter(pl.col("kind") == kind)
        components = sorted({*mine["first_component"].drop_nulls().unique(), *base["component"].drop_nulls().unique()})
        for component in ["all", *components]:
            a = mine if component == "all" else mine.filter(pl.col("first_component") == component)
            b = base if component == "all" else base.filter(pl.col("component") == component)
            each = a.group_by("vehicle").len()["len"].to_numpy().astype(float)
            cells.append(
                {
                    "kind": kind,
                    "component": component,
                    "comebacks": a.height,
                    "vehicles": len(each),
                    "repairs": int(b["repairs"].sum() or 0),
                    "vehicle_years": float(bases["vehicle_days"][0] or 0) / YEAR,
                    "part_years": float(b["part_days"].sum() or 0) / YEAR if b["part_days"].drop_nulls().len() else None,
                    "design_effect": float((each**2).sum() / each.sum()) if len(each) else 1.0,
                    "part_cost": a["part_cost"].sum() or 0.0,
                    "labour_cost": a["labour_cost"].sum() or 0.0,
                    "labour_hours": a["labour_hours"].sum() or 0.0,
                }
            )
    floats = ("vehicle_years", "part_years", "design_effect", "part_cost", "labour_cost", "labour_hours")
    out = pl.DataFrame(
        cells,
        schema={
            "kind": pl.String,
            "component": pl.String,
            "comebacks": pl.Int64,
            "vehicles": pl.Int64,
            "repairs": pl.Int64,
            **dict.fromkeys(floats, pl.Float64),
        },
    )
    count, effect = out["comebacks"].to_numpy().astype(float), out["design_effect"].to_numpy()
    low, high = poisson_interval(count / effect, confidence)
    for base, per, names in (
        ("repairs", "per_100_repairs", ("repairs_low", "repairs_high")),
        ("vehicle_years", "per_100_vehicle_years", ("years_low", "years_high")),
        ("part_years", "per_100_part_years", ("part_years_low", "part_years_high")),
    ):
        n = out[base].cast(pl.Float64).fill_null(0.0).to_numpy()
        with np.errstate(divide="ignore", invalid="ignore"):
            made = {
                name: np.where(n > 0, 100 * v / n, np.nan)
                for name, v in zip((per, *names), (count, low * effect, high * effect), strict=True)
            }
        out = out.with_columns(**{k: pl.Series(v).fill_nan(None) for k, v in made.items()})
    return out.with_columns(from_day=pl.lit(from_day), to_day=pl.lit(to_day)).select(
        "kind",
        "component",
        "from_day",
        "to_day",
        "comebacks",
        "vehicles",
        "repairs",
        "per_100_repairs",
        "repairs_low",
        "repairs_high",
        "vehicle_years",
        "per_100_vehicle_years",
        "years_low",
        "years_high",
        "part_years",
        "per_100_part_years",
        "part_years_low",
        "part_years_high",
        "design_effect",
        "part_cost",
        "labour_cost",
        "labour_hours",
    )


__all__ = ["comeback_rates"]
