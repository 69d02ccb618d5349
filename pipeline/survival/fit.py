"""Likelihood fits of the life families: right censoring, late entry, interval censoring; choice, intervals, borrowed
fits.

One life contributes  d ln h(exit) - H(exit) + H(entry)  to the log-likelihood (Klein & Moeschberger 2003, section
3.5; Hong, Meeker & McCalley 2009, Ann. Appl. Stat. 3:857-879 for late entry in a fleet), a life known to have ended
between l and r ln[S(l) - S(r)] + H(entry). Entries, exits and events are collapsed apart to distinct times, which is
exact and small.

The choice of a family is by a written rule, see `choose`. Every published covariance is robust: score contributions
are summed by vehicle first (Lin & Wei 1989, J. Am. Stat. Assoc. 84:1074-1078; White 1982), because both sides of a
vehicle, and successive parts in one place, share a driver and a road.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from pipeline.survival.families import (
    FAMILIES,
    Family,
    family,
    from_location_scale,
    hazard_minimum,
    location_scale,
    standard_quantile,
)
from pipeline.survival.risk import strata_of

DEFAULT_FAMILIES = (
    "exponential",
    "weibull",
    "lognormal",
    "loglogistic",
    "generalised_gamma",
    "early_wear_out",
    "limited_failure",
)
MIN_DISTINCT = 3  # distinct failure times below which no shape can be told
RICH_FAILURES = (
    20  # failures from which families of 3 or 4 parameters are tried and Wald intervals trusted (our own rule)
)
PARSIMONY = (
    2.0  # AIC by which a richer family must win (Burnham & Anderson 2002, section 2.6: less is no real difference)
)
LIFE_POINTS = {"b3": 0.03, "b10": 0.10, "median": 0.50, "characteristic_life": 1 - math.exp(-1)}
_EXACT_TIMES = 600  # above so many distinct times the search starts on binned ones; it always ends on the exact ones
_BINS = 200


@dataclass(frozen=True, eq=False)
class Sample:
    """Lives ready for a likelihood; build with `sample`. Arrays of length n, times in the unit of the clock.

    lower == upper: the exit, a failure with probability `event`; otherwise the life ended between lower and upper
    (inf: not yet). cluster: whole numbers, the vehicle; None: every life is its own (and a weight counts as so many
    equal lives). zero_length: lives left out because they ended where they began.
    """

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    event: np.ndarray
    weight: np.ndarray
    cluster: np.ndarray | None
    zero_length: int = 0

    @property
    def exact(self) -> np.ndarray:
        return self.lower == self.upper

    @property
    def lives(self) -> float:
        return float(self.weight.sum())

    @property
    def failures(self) -> float:
        """Failures, those known only by an interval included."""
        return float((self.weight * np.where(self.exact, self.event, np.isfinite(self.upper))).sum())

    @property
    def failure_times(self) -> np.ndarray:
        """Distinct failure times; for intervals their upper ends."""
        failed = np.where(self.exact, self.event > 0, np.isfinite(self.upper)) & (self.weight > 0)
        return np.unique(np.where(self.exact, self.lower, self.upper)[failed])

    @property
    def largest_time(self) -> float:
        return float(np.max(np.where(np.isfinite(self.upper), self.upper, self.lower), initial=0.0))


def sample(
    exit: Sequence[float] | np.ndarray,
    event: Sequence[float] | np.ndarray | None = None,
    *,
    entry: Sequence[float] | float = 0.0,
    upper: Sequence[float] | np.ndarray | None = None,
    weight: Sequence[float] | None = None,
    cluster: Sequence | None = None,
) -> Sample:
    """Lives for the fits below.

    exit: last age seen (days, km, hours). event: true, 1 or the probability of a failure there; missing: all failed.
    upper: for interval-censored lives exit is the last age known alive and `upper` the first age known failed (inf:
    still alive; equal to exit: failed exactly then); `event` is then ignored where they differ. Current status: (0,
    age] if found failed, (age, inf) if not. entry: age at which watching began (0: from new). weight: so many equal
    lives. cluster: vehicle. Lives with no length (exit == entry, no interval) are left out and counted. Raises
    ValueError for missing, negative or infinite times, entry beyond exit, upper below exit, events outside 0..1, or
    arrays of unequal length.
    """
    x = np.asarray(exit, float)
    n = len(x)

    def column(values, default: float) -> np.ndarray:
        out = np.full(n, default) if values is None else np.asarray(values, float)
        return np.full(n, float(out)) if out.ndim == 0 else out

    e, w = column(entry, 0.0), column(weight, 1.0)
    up = x.copy() if upper is None else column(upper, math.inf)
    d = column(event, 1.0)
    for name, v in (("entry", e), ("upper", up), ("event", d), ("weight", w)):
        if len(v) != n:
            raise ValueError(f"{name} has {len(v)} values, exit {n}.")
    d = np.where(up == x, d, 0.0)
    for bad, words in (
        (~np.isfinite(x) | ~np.isfinite(e), "a missing or infinite time"),
        ((x < 0) | (e < 0), "a negative time"),
        (e > x, "an entry after the exit"),
        (~(up >= x), "an upper end below the lower"),
        (~((d >= 0) & (d <= 1)), "an event outside 0..1"),
        (~(w >= 0) | ~np.isfinite(w), "an impossible weight"),
    ):
        if bad.any():
            raise ValueError(
                f"{int(bad.sum())} of {n} lives have {words}; the first is number {int(np.flatnonzero(bad)[0])}."
            )
    codes = None if cluster is None else np.unique(np.asarray(cluster), return_inverse=True)[1]
    keep = ((up > x) | (x > e)) & (up > 0)
    return Sample(
        e[keep], x[keep], up[keep], d[keep], w[keep], None if codes is None else codes[keep], int((~keep).sum())
    )


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted family, or the refusal of one (converged False, values nan, `warning` says why).

    params: named parameters; theta: the same on the unconstrained scale (see families). covariance: of theta, robust
    by cluster; covariance_natural: the same for params; covariance_model: of theta, inverse observed information (for
    comparison, not published); covariance_rows: of theta, robust with every life its own cluster. log_likelihood in
    the unit of the clock; aic = 2 k - 2 ln L. lives, failures: sums of weights; clusters: vehicles, failed_clusters:
    those with a failure. largest_failure, largest_time, least_age: the range of ages that the data cover. borrowed:
    '' | 'fit' (all of it a wider group's) | 'shape' (Weibayes).
    """

    family: str
    names: tuple[str, ...]
    params: dict[str, float]
    theta: np.ndarray
    covariance: np.ndarray
    covariance_natural: np.ndarray
    covariance_model: np.ndarray
    covariance_rows: np.ndarray
    log_likelihood: float
    aic: float
    lives: float
    failures: float
    clusters: int
    converged: bool
    warning: str = ""
    chosen: bool = False
    largest_failure: float = math.nan
    largest_time: float = math.nan
    least_age: float = 0.0
    borrowed: str = ""
    borrowed_from: str = ""
    failed_clusters: int = 0

    @property
    def distribution(self) -> Family:
        return family(self.family)

    def cumulative_hazard(self, t) -> np.ndarray:
        """H(t), t in the unit of the clock, any shape; nan for a refused fit."""
        return self.distribution.cumulative(self.theta, t) if self.converged else np.full(np.shape(t), np.nan)

    def survival(self, t) -> np.ndarray:
        """Share that outlives t."""
        return np.exp(-self.cumulative_hazard(t))

    def hazard(self, t) -> np.ndarray:
        """Failure rate per unit of the clock at age t > 0."""
        return self.distribution.hazard(self.theta, t) if self.converged else np.full(np.shape(t), np.nan)

    def quantile(self, p) -> np.ndarray:
        """Age by which a share p has failed; inf where never. Raises ValueError unless 0 < p < 1."""
        return self.distribution.quantile(self.theta, p) if self.converged else np.full(np.shape(p), np.nan)

    def mean_residual(self, t: float = 0.0) -> float:
        """Mean remaining life at age t; from 0 the mean life."""
        return self.distribution.mean_residual(self.theta, t) if self.converged else math.nan


def refusal(name: str, lives: Sample | None, words: str) -> Fit:
    """A fit that was not made, and why."""
    f = family(name)
    nan = np.full((f.size, f.size), np.nan)
    return Fit(
        name,
        f.names,
        dict.fromkeys(f.names, math.nan),
        np.full(f.size, np.nan),
        nan,
        nan,
        nan,
        nan,
        math.nan,
        math.nan,
        lives.lives if lives else 0.0,
        lives.failures if lives else 0.0,
        _clusters(lives) if lives else 0,
        False,
        words,
    )


