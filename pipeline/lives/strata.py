"""Which lives go into which curve: the strata of the published tables, as rows of keys.

Every stratum is a set of lives under the same names: component, lighting, generation, supplier, stratum. `all` means pooled.
"""

from __future__ import annotations

import polars as pl

KEYS = ["component", "lighting", "generation", "supplier", "stratum"]


def stratify(lives: pl.DataFrame, stratum_columns: list[str], *, suppliers: bool = True) -> pl.DataFrame:
    """Lives once for each stratum they belong to.

    lives: rows of lives.lives with in_curve true. Returns the same columns with `generation` renamed to `generation_number` and the
    key columns KEYS in front: pooled over lighting too where there is more than one, by supplier for replacements, and by each
    of `stratum_columns` as "column=value". Rows with a null value in a stratum column are in no stratum of it.
    """
    base = lives.rename({"generation": "generation_number", "supplier": "supplier_name"}).with_columns(
        pl.col("origin").alias("generation"))
    several = base["lighting"].n_unique() > 1
    by_lighting = [base] + ([base.with_columns(pl.lit("all").alias("lighting"))] if several else [])
    out = []
    for frame in by_lighting:
        pooled = frame.with_columns(pl.lit("all").alias("supplier"), pl.lit("all").alias("stratum"))
        out.append(pooled)
        if suppliers:
            out.append(pooled.filter(pl.col("generation") == "replacement").with_columns(
                pl.col("supplier_name").alias("supplier")))
        for column in stratum_columns:
            if column in frame.columns:
                out.append(pooled.filter(pl.col(column).is_not_null()).with_columns(
                    (pl.lit(f"{column}=") + pl.col(column).cast(pl.String)).alias("stratum")))
    return pl.concat([f.select(*KEYS, *[c for c in f.columns if c not in KEYS]) for f in out], how="vertical_relaxed")


MOST_VALUES = 8  # a column of numbers with more different values is cut into thirds (our own rule)


def banded(lives: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    """Columns of numbers, such as the share of driving at night, cut into thirds of the vehicles ("up to 0.2",
    "0.2 to 0.5", "over 0.5").

    A column of words, or of few different numbers, stays as it is. The cuts are values of vehicles, and so do not depend on what failed.
    Returns lives with those columns as text; a vehicle without a value stays null.
    """
    for column in columns:
        if column not in lives.columns:
            continue
        number = lives[column].cast(pl.String).str.strip_chars().str.replace("%", "").str.replace(",", ".").cast(pl.Float64, strict=False)
        told = lives[column].is_not_null()
        if number.is_null().sum() != (~told).sum() or number.n_unique() <= MOST_VALUES:
            continue
        by_vehicle = lives.select("vehicle").with_columns(number.alias("n")).drop_nulls()
        by_vehicle = by_vehicle.unique("vehicle", keep="first", maintain_order=True)
        cuts = [by_vehicle["n"].quantile(q, interpolation="nearest") for q in (1 / 3, 2 / 3)]
        if cuts[0] == cuts[1]:
            cuts = cuts[:1]
        names = [f"up to {cuts[0]:g}", *([f"{cuts[0]:g} to {cuts[1]:g}"] if len(cuts) > 1 else []), f"over {cuts[-1]:g}"]
        place = sum((number > c).cast(pl.Int64) for c in cuts)
        lives = lives.with_columns(place.replace_strict(dict(enumerate(names)), return_dtype=pl.String).alias(column))
    return lives
