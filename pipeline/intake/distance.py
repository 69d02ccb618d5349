"""Kilometres of a vehicle at any date, from its readings."""

from __future__ import annotations

import polars as pl


def km_at(
    readings: pl.DataFrame,
    points: pl.DataFrame,
    *,
    first_use_on: pl.DataFrame | None = None,
    class_rate_km_per_day: float | pl.DataFrame | None = None,
    max_extrapolation_days: int = 730,
    recent_days: int = 270,
    max_km_per_day: float = 1500.0,
) -> pl.DataFrame:
    """Kilometres of a vehicle on given days.

    `readings`: vehicle, reading_on (Date), km (nulls ignored). `points`: vehicle, on (Date), any other
    columns.
    `first_use_on`: vehicle, first_use_on (0 km that day). `class_rate_km_per_day`: one pace, or a frame
    vehicle,
    km_per_day. Returns `points`, in order, plus km, km_estimated (true where the day is not between two
    readings, or
    first use and a reading), km_per_day (pace there), km_source:
    'reading', 'between', 'beyond' (after the last reading: the vehicle's own pace over its last
    `recent_days` or
    more, growing for at most `max_extrapolation_days`), 'before' (before the first reading, first use
    unknown: its
    first pace, not below 0; before first use: 0), 'class_rate' (no reading: pace times age), 'none' (null).
    Readings of one day count as their highest; a reading below an earlier one counts as that one.
    """
    name_type = points.schema["vehicle"]
    seen = (
        readings.filter(
            pl.col("km").is_not_null() & pl.col("reading_on").is_not_null() & pl.col("vehicle").is_not_null()
        )
        .group_by("vehicle", pl.col("reading_on").cast(pl.Date).alias("d0"))
        .agg(pl.col("km").cast(pl.Float64).max().alias("k0"))
        .with_columns(pl.col("vehicle").cast(name_type), pl.lit(True).alias("seen"))
    )
    used = None
    if first_use_on is not None:
        used = (
            first_use_on.filter(pl.col("first_use_on").is_not_null() & pl.col("vehicle").is_not_null())
            .group_by("vehicle")
            .agg(pl.col("first_use_on").cast(pl.Date).min())
            .with_columns(pl.col("vehicle").cast(name_type))
        )
        first = seen.group_by("vehicle").agg(pl.col("d0").min().alias("first_seen"))
        anchor = (
            used.join(first, on="vehicle")
            .filter(pl.col("first_use_on") < pl.col("first_seen"))
            .select(
                "vehicle",
                pl.col("first_use_on").alias("d0"),
                pl.lit(0.0).alias("k0"),
                pl.lit(False).alias("seen"),
            )
        )
        seen = pl.concat([seen, anchor])
    day = pl.col("d0").cast(pl.Int32)
    line = (
        seen.sort("vehicle", "d0")
        .with_columns(pl.col("k0").cum_max().over("vehicle"))
        .with_columns(
            pl.col("d0").shift(-1).over("vehicle").alias("d1"),
            pl.col("k0").shift(-1).over("vehicle").alias("k1"),
        )
        .with_columns(
            ((pl.col("k1") - pl.col("k0")) / (pl.col("d1").cast(pl.Int32) - day)).alias("slope"),
            pl.col("d1").is_null().alias("last"),
        )
    )
    # Own recent pace: since the latest reading at least `recent_days` before the last; else since the first.
    ends = line.group_by("vehicle", maintain_order=True).agg(
        pl.col("d0").first().alias("da"),
        pl.col("k0").first().alias("ka"),
        pl.col("d0").last().alias("dz"),
        pl.col("k0").last().alias("kz"),
        pl.col("slope").first().alias("first_slope"),
    )
    ends = (
        ends.with_columns((pl.col("dz") - pl.duration(days=recent_days)).alias("d0"))
        .sort("vehicle", "d0")
        .join_asof(
            line.select("vehicle", "d0", pl.col("d0").alias("dr"), pl.col("k0").alias("kr")),
            on="d0",
            by="vehicle",
            strategy="backward",
            check_sortedness=False,
        )
        .with_columns(pl.col("dr").fill_null(pl.col("da")), pl.col("kr").fill_null(pl.col("ka")))
        .with_columns((pl.col("dz") - pl.col("dr")).dt.total_days().alias("span"))
        .select(
            "vehicle", "da", "ka", "first_slope", pl.col("dz"), pl.col("kz"),
            # under a month a pace is noise, not a habit
            pl.when(pl.col("span") >= 30).then((pl.col("kz") - pl.col("kr")) /
            pl.col("span")).alias("recent"),
        )
    )  # fmt: skip
    out = points.with_row_index("_at").with_columns(pl.col("on").cast(pl.Date).alias("_on"))
    ask = (
        out.select("_at", "vehicle", "_on")
        .sort("vehicle", "_on")
        .join_asof(
            line.select("vehicle", "d0", "k0", "slope", "last", "seen"),
            left_on="_on",
            right_on="d0",
            by="vehicle",
            strategy="backward",
            coalesce=False,
            check_sortedness=False,
        )
        .join(ends, on="vehicle", how="left")
    )
    if used is not None:
        ask = ask.join(used, on="vehicle", how="left")
    else:
        ask = ask.with_columns(pl.lit(None, pl.Date).alias("first_use_on"))
    if isinstance(class_rate_km_per_day, pl.DataFrame):
        rates = class_rate_km_per_day.select(
            pl.col("vehicle").cast(name_type), pl.col("km_per_day").cast(pl.Float64).alias("class_rate")
        ).unique("vehicle", keep="first", maintain_order=True)
        ask = ask.join(rates, on="vehicle", how="left")
    else:
        ask = ask.with_columns(pl.lit(class_rate_km_per_day, pl.Float64).alias("class_rate"))
    since = (pl.col("_on") - pl.col("d0")).dt.total_days()
    before = (pl.col("da") - pl.col("_on")).dt.total_days()
    age = (pl.col("_on") - pl.col("first_use_on")).dt.total_days().clip(lower_bound=0)
    own = pl.coalesce("recent", "class_rate").clip(0.0, max_km_per_day)
    early = pl.coalesce("first_slope", "class_rate").clip(0.0, max_km_per_day)
    grown = since.clip(upper_bound=max_extrapolation_days)
    none_seen = pl.col("da").is_null()
    source = (
        pl.when(pl.col("_on").is_null() | pl.col("vehicle").is_null())
        .then(pl.lit("none"))
        .when(none_seen & pl.col("first_use_on").is_not_null() & pl.col("class_rate").is_not_null())
        .then(pl.lit("class_rate"))
        .when(none_seen)
        .then(pl.lit("none"))
        .when(pl.col("d0").is_null())
        .then(pl.lit("before"))
        .when((since == 0) & pl.col("seen"))
        .then(pl.lit("reading"))
        .when(pl.col("last"))
        .then(pl.lit("beyond"))
        .otherwise(pl.lit("between"))
    )
    ask = ask.with_columns(source.alias("km_source"))
    how = pl.col("km_source")
    # before first use (or before the first reading at unknown pace) there is nothing driven to tell
    back = (pl.col("ka") - early.fill_null(0.0) * before.clip(upper_bound=max_extrapolation_days)).clip(
        lower_bound=0.0
    )
    km = (
        pl.when(how == "class_rate")
        .then(pl.col("class_rate") * age)
        .when(how == "before")
        .then(back)
        .when(how == "reading")
        .then(pl.col("k0"))
        .when(how == "between")
        .then(pl.col("k0") + pl.col("slope") * since)
        .when(how == "beyond")
        .then(pl.col("k0") + own.fill_null(0.0) * grown)
    )
    pace = (
        pl.when(how == "class_rate")
        .then(pl.col("class_rate"))
        .when(how == "before")
        .then(early)
        .when(how.is_in(["reading", "between"]) & ~pl.col("last"))
        .then(pl.col("slope"))
        .when(how.is_in(["reading", "beyond"]))
        .then(own)
    )
    ask = ask.select(
        "_at",
        km.alias("km"),
        (~how.is_in(["reading", "between"])).alias("km_estimated"),
        pace.alias("km_per_day"),
        "km_source",
    ).sort("_at")
    return points.with_columns(ask.drop("_at").get_columns())
