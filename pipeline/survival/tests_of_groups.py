"""Tests: do groups differ in how long parts last (log-rank); does a repairable thing get worse (trend)?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import by_stratum, codes_of, pack, strata_of


@dataclass(frozen=True)
class LogRank:
    """groups: a row each (group, lives, observed, expected events). chi_square on `degrees` has `p_value`."""

    groups: pl.DataFrame
    chi_square: float
    degrees: int
    p_value: float
    robust: bool


def log_rank(
    lives: pl.DataFrame,
    group: str,
    *,
    entry: str,
    exit: str,
    event: str,
    strata: Sequence[str] = (),
    cluster: str | None = None,
) -> LogRank:
    """Log-rank test of equal hazards of the groups, with late entry, stratified where `strata` are given.

    lives, entry, exit, event: as in `risk.risk_table`. With `cluster` the score's variance is the sum over
    clusters of squared martingale score residuals (lives of one vehicle depend); without it the
    hypergeometric one.
    A group that never shared a risk set with another adds no degree of freedom; with none left, p is 1.
    Raises ValueError as `risk_table`, and for fewer than two groups.
    Source: Mantel 1966; Klein & Moeschberger 2003, section 7.3 (eq. 7.3.5) and 7.5; robust: Lin & Wei 1989.
    """
    from scipy.stats import chi2

    names, g = strata_of(lives, [group])
    m = names.height
    if m < 2:
        raise ValueError(f"A comparison needs two groups; {group} has {m}.")
    cells = pack(lives, strata, entry=entry, exit=exit, event=event)
    g = g[cells.row]
    starts, x, e = cells.starts, cells.exit_cell, cells.entry_cell
    d_row = cells.events[:, 0]
    n, d = cells.at_risk(), cells.failed()[:, 0]
    at = np.flatnonzero(d > 0)
    share = np.empty((len(at), m))
    observed = np.bincount(g, weights=d_row, minlength=m)
    order = np.argsort(g, kind="stable")
    bounds = np.searchsorted(g[order], np.arange(m + 1))
    for j in range(m):
        mine = order[bounds[j] : bounds[j + 1]]
        net = cells.sums(e[mine]) - cells.sums(x[mine])
        share[:, j] = (by_stratum(net, starts) - net)[at] / n[at]
    expected = d[at] @ share
    if cluster is None:
        c = np.where(n[at] > 1, d[at] * (n[at] - d[at]) / np.maximum(n[at] - 1, 1), 0.0)
        variance = np.diag(c @ share) - (share * c[:, None]).T @ share
    else:
        who = codes_of(lives[cluster])[cells.row]
        who = np.unique(who, return_inverse=True)[1]
        k = int(who.max(initial=-1)) + 1
        hazard = np.zeros(len(n))
        hazard[at] = d[at] / n[at]
        h = by_stratum(hazard, starts)
        scores = np.empty((k, m))
        for j in range(m):
            spread = np.zeros(len(n))
            spread[at] = share[:, j]
            cum = by_stratum(spread * hazard, starts)
            mine = (g == j).astype(float)
            residual = d_row * (mine - spread[x]) - (mine * (h[x] - h[e]) - (cum[x] - cum[e]))
            scores[:, j] = np.bincount(who, weights=residual, minlength=k)
        variance = scores.T @ scores
    score = observed - expected
    values, vectors = np.linalg.eigh(variance)
    good = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    degrees = int(good.sum())
    projected = vectors[:, good].T @ score
    statistic = float(np.sum(projected**2 / values[good])) if degrees else 0.0
    groups = names.rename({group: "group"}).with_columns(
        lives=pl.Series(np.bincount(g, minlength=m)),
        observed=pl.Series(observed),
        expected=pl.Series(expected),
    )
    return LogRank(
        groups,
        statistic,
        degrees,
        float(chi2.sf(statistic, degrees)) if degrees else 1.0,
        cluster is not None,
    )


@dataclass(frozen=True)
class Trend:
    """Is a repairable system's rate of events steady? Laplace and MIL-HDBK-189 tests, and the power-law fit.

    laplace > 0: worse with age. mil_chi_square on mil_degrees: small values mean worse (shape above 1), large
    better.
    shape (maximum likelihood), shape_unbiased, scale (time unit of the data): expected events of one system
    by t are (t / scale)^shape.
    rate_at_end, mean_time_between_at_end: with the unbiased shape. reversals: pairs of gaps where the earlier
    is the shorter (single system only, else null). verdict: 'worse', 'better', 'not told apart' at the level
    asked for.
    """

    events: int
    laplace: float
    laplace_p: float
    mil_chi_square: float
    mil_degrees: int
    mil_p: float
    shape: float
    shape_unbiased: float
    shape_low: float
    shape_high: float
    scale: float
    rate_at_end: float
    mean_time_between_at_end: float
    reversals: int | None
    verdict: str


def trend(
    times: Sequence[Sequence[float]] | Sequence[float],
    ends: Sequence[float] | float,
    *,
    confidence: float = 0.95,
) -> Trend:
    """Trend of the events of one or several like systems, each watched from 0 to its end (time-truncated).

    times: event times of each system (a flat list: one system); ends: end of watching of each. One unit of
    time.
    shape_low, shape_high: exact chi-square limits. Verdict by the MIL-HDBK-189 test at 1 - confidence,
    two-sided.
    Raises ValueError for fewer than 3 events, times outside (0, end].
    Source: Cox & Lewis 1966 (Laplace); MIL-HDBK-189C, section 6; Crow 1974; NIST/SEMATECH e-Handbook,
    8.2.3.4, 8.4.2.2.
    """
    from scipy.stats import chi2, norm

    flat = len(times) == 0 or np.ndim(times[0]) == 0
    systems = [np.asarray(times, dtype=float)] if flat else [np.asarray(t, dtype=float) for t in times]
    limits = np.atleast_1d(np.asarray(ends, dtype=float))
    if len(limits) != len(systems):
        raise ValueError(f"{len(systems)} systems but {len(limits)} ends.")
    for i, (t, end) in enumerate(zip(systems, limits, strict=True)):
        if not (np.all(t > 0) and np.all(t <= end)):
            raise ValueError(f"System {i} has an event outside (0, {end}].")
    counts = np.array([len(t) for t in systems])
    r = int(counts.sum())
    if r < 3:
        raise ValueError(f"A trend needs 3 events; there are {r}.")
    every = np.concatenate(systems)
    laplace = float((every.sum() - (counts * limits).sum() / 2) / np.sqrt((counts * limits**2).sum() / 12))
    logs = float(sum(np.log(end / t).sum() for t, end in zip(systems, limits, strict=True)))
    if logs <= 0:
        raise ValueError("Every event lies at its end of watching: no trend can be fitted.")
    statistic = 2 * logs
    mil_p = 2 * min(chi2.cdf(statistic, 2 * r), chi2.sf(statistic, 2 * r))
    # equal ends: closed form; else the likelihood equation of several truncated systems
    shape = r / logs if np.all(limits == limits[0]) else _shape(every, limits, r)
    unbiased = shape * (r - 1) / r
    scale = float(((limits**shape).sum() / r) ** (1 / shape))
    end = float(limits.max())
    rate = (
        r * unbiased / (len(limits) * end)
        if np.all(limits == limits[0])
        else unbiased * r * end ** (unbiased - 1) / float((limits**unbiased).sum())
    )
    alpha = 1 - confidence
    gaps = np.diff(np.concatenate([[0.0], np.sort(systems[0])])) if len(systems) == 1 else None
    reversals = None if gaps is None else int(sum((gaps[i + 1 :] > gaps[i]).sum() for i in range(len(gaps))))
    verdict = "not told apart" if mil_p > alpha else ("worse" if shape > 1 else "better")
    return Trend(
        r,
        laplace,
        float(2 * norm.sf(abs(laplace))),
        statistic,
        2 * r,
        float(min(mil_p, 1.0)),
        float(shape),
        float(unbiased),
        float(shape * chi2.ppf(alpha / 2, 2 * r) / (2 * r)),
        float(shape * chi2.ppf(1 - alpha / 2, 2 * r) / (2 * r)),
        scale,
        float(rate),
        float(1 / rate),
        reversals,
        verdict,
    )


def _shape(times: np.ndarray, limits: np.ndarray, r: int) -> float:
    from scipy.optimize import brentq

    logs = np.log(times).sum()
    top = limits.max()

    def score(b: float) -> float:
        w = (limits / top) ** b
        return r / b + logs - r * float((w * np.log(limits)).sum() / w.sum())

    return float(brentq(score, 1e-3, 1e3, xtol=1e-13))