def _clusters(lives: Sample) -> int:
    return int(round(lives.lives)) if lives.cluster is None else len(np.unique(lives.cluster))


def _failed_clusters(lives: Sample) -> int:
    failed = np.where(lives.exact, lives.event > 0, np.isfinite(lives.upper))
    return int(round(lives.failures)) if lives.cluster is None else len(np.unique(lives.cluster[failed]))


# ---- the likelihood, on distinct times
# -------------------------------------------------------------------------------


def _collapse(t: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    keep = (w != 0) & (t > 0)
    times, inverse = np.unique(t[keep], return_inverse=True)
    return times, np.bincount(inverse, weights=w[keep], minlength=len(times))


def _bin(t: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if len(t) <= _BINS:
        return t, w
    starts = np.unique(np.linspace(0, len(t), _BINS, endpoint=False).astype(int))
    total = np.add.reduceat(w, starts)
    return np.add.reduceat(w * t, starts) / total, total


@dataclass(frozen=True, eq=False)
class _Sums:
    """ln L = sum fail_w ln h(fail_t) - sum net_w H(net_t) + intervals, all times divided by `unit`. net_w counts
    exits less entries."""

    fail_t: np.ndarray
    fail_w: np.ndarray
    net_t: np.ndarray
    net_w: np.ndarray
    left: np.ndarray
    right: np.ndarray
    span_w: np.ndarray
    unit: float

    @staticmethod
    def of(s: Sample) -> _Sums:
        exact = s.exact
        unit = float(np.median(s.lower[s.lower > 0])) if np.any(s.lower > 0) else 1.0
        if not np.any(exact) and np.any(np.isfinite(s.upper)):
            unit = float(np.median(s.upper[np.isfinite(s.upper)]))
        fail = _collapse(s.lower / unit, s.weight * s.event * exact)
        net = _collapse(np.concatenate([s.lower, s.entry]) / unit, np.concatenate([s.weight, -s.weight]))
        span = ~exact & np.isfinite(s.upper)
        if np.any(span):
            pairs, inverse = np.unique(np.stack([s.lower[span], s.upper[span]]), axis=1, return_inverse=True)
            w = np.bincount(inverse.ravel(), weights=s.weight[span], minlength=pairs.shape[1])
            left, right = pairs / unit
        else:
            left = right = w = np.zeros(0)
        return _Sums(*fail, *net, left, right, w, unit)

    @property
    def big(self) -> bool:
        return len(self.net_t) > _EXACT_TIMES

    @property
    def last(self) -> float:
        """The largest time, scaled."""
        return float(max(self.net_t[-1] if len(self.net_t) else 0.0, self.right.max(initial=0.0)))

    def binned(self) -> _Sums:
        out, ins = self.net_w > 0, self.net_w < 0
        bins = [_bin(self.net_t[m], self.net_w[m]) for m in (out, ins)]
        fail_t, fail_w = _bin(self.fail_t, self.fail_w)
        return replace(
            self,
            fail_t=fail_t,
            fail_w=fail_w,
            net_t=np.concatenate([b[0] for b in bins]),
            net_w=np.concatenate([b[1] for b in bins]),
        )

    def value(self, f: Family, theta: np.ndarray) -> float:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            total = 0.0
            if len(self.fail_t):
                total += float(self.fail_w @ f.hazards(theta, self.fail_t)[0])
            if len(self.net_t):
                total -= float(self.net_w @ f.hazards(theta, self.net_t)[1])
            if len(self.right):
                gap = f.cumulative(theta, self.right) - f.cumulative(theta, self.left)
                total += float(self.span_w @ np.log(-np.expm1(-np.maximum(gap, 1e-300))))
        return total if math.isfinite(total) else -math.inf

    def slope(self, f: Family, theta: np.ndarray) -> np.ndarray:
        g = np.zeros(f.size)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            if len(self.fail_t):
                g += f.slopes(theta, self.fail_t)[0] @ self.fail_w
            if len(self.net_t):
                g -= f.slopes(theta, self.net_t)[1] @ self.net_w
            if len(self.right):
                g += _span_slopes(f, theta, self.left, self.right) @ self.span_w
        return g

    def curvature(self, f: Family, theta: np.ndarray, step: float = 1e-4) -> np.ndarray:
        """Observed information, -d2 ln L / d theta2, by central differences of the exact slope."""
        out = np.empty((f.size, f.size))
        for i in range(f.size):
            e = np.zeros(f.size)
            e[i] = step
            out[i] = (self.slope(f, theta - e) - self.slope(f, theta + e)) / (2 * step)
        return (out + out.T) / 2

    def rough_curvature(self, f: Family, theta: np.ndarray, g: np.ndarray, step: float = 1e-5) -> np.ndarray:
        """The same by forward differences from the slope g at theta: half the work, good enough to steer a search."""
        out = np.empty((f.size, f.size))
        for i in range(f.size):
            e = np.zeros(f.size)
            e[i] = step
            out[i] = (g - self.slope(f, theta + e)) / step
        return (out + out.T) / 2


def _cumulative_slopes(f: Family, theta: np.ndarray, t: np.ndarray) -> np.ndarray:
    out = np.zeros((f.size, len(t)))
    live = t > 0
    out[:, live] = f.slopes(theta, t[live])[1]
    return out


def _span_slopes(f: Family, theta: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """d/d theta of ln(1 - exp(-(H(r) - H(l))))."""
    gap = np.maximum(f.cumulative(theta, right) - f.cumulative(theta, left), 1e-300)
    return (_cumulative_slopes(f, theta, right) - _cumulative_slopes(f, theta, left)) / np.expm1(np.minimum(gap, 700.0))


_LIMITS = {"log": 15.0, "identity": 12.0, "logit": 12.0, "log-1": 6.0}
_NOT_WORTH = "No better than the Weibull, which has fewer parameters: the search was stopped."


@dataclass(frozen=True, eq=False)
class _Top:
    theta: np.ndarray
    value: float
    information: np.ndarray | None
    ok: bool
    why: str = ""
    open: bool = False  # stopped for want of rounds only


def _climb(sums: _Sums, f: Family, start: np.ndarray, rounds: int = 100, worth: float = -math.inf) -> _Top:
    """Newton's method with the absolute-eigenvalue safeguard and halving: every step goes up.

    worth: give up once the likelihood is plainly not going to reach this value.
    """
    limits = np.array([_LIMITS[k] for k in f.links])
    if f.name == "generalised_gamma":
        limits[2] = 8.0
    if f.name == "early_wear_out":  # scales beyond a thousand times the data say nothing
        limits[[1, 3]] = math.log(1000 * sums.last)
    theta = np.clip(np.asarray(start, float), -limits, limits)
    value = sums.value(f, theta)
    if not math.isfinite(value):
        return _Top(theta, value, None, False, "The likelihood has no value where the search begins.")
    for n in range(rounds):
        g = sums.slope(f, theta)
        curve = sums.rough_curvature(f, theta, g)
        if not (np.all(np.isfinite(g)) and np.all(np.isfinite(curve))):
            return _Top(theta, value, None, False, "The likelihood's slope is not finite.")
        roots, vectors = np.linalg.eigh(curve)
        firm = np.maximum(np.abs(roots), 1e-9 * max(np.max(np.abs(roots)), 1e-6))
        step = vectors @ ((vectors.T @ g) / firm)
        gain = float(g @ step)
        small = gain < 1e-8 and roots[0] > 0
        if not small and n >= 8 and value + 5 * gain < worth:
            return _Top(theta, value, None, False, _NOT_WORTH)
        longest = np.max(np.abs(step))
        if longest > 2.0:
            step = step * (2.0 / longest)
        better = False
        for k in range(30):
            trial = np.clip(theta + step * 0.5**k, -limits, limits)
            v = sums.value(f, trial)
            if v > value or (small and v > value - 1e-13 * abs(value)):
                better = True
                break
        if better:
            theta, value = trial, max(v, value)
        if np.any(np.abs(theta) >= limits - 1e-9):
            i = int(np.argmax(np.abs(theta) - limits))
            return _Top(
                theta, value, None, False, f"The likelihood keeps rising as {f.names[i]} runs away: no inner maximum."
            )
        if small or (not better and gain < 1e-6 and roots[0] > 0):
            return _Top(theta, value, sums.curvature(f, theta), True)
        if not better:
            return _Top(theta, value, None, False, "The search came to rest where the likelihood has no maximum.")
    return _Top(theta, value, None, False, f"The search did not settle in {rounds} rounds.", True)


def _search(sums: _Sums, f: Family, starts: list[np.ndarray], worth: float) -> _Top:
    """The best of several starts: each a few rounds on coarse times, the best ones to the end, finished on the exact
    times."""
    coarse = sums.binned() if sums.big else sums
    shift = worth - 1.0 if sums.big else worth  # coarse values are a little off
    first = 100 if len(starts) == 1 else 12
    tops = sorted((_climb(coarse, f, s, first, shift) for s in starts), key=lambda t: -t.value)
    for top in tops:
        if top.open:
            top = _climb(coarse, f, top.theta, 80, shift)
        if top.ok:
            break
    else:
        return tops[0] if not tops[0].open else top
    if sums.big:
        top = _climb(sums, f, top.theta, 20, worth)
    return top


def row_scores(f: Family, theta: np.ndarray, s: Sample) -> np.ndarray:
    """Each life's slope of ln L in theta, unweighted: array (n, k). They sum, weighted, to 0 at the maximum."""
    out = np.zeros((len(s.lower), f.size))
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        times, place = np.unique(np.concatenate([s.lower, s.entry]), return_inverse=True)
        g = _cumulative_slopes(f, theta, times)
        n = len(s.lower)
        out += (g[:, place[n:]] - g[:, place[:n]]).T
        failed = s.exact & (s.event > 0) & (s.lower > 0)
        if np.any(failed):
            out[failed] += f.slopes(theta, s.lower[failed])[0].T * s.event[failed, None]
        span = ~s.exact & np.isfinite(s.upper)
        if np.any(span):
            out[span] += _span_slopes(f, theta, s.lower[span], s.upper[span]).T
    return out


def row_log_likelihood(f: Family, theta: np.ndarray, s: Sample) -> np.ndarray:
    """Each life's ln L, unweighted: array (n,)."""
    out = f.cumulative(theta, s.entry) - f.cumulative(theta, s.lower)
    failed = s.exact & (s.event > 0) & (s.lower > 0)
    out[failed] += f.hazards(theta, s.lower[failed])[0] * s.event[failed]
    span = ~s.exact & np.isfinite(s.upper)
    gap = f.cumulative(theta, s.upper[span]) - f.cumulative(theta, s.lower[span])
    out[span] += np.log(-np.expm1(-np.maximum(gap, 1e-300)))
    return out


def sandwich(information: np.ndarray, scores: np.ndarray, weight: np.ndarray, cluster: np.ndarray | None) -> np.ndarray:
    """Robust covariance A^-1 B A^-1 with B the sum over clusters of score sums squared, times G / (G - 1), G
    clusters.

    cluster None: a weight stands for so many equal, independent lives. Source: Lin & Wei 1989; Cameron & Miller 2015,
    J. Hum. Resour. 50:317-372 (the small-sample factor).
    """
    inverse = np.linalg.inv(information)
    if cluster is None:
        meat = (scores * weight[:, None]).T @ scores
        g = float(weight.sum())
    else:
        codes = np.unique(cluster, return_inverse=True)[1]
        g = int(codes.max(initial=-1)) + 1
        sums = np.stack(
            [np.bincount(codes, weights=scores[:, j] * weight, minlength=g) for j in range(scores.shape[1])], axis=1
        )
        meat = sums.T @ sums
    out = inverse @ meat @ inverse * (g / (g - 1) if g > 1 else 1.0)
    return (out + out.T) / 2


# ---- Weibull, many strata at once
# -----------------------------------------------------------------------------------


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


_LOW, _HIGH, _GRID = math.log(0.02), math.log(60.0), 14


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
        reason[s] = _too_few(failures[s], int(distinct[s]), min_failures, min_distinct)
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


def _too_few(failures: float, distinct: int, min_failures: float, min_distinct: int) -> str:
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


# ---- one fit
# --------------------------------------------------------------------------------------------------------


def fit(
    name: str,
    lives: Sample,
    *,
    min_failures: float = 5,
    min_distinct: int = MIN_DISTINCT,
    start: Fit | None = None,
    worth: float = -math.inf,
    sums: _Sums | None = None,
) -> Fit:
    """Fit one family by maximum likelihood.

    name: see `families.FAMILIES`. lives: from `sample`. start: a Weibull fit of the same lives, if at hand. worth: a
    log-likelihood below which the fit is of no use; the search may stop early, and says so. Never raises for thin
    or odd data: the returned Fit then has converged False and says why in `warning`. With interval-censored lives
    min_distinct counts distinct upper ends. Raises ValueError for an unknown name.
    Source: see the head of this module; generalised gamma: Prentice 1974; limited failures: Meeker 1987.
    """
    f = family(name)
    lives_failed = lives.failures
    times = lives.failure_times
    if lives_failed < min_failures or (f.size > 1 and len(times) < min_distinct):
        return refusal(name, lives, _too_few(lives_failed, len(times), min_failures, min_distinct))
    exact = bool(np.all(lives.exact))
    sums = sums or _Sums.of(lives)
    unit = math.log(sums.unit)
    stretch = np.array(f.stretch, float)
    if name == "weibull" and exact:
        if start is None:
            b = weibull_batch(
                lives.entry,
                lives.lower,
                lives.event,
                np.zeros(len(lives.lower), int),
                1,
                weight=lives.weight,
                min_failures=min_failures,
                min_distinct=min_distinct,
            )
            if not b.ok[0]:
                return refusal(name, lives, b.reason[0])
            theta = np.log([b.shape[0], b.scale[0]]) - stretch * unit
        else:
            theta = start.theta - stretch * unit
        top = _Top(theta, sums.value(f, theta), sums.curvature(f, theta), True)
    else:
        top = _search(sums, f, _starts(f, lives, sums, start), worth + float(sums.fail_w.sum()) * unit)
        if not top.ok:
            return refusal(name, lives, top.why)
    return _finish(f, lives, sums, top)


def _finish(f: Family, lives: Sample, sums: _Sums, top: _Top) -> Fit:
    theta = top.theta + np.array(f.stretch, float) * math.log(sums.unit)
    roots = np.linalg.eigvalsh(top.information)
    if not roots[0] > 1e-10 * roots[-1]:
        return refusal(f.name, lives, "The likelihood is flat: the data cannot tell the parameters apart.")
    model = np.linalg.inv(top.information)
    scores = row_scores(f, theta, lives)
    # The information does not depend on the unit of time: theta only shifts with it.
    rows = sandwich(top.information, scores, lives.weight, None)
    # Rows weighted and clustered: a weight is then part of one vehicle's sum.
    robust = rows if lives.cluster is None else sandwich(top.information, scores, lives.weight, lives.cluster)
    j = f.jacobian(theta)
    value = top.value - float(sums.fail_w.sum()) * math.log(sums.unit)
    natural = f.natural(theta)
    failures = lives.failure_times
    least = float(np.min(lives.entry, initial=math.inf))
    warning = ""
    if lives.failures < RICH_FAILURES and f.size > 2:
        warning = f"{f.size} parameters from {lives.failures:g} failures."
    return Fit(
        f.name,
        f.names,
        dict(zip(f.names, map(float, natural), strict=False)),
        theta,
        robust,
        robust * np.outer(j, j),
        model,
        rows,
        value,
        2 * f.size - 2 * value,
        lives.lives,
        lives.failures,
        _clusters(lives),
        True,
        warning,
        largest_failure=float(failures[-1]),
        largest_time=lives.largest_time,
        least_age=least,
        failed_clusters=_failed_clusters(lives),
    )


def _starts(f: Family, lives: Sample, sums: _Sums, weibull: Fit | None) -> list[np.ndarray]:
    """Points to begin from, on the scaled clock: from the Weibull fit, or from moments where there is none."""
    unit = math.log(sums.unit)
    if f.name == "exponential":
        ends = np.where(np.isfinite(lives.upper), (lives.lower + np.minimum(lives.upper, 1e300)) / 2, lives.lower)
        exposure = float((lives.weight * np.maximum(ends - lives.entry, 0)).sum())
        return [np.array([math.log(exposure / lives.failures) - unit])]
    if weibull is not None and weibull.converged:
        k, s = float(weibull.theta[0]), float(weibull.theta[1]) - unit
    elif f.name != "weibull" and (w := fit("weibull", lives, min_failures=0, min_distinct=0)).converged:
        k, s = float(w.theta[0]), float(w.theta[1]) - unit
    else:  # interval data, or no Weibull maximum: a plain guess from the share failed
        share = min(max(lives.failures / lives.lives, 1e-6), 0.95)
        typical = float(np.median(lives.failure_times)) / sums.unit
        k, s = 0.2, math.log(typical) - math.log(-math.log1p(-share)) / math.exp(0.2)
    shape = math.exp(k)
    if f.name == "weibull":
        return [np.array([k, s]), np.array([0.0, s])]
    median = s + math.log(math.log(2)) / shape
    if f.name == "loglogistic":
        return [np.array([k + 0.2, median])]
    # where most is censored the fits agree in the early tail: match the 5 % and 40 % points of the share seen to fail
    seen = min(max(lives.failures / lives.lives, 1e-4), 0.9)
    p1, p2 = seen * 0.1, seen * 0.7
    from scipy.special import ndtri

    z1, z2 = ndtri(p1), ndtri(p2)
    y1, y2 = (s + math.log(-math.log1p(-p)) / shape for p in (p1, p2))
    sigma = (y2 - y1) / (z2 - z1)
    normal = np.array([y1 - sigma * z1, math.log(sigma)])
    if f.name == "lognormal":
        return [normal]
    if f.name == "generalised_gamma":
        a, b = np.array([s, -k, 1.0]), np.array([*normal, 0.05])
        return [a if sums.value(f, a) > sums.value(f, b) else b]
    if f.name == "limited_failure":
        times = (
            np.repeat(sums.fail_t, np.maximum(sums.fail_w.round().astype(int), 1))
            if sums.fail_w.sum() < 1e6
            else sums.fail_t
        )
        if not len(times):
            times = sums.right
        middle = math.log(float(np.median(times)))
        seen = min(1.1 * lives.failures / lives.lives, 0.9)
        return [np.array([math.log(p / (1 - p)), k + 0.2, middle + 0.3]) for p in (seen, min(2 * seen, 0.95))]
    # early plus wear-out: part of the Weibull's hazard, at a middle and at a late age, goes to each side
    last = math.log(sums.last)
    first = math.log(float(sums.fail_t[0])) if len(sums.fail_t) else last - 3

    def h(y: float) -> float:
        return shape * (y - s)  # ln H of the Weibull at ln t = y

    out = []
    for b1, share, b2 in (
        (0.5, 0.3, max(1.5 * shape, 1.8)),
        (0.75, 0.15, max(1.3 * shape, 2.5)),
        (0.3, 0.6, max(2 * shape, 3.5)),
    ):
        middle = max((first + last) / 2, last - 1.5)
        a1 = middle - (h(middle) + math.log(share)) / b1
        a2 = last - (h(last) + math.log(1 - 0.5 * share)) / b2
        out.append(np.array([math.log(b1 / (1 - b1)), a1, math.log(b2 - 1), a2]))
    return out


def fit_families(
    lives: Sample, families: Sequence[str] = DEFAULT_FAMILIES, *, min_failures: float = 5, weibull: Fit | None = None
) -> list[Fit]:
    """Fit each family to the same lives and mark the chosen one (see `choose`). Families of more than two parameters
    are tried from 20 failures on; below, the refusal says so. Returns one Fit a family, in the order given."""
    sums = _Sums.of(lives)
    base = weibull if weibull is not None else fit("weibull", lives, min_failures=min_failures, sums=sums)
    out = []
    for name in families:
        if name == "weibull":
            out.append(base)
        elif family(name).size > 2 and lives.failures < max(RICH_FAILURES, min_failures):
            out.append(refusal(name, lives, f"{family(name).size} parameters need at least {RICH_FAILURES} failures."))
        else:
            worth = -math.inf
            if name in ("early_wear_out", "limited_failure") and base.converged:  # what `choose` will ask of them
                worth = base.log_likelihood + family(name).size - 2 + PARSIMONY / 2
            out.append(
                fit(
                    name,
                    lives,
                    min_failures=min_failures,
                    start=base if base.converged else None,
                    worth=worth,
                    sums=sums,
                )
            )
    best = choose(out)
    return [replace(f, chosen=f is best) for f in out]


def sensible(f: Fit) -> str:
    """Words against a fit that converged to something nobody should use; '' where there is nothing against it."""
    if not f.converged:
        return f.warning
    errors = np.sqrt(np.maximum(np.diag(f.covariance_model), 0))
    if f.family == "early_wear_out":
        if f.params["early_scale"] > 100 * f.largest_time:
            return "The early phase is so weak that the data do not show it."
        if f.params["wear_scale"] > 10 * f.largest_time or f.params["wear_shape"] > 20:
            return "The wear-out phase lies beyond the data."
    if f.family == "limited_failure":
        if f.params["share"] > 0.98:
            return "No share that never fails can be told."
        if f.params["scale"] > f.largest_time:
            return "Failures have not levelled off within the data: the share that fails cannot be told."
    if f.family == "generalised_gamma" and abs(f.params["q"]) > 5:
        return "The shape q lies beyond 5."
    if np.any(errors > 5):
        worst = f.names[int(np.argmax(errors))]
        return f"{worst} is not told by the data (standard error {errors.max():.2g} on its log scale)."
    return ""


def choose(fits: Sequence[Fit]) -> Fit | None:
    """The family to use, by a written rule; None where none can be used.

    1. Only fits that converged and against which `sensible` has nothing.
    2. Early-plus-wear-out and limited failures only where their AIC beats the Weibull's by more than 2.
    3. Of those, the smallest AIC; then the one of fewest parameters within 2 of it; at equal numbers the smaller AIC.
    Source: Burnham & Anderson 2002, Model Selection and Multimodel Inference, section 2.6 (differences within 2);
    rule 2 is our own (common practice, no source): a bad start or a bad batch is a claim about a part, and wants
    evidence.
    """
    weibull = next((f for f in fits if f.family == "weibull" and f.converged), None)
    able = []
    for f in fits:
        if sensible(f):
            continue
        if f.family in ("early_wear_out", "limited_failure") and (weibull is None or f.aic >= weibull.aic - PARSIMONY):
            continue
        able.append(f)
    if not able:
        return None
    least = min(f.aic for f in able)
    near = [f for f in able if f.aic <= least + PARSIMONY]
    return min(near, key=lambda f: (len(f.names), f.aic))


# ---- intervals
# ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Interval:
    """An estimate with its limits, in the unit of the clock (or none for a shape); inf or nan where there is none.
    method: 'likelihood_ratio' or 'wald'."""

    value: float
    low: float
    high: float
    method: str


def _target(f: Fit, what: str | float) -> tuple[float, np.ndarray, str]:
    """(value on its working scale, its slope in theta, link): a parameter by name, or ln of the quantile for a
    share."""
    d = f.distribution
    if isinstance(what, str):
        i = d.names.index(what)
        slope = np.zeros(d.size)
        slope[i] = 1.0
        return float(f.theta[i]), slope, d.links[i]
    q = float(d.quantile(f.theta, what))
    if not (0 < q < math.inf):
        return math.inf, np.zeros(d.size), "log"
    slope = np.empty(d.size)
    for i in range(d.size):
        e = np.zeros(d.size)
        e[i] = 1e-5
        up, down = float(d.quantile(f.theta + e, what)), float(d.quantile(f.theta - e, what))
        if not (0 < up < math.inf and 0 < down < math.inf):
            return math.log(q), np.full(d.size, np.nan), "log"
        slope[i] = (math.log(up) - math.log(down)) / 2e-5
    return math.log(q), slope, "log"


def _back(x: float, link: str) -> float:
    if link == "identity" or math.isnan(x):
        return x
    if link == "logit":
        return 1 / (1 + math.exp(-x))
    e = math.exp(x) if x < 700 else math.inf
    return 1 + e if link == "log-1" else e


def wald_interval(f: Fit, what: str | float, confidence: float = 0.95, robust: bool = True) -> Interval:
    """Interval on the log scale (logit for shares): of a parameter by name ('shape'), or of the age by which a share
    (a number, e.g. 0.1) has failed. Robust: the clustered error and Student's t with as many degrees of freedom as
    clusters with a failure, less 1; otherwise the model's error and the normal. A quantile that is never reached has
    value inf, limits nan.
    Source: Meeker & Escobar 1998, section 8.4; Student's t: Cameron & Miller 2015, section VI.D (clusters; that only
    those with a failure count is ours, checked by simulation). Raises ValueError for a name that the family lacks."""
    from scipy.special import ndtri, stdtrit

    if isinstance(what, str) and what not in f.names:
        raise ValueError(f"{f.family} has no parameter '{what}'.")
    if not f.converged:
        return Interval(math.nan, math.nan, math.nan, "wald")
    x, slope, link = _target(f, what)
    if not math.isfinite(x):
        return Interval(math.inf, math.nan, math.nan, "wald")
    v = float(slope @ (f.covariance if robust else f.covariance_model) @ slope)
    q = float(stdtrit(max(f.failed_clusters - 1, 1), 0.5 + confidence / 2) if robust else ndtri(0.5 + confidence / 2))
    half = q * math.sqrt(v) if v >= 0 else math.nan
    return Interval(_back(x, link), _back(x - half, link), _back(x + half, link), "wald")


def design_effect(f: Fit, what: str | float) -> float:
    """How much wider, in variance, dependence within vehicles makes a quantity: clustered over row-wise robust
    variance, at least 1 (exactly 1 where every vehicle has one life)."""
    if f.covariance is f.covariance_rows:
        return 1.0
    _, slope, _ = _target(f, what)
    a, b = float(slope @ f.covariance @ slope), float(slope @ f.covariance_rows @ slope)
    return max(1.0, a / b) if b > 0 and math.isfinite(a / b) else 1.0


def likelihood_ratio_interval(
    f: Fit, lives: Sample, what: str | float, confidence: float = 0.95, inflation: float = 1.0
) -> Interval:
    """Interval of all values whose profile likelihood stays within chi2(confidence, 1) / 2 of the maximum: of a
    parameter by name, or of the quantile of a share. Families with one parameter or ln T = mu + sigma W; others raise
    ValueError.

    inflation: divides the likelihood ratio (a design effect for lives that share a vehicle; Rotnitzky & Jewell 1990,
    Biometrika 77:485-497). A limit that the likelihood does not bound is 0 or inf.
    Source: Meeker & Escobar 1998, sections 8.3 and 8.4; preferred below 20 failures (Meeker & Escobar 1998, section
    8.4.4; the number is ours).
    """
    from scipy.special import chdtri

    d = f.distribution
    if not (d.location_scale or d.size == 1):
        raise ValueError(f"Profile intervals are made for one- and two-parameter families, not for {f.family}.")
    if not f.converged:
        return Interval(math.nan, math.nan, math.nan, "likelihood_ratio")
    sums = _Sums.of(lives)
    unit = math.log(sums.unit)
    best = f.theta - np.array(d.stretch, float) * unit
    top = sums.value(d, best)
    drop = 0.5 * float(chdtri(1, 1 - confidence)) * inflation
    x, slope, link = _target(f, what)
    error = math.sqrt(max(float(slope @ f.covariance_model @ slope), 1e-12))

    if d.size == 1:
        shift = x - float(f.theta[0])

        def profile(y: float, warm: float) -> tuple[float, float]:
            return sums.value(d, np.array([y - shift - unit])), warm

        warm0 = 0.0
    elif isinstance(what, str):
        i = d.names.index(what)

        def profile(y: float, warm: float) -> tuple[float, float]:
            def point(z: float) -> np.ndarray:
                out = np.empty(2)
                out[i], out[1 - i] = y - d.stretch[i] * unit, z
                return out

            return _best_along(sums, d, point, np.eye(2)[1 - i], warm)

        warm0 = float(best[1 - i])
    else:
        z = standard_quantile(d, float(what))

        def profile(y: float, warm: float) -> tuple[float, float]:
            return _best_along(sums, d, lambda s: from_location_scale(d, y - unit - math.exp(s) * z, s), None, warm)

        warm0 = math.log(location_scale(d, best)[1])

    def limit(sign: float) -> float:
        from scipy.optimize import brentq

        near, warm, step = x, warm0, sign * error * 1.5
        state = {"warm": warm}
        for _ in range(60):
            far = near + step
            value, state["warm"] = profile(far, state["warm"])
            if top - value >= drop:
                break
            near, step = far, step * 1.5
            if abs(far - x) > 60:
                return sign * math.inf
        else:
            return sign * math.inf

        def gap(y: float) -> float:
            v, state["warm"] = profile(y, state["warm"])
            return top - v - drop

        # The profile is found anew at both ends, from other starting points: where that moves it across the limit, the end is the
        # limit. The ends' values are kept, so that the search starts from the signs that were checked.
        for _ in range(10):
            known = {near: gap(near), far: gap(far)}
            if known[near] >= 0:
                return near
            if known[far] > 0:
                return brentq(lambda y: known[y] if y in known else gap(y), min(near, far), max(near, far), xtol=1e-10, rtol=1e-12)  # noqa: B023
            near, far = far, far + step
        return sign * math.inf

    low, high = limit(-1.0), limit(1.0)
    ends = [
        (-math.inf if link == "identity" else 0.0) if v == -math.inf else math.inf if v == math.inf else _back(v, link)
        for v in (low, high)
    ]
    return Interval(_back(x, link), ends[0], ends[1], "likelihood_ratio")


def _best_along(sums: _Sums, d: Family, point, direction, warm: float) -> tuple[float, float]:
    """Greatest ln L along a curve theta = point(z), from `warm`: (value, z). Newton on the slope, else Brent's
    search."""
    from scipy.optimize import minimize_scalar

    def slope(z: float) -> float:
        g = sums.slope(d, point(z))
        tangent = direction if direction is not None else (point(z + 1e-6) - point(z - 1e-6)) / 2e-6
        return float(g @ tangent)

    z, step = warm, 1e-4
    for _ in range(25):
        g = slope(z)
        curve = (slope(z + step) - g) / step
        if not (math.isfinite(g) and curve < 0):
            break
        move = -g / curve
        if abs(move) > 1:
            move = math.copysign(1.0, move)
        z += move
        if abs(move) < 1e-8:
            return sums.value(d, point(z)), z
    found = minimize_scalar(
        lambda y: -sums.value(d, point(y)) if abs(y - warm) < 30 else 1e15,
        bracket=(warm - 0.2, warm + 0.2),
        method="brent",
        options={"xtol": 1e-10},
    )
    return -float(found.fun), float(found.x)


def interval(f: Fit, lives: Sample, what: str | float, confidence: float = 0.95) -> Interval:
    """The interval to publish: profile likelihood, widened by the design effect, below 20 failures where the family
    allows; robust Wald on the log scale otherwise."""
    d = f.distribution
    if f.converged and f.failures < RICH_FAILURES and (d.location_scale or d.size == 1):
        return likelihood_ratio_interval(f, lives, what, confidence, design_effect(f, what))
    return wald_interval(f, what, confidence)


def draw_parameters(f: Fit, n: int, seed: int) -> dict[str, np.ndarray]:
    """n draws of the named parameters, normal on the unconstrained scale with the robust covariance: name -> (n,).

    The same fit and seed give the same draws. Raises ValueError for a refused fit. Source: Meeker & Escobar 1998,
    section 9.2 (the normal approximation); large-sample, so too narrow for a handful of failures.
    """
    if not f.converged:
        raise ValueError(f"No parameters to draw: {f.warning}")
    roots, vectors = np.linalg.eigh(f.covariance)
    root = vectors * np.sqrt(np.maximum(roots, 0))
    # fix the sign of each direction, so that draws do not depend on the linear algebra library
    root = root * np.where(root[np.argmax(np.abs(root), axis=0), np.arange(len(roots))] < 0, -1.0, 1.0)
    z = np.random.default_rng(seed).standard_normal((n, len(f.theta)))
    values = f.distribution.natural(f.theta + z @ root.T)
    return {name: values[:, i] for i, name in enumerate(f.names)}


# ---- Weibayes
# -------------------------------------------------------------------------------------------------------


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


# ---- competing modes
# ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class CompetingModes:
    """Weibull fits of each cause with the other causes censored; ln L of all causes together is the sum."""

    fits: dict[str, Fit]
    log_likelihood: float

    def survival(self, t) -> np.ndarray:
        """Share that outlives t against all causes."""
        return np.exp(-sum(f.cumulative_hazard(t) for f in self.fits.values()))

    def incidence(self, cause: str, t) -> np.ndarray:
        """Share ended by `cause` by t, all causes acting: the integral of h_cause S, over u = H_cause, by adaptive
        quadrature."""
        from scipy.integrate import quad

        f = self.fits[cause]
        out = []
        for end in np.asarray(t, float).ravel():
            top = float(f.cumulative_hazard(end))

            def piece(v: float, top: float = top) -> float:
                # u = top v^8: near 0 the other causes may rise faster than any smooth function of u
                age = f.params["scale"] * (top * v**8) ** (1 / f.params["shape"])
                return float(self.survival(age)) * 8 * top * v**7

            out.append(quad(piece, 0, 1, epsabs=1e-12, epsrel=1e-11, limit=200)[0] if top > 0 else 0.0)
        return np.array(out).reshape(np.shape(t))


def competing_modes(
    exit: Sequence[float],
    cause: Sequence[str | None],
    *,
    entry: Sequence[float] | float = 0.0,
    weight: Sequence[float] | None = None,
    cluster: Sequence | None = None,
    min_failures: float = 5,
) -> CompetingModes:
    """Two or more failure modes, the first to come ends the life: a Weibull for each, the others as censoring.

    cause: text, None where the life had not ended. Independent modes assumed (it cannot be tested from such data).
    Modes below min_failures are refused in their Fit and left out of the sum. Source: Meeker & Escobar 1998, section
    15.4 (device G); Prentice et al. 1978, Biometrics 34:541-554.
    """
    names = sorted({c for c in cause if c is not None})
    fits = {}
    for name in names:
        s = sample(exit, [c == name for c in cause], entry=entry, weight=weight, cluster=cluster)
        fits[name] = fit("weibull", s, min_failures=min_failures)
    good = {k: v for k, v in fits.items() if v.converged}
    return CompetingModes(good, float(sum(v.log_likelihood for v in good.values())))


# ---- goodness of fit
# ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Agreement:
    """How far a fit is from the product limit. distance: largest |difference| of survival, where at least min_at_risk
    lives were at risk, at age `at`. chi2, bands, p: failures seen against expected by bands of age (p nan with fewer
    than 2 bands). words: 'close', 'off', or 'too few'."""

    distance: float
    at: float
    chi2: float
    bands: int
    p: float
    words: str


def agreement(f: Fit, lives: Sample, min_at_risk: float = 10) -> Agreement:
    """Fit against product limit, and failures seen against expected by bands of age.

    Both curves are given survival to the first age with min_at_risk lives at risk. The bands hold equal numbers of
    failures (at least 5, at most 8 bands); expected failures are the fitted cumulative hazard over the time lived in
    the band, and the sum of (seen - expected)^2 / expected is referred to chi2 with (bands - 1) degrees of freedom:
    approximate, the right ones lie between bands - 1 - parameters and bands - 1. Source: Akritas 1988, J. Am. Stat.
    Assoc. 83:222-230; Cox & Snell 1968. 'off': p below 0.01 and more than 2 points apart. Exact and right-censored
    lives only; otherwise 'too few'.
    """
    none = Agreement(math.nan, math.nan, math.nan, 0, math.nan, "too few")
    if not f.converged or not np.all(lives.exact):
        return none
    d = lives.weight * lives.event
    t, seen = _collapse(lives.lower, d)
    if not len(t):
        return none

    def more_than(times: np.ndarray, inclusive: bool) -> np.ndarray:
        order = np.argsort(times, kind="stable")
        sums = np.concatenate([[0.0], np.cumsum(lives.weight[order])])
        return (
            sums[np.searchsorted(times[order], t, side="left")]
            if inclusive
            else sums[-1] - sums[np.searchsorted(times[order], t, side="left")]
        )

    n = more_than(lives.entry, True) - (float(lives.weight.sum()) - more_than(lives.lower, False))
    enough = n >= min_at_risk - 1e-9
    if not enough.any():
        return none
    first = int(np.argmax(enough))
    start = float(t[first - 1]) if first else 0.0
    run = slice(first, len(t))
    limit = np.cumprod(np.maximum(1 - seen[run] / n[run], 0))
    before = np.concatenate([[1.0], limit[:-1]])
    model = np.exp(float(f.cumulative_hazard(start)) - f.cumulative_hazard(t[run]))
    gap = np.where(enough[run], np.maximum(np.abs(limit - model), np.abs(before - model)), 0.0)
    worst = int(np.argmax(gap))
    distance, at = float(gap[worst]), float(t[run][worst])
    total = float(seen[run].sum())
    bands = min(8, int(total // 5))
    if bands < 2:
        return Agreement(distance, at, math.nan, bands, math.nan, "too few")
    share = np.cumsum(seen[run])
    cuts = [float(t[run][min(np.searchsorted(share, total * b / bands), len(share) - 1)]) for b in range(1, bands)]
    edges = np.array([start, *sorted(set(cuts)), max(lives.largest_time, float(t[-1]))])
    out_t, out_w = _collapse(lives.lower, lives.weight)
    in_t, in_w = _collapse(np.where(lives.entry > 0, lives.entry, 0.0), lives.weight)
    expected, observed = [], []
    for a, b in zip(edges[:-1], edges[1:], strict=False):
        ha, hb = float(f.cumulative_hazard(a)), float(f.cumulative_hazard(b))
        lived = out_w @ (np.clip(f.cumulative_hazard(out_t), ha, hb) - ha)
        late = in_w @ (np.clip(f.cumulative_hazard(in_t), ha, hb) - ha) if len(in_t) else 0.0
        expected.append(float(lived - late))
        observed.append(float(seen[(t > a) & (t <= b)].sum()))
    from scipy.special import chdtrc

    e, o = np.array(expected), np.array(observed)
    good = e > 0
    chi2 = float(((o[good] - e[good]) ** 2 / e[good]).sum())
    p = float(chdtrc(max(int(good.sum()) - 1, 1), chi2))
    return Agreement(distance, at, chi2, int(good.sum()), p, "off" if p < 0.01 and distance > 0.02 else "close")


# ---- the published tables
# -------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Group:
    """One stratum's own fits, its chosen one, and everything its summary line needs."""

    fits: list[Fit]
    best: Fit | None
    summary: dict = field(default_factory=dict)


def wear_of(shape: Interval) -> str:
    """'early' (hazard falls: the shape's interval lies below 1), 'wear_out' (above 1), 'random' (includes 1 and lies
    within 0.8 to 1.25, our own rule), 'undetermined' otherwise. Source: Meeker & Escobar 1998, section 4.8 (shape and
    hazard)."""
    if not (math.isfinite(shape.low) and math.isfinite(shape.value)):
        return "undetermined"
    if shape.high < 1:
        return "early"
    if shape.low > 1:
        return "wear_out"
    return "random" if shape.low >= 0.8 and shape.high <= 1.25 else "undetermined"


def _summary(best: Fit | None, fits: Sequence[Fit], lives: Sample, confidence: float) -> dict:
    """The quantiles, the shape and the agreement of one stratum."""
    out: dict = {}
    for name, p in LIFE_POINTS.items():
        value = low = high = None
        reached = extrapolated = False
        if best is not None:
            point = float(best.quantile(p)) if best.converged else math.nan
            reached = math.isfinite(point) and point <= best.largest_time
            if reached:
                i = interval(best, lives, p, confidence)
                value, low, high = i.value, _finite(i.low), _finite(i.high)
                extrapolated = i.value > best.largest_failure or i.value < best.least_age
        out |= {
            name: value,
            f"{name}_low": low,
            f"{name}_high": high,
            f"{name}_reached": reached,
            f"{name}_extrapolated": extrapolated,
        }
    weibull = next((f for f in fits if f.family == "weibull" and f.converged), None)
    shape = interval(weibull, lives, "shape", confidence) if weibull else Interval(math.nan, math.nan, math.nan, "")
    out |= {
        "extrapolated": any(out[f"{n}_extrapolated"] for n in LIFE_POINTS),
        "shape": _finite(shape.value),
        "shape_low": _finite(shape.low),
        "shape_high": _finite(shape.high),
        "wear": wear_of(shape),
    }
    out["early_until"] = hazard_minimum(**best.params) if best is not None and best.family == "early_wear_out" else None
    a = agreement(best, lives) if best is not None else Agreement(math.nan, math.nan, math.nan, 0, math.nan, "too few")
    out |= {
        "fit_distance": _finite(a.distance),
        "fit_distance_at": _finite(a.at),
        "fit_p": _finite(a.p),
        "fit_words": a.words,
        "interval_method": "" if best is None else interval_method(best),
    }
    return out


def interval_method(f: Fit) -> str:
    """Which kind of interval `interval` gives for this fit."""
    d = f.distribution
    return "likelihood_ratio" if f.failures < RICH_FAILURES and (d.location_scale or d.size == 1) else "wald"


def _finite(x: float) -> float | None:
    return float(x) if x is not None and math.isfinite(x) else None


def _number(x: float) -> float | int:
    return int(x) if float(x).is_integer() else float(x)


def _json(value) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False)


def _fit_row(keys: dict, clock: str, f: Fit) -> dict:
    """A line of the published table `fits`."""
    good = f.converged
    return {
        **keys,
        "clock": clock,
        "family": f.family,
        "parameters": _json(f.params) if good else None,
        "covariance": _json(f.covariance_natural.tolist()) if good else None,
        "unconstrained": _json(f.theta.tolist()) if good else None,
        "unconstrained_covariance": _json(f.covariance.tolist()) if good else None,
        "log_likelihood": _finite(f.log_likelihood),
        "aic": _finite(f.aic),
        "lives": _number(f.lives),
        "failures": _number(f.failures),
        "vehicles": f.clusters,
        "failed_vehicles": f.failed_clusters,
        "chosen": f.chosen,
        "converged": good,
        "warning": f.warning,
        "borrowed": f.borrowed,
        "borrowed_from": f.borrowed_from,
        "largest_failure": _finite(f.largest_failure),
        "largest_time": _finite(f.largest_time),
        "least_age": _finite(f.least_age),
    }


def fits_from_table(fits: pl.DataFrame, keys: Sequence[str], *, chosen: bool = True) -> dict[tuple, Fit]:
    """Read a table `fits` back: keys (a tuple of values, in the order given) -> Fit; only chosen and converged ones
    by default.

    The model-based and row-wise covariances are not published; they come back as nan. With chosen False the family's
    name is appended to the tuple.
    """
    out = {}
    for r in fits.filter(pl.col("converged") & (pl.col("chosen") | (not chosen))).iter_rows(named=True):
        f = family(r["family"])
        nan = np.full((f.size, f.size), np.nan)
        theta = np.array(json.loads(r["unconstrained"]))
        made = Fit(
            f.name,
            f.names,
            {k: float(v) for k, v in json.loads(r["parameters"]).items()},
            theta,
            np.array(json.loads(r["unconstrained_covariance"])),
            np.array(json.loads(r["covariance"])),
            nan,
            nan,
            _or_nan(r["log_likelihood"]),
            _or_nan(r["aic"]),
            r["lives"],
            r["failures"],
            r["vehicles"],
            True,
            r["warning"],
            r["chosen"],
            _or_nan(r["largest_failure"]),
            _or_nan(r["largest_time"]),
            _or_nan(r["least_age"]),
            r["borrowed"],
            r["borrowed_from"],
            r["failed_vehicles"],
        )
        out[tuple(r[k] for k in keys) + (() if chosen else (f.name,))] = made
    return out


def _or_nan(x: float | None) -> float:
    return math.nan if x is None else float(x)


_FIT_TYPES = {
    "family": pl.String,
    "parameters": pl.String,
    "covariance": pl.String,
    "unconstrained": pl.String,
    "unconstrained_covariance": pl.String,
    "log_likelihood": pl.Float64,
    "aic": pl.Float64,
    "lives": pl.Float64,
    "failures": pl.Float64,
    "vehicles": pl.Int64,
    "failed_vehicles": pl.Int64,
    "chosen": pl.Boolean,
    "converged": pl.Boolean,
    "warning": pl.String,
    "borrowed": pl.String,
    "borrowed_from": pl.String,
    "largest_failure": pl.Float64,
    "largest_time": pl.Float64,
    "least_age": pl.Float64,
}
_POINT_TYPES = {
    f"{n}{s}": (pl.Boolean if s in ("_reached", "_extrapolated") else pl.Float64)
    for n in LIFE_POINTS
    for s in ("", "_low", "_high", "_reached", "_extrapolated")
}
_LIFE_TYPES = {
    "family": pl.String,
    "lives": pl.Float64,
    "failures": pl.Float64,
    "vehicles": pl.Int64,
    "zero_length": pl.Int64,
    "borrowed": pl.Boolean,
    "borrowed_from": pl.String,
    **_POINT_TYPES,
    "extrapolated": pl.Boolean,
    "shape": pl.Float64,
    "shape_low": pl.Float64,
    "shape_high": pl.Float64,
    "wear": pl.String,
    "early_until": pl.Float64,
    "fit_distance": pl.Float64,
    "fit_distance_at": pl.Float64,
    "fit_p": pl.Float64,
    "fit_words": pl.String,
    "interval_method": pl.String,
    "note": pl.String,
}


def fit_set(
    lives: pl.DataFrame,
    keys: list[str],
    *,
    entry: str,
    exit: str,
    event: str = "failed",
    cluster: str | None = "vehicle",
    families: Sequence[str] = DEFAULT_FAMILIES,
    min_failures: float = 5,
    confidence: float = 0.95,
    clock: str = "days",
    root: int = 1,
    ending: str = "ending",
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fit every stratum and summarise its life: the published tables (`fits`, `life_summary`).

    lives: one row a life and stratum; `entry`, `exit` in the unit of `clock` (days, km, hours); rows without either
    time, with `in_curve` false, or of no length are left out (the last are counted). `event`: a column of true/false,
    0/1 or a probability; where there is no such column, a value of the column `ending`. `cluster`: the vehicle. keys:
    ordered from wide to narrow; the value "all" means pooled. A stratum below min_failures (or whose fits all fail)
    borrows the fit of the nearest wider group: the last key set to "all", then the last two, and so on, but never the
    first `root` keys (a lamp borrows from no ballast); where no such stratum is in the table, its lives are pooled on
    the fly (each once, where there is a column life_id). Beside it
    stands a line `borrowed = 'shape'`, not chosen: Weibayes, the stratum's own scale at the wider
    group's Weibull shape.

    fits: keys, clock, family, parameters (JSON object), covariance (JSON matrix in the order of the parameters,
    robust by
        cluster), unconstrained and unconstrained_covariance (the same on the scale of families.py), log_likelihood,
        aic, lives, failures, vehicles, failed_vehicles, chosen, converged, warning, borrowed ('', 'fit', 'shape'),
        borrowed_from, largest_failure, largest_time, least_age. Read back with `fits_from_table`.
    life_summary: keys, clock, family, lives, failures, vehicles (the stratum's own), borrowed, borrowed_from, and b3,
    b10, median,
        characteristic_life (63.2 %), each with _low, _high, _reached (false and null where it lies beyond the last
        age watched) and _extrapolated (beyond the last failure, or below the least age watched); extrapolated (any);
        shape with limits and wear, both from the Weibull fit; early_until (age of least hazard, early-plus-wear-out
        only); fit_distance, fit_distance_at, fit_p, fit_words (see `agreement`); interval_method; note.
    Raises ValueError for missing columns and impossible times (see `sample`).
    """
    keys = list(keys)
    missing = [c for c in (*keys, entry, exit, *([cluster] if cluster else [])) if c not in lives.columns]
    if missing:
        raise ValueError(f"No column {', '.join(missing)} among {', '.join(lives.columns)}.")
    if "in_curve" in lives.columns:
        lives = lives.filter(pl.col("in_curve"))
    if event in lives.columns:
        d = pl.col(event).cast(pl.Float64)
    elif ending in lives.columns:
        d = (pl.col(ending) == event).cast(pl.Float64).fill_null(0.0)
    else:
        raise ValueError(f"No column {event} or {ending} among {', '.join(lives.columns)}.")
    frame = lives.select(
        *keys,
        pl.col(entry).cast(pl.Float64).alias("_e"),
        pl.col(exit).cast(pl.Float64).alias("_x"),
        d.alias("_d"),
        *([pl.col(cluster).alias("_c")] if cluster else []),
        *([pl.col("life_id").rank("dense").alias("_l")] if "life_id" in lives.columns else []),
    )
    frame = frame.filter(pl.col("_e").is_not_null() & pl.col("_x").is_not_null())
    if frame["_d"].null_count():
        raise ValueError(f"{frame['_d'].null_count()} lives have no {event}.")
    strata, codes = strata_of(frame, keys)
    n_strata = strata.height if keys else min(frame.height, 1)
    e, x, d = (frame[c].to_numpy() for c in ("_e", "_x", "_d"))
    c = frame["_c"].cast(pl.String).rank("dense").fill_null(0).cast(pl.Int64).to_numpy() if cluster else None
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(n_strata + 1))
    life = frame["_l"].to_numpy() if "_l" in frame.columns else None
    sample(x, d, entry=e)  # refuses impossible times in words

    def lives_of(rows: np.ndarray) -> Sample:
        return sample(x[rows], d[rows], entry=e[rows], cluster=None if c is None else c[rows])

    keep = x > e
    batch = weibull_batch(e[keep], x[keep], d[keep], codes[keep], n_strata, min_failures=min_failures)
    names = [tuple(r) for r in strata.iter_rows()] if keys else [()] * n_strata
    place = {k: i for i, k in enumerate(names)}
    columns = {k: frame[k].cast(pl.String) for k in keys}
    has_all = {k: bool((columns[k] == "all").any()) for k in keys}
    text = [np.array(columns[k].fill_null("\0").to_list(), dtype=object) for k in keys]
    groups: dict[tuple, _Group] = {}

    def group_of(key: tuple, rows: np.ndarray, b: int | None) -> _Group:
        if key in groups:
            return groups[key]
        s = lives_of(rows)
        start = None
        if b is not None and "weibull" in (*families, "weibull"):
            if batch.ok[b]:
                seed = refusal("weibull", s, "")
                seed = replace(seed, theta=np.log([batch.shape[b], batch.scale[b]]), converged=True)
                start = fit("weibull", s, min_failures=min_failures, start=seed)
            else:
                start = refusal("weibull", s, batch.reason[b])
        made = fit_families(s, families, min_failures=min_failures, weibull=start)
        best = next((f for f in made if f.chosen), None)
        every = made if start is None else [*made, start]
        groups[key] = _Group(made, best, _summary(best, every, s, confidence) if best is not None else {})
        return groups[key]

    def parents(key: tuple):
        """Wider groups, nearest first: (name of the group, its rows, its place among the strata or None)."""
        for j in range(len(keys) - 1, root - 1, -1):
            wider = key[:j] + ("all",) * (len(keys) - j)
            if wider == key:
                continue
            if wider in place:
                b = place[wider]
                yield wider, order[starts[b] : starts[b + 1]], b
                continue
            mask = np.ones(len(x), bool)
            for i, k in enumerate(keys):
                if i < j:
                    mask &= text[i] == ("\0" if key[i] is None else str(key[i]))
                elif i == j:
                    mask &= text[i] != "all"
                elif has_all[k]:
                    mask &= text[i] == "all"
            found = np.flatnonzero(mask)
            if life is not None:  # a life stands once in each of its strata: in a pool of them it counts once
                found = found[np.sort(np.unique(life[found], return_index=True)[1])]
            yield wider, found, None

    fit_rows, life_rows = [], []
    for b, key in enumerate(names):
        rows = order[starts[b] : starts[b + 1]]
        named = dict(zip(keys, key, strict=False))
        zero = int((~keep[rows]).sum())
        own_failures, own_lives = float(d[rows][keep[rows]].sum()), int(keep[rows].sum())
        vehicles = own_lives if c is None else len(np.unique(c[rows][keep[rows]]))
        base = {
            **named,
            "clock": clock,
            "lives": own_lives,
            "failures": own_failures,
            "vehicles": vehicles,
            "zero_length": zero,
        }
        own = group_of(key, rows, b) if own_failures >= min_failures else None
        if own is not None:
            fit_rows += [_fit_row(named, clock, f) for f in own.fits]
        if own is not None and own.best is not None:
            life_rows.append(
                {
                    **base,
                    "family": own.best.family,
                    "borrowed": False,
                    "borrowed_from": "",
                    **own.summary,
                    "note": own.best.warning,
                }
            )
            continue
        why = (
            _too_few(own_failures, 0, min_failures, 0)
            if own_failures < min_failures
            else next((f.warning for f in own.fits if f.warning), "No family could be fitted.")
        )
        lender = None
        for wider, theirs, at in parents(key):
            failed = float(d[theirs][keep[theirs]].sum())
            if failed < min_failures:
                continue
            group = group_of(wider, theirs, at)
            if group.best is not None:
                lender = (wider, group)
                break
        if lender is None:
            note = f"{why} No wider group has enough either."
            fit_rows.append(
                _fit_row(
                    named,
                    clock,
                    replace(refusal("weibull", None, note), lives=own_lives, failures=own_failures, clusters=vehicles),
                )
            )
            life_rows.append(
                {
                    **base,
                    "family": None,
                    "borrowed": False,
                    "borrowed_from": "",
                    **_summary(None, [], lives_of(rows), confidence),
                    "note": note,
                }
            )
            continue
        wider, group = lender
        source = ", ".join(f"{k}={'unknown' if v is None else v}" for k, v in zip(keys, wider, strict=False))
        note = f"{why} The curve of the wider group is shown."
        fit_rows.append(
            _fit_row(
                named,
                clock,
                replace(
                    group.best,
                    lives=own_lives,
                    failures=own_failures,
                    clusters=vehicles,
                    borrowed="fit",
                    borrowed_from=source,
                    warning=note,
                ),
            )
        )
        life_rows.append(
            {
                **base,
                "family": group.best.family,
                "borrowed": True,
                "borrowed_from": source,
                **group.summary,
                "note": note,
            }
        )
        weibull = next((f for f in group.fits if f.family == "weibull" and f.converged), None)
        if weibull is not None and own_lives and own_failures > 0:
            fit_rows.append(_fit_row(named, clock, _weibayes_fit(weibull, lives_of(rows), source)))
    fits = pl.DataFrame(fit_rows, schema=_schema(frame, keys, _FIT_TYPES), orient="row")
    return fits, pl.DataFrame(life_rows, schema=_schema(frame, keys, _LIFE_TYPES), orient="row")


def _schema(frame: pl.DataFrame, keys: Sequence[str], types: dict) -> dict:
    return {**{k: frame.schema[k] for k in keys}, "clock": pl.String, **types}


def _weibayes_fit(parent: Fit, lives: Sample, source: str) -> Fit:
    """The stratum's own scale at the parent's shape: covariance from the number of failures and the shape's own
    uncertainty."""
    shape = parent.params["shape"]
    made = weibayes(lives.lower, lives.event, shape, entry=lives.entry, weight=lives.weight, sides=2)
    f = family("weibull")
    theta = np.array([math.log(shape), math.log(made.scale)])
    v_shape = float(parent.covariance[0, 0])
    # d ln scale / d ln shape at fixed data, by differences; the rest is the Poisson error of the failures
    step = 1e-4
    up, down = (
        weibayes(lives.lower, lives.event, shape * math.exp(s), entry=lives.entry, weight=lives.weight).scale
        for s in (step, -step)
    )
    slope = (math.log(up) - math.log(down)) / (2 * step)
    cov = np.array([[v_shape, slope * v_shape], [slope * v_shape, slope**2 * v_shape + 1 / (made.failures * shape**2)]])
    j = f.jacobian(theta)
    sums = _Sums.of(lives)
    value = sums.value(f, theta - np.array([0.0, math.log(sums.unit)])) - float(sums.fail_w.sum()) * math.log(sums.unit)
    times = lives.failure_times
    return Fit(
        "weibull",
        f.names,
        dict(zip(f.names, map(float, f.natural(theta)), strict=False)),
        theta,
        cov,
        cov * np.outer(j, j),
        cov,
        cov,
        value,
        2 - 2 * value,
        lives.lives,
        lives.failures,
        _clusters(lives),
        True,
        "Weibayes: the shape is the wider group's, only the scale its own.",
        False,
        float(times[-1]),
        lives.largest_time,
        float(np.min(lives.entry, initial=math.inf)),
        "shape",
        source,
        _failed_clusters(lives),
    )


__all__ = [
    "Agreement",
    "CompetingModes",
    "DEFAULT_FAMILIES",
    "FAMILIES",
    "Fit",
    "Interval",
    "LIFE_POINTS",
    "Sample",
    "Weibayes",
    "WeibullBatch",
    "agreement",
    "choose",
    "competing_modes",
    "design_effect",
    "draw_parameters",
    "fit",
    "fit_families",
    "fit_set",
    "fits_from_table",
    "interval",
    "interval_method",
    "likelihood_ratio_interval",
    "refusal",
    "row_log_likelihood",
    "row_scores",
    "sample",
    "sandwich",
    "sensible",
    "wald_interval",
    "wear_of",
    "weibayes",
    "weibull_batch",
]
