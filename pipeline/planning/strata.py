"""Which vehicles a part's curve is of: all, or only those of its class or duty, where lives are shown to differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.planning.replacement import ALL
from pipeline.survival.cox import false_discovery
from pipeline.survival.tests_of_groups import log_rank


def choose_strata(group_tests: pl.DataFrame, columns: Sequence[str]) -> dict[str, str]:
    """component -> the column that tells its lives apart best, of those given (such as vehicle_class and duty).

    group_tests: component, covariate, p_adjusted, verdict (log-rank tests, their false discovery rate controlled).
    Components whose lives are not told apart are not in it: their curves stay pooled.
    """
    if not {"component", "covariate", "p_adjusted", "verdict"} <= set(group_tests.columns):
        return {}
    shown = group_tests.filter((pl.col("verdict") == "differ") & pl.col("covariate").is_in(list(columns)))
    shown = shown.sort("component", "p_adjusted", "covariate").unique("component", keep="first", maintain_order=True)
    return dict(shown.select("component", "covariate").iter_rows())


def test_groups(lives: pl.DataFrame, columns: Sequence[str], *, min_failures: float, rate: float) -> pl.DataFrame:
    """What `choose_strata` asks for, from the lives themselves: component, generation, covariate, p, p_adjusted,
    verdict. Log-rank tests on days within component and generation, lightings as strata, errors by vehicle; the false
    discovery rate controlled over all of them. lives: with entry_days, exit_days and `failed`.
    """
    known = lives.filter(pl.col("exit_days") > pl.col("entry_days")).sort("component", "origin", maintain_order=True)
    rows = []
    for (component, origin), part in known.group_by("component", "origin", maintain_order=True):
        for column in (c for c in columns if c in part.columns):
            some = part.drop_nulls(column).with_columns(pl.col(column).cast(pl.String))
            if some[column].n_unique() < 2 or float(some["failed"].sum()) < min_failures:
                continue
            found = log_rank(
                some, column, entry="entry_days", exit="exit_days", event="failed", strata=["lighting"], cluster="vehicle"
            )
            rows.append((component, origin, column, found.p_value))
    schema = {"component": pl.String, "generation": pl.String, "covariate": pl.String, "p": pl.Float64}
    out = pl.DataFrame(rows, schema=schema, orient="row")
    adjusted = false_discovery(out["p"].to_numpy()) if out.height else []
    return out.with_columns(p_adjusted=pl.Series(adjusted, dtype=pl.Float64)).with_columns(
        verdict=pl.when(pl.col("p_adjusted") <= rate).then(pl.lit("differ")).otherwise(pl.lit("not told apart"))
    )


def with_stratum(lives: pl.DataFrame, chosen: Mapping[str, str]) -> pl.DataFrame:
    """Lives with a column `stratum`: "column=value" of the component's chosen column, else "all"."""
    stratum = pl.lit(None, dtype=pl.String)
    for component, column in sorted(chosen.items()):
        if column in lives.columns:
            value = pl.format("{}={}", pl.lit(column), pl.col(column).cast(pl.String))
            stratum = pl.when(pl.col("component") == component).then(value).otherwise(stratum)
    return lives.with_columns(stratum.fill_null(ALL).alias("stratum"))


def strata_values(places: pl.DataFrame) -> dict[str, list[str]]:
    """component -> the strata that its places in service are of, "all" left out."""
    some = places.filter(pl.col("stratum") != ALL).select("component", "stratum").unique().sort("component", "stratum")
    out: dict[str, list[str]] = {}
    for component, stratum in some.iter_rows():
        out.setdefault(component, []).append(stratum)
    return out
