"""Places that keep failing, and vehicles that lose several lamps at once: find the cause, do not just replace again."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, find_curve, place_clock, read_curves

FIND = "find the cause"
LIT = ("lamp", "igniter", "ballast", "led_module", "led_driver")


def repeat_places(lives: pl.DataFrame, *, least: int = 3) -> pl.DataFrame:
    """Places (vehicle, component, side) where parts failed `least` times or more.

    Out: vehicle, unit_number, customer_group, component, side, failures, first_on, last_on, shortest_life_days (of
    the parts fitted there that failed), lives_days (all of those, text), action, reason. Most failures first.
    """
    failed = lives.filter((pl.col("ending") == "failed") & pl.col("end_on").is_not_null()).sort(
        "end_on", maintain_order=True
    )
    out = failed.group_by("vehicle", "component", "side", maintain_order=True).agg(
        pl.col("unit_number").last(),
        pl.col("customer_group").last(),
        pl.len().cast(pl.Int64).alias("failures"),
        pl.col("end_on").first().alias("first_on"),
        pl.col("end_on").last().alias("last_on"),
        pl.col("exit_days").filter(pl.col("origin") == "replacement").min().alias("shortest_life_days"),
        pl.col("exit_days")
        .round(0)
        .cast(pl.Int64)
        .cast(pl.String)
        .fill_null("unknown")
        .str.join(", ")
        .alias("lives_days"),
    )
    out = out.filter(pl.col("failures") >= least).with_columns(
        pl.lit(FIND).alias("action"),
        pl.format(
            "{} failures in the same place since {}: check water, wiring, connector and charging voltage "
            "before fitting another.",
            "failures",
            pl.col("first_on").cast(pl.String),
        ).alias("reason"),
    )
    return out.sort(
        "failures", "last_on", "vehicle", "component", "side", descending=[True, True, False, False, False]
    ).select(
        "vehicle",
        "unit_number",
        "customer_group",
        "component",
        "side",
        "failures",
        "first_on",
        "last_on",
        "shortest_life_days",
        "lives_days",
        "action",
        "reason",
    )


MORE, MAYBE, UNTOLD = "more often than its curve explains", "may be chance", "no curve to compare with"


def beyond_chance(
    places: pl.DataFrame,
    lives: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    *,
    clocks: dict[str, str] | None = None,
    rate: float = 0.05,
) -> pl.DataFrame:
    """Adds to the places of `repeat_places` how many failures their parts' curves explain, and whether there were more.

    A part that often fails does so again and again in a good place too. expected: the cumulative hazard of all lives
    seen in the place (as many failures as the curve explains, ages and time watched allowed for); p: of so many or
    more (Poisson, as the hazard met is the count's compensator: Andersen, Borgan, Gill and Keiding 1993, section
    II.4); p_adjusted for all places of the fleet (Benjamini and Hochberg 1995); verdict. Told ones first.
    """
    from scipy.stats import poisson

    book = read_curves(fits)
    key = ["vehicle", "component", "side"]
    parts = []
    for (component, lighting, origin), some in lives.group_by("component", "lighting", "origin", maintain_order=True):
        clock = place_clock(book, component, lighting, clocks)
        for this in dict.fromkeys((clock, "days")) if clock else ():
            curve = find_curve(book, component, lighting, origin, this)
            ages = [f"entry_{this}", f"exit_{this}"]
            rows = some.filter(pl.all_horizontal(pl.col(a).is_not_null() for a in ages))
            some = some.filter(pl.any_horizontal(pl.col(a).is_null() for a in ages))
            if curve is not None and rows.height:
                top = float(rows[ages[1]].max()) or 1.0
                grid = np.concatenate(([0.0], np.geomspace(top * 1e-5, top, 2000)))
                hazard = curve.fit.cumulative_hazard(grid)
                low, high = (np.interp(rows[a].to_numpy().astype(float), grid, hazard) for a in ages)
                parts.append(rows.select(key).with_columns(expected=pl.Series(np.maximum(high - low, 0.0))))
    schema = {**dict.fromkeys(key, pl.String), "expected": pl.Float64}
    met = pl.concat([pl.DataFrame(schema=schema), *parts]).group_by(key, maintain_order=True).agg(pl.col("expected").sum())
    out = places.join(met, on=key, how="left", maintain_order="left")
    p = poisson.sf(out["failures"].to_numpy() - 1, out["expected"].fill_null(np.inf).to_numpy()) if out.height else []
    out = out.with_columns(p=pl.Series(p, dtype=pl.Float64))
    # Places with fewer failures are compared too; they come after those listed.
    m = max(met.height, out.height)
    out = out.sort("p", *key, maintain_order=True).with_columns(
        p_adjusted=(pl.col("p") * m / pl.int_range(1, pl.len() + 1)).reverse().cum_min().reverse().clip(0.0, 1.0)
    )
    out = out.with_columns(
        verdict=pl.when(pl.col("expected").is_null())
        .then(pl.lit(UNTOLD))
        .when(pl.col("p_adjusted") <= rate)
        .then(pl.lit(MORE))
        .otherwise(pl.lit(MAYBE))
    )
    return out.sort(
        pl.col("verdict") != MORE, "failures", "last_on", *key, descending=[False, True, True, False, False, False]
    )


def several_at_once(
    lives: pl.DataFrame, *, within_days: int = 60, least: int = 3, positions: int = 2, components: tuple[str, ...] = LIT
) -> pl.DataFrame:
    """Vehicles that lost `least` or more lit parts, in `positions` or more places, within so many days.

    Two lamps of one age often go together by wear alone, so three is the least listed unless told otherwise (our own
    rule). Out, one row a vehicle and spell: vehicle, unit_number, customer_group, first_on, last_on, failures,
    positions, places (text), action, reason. A spell ends where the window from its first failure does.
    """
    failed = lives.filter(
        (pl.col("ending") == "failed") & pl.col("end_on").is_not_null() & pl.col("component").is_in(components)
    ).sort("vehicle", "end_on", "component", "side", maintain_order=True)
    rows = []
    for (vehicle,), some in failed.group_by("vehicle", maintain_order=True):
        days, at = some["end_on"].to_list(), 0
        names = list(zip(some["component"].to_list(), some["side"].to_list(), strict=False))
        while at < len(days):
            stop = at
            while stop < len(days) and (days[stop] - days[at]).days <= within_days:
                stop += 1
            spots = sorted({f"{c} {s}" for c, s in names[at:stop]})
            if stop - at >= least and len(spots) >= positions:
                rows.append(
                    (
                        vehicle,
                        some["unit_number"][at],
                        some["customer_group"][at],
                        days[at],
                        days[stop - 1],
                        stop - at,
                        len(spots),
                        ", ".join(spots),
                        FIND,
                        f"{stop - at} parts failed in {len(spots)} places within {within_days} days: measure the "
                        "charging voltage, look for water and for a fault in the wiring they share.",
                    )
                )
                at = stop
            else:
                at += 1
    schema = {
        "vehicle": pl.String,
        "unit_number": pl.String,
        "customer_group": pl.String,
        "first_on": pl.Date,
        "last_on": pl.Date,
        "failures": pl.Int64,
        "positions": pl.Int64,
        "places": pl.String,
        "action": pl.String,
        "reason": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort(
        "failures", "last_on", "vehicle", descending=[True, True, False]
    )
