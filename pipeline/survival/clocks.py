"""Which clock ages a part: days, km, or lit hours; and how km and age turn into each other.

A likelihood on the km clock is a density per km, one on the day clock a density per day. Multiplied by km per day at
the failure they are densities of the same event, per vehicle-day, and may be compared (Duchesne & Lawless 2000,
Lifetime Data Anal. 6:157-179; the Jacobian of a change of variable).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import polars as pl

from pipeline.survival.families import WEIBULL
from pipeline.survival.fit import row_log_likelihood, sample, weibull_batch
from pipeline.survival.risk import strata_of


def lit_hours(km, mean_speed_km_h: float, share_lit: float, standing_hours=0.0):
    """Hours lit at a km: km / mean speed x share of driving with the lamp lit + hours lit standing.

    km: number, array or polars expression; mean_speed_km_h above 0; share_lit from 0 to 1; standing_hours like km.
    Raises ValueError for factors out of range. Source: definition; each factor is the user's.
    Pinned by tests/survival/test_clocks.py.
    """
    if not mean_speed_km_h > 0:
        raise ValueError("The mean speed must be positive.")
    if not 0 <= share_lit <= 1:
        raise ValueError("The share lit must lie between 0 and 1.")
    return km / mean_speed_km_h * share_lit + standing_hours


def compare_clocks(
    lives: pl.DataFrame,
    keys: Sequence[str],
    *,
    clocks: Sequence[str] = ("days", "km"),
    event: str = "failed",
    cluster: str | None = "vehicle",
    entry: str = "entry_{}",
    exit: str = "exit_{}",
    base: str = "days",
    rates: dict[str, str] | None = None,
    min_failures: float = 10,
    confidence: float = 0.95,
    ending: str = "ending",
) -> pl.DataFrame:
    """For each stratum and pair of clocks: on which one a Weibull life describes the failures better, by how much,
    how surely.

    lives: one row a life, with entry and exit on every clock under the given name patterns. A life missing a time on
    any of the clocks, or of no length on one, is left out of all. rates: clock -> column of its units per day of
    `base` at the failure (e.g. {"km": "km_per_day"}); without one the life's own average, (exit - entry) / (exit -
    entry on base), is used. Each clock's log-likelihood gets the sum over failures of ln rate. The difference is
    judged by Vuong's statistic with contributions summed by vehicle; clocks that are a fixed multiple of each other
    (lit hours worked out from km) give exactly the same likelihood and are `the same`.
    Columns: keys, clock_a, clock_b, lives, failures, vehicles, log_likelihood_a, log_likelihood_b (both per
    vehicle-day), difference (a - b), per_failure, z, p (two-sided), better ('clock_a''s name, the other's, 'not told
    apart', 'the same', 'too few'), words.
    Raises ValueError for missing columns or impossible times. Source: Vuong 1989, Econometrica 57:307-333; Duchesne &
    Lawless 2000. Limits: censored lives that differ in rate are compared as if each kept its rate; the days curve
    then mixes rates.
    Pinned by tests/survival/test_clocks.py.
    """
    from itertools import combinations

    from scipy.special import ndtr

    clocks = list(dict.fromkeys(clocks))
    rates = rates or {}
    needed = [p.format(c) for c in dict.fromkeys([base, *clocks]) for p in (entry, exit)] + list(rates.values())
    missing = [c for c in (*keys, *needed, *([cluster] if cluster else [])) if c not in lives.columns]
    if missing:
        raise ValueError(f"No column {', '.join(missing)} among {', '.join(lives.columns)}.")
    if "in_curve" in lives.columns:
        lives = lives.filter(pl.col("in_curve"))
    d_expr = (
        pl.col(event).cast(pl.Float64)
        if event in lives.columns
        else (pl.col(ending) == event).cast(pl.Float64).fill_null(0.0)
    )
    frame = lives.with_columns(d_expr.alias("_d")).filter(
        pl.all_horizontal([pl.col(exit.format(c)) > pl.col(entry.format(c)) for c in dict.fromkeys([base, *clocks])])
    )
    strata, codes = strata_of(frame, list(keys))
    n_strata = strata.height if keys else min(frame.height, 1)
    d = frame["_d"].to_numpy()
    group = (
        frame[cluster].cast(pl.String).rank("dense").fill_null(0).cast(pl.Int64).to_numpy()
        if cluster
        else np.arange(frame.height)
    )
    times, fits, parts = {}, {}, {}
    lived = (frame[exit.format(base)] - frame[entry.format(base)]).cast(pl.Float64).to_numpy()
    for c in clocks:
        e, x = (frame[p.format(c)].cast(pl.Float64).to_numpy() for p in (entry, exit))
        rate = frame[rates[c]].cast(pl.Float64).to_numpy() if c in rates else (x - e) / lived
        if np.any((d > 0) & ~(rate > 0)):
            raise ValueError(f"{int(((d > 0) & ~(rate > 0)).sum())} failures have no positive rate of {c} per day.")
        times[c] = (e, x)
        fits[c] = weibull_batch(e, x, d, codes, n_strata, min_failures=min_failures)
        part = np.full(len(d), np.nan)
        for s in np.flatnonzero(fits[c].ok):
            m = codes == s
            theta = np.log([fits[c].shape[s], fits[c].scale[s]])
            part[m] = row_log_likelihood(WEIBULL, theta, sample(x[m], d[m], entry=e[m]))
        parts[c] = part + np.where(d > 0, d * np.log(np.where(d > 0, rate, 1.0)), 0.0)
    rows = []
    for s in range(n_strata):
        m = codes == s
        named = dict(zip(keys, strata.row(s), strict=False)) if keys else {}
        vehicles = len(np.unique(group[m]))
        for a, b in combinations(clocks, 2):
            out = {
                **named,
                "clock_a": a,
                "clock_b": b,
                "lives": int(m.sum()),
                "failures": float(d[m].sum()),
                "vehicles": vehicles,
            }
            if not (fits[a].ok[s] and fits[b].ok[s]):
                why = fits[a].reason[s] or fits[b].reason[s]
                rows.append({**out, "better": "too few", "words": f"{a} and {b} were not compared: {why}"})
                continue
            la, lb = float(parts[a][m].sum()), float(parts[b][m].sum())
            by = np.unique(group[m], return_inverse=True)[1]
            diff = np.bincount(by, weights=parts[a][m] - parts[b][m], minlength=vehicles)
            gap, g = la - lb, vehicles
            spread = math.sqrt(g * float(np.var(diff))) if g > 1 else 0.0
            scale = 1e-9 * max(1.0, abs(la))
            per = gap / float(d[m].sum())
            out |= {"log_likelihood_a": la, "log_likelihood_b": lb, "difference": gap, "per_failure": per}
            if spread < scale:
                rows.append(
                    {**out, "better": "the same", "words": f"{a} and {b} run in step here: no telling them apart."}
                )
                continue
            z = gap / spread
            p = 2 * float(ndtr(-abs(z)))
            sure = p < 1 - confidence
            best, other = (a, b) if gap > 0 else (b, a)
            words = (
                f"{best} describe these failures better than {other}, by {abs(gap):.2g} in log-likelihood "
                f"({abs(per):.2g} a failure)."
                if sure
                else f"{a} and {b} describe these failures about equally well."
            )
            rows.append({**out, "z": z, "p": p, "better": best if sure else "not told apart", "words": words})
    schema = {
        **{k: frame.schema[k] for k in keys},
        "clock_a": pl.String,
        "clock_b": pl.String,
        "lives": pl.Int64,
        "failures": pl.Float64,
        "vehicles": pl.Int64,
        "log_likelihood_a": pl.Float64,
        "log_likelihood_b": pl.Float64,
        "difference": pl.Float64,
        "per_failure": pl.Float64,
        "z": pl.Float64,
        "p": pl.Float64,
        "better": pl.String,
        "words": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def failed_by_age(
    age: float, log_mean: float, log_sd: float, cumulative: Callable[[np.ndarray], np.ndarray], *, points: int = 96
) -> float:
    """Share failed by an age when km run at a steady rate that differs between vehicles: E over rates of F(rate x
    age).

    age in years (or days); ln(km per year) normal with log_mean, log_sd (the same unit of time); cumulative: H(km),
    array in and out. Gauss-Hermite quadrature. Source: Lawless, Hu & Cao 1995, Lifetime Data Anal. 1:227-240. The
    rates must be those of all vehicles: failed ones drive more. Raises ValueError for negative age or log_sd.
    Pinned by tests/survival/test_clocks.py.
    """
    if age < 0 or log_sd < 0:
        raise ValueError("Age and spread must not be negative.")
    nodes, weights = np.polynomial.hermite_e.hermegauss(points)
    km = np.exp(log_mean + log_sd * nodes) * age
    return float(weights @ -np.expm1(-cumulative(km)) / math.sqrt(2 * math.pi))
