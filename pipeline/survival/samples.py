"""Lives ready for a likelihood, and what a fit of them is.

Times in the unit of the clock (days, km, hours); every array has one value a life.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.survival.families import Family, family


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
        clusters_of(lives) if lives else 0,
        False,
        words,
    )


def clusters_of(lives: Sample) -> int:
    return int(round(lives.lives)) if lives.cluster is None else len(np.unique(lives.cluster))


def failed_clusters_of(lives: Sample) -> int:
    """Vehicles with a failure; one that may have had one counts as that share of a vehicle."""
    failed = np.where(lives.exact, lives.event, np.isfinite(lives.upper))
    if lives.cluster is None:
        return int(round(lives.failures))
    return int(round(np.minimum(np.bincount(lives.cluster, weights=failed), 1.0).sum()))
