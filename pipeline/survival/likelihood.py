"""The likelihood of lives under a family: value, slope and curvature on distinct times, its top, robust covariance.

One life contributes  d ln h(exit) - H(exit) + H(entry)  (Klein & Moeschberger 2003, section 3.5; Hong, Meeker &
McCalley 2009, Ann. Appl. Stat. 3:857-879 for late entry in a fleet), a life known to have ended between l and r
ln[S(l) - S(r)] + H(entry). Entries, exits and events are collapsed apart to distinct times, which is exact and small.
An event may be a probability: it then counts as that share of a failure (see `fit_tables.fit_set`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.survival.families import Family
from pipeline.survival.samples import Sample

_EXACT_TIMES = 600  # above so many distinct times the search starts on binned ones; it always ends on the exact ones
_BINS = 200
_LIMITS = {"log": 15.0, "identity": 12.0, "logit": 12.0, "log-1": 6.0}
_NOT_WORTH = "No better than a family of fewer parameters: the search was stopped."


def collapse(t: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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
class Sums:
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
    def of(s: Sample) -> Sums:
        exact = s.exact
        unit = float(np.median(s.lower[s.lower > 0])) if np.any(s.lower > 0) else 1.0
        if not np.any(exact) and np.any(np.isfinite(s.upper)):
            unit = float(np.median(s.upper[np.isfinite(s.upper)]))
        fail = collapse(s.lower / unit, s.weight * s.event * exact)
        net = collapse(np.concatenate([s.lower, s.entry]) / unit, np.concatenate([s.weight, -s.weight]))
        span = ~exact & np.isfinite(s.upper)
        if np.any(span):
            pairs, inverse = np.unique(np.stack([s.lower[span], s.upper[span]]), axis=1, return_inverse=True)
            w = np.bincount(inverse.ravel(), weights=s.weight[span], minlength=pairs.shape[1])
            left, right = pairs / unit
        else:
            left = right = w = np.zeros(0)
        return Sums(*fail, *net, left, right, w, unit)

    @property
    def big(self) -> bool:
        return len(self.net_t) > _EXACT_TIMES

    @property
    def last(self) -> float:
        """The largest time, scaled."""
        return float(max(self.net_t[-1] if len(self.net_t) else 0.0, self.right.max(initial=0.0)))

    def binned(self) -> Sums:
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


@dataclass(frozen=True, eq=False)
class Top:
    theta: np.ndarray
    value: float
    information: np.ndarray | None
    ok: bool
    why: str = ""
    open: bool = False  # stopped for want of rounds only


def _climb(sums: Sums, f: Family, start: np.ndarray, rounds: int = 100, worth: float = -math.inf) -> Top:
    """Newton's method with the absolute-eigenvalue safeguard and halving: every step goes up.

    worth: give up once the likelihood is plainly not going to reach this value.
    """
    limits = np.array([_LIMITS[k] for k in f.links])
    patience = 4
    if f.name == "generalised_gamma":
        limits[2] = 8.0
        patience = 2  # it begins at the top of a family that it contains
    if f.name == "early_wear_out":  # scales beyond a thousand times the data say nothing
        limits[[1, 3]] = math.log(1000 * sums.last)
    theta = np.clip(np.asarray(start, float), -limits, limits)
    value = sums.value(f, theta)
    if not math.isfinite(value):
        return Top(theta, value, None, False, "The likelihood has no value where the search begins.")
    steady = False
    for n in range(rounds):
        g = sums.slope(f, theta)
        if not steady:  # near the top the curvature hardly changes: the last one steers as well
            curve = sums.rough_curvature(f, theta, g)
        if not (np.all(np.isfinite(g)) and np.all(np.isfinite(curve))):
            return Top(theta, value, None, False, "The likelihood's slope is not finite.")
        roots, vectors = np.linalg.eigh(curve)
        firm = np.maximum(np.abs(roots), 1e-9 * max(np.max(np.abs(roots)), 1e-6))
        step = vectors @ ((vectors.T @ g) / firm)
        gain = float(g @ step)
        small = gain < 1e-8 and roots[0] > 0
        if not small and n >= patience and value + 5 * gain < worth:
            return Top(theta, value, None, False, _NOT_WORTH)
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
        steady = not steady and better and k == 0 and roots[0] > 0 and longest < 0.3
        if better:
            theta, value = trial, max(v, value)
        if np.any(np.abs(theta) >= limits - 1e-9):
            i = int(np.argmax(np.abs(theta) - limits))
            return Top(
                theta, value, None, False, f"The likelihood keeps rising as {f.names[i]} runs away: no inner maximum."
            )
        if small or (not better and gain < 1e-6 and roots[0] > 0):
            return Top(theta, value, sums.curvature(f, theta), True)
        if not better:
            return Top(theta, value, None, False, "The search came to rest where the likelihood has no maximum.")
    return Top(theta, value, None, False, f"The search did not settle in {rounds} rounds.", True)


def search(sums: Sums, f: Family, starts: list[np.ndarray], worth: float) -> Top:
    """The best of several starts: each a few rounds on coarse times, the best ones to the end, finished on the exact
    times."""
    coarse = sums.binned() if sums.big else sums
    shift = worth - 1.0 if sums.big else worth  # coarse values are a little off
    first = 100 if len(starts) == 1 else 5
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
    """Each life's slope of ln L in theta, unweighted: array (n, k). They sum, weighted, to 0 at the maximum.

    Pinned by tests/survival/test_fit.py.
    """
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
    """Each life's ln L, unweighted: array (n,).

    Pinned by tests/survival/test_fit.py.
    """
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
    Pinned by tests/survival/test_simulated_worlds.py (coverage).
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
