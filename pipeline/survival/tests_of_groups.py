"""Tests: do groups differ in how long parts last (log-rank); does a repairable thing get worse (trend)?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import codes_of, pack, strata_of


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
    Pinned by tests/reference/test_nonparametric_reference.py (6-MP, R).
    """
    from scipy.sparse import coo_array
    from scipy.special import chdtrc

    names, g = strata_of(lives, [group])
    m = names.height
    if m < 2:
        raise ValueError(f"A comparison needs two groups; {group} has {m}.")
    cells = pack(lives, strata, entry=entry, exit=exit, event=event)
    g = g[cells.row]
    x, e = cells.exit_cell, cells.entry_cell
    d_row = cells.events[:, 0]
    n, d = cells.at_risk(), cells.failed()[:, 0]
    at = np.flatnonzero(d > 0)
    n, d = n[at], d[at]
    observed = np.bincount(g, weights=d_row, minlength=m)
    # A life is at risk at the event times start, ..., stop - 1, counted over all strata: one count a life, whatever the groups.
    so_far = np.zeros(len(cells.t), dtype=np.int64)
    so_far[at] = 1
    so_far = np.cumsum(so_far)
    start, stop = so_far[e], so_far[x]
    size = (len(at) + 1) * m
    net = np.bincount(start * m + g, minlength=size) - np.bincount(stop * m + g, minlength=size)
    share = np.cumsum(net.reshape(len(at) + 1, m), axis=0)[:-1] / n[:, None]
    expected = d @ share
    if cluster is None:
        c = np.where(n > 1, d * (n - d) / np.maximum(n - 1, 1), 0.0)
        variance = np.diag(c @ share) - (share * c[:, None]).T @ share
    else:
        who = np.unique(codes_of(lives[cluster])[cells.row], return_inverse=True)[1]
        k = int(who.max(initial=-1)) + 1
        # Score of a life in group j: event (own - share_j) - integral of (own - share_j) dH, both parts summed by vehicle.
        hazard = np.concatenate([[0.0], np.cumsum(d / n)])
        cumulative = np.concatenate([np.zeros((1, m)), np.cumsum(share * (d / n)[:, None], axis=0)])
        own = np.bincount(who * m + g, weights=d_row - (hazard[stop] - hazard[start]), minlength=k * m).reshape(k, m)
        ones, failed = np.ones(len(who)), np.flatnonzero(d_row > 0)
        spent = coo_array((np.concatenate([ones, -ones]), (np.concatenate([who, who]), np.concatenate([stop, start]))),
                          shape=(k, len(at) + 1)).tocsr()
        gone = coo_array((d_row[failed], (who[failed], stop[failed] - 1)), shape=(k, len(at))).tocsr()
        scores = own + spent @ cumulative - gone @ share
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
        float(chdtrc(degrees, statistic)) if degrees else 1.0,
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
    Pinned by tests/reference/test_recurrent_reference.py (NIST repairs).
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


@dataclass(frozen=True)
class FleetTrend:
    """Does the rate of repairs of a fleet's vehicles grow with their age?

    statistic: standard normal if not; above 0 worse with age. shape: of the power law rate ~ age^(shape - 1), with
    limits; above 1 worse. verdict: 'worse', 'better', 'not told apart'. vehicles: those with an event.
    """

    events: int
    vehicles: int
    statistic: float
    p_value: float
    shape: float
    shape_low: float
    shape_high: float
    verdict: str


def fleet_trend(observed: pl.DataFrame, events: pl.DataFrame, *, unit: str = "vehicle", entry: str = "entry",
                exit: str = "exit", time: str = "t", confidence: float = 0.95, min_vehicles: int = 10) -> FleetTrend:
    """Trend with age of the repairs of vehicles that are watched from any age on, each at a rate of its own.

    observed: a row a vehicle, `entry` and `exit` in one unit; events: `unit`, `time`, in (entry, exit]; others are left
    out. Test: sum over a vehicle's events of (age - middle of its window), summed and divided by the root of the sum of
    squares: given how many events a vehicle has, they fall evenly where there is no trend, so that vehicles that differ
    in rate raise no false alarm. Shape: Poisson likelihood of the power law, common to all vehicles, error by vehicle.
    Raises ValueError for fewer than min_vehicles vehicles with an event (10: our own rule, for the normal limit).
    Source: Laplace's test, Cox & Lewis 1966, section 3.3; summed over processes with an error by process: Lawless, Cigsar &
    Cook 2012, Technometrics 54:147-158 (from memory). Pinned by tests/survival/test_tests_of_groups.py.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    some = events.join(observed.select(unit, entry, exit), on=unit).filter(
        (pl.col(time) > pl.col(entry)) & (pl.col(time) <= pl.col(exit)))
    vehicles = some[unit].n_unique()
    if vehicles < min_vehicles:
        raise ValueError(f"A trend needs {min_vehicles} vehicles with a repair; there are {vehicles}.")
    t, a, b = (some[c].cast(pl.Float64).to_numpy() for c in (time, entry, exit))
    who = codes_of(some[unit])
    who = np.unique(who, return_inverse=True)[1]
    pull = np.bincount(who, weights=(t - (a + b) / 2) / (b - a).mean())
    statistic = float(pull.sum() / np.sqrt((pull**2).sum()))
    p = float(2 * ndtr(-abs(statistic)))
    # power law: ln L = r ln (c k) + (k - 1) sum ln t - c sum (exit^k - entry^k), times as shares of the largest exit
    top = float(observed[exit].max())
    e, x = (observed[c].cast(pl.Float64).to_numpy() / top for c in (entry, exit))
    logs, r = np.log(t / top), len(t)
    log_e = np.log(np.where(e > 0, e, 1.0))

    def sums(k: float) -> tuple[np.ndarray, np.ndarray]:
        return x**k - np.where(e > 0, e**k, 0.0), x**k * np.log(x) - np.where(e > 0, e**k * log_e, 0.0)

    def score(log_k: float) -> float:
        k = np.exp(log_k)
        s0, s1 = (v.sum() for v in sums(k))
        return float(1 + k * (logs.mean() - s1 / s0))

    low, high = np.log(0.02), np.log(50.0)
    if score(low) <= 0 or score(high) >= 0:
        shape = shape_low = shape_high = float("nan")
    else:
        log_k = brentq(score, low, high, xtol=1e-12)
        k = float(np.exp(log_k))
        s0, s1 = sums(k)
        rate = r / s0.sum()
        number = observed.join(some.group_by(unit).agg(pl.len().alias("_n"), (pl.col(time) / top).log().sum().alias("_l")),
                               on=unit, how="left", maintain_order="left").select(pl.col("_n", "_l").fill_null(0))
        own = number["_n"].to_numpy() / k + number["_l"].to_numpy() - rate * s1
        level = number["_n"].to_numpy() - rate * s0
        mean = s1.sum() / s0.sum()
        squares = (x**k * np.log(x) ** 2 - np.where(e > 0, e**k * log_e**2, 0.0)).sum()
        information = r / k**2 + rate * (squares - mean * s1.sum())
        error = float(np.sqrt(((own - mean * level) ** 2).sum()) / information)
        half = float(ndtri(0.5 + confidence / 2)) * error / k
        shape, shape_low, shape_high = k, k * float(np.exp(-half)), k * float(np.exp(half))
    verdict = "not told apart" if p > 1 - confidence else "worse" if statistic > 0 else "better"
    return FleetTrend(r, vehicles, statistic, p, shape, shape_low, shape_high, verdict)
