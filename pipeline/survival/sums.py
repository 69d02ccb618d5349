"""Curves and Weibull fits from counts alone: what parts of a fleet, each on its own machine, send to be added up.

A part sends, for each stratum and time, how many lives entered, failed and left (`risk.risk_table`); `risk.merge_counts` adds them. The
product limit needs nothing else, and neither does the Weibull likelihood: with hazard h and cumulative hazard H it is the sum of ln h(t)
over failures, less H(t) over exits, plus H(t) over late entries, so the joint pairs (entry, exit) are not needed.
Times that a clock counts in whole units (days, whole km) lose nothing; others are as exact as the times that were counted.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.survival.nonparametric import log_log_interval
from pipeline.survival.risk import RiskTable, strata_of
from pipeline.survival.weibull import WeibullBatch, weibull_batch


def curves_of_counts(table: RiskTable, *, confidence: float = 0.95) -> pl.DataFrame:
    """The product limit of every stratum from its counts.

    table: counts of whole data, one event column, as `risk.risk_table` or `risk.merge_counts` return it. Returns one row per (keys, t) with
    events: keys, t, at_risk, events, survival, std_error (Greenwood: lives taken as independent), low, high (log-log), cumulative_hazard
    (Nelson-Aalen). The curve begins with the first life watched; thin early risk sets are the caller's to judge by at_risk.
    Source: Kaplan & Meier 1958; Greenwood 1926; Nelson 1972; late entry: Klein & Moeschberger 2003, section 4.6.
    Pinned by tests/survival/test_sums.py (equal to nonparametric.kaplan_meier, itself pinned to R) and tests/test_spread.py.
    """
    ks = list(table.keys)
    d, n = pl.col("events").cast(pl.Float64), pl.col("at_risk").cast(pl.Float64)

    def running(expr: pl.Expr) -> pl.Expr:
        return expr.over(ks) if ks else expr

    rows = table.counts.filter(pl.col("events") > 0).sort([*ks, "t"], nulls_last=False).with_columns(
        survival=running((1 - d / n).cum_prod()), cumulative_hazard=running((d / n).cum_sum()),
        _greenwood=running((pl.when(d < n).then(d / (n * (n - d))).otherwise(0.0)).cum_sum()))
    rows = rows.with_columns(std_error=pl.col("survival") * pl.col("_greenwood").sqrt())
    low, high = log_log_interval(rows["survival"].to_numpy(), rows["std_error"].to_numpy(), confidence)
    return rows.with_columns(low=pl.Series(low, dtype=pl.Float64), high=pl.Series(high, dtype=pl.Float64)).select(
        *ks, "t", "at_risk", "events", "survival", "std_error", "low", "high", "cumulative_hazard")


def weibulls_of_counts(table: RiskTable, *, min_failures: float = 5) -> tuple[pl.DataFrame, WeibullBatch]:
    """Maximum-likelihood Weibull shape and scale of every stratum from its counts: (the strata's keys, the fits in their order).

    table: as for `curves_of_counts`, times above 0. min_failures: fewer give no fit, with the reason.
    The exits at t enter the likelihood as their number times a life that ended at t, the late entries at t with the opposite sign.
    Source: Meeker & Escobar 1998, section 8.2; late entry: Hong, Meeker & McCalley 2009, Ann. Appl. Stat. 3:857-879. Pinned by
    tests/survival/test_sums.py (equal to `weibull.weibull_batch` on the lives themselves).
    """
    counts = table.counts
    strata, code = strata_of(counts, table.keys)
    t, entered, events, censored = (counts[c].cast(pl.Float64).to_numpy() for c in ("t", "entered", "events", "censored"))
    left = events + censored
    gone, came = np.flatnonzero(left > 0), np.flatnonzero((entered > 0) & (t > 0))
    zero = np.zeros(len(gone) + len(came))
    batch = weibull_batch(zero, np.concatenate([t[gone], t[came]]), np.concatenate([events[gone] / left[gone], np.zeros(len(came))]),
                          np.concatenate([code[gone], code[came]]), max(strata.height, 1),
                          weight=np.concatenate([left[gone], -entered[came]]), min_failures=min_failures)
    return strata, batch


def fits_of_counts(table: RiskTable, *, min_failures: float = 5) -> pl.DataFrame:
    """`weibulls_of_counts` as a table: keys, shape, scale, log_likelihood, failures, reason ('' where there is a fit)."""
    if table.counts.is_empty():
        numbers = dict.fromkeys(("shape", "scale", "log_likelihood", "failures"), pl.Float64)
        return table.counts.select(table.keys).with_columns(**{k: pl.lit(None, dtype=t) for k, t in numbers.items()},
                                                            reason=pl.lit(None, dtype=pl.String))
    strata, fits = weibulls_of_counts(table, min_failures=min_failures)
    told = {"shape": fits.shape, "scale": fits.scale, "log_likelihood": fits.log_likelihood, "failures": fits.failures}
    body = pl.DataFrame({k: np.where(fits.ok, v, np.nan) if k != "failures" else v for k, v in told.items()}).fill_nan(None).with_columns(
        reason=pl.Series(fits.reason, dtype=pl.String))
    return pl.concat([strata, body], how="horizontal") if table.keys else body
