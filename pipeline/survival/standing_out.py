"""What a verdict rests on: what the comparison of suppliers could have seen at all, and whether a lot that stands out holds a
share of bad pieces or is somewhat worse as a whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.survival.early import PARENTS, fitted_lives
from pipeline.survival.risk import codes_of


def power_of_verdicts(table: pl.DataFrame, ratio: float = 2.0, rate: float = 0.05) -> pl.DataFrame:
    """What the comparison could have seen: the chance that a group whose parts truly failed `ratio` times as often as the others'
    would have got the verdict 'worse', beside each row of `early_failures`.

    table: rows of one call of `early_failures`. Adds bar (the p-value that a verdict needed here: that of the false-discovery rule
    with the verdicts that were found, at least one), and power (null where nothing was compared). With a true ratio r the group's
    share of all T failures is r E / (r E + T - E) instead of E / T, E its expectation: exact binomial over the counts, divided by
    the design effect. Low power: 'not told apart' says little. Raises ValueError for a ratio not above 1.
    Source: power of the conditional test, Gu, Ng, Tang & Schucany 2008, Biometrical Journal 50:283-298, section 2.
    Pinned by tests/survival/test_standing_out.py.
    """
    from scipy.special import bdtrc, gammaln, xlog1py, xlogy

    def chance(x: np.ndarray, n: int, share: float) -> np.ndarray:
        return np.exp(gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1) + xlogy(x, share) + xlog1py(n - x, -share))

    if not ratio > 1:
        raise ValueError(f"ratio must be above 1; got {ratio}.")
    p, q = (table[c].cast(pl.Float64).fill_null(float("nan")).to_numpy() for c in ("p_value", "q_value"))
    tested = int((~np.isnan(p)).sum())
    bar = rate * max(int((q <= rate).sum()), 1) / max(tested, 1)
    parents = [c for c in PARENTS if c in table.columns] + [c for c in table.columns if c.startswith("window_")]
    total = table.select(pl.col("failed").sum().over(parents))["failed"].to_numpy().astype(float)
    expected, deff = (table[c].to_numpy().astype(float) for c in ("expected", "design_effect"))
    power = np.full(table.height, np.nan)
    for i in np.flatnonzero(~np.isnan(p)):
        e, t, d = expected[i], total[i], deff[i]
        n = round(t / d)
        # With a raised rate the total grows too: by (ratio - 1) E.
        if n < 1 or e <= 0 or e >= t:
            power[i] = 0.0
            continue
        n = round((t + (ratio - 1) * e) / d)
        x = np.arange(n + 1)
        null, raised = e / t, ratio * e / (ratio * e + t - e)
        tail = bdtrc(x, n, null) + 0.5 * chance(x, n, null)
        worse = (2 * tail <= bar) & (x > n * null) & (x * d >= 3)
        power[i] = chance(x[worse], n, raised).sum()
    return table.with_columns(bar=pl.lit(bar), power=pl.Series(power).fill_nan(None))


def defective_shares(
    lives: pl.DataFrame,
    groups: pl.DataFrame,
    keys: Sequence[str],
    *,
    until: float = 365.0,
    confidence: float = 0.95,
    min_failures: int = 5,
) -> pl.DataFrame:
    """For groups that stand out (a lot, say): is a share of the pieces bad, or are all of them somewhat worse?

    lives: rows of `lives.lives`, taken as in `early_failures` on days, each followed to `until` at most, so that wear of good
    pieces stays out. groups: the keys of the groups to look at. F(t) = share x Weibull(t) is held against one Weibull for all
    pieces by AIC. Columns: keys, fitted, failed, share, low, high (of the defective share), shape, scale_days, failed_so_far (of
    the defective ones by now, as a share: 1 means that the rest is sound), still_to_fail (expected number among the pieces still
    running), delta_aic (Weibull's less this one's: above 2 in favour of a bad share), verdict ('a share is bad', 'not told apart',
    'too few'), warning. Source: Meeker 1987, Technometrics 29:51-65 (limited failure population). Raises ValueError as `fit.sample`.
    Pinned by tests/survival/test_standing_out.py.
    """
    from pipeline.survival.fit import fit, sample, sensible, wald_interval

    ks = list(keys)
    used = fitted_lives(lives, "days").filter(pl.col("_x") > 0)
    rows = []
    schema = {
        **{k: lives.schema[k] for k in ks},
        "fitted": pl.Int64,
        "failed": pl.Int64,
        **dict.fromkeys(("share", "low", "high", "shape", "scale_days", "failed_so_far", "still_to_fail", "delta_aic"), pl.Float64),
        "verdict": pl.String,
        "warning": pl.String,
    }
    for key in groups.select(ks).unique(maintain_order=True).iter_rows():
        some = used.filter(pl.all_horizontal([pl.col(k).eq_missing(pl.lit(v)) for k, v in zip(ks, key, strict=True)]))
        x, d = some["_x"].to_numpy(), (some["_d"].to_numpy() > 0) & (some["_x"].to_numpy() <= until)
        row = dict(zip(ks, key, strict=True)) | {"fitted": some.height, "failed": int(d.sum())}
        if d.sum() < min_failures:
            rows.append(
                row | {"verdict": "too few", "warning": f"{int(d.sum())} failures within {until:g} days; {min_failures} are needed"}
            )
            continue
        seen = sample(np.minimum(x, until), d.astype(float), cluster=codes_of(some["vehicle"]) if "vehicle" in some.columns else None)
        plain = fit("weibull", seen, min_failures=min_failures)
        bad = fit("limited_failure", seen, min_failures=min_failures, start=plain if plain.converged else None)
        words = bad.warning if not bad.converged else sensible(bad)
        if not bad.converged or words:
            rows.append(row | {"verdict": "not told apart", "warning": words or "the fit did not converge"})
            continue
        limits = wald_interval(bad, "share", confidence)
        share, shape, scale = (bad.params[n] for n in ("share", "shape", "scale"))
        running = x[~d]
        gone = -np.expm1(-((np.minimum(running, until) / scale) ** shape))
        # A piece that still runs at t is a defective one with probability share (1 - G) / (1 - share G).
        still = share * (1 - gone) / (1 - share * gone)
        better = plain.aic - bad.aic if plain.converged else float("nan")
        rows.append(
            row
            | {
                "share": share,
                "low": limits.low,
                "high": limits.high,
                "shape": shape,
                "scale_days": scale,
                "failed_so_far": float(d.sum() / (d.sum() + still.sum())),
                "still_to_fail": float(still.sum()),
                "delta_aic": better,
                "verdict": "a share is bad" if better > 2 else "not told apart",
                "warning": bad.warning or None,
            }
        )
    out = pl.DataFrame(rows, schema=schema)
    return out.with_columns(pl.col(c).fill_nan(None) for c in out.columns if out.schema[c] == pl.Float64)


__all__ = ["defective_shares", "power_of_verdicts"]
