"""Turnbull's estimator: the survival curve where failures are known only to lie between two inspections.

Fleet checks and roadworthiness tests find a dark lamp some time after it failed. The estimator can place probability
only in the innermost intervals, between which the curve is flat and within which it is not determined.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Nonparametric maximum likelihood from intervals; ages in the unit given.

    left, right: ends of the innermost intervals (left, right], in order; right inf for what had not failed by any
    inspection. mass: probability of each (0 where none). log_likelihood. converged: the Kuhn-Tucker conditions hold
    to `gap` per life.
    """

    left: np.ndarray
    right: np.ndarray
    mass: np.ndarray
    log_likelihood: float
    converged: bool
    gap: float
    rounds: int
    lives: float
    failures: float

    def survival(self, t) -> tuple[np.ndarray, np.ndarray]:
        """(lowest, highest) survival at t that the data allow: they differ inside an innermost interval only."""
        t = np.asarray(t, float)[..., None]
        low = 1 - np.sum(np.where(self.left < t, self.mass, 0.0), axis=-1)
        low = np.where(
            np.any((self.right == self.left) & (self.left == t) & (self.mass > 0), axis=-1),
            1 - np.sum(np.where(self.left <= t, self.mass, 0.0), axis=-1),
            low,
        )
        high = 1 - np.sum(np.where(self.right <= t, self.mass, 0.0), axis=-1)
        return np.minimum(low, high), high


def innermost(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The innermost intervals: from a left end to the next right end with no end of either kind between.

    An exact time has left == right and is an interval of its own. Source: Turnbull 1976, J. R. Stat. Soc. B
    38:290-295; Peto 1973, Appl. Stat. 22:86-91.
    Pinned by tests/survival/test_turnbull.py.
    """
    # order at equal times: exact opens (t-), then right ends, then left ends of (l, r], which begin after t
    exact = left == right
    ends = np.concatenate([np.stack([left, np.where(exact, 0, 2)], 1), np.stack([right, np.ones(len(right))], 1)])
    ends = np.unique(ends, axis=0)
    opens = ends[:, 1] != 1
    at = np.flatnonzero(opens[:-1] & ~opens[1:])
    return ends[at, 0], ends[at + 1, 0]


def turnbull(
    lower: Sequence[float],
    upper: Sequence[float],
    *,
    weight: Sequence[float] | None = None,
    tolerance: float = 1e-11,
    rounds: int = 20_000,
) -> Turnbull:
    """Nonparametric maximum likelihood estimate of survival from intervals (lower, upper].

    lower: last age known alive; upper: first age known failed (inf: not yet; equal to lower: failed exactly then).
    weight: so many equal lives. Late entry is not handled: with it the estimator may not be unique (Frydman 1994, J.
    R. Stat. Soc. B 56:71-74); use the parametric likelihood (`fit.sample` with entry and upper). Self-consistency
    steps, sped up by squared extrapolation (Varadhan & Roland 2008, Scand. J. Stat. 35:335-353), stopped by the
    Kuhn-Tucker conditions (Gentleman & Geyer 1994, Biometrika 81:618-623) at `tolerance` per life. Raises ValueError
    for missing or negative times, upper below lower, or no lives. Exact and right-censored times give the
    Kaplan-Meier curve.
    Source: Turnbull 1976, J. R. Stat. Soc. B 38:290-295.
    Pinned by tests/survival/test_turnbull.py, tests/reference/test_parametric_reference.py (turbine wheels).
    """
    lo, up = np.asarray(lower, float), np.asarray(upper, float)
    w = np.ones(len(lo)) if weight is None else np.asarray(weight, float)
    if not len(lo) == len(up) == len(w) or not len(lo):
        raise ValueError("Lower, upper and weight must have the same length, and at least one life.")
    if np.any(~np.isfinite(lo)) or np.any(np.isnan(up)) or np.any(lo < 0):
        raise ValueError("Missing, negative or infinite ages.")
    if np.any(up < lo):
        raise ValueError(f"{int((up < lo).sum())} intervals end before they begin.")
    if np.any(~(w >= 0)) or w.sum() <= 0:
        raise ValueError("Impossible weights.")
    failures = float(w[np.isfinite(up)].sum())
    pairs, inverse = np.unique(np.stack([lo, up]), axis=1, return_inverse=True)
    w = np.bincount(inverse.ravel(), weights=w, minlength=pairs.shape[1])
    lo, up = pairs[:, w > 0]
    w = w[w > 0]
    left, right = innermost(lo, up)
    exact = lo == up
    # which innermost intervals lie inside which life's interval; an exact time holds only its own
    inside = np.where(
        exact[:, None],
        (left == lo[:, None]) & (right == up[:, None]),
        (left >= lo[:, None]) & (right <= up[:, None]) & ~((left == right) & (left == lo[:, None])),
    )
    a = inside.astype(float)
    total = w.sum()

    def gradient(p: np.ndarray) -> np.ndarray:
        return a.T @ (w / (a @ p)) / total  # at the maximum <= 1, and = 1 where p > 0

    def step(p: np.ndarray) -> np.ndarray:
        q = p * gradient(p)
        return q / q.sum()

    def value(p: np.ndarray) -> float:
        f = a @ p
        return float(w @ np.log(f)) if np.all(f > 0) else -math.inf

    p = np.full(len(left), 1 / len(left))
    done, best = 0, math.inf
    for done in range(rounds):  # noqa: B007
        g = gradient(p)
        best = max(float(np.max(g - 1)), float(np.max(p * np.abs(g - 1))))
        if best < tolerance:
            break
        p1 = step(p)
        p2 = step(p1)
        r, v = p1 - p, (p2 - p1) - (p1 - p)
        norm = float(np.sqrt(v @ v))
        new = p2
        if norm > 0:
            alpha = -max(1.0, float(np.sqrt(r @ r)) / norm)
            trial = p - 2 * alpha * r + alpha * alpha * v
            if np.all(trial >= 0):
                trial = step(np.maximum(trial, 1e-300))
                if value(trial) >= value(p2):
                    new = trial
        new = np.where((new < 1e-12) & (g < 1 - 1e-6), 0.0, new)  # gone for good: its gradient says it gains nothing
        p = new / new.sum()
    g = gradient(p)
    return Turnbull(left, right, p, value(p), best < tolerance, best, done, float(total), failures)
