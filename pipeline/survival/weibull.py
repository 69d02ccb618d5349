"""The Weibull by itself: many strata at once, a borrowed shape (Weibayes), competing modes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.survival.samples import sample

MIN_DISTINCT = 3  # distinct failure times below which no shape can be told
_LOW, _HIGH, _GRID = math.log(0.02), math.log(60.0), 14


@dataclass(frozen=True, eq=False)
class WeibullBatch:
    """Weibull fits of many strata; arrays of one value a stratum. ok False: no fit, `reason` says why, values nan."""

    shape: np.ndarray
    scale: np.ndarray
    log_likelihood: np.ndarray
    lives: np.ndarray
    failures: np.ndarray
    ok: np.ndarray
    reason: list[str]


def weibull_batch(
    entry: np.ndarray,
    exit: np.ndarray,
    event: np.ndarray,
    stratum: np.ndarray,
    strata: int,
    *,
    weight: np.ndarray | None = None,
    min_failures: float = 5,
    min_distinct: int = MIN_DISTINCT,
    block: int = 100_000,
) -> WeibullBatch:
    """Maximum-likelihood Weibull shape and scale of every stratum, with late entry: safeguarded Newton on the
    profile.

    entry, exit (same unit; entry < exit), event (0, 1 or a probability), stratum (0 .. strata - 1): arrays of n
    lives; weight. With x, e as shares of the stratum's largest exit and S_j = sum x^k (ln x)^j - sum e^k (ln e)^j,
    the profile score is d / k + sum ln t - d S1 / S0 and scale^k = S0 / d. The search is in ln k between 0.02 and 60,
    from the best of a grid, with bisection where Newton would leave the bracket. Strata are refused below
    min_failures, below min_distinct failure times, and where late entry leaves the profile without an inner maximum.
    Source: Meeker & Escobar 1998, section 8.2; late entry: Hong, Meeker & McCalley 2009, Ann. Appl. Stat. 3:857-879.
    Pinned by tests/survival/test_fit.py (lifelines), tests/reference/test_parametric_reference.py.
    """
    w = np.ones(len(exit)) if weight is None else np.asarray(weight, float)
    entry, exit, event = (np.asarray(v, float) for v in (entry, exit, event))
    order = np.argsort(stratum, kind="stable")
    entry, exit, event, w, code = (
        entry[order],
        exit[order],
        event[order] * w[order],
        w[order],
        np.asarray(stratum)[order],
    )
    starts = np.searchsorted(code, np.arange(strata + 1))
    shape, scale, value = (np.full(strata, np.nan) for _ in range(3))
    ok, reason = np.zeros(strata, bool), [""] * strata
    failures = np.bincount(code, weights=event, minlength=strata)
    lives = np.bincount(code, weights=w, minlength=strata)
    failed = event > 0
    pairs = (
        np.unique(np.stack([code[failed].astype(float), exit[failed]]), axis=1)[0].astype(int)
        if failed.any()
        else np.zeros(0, int)
    )
    distinct = np.bincount(pairs, minlength=strata)
    wanted = (failures >= min_failures) & (distinct >= min_distinct)
    for s in np.flatnonzero(~wanted):
        reason[s] = too_few(failures[s], int(distinct[s]), min_failures, min_distinct)
    todo = np.flatnonzero(wanted)
    i = 0
    while i < len(todo):  # blocks that stay in the processor's cache
        j, rows = i, 0
        while j < len(todo) and (rows == 0 or rows + starts[todo[j] + 1] - starts[todo[j]] <= block):
            rows += starts[todo[j] + 1] - starts[todo[j]]
            j += 1
        group = todo[i:j]
        take = np.concatenate([np.arange(starts[s], starts[s + 1]) for s in group])
        local = np.concatenate([[0], np.cumsum([starts[s + 1] - starts[s] for s in group])])[:-1]
        k, c, v, good = _weibull_block(entry[take], exit[take], event[take], w[take], local, failures[group])
        shape[group], scale[group], value[group], ok[group] = k, c, v, good
        i = j
    for s in todo:
        if not ok[s]:
            shape[s] = scale[s] = value[s] = math.nan
            reason[s] = (
                "The likelihood has no inner maximum: the lives were watched too late, or over too short a range of "
                "ages, to tell how the rate changes with age."
            )
    return WeibullBatch(shape, scale, value, lives, failures, ok, reason)


def too_few(failures: float, distinct: int, min_failures: float, min_distinct: int) -> str:
    if failures < min_failures:
        return f"Only {failures:g} failures; at least {min_failures:g} are needed."
    return f"Only {distinct} different failure times; at least {min_distinct} are needed."


def _weibull_block(entry, exit, event, w, starts, d):
    """Profile Newton over the strata that begin at `starts`: (shape, scale, ln L, ok)."""
    sizes = np.diff(np.append(starts, len(exit)))
    top = np.maximum.reduceat(exit, starts)
    log_x = np.log(exit / np.repeat(top, sizes))
    late = np.flatnonzero(entry > 0)
    log_e = np.log(entry[late] / np.repeat(top, sizes)[late])
    late_stratum = np.repeat(np.arange(len(starts)), sizes)[late]
    late_w = w[late]
    log_sum = np.add.reduceat(event * log_x, starts)
    m = len(starts)

    def sums(log_k, order: int):
        k = np.exp(log_k)
        a = w * np.exp(np.repeat(k, sizes) * log_x)
        b = late_w * np.exp(k[late_stratum] * log_e)
        out = [np.add.reduceat(a, starts) - np.bincount(late_stratum, weights=b, minlength=m)]
        for _ in range(order):
            a = a * log_x
            b = b * log_e
            out.append(np.add.reduceat(a, starts) - np.bincount(late_stratum, weights=b, minlength=m))
        return out

    def profile(log_k):
        (s0,) = sums(log_k, 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            v = d * (log_k + np.log(d) - np.log(s0)) + (np.exp(log_k)) * log_sum
        return np.where(np.isfinite(v), v, -np.inf)

    grid = np.linspace(_LOW, _HIGH, _GRID)
    values = np.stack([profile(np.full(m, g)) for g in grid])
    best = np.argmax(values, axis=0)
    inner = (best > 0) & (best < _GRID - 1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, _GRID - 1)]
    x = grid[best]
    for _ in range(100):
        s0, s1, s2 = sums(x, 2)
        k = np.exp(x)
        with np.errstate(divide="ignore", invalid="ignore"):
            r1 = s1 / s0
            g = d + k * (log_sum - d * r1)  # slope in ln k
            h = k * (log_sum - d * r1) - k * k * d * (s2 / s0 - r1 * r1)
            step = -g / h
        low, high = np.where(g > 0, np.maximum(low, x), low), np.where(g < 0, np.minimum(high, x), high)
        new = x + step
        bad = ~np.isfinite(new) | (h >= 0) | (new <= low) | (new >= high)
        new = np.where(bad, np.where(g == 0, x, (low + high) / 2), new)
        moved = np.abs(new - x)
        x = new
        if np.all((moved < 1e-13 * np.maximum(1, np.abs(x))) | ~inner | (high - low < 1e-14)):
            break
    s0, s1 = sums(x, 1)
    k = np.exp(x)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = top * (s0 / d) ** (1 / k)
        value = d * (x - k * np.log(scale)) + (k - 1) * (log_sum + d * np.log(top)) - d
        score = np.abs(1 + k * (log_sum / d - s1 / s0))
    # a maximum squeezed against an end of the search range is none
    ok = np.isfinite(value) & (score < 1e-6) & (x > _LOW + 1e-3) & (x < _HIGH - 1e-3)
    return k, scale, value, ok


@dataclass(frozen=True)
class Weibayes:
    """Weibull life with a given shape. scale: estimate (nan without failures); scale_low, scale_high: confidence
    limits."""

    shape: float
    scale: float
    scale_low: float
    scale_high: float
    failures: float


def weibayes(
    exit: Sequence[float],
    event: Sequence[float],
    shape: float,
    *,
    entry: Sequence[float] | float = 0.0,
    weight: Sequence[float] | None = None,
    confidence: float = 0.95,
    sides: int = 1,
) -> Weibayes:
    """Weibull scale when the shape is known or borrowed: works with few or no failures.

    Times in the unit of the clock. With r failures and A = sum(exit^shape - entry^shape): estimate (A / r)^(1/shape),
    lower limit (2 A / chi2(confidence; 2 r + 2))^(1/shape), upper (2 A / chi2(1 - confidence; 2 r))^(1/shape);
    sides=2 splits the rest between both. Source: Abernethy, The New Weibull Handbook; Nelson 1985, J. Qual. Technol.
    17:140-146; exact for a number of failures fixed beforehand, conservative otherwise. Raises ValueError for shape
    <= 0 or as `sample`.
    Pinned by tests/reference/test_parametric_reference.py.
    """
    from scipy.special import gammaincinv

    if not shape > 0:
        raise ValueError("The shape must be positive.")
    s = sample(exit, event, entry=entry, weight=weight)
    total = float((s.weight * (s.lower**shape - s.entry**shape)).sum())
    r = float((s.weight * s.event).sum())
    tail = 1 - confidence if sides == 1 else (1 - confidence) / 2
    low = (total / float(gammaincinv(r + 1, 1 - tail))) ** (1 / shape)
    high = math.inf if r == 0 else (total / float(gammaincinv(r, tail))) ** (1 / shape)
    return Weibayes(shape, (total / r) ** (1 / shape) if r > 0 else math.nan, low, high, r)
