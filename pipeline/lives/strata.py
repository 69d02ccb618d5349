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
