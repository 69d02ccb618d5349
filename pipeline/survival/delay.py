"""Reporting delay: failures that have happened but are not in the data yet, and rates that allow for them.

An order reaches the exports days or weeks after it was opened. Without allowance the newest months always look good.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Delay:
    """Distribution of the delay from opening to first appearance, in days (or any unit given).

    t: delays seen, rising. share: G(t), share of reports that appear within t, given that they appear within
    `longest`. longest: the longest delay that could have been seen; nothing is known beyond it. reports: how many it
    rests on.
    """

    t: np.ndarray
    share: np.ndarray
    longest: float
    reports: float

    def within(self, d) -> np.ndarray:
        """G(d): share of reports in hand d days after opening; 0 below 0, 1 from `longest` on."""
        d = np.asarray(d, float)
        at = np.searchsorted(self.t, d, side="right") - 1
        return (
            np.where(d < 0, 0.0, np.where(at < 0, 0.0, self.share[np.maximum(at, 0)]))
            if len(self.t)
            else (d >= 0).astype(float)
        )


def delay_distribution(
    delay: Sequence[float], could_see: Sequence[float], *, weight: Sequence[float] | None = None
) -> Delay:
    """Delays from reports, of which only those that have appeared are seen (right truncation).

    delay: from opening to first appearance; could_see: from opening to the as-of date, never less than delay; same
    unit. weight: counts. Product limit in reversed time: G(t) = product over delays u > t of 1 - (delays of u) /
    (reports with delay <= u and could_see >= u). Right truncation lets G be known only up to its value at the longest
    could_see: it is 1 there by convention. Raises ValueError for negative delays, delays beyond could_see, or no
    reports.
    Source: Kalbfleisch & Lawless 1989, J. Am. Stat. Assoc. 84:360-372; Lagakos, Barraj & De Gruttola 1988, Biometrika
    75:515-523.
    Pinned by tests/survival/test_delay.py.
    """
    x, s = np.asarray(delay, float), np.asarray(could_see, float)
    w = np.ones(len(x)) if weight is None else np.asarray(weight, float)
    if not len(x):
        raise ValueError("No reports to learn the delay from.")
    if np.any(~(x >= 0)) or np.any(~np.isfinite(s)):
        raise ValueError("Delays must be 0 or more, and the time to the as-of date known.")
    if np.any(x > s):
        raise ValueError(f"{int((x > s).sum())} reports appear after the as-of date.")
    t, inverse = np.unique(x, return_inverse=True)
    d = np.bincount(inverse, weights=w)
    n = np.array([w[(x <= u) & (s >= u)].sum() for u in t]) if len(t) < 5000 else _at_risk(x, s, w, t)
    keep = 1 - d / n
    # G at t: product of keep over later delays
    share = np.concatenate([np.cumprod(keep[::-1])[::-1][1:], [1.0]])
    return Delay(t, share, float(s.max()), float(w.sum()))


def _at_risk(x: np.ndarray, s: np.ndarray, w: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Weight of reports with x <= t <= s, by sorting."""
    a, b = np.argsort(x, kind="stable"), np.argsort(s, kind="stable")
    begun = np.concatenate([[0.0], np.cumsum(w[a])])[np.searchsorted(x[a], t, side="right")]
    ended = np.concatenate([[0.0], np.cumsum(w[b])])[np.searchsorted(s[b], t, side="left")]
    return begun - ended


@dataclass(frozen=True, eq=False)
class AdjustedRates:
    """Failures per unit by age, allowing for delay. age: 0, 1, 2, ...; failures seen; exposure (units, each counted
    by the share of its reports in hand); rate; cumulative; low, high: limits of the cumulative rate. unadjusted: what
    it would be without."""

    age: np.ndarray
    failures: np.ndarray
    exposure: np.ndarray
    rate: np.ndarray
    cumulative: np.ndarray
    low: np.ndarray
    high: np.ndarray
    unadjusted: np.ndarray


def adjusted_rates(
    failures: Sequence[float],
    cohorts: Sequence[float],
    within: Sequence[float],
    as_of: int | None = None,
    *,
    confidence: float = 0.95,
) -> AdjustedRates:
    """Failure rate at each age in months: lambda(a) = n(a) / sum over cohorts d of N_d G(T - d - a).

    failures: n(a), reports in hand of failures at age a = 0, 1, ...; cohorts: N_d, units that entered service in
    month d = 0, 1, ...; within: G(0), G(1), ..., share of reports in hand after so many months (its last value holds
    beyond); as_of: T in months (default: the number of cohorts). Ages at which no report could be in hand have rate
    nan. Limits: Poisson, log scale, G taken as known. Raises ValueError for G outside 0..1 or falling, or negative
    counts.
    Source: Kalbfleisch, Lawless & Robinson 1991, Technometrics 33:273-285; Lawless 1998, Int. Stat. Rev. 66:41-60.
    Pinned by tests/survival/test_delay.py.
    """
    from scipy.special import ndtri

    n, units, g = (np.asarray(v, float) for v in (failures, cohorts, within))
    if np.any(~((g >= 0) & (g <= 1))) or np.any(np.diff(g) < 0):
        raise ValueError("The shares in hand must rise from 0 or more to at most 1.")
    if np.any(n < 0) or np.any(units < 0):
        raise ValueError("Counts must not be negative.")
    top = len(units) if as_of is None else as_of
    age = np.arange(len(n))
    wait = top - np.arange(len(units))[None, :] - age[:, None]  # months since each cohort's units were of that age
    in_hand = np.where(wait < 0, 0.0, g[np.clip(wait, 0, len(g) - 1)])
    exposure = in_hand @ units
    seen = (wait >= 0) @ units
    with np.errstate(divide="ignore", invalid="ignore"):
        rate, plain = n / exposure, n / seen
        variance = n / exposure**2
    cumulative = np.cumsum(rate)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = float(ndtri(0.5 + confidence / 2)) * np.sqrt(np.cumsum(variance)) / cumulative
    return AdjustedRates(
        age, n, exposure, rate, cumulative, cumulative * np.exp(-half), cumulative * np.exp(half), plain
    )


def expected_reports(opened: Sequence[float], delay: Delay, since: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Counts of the newest periods made good for what has not appeared: (expected final counts, share in hand).

    opened: reports in hand by period; since: days from each period's middle to the as-of date. A period with under a
    tenth in hand is not made good (nan): its correction would be mostly guess (our own rule). Source: Kalbfleisch &
    Lawless 1989, section 4.
    Pinned by tests/survival/test_delay.py.
    """
    share = delay.within(np.asarray(since, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(share >= 0.1, np.asarray(opened, float) / share, np.nan), share


__all__ = ["AdjustedRates", "Delay", "adjusted_rates", "delay_distribution", "expected_reports"]
