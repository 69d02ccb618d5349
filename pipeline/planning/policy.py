"""When preventive replacement pays: age and block replacement, from a survival curve and two costs.

All ages are in the unit of the curve (km or days); costs in one currency. A curve is a plain function of age; helpers build the
Weibull one. Nothing is drawn at random here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Curve = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class AgePolicy:
    """The best age to replace at, and what it saves.

    age: replace a part of this age before it fails; None where running to failure is cheapest.
    cost_rate: long-run cost per unit of age under the policy; run_to_failure_rate without it.
    saving: 1 - cost_rate / run_to_failure_rate (a share). failed_share: parts that fail before the age all the same.
    verdict: "replace at age" or "run to failure".
    """

    age: float | None
    cost_rate: float
    run_to_failure_rate: float
    saving: float
    failed_share: float
    verdict: str


def weibull(shape: float, scale: float) -> tuple[Curve, Curve]:
    """Survival and hazard functions of a Weibull life: S(t) = exp(-(t/scale)^shape)."""
    def survival(t):
        return np.exp(-((np.asarray(t, float) / scale) ** shape))

    def hazard(t):
        return shape / scale * (np.asarray(t, float) / scale) ** (shape - 1)

    return survival, hazard


def additive(hazards: list[tuple[float, float]]) -> tuple[Curve, Curve]:
    """Survival and hazard of the sum of Weibull hazards (shape, scale): early failures plus wear-out (Xie and Lai 1996)."""
    def survival(t):
        t = np.asarray(t, float)
        return np.exp(-sum((t / scale) ** shape for shape, scale in hazards))

    def hazard(t):
        t = np.asarray(t, float)
        return sum(shape / scale * (t / scale) ** (shape - 1) for shape, scale in hazards)

    return survival, hazard


_GAUSS = np.polynomial.legendre.leggauss(16)


def _cumulative(survival: Curve, ages: np.ndarray) -> np.ndarray:
    """Integral of survival from 0 to each age: 16-point Gauss-Legendre between neighbours."""
    nodes, weights = _GAUSS
    edges = np.concatenate(([0.0], ages))
    half = np.diff(edges) / 2
    points = edges[:-1, None] + half[:, None] * (nodes[None, :] + 1)
    return np.cumsum(half * (survival(points) @ weights))


def _mean(survival: Curve, reach: float) -> float:
    """Mean life: the integral of survival, followed until nothing is left of it."""
    while survival(np.array([reach]))[0] > 1e-14 and reach < 1e12:
        reach *= 2
    return float(_cumulative(survival, np.linspace(reach / 2000, reach, 2000))[-1])


def age_policy(survival: Curve, hazard: Curve, planned_cost: float, unplanned_cost: float, *, reach: float,
               longest: float | None = None, mean: float | None = None) -> AgePolicy:
    """The age T that minimises C(T) = [cp S(T) + cf F(T)] / integral_0^T S (Barlow and Hunter 1960, Oper. Res. 8:90-100).

    At an inner optimum h(T) * integral_0^T S - F(T) = cp / (cf - cp), and C = (cf - cp) h(T). `reach` is an age of the order of the
    mean life (sets the search grid). `longest` forbids recommending beyond it (the data ends there): where the optimum lies
    beyond, the answer is to run to failure. Curves that are not rising everywhere may have several local optima: the whole grid
    is compared first, then the best one refined. A policy counts only where it saves something against running to failure.
    `mean`: the mean life where it is known, else it is worked out.

    Raises ValueError for costs or reach that are not positive.
    """
    if not (planned_cost > 0 and unplanned_cost > 0 and reach > 0):
        raise ValueError("planned_cost, unplanned_cost and reach must be more than 0")
    mean = mean or _mean(survival, reach)
    run = unplanned_cost / mean
    stop = longest if longest is not None else 20 * mean
    if unplanned_cost <= planned_cost:
        return AgePolicy(None, run, run, 0.0, 1.0, "run to failure")
    grid = np.geomspace(stop * 1e-4, stop, 600)

    def rate(age: np.ndarray, area: np.ndarray) -> np.ndarray:
        s = survival(age)
        return (planned_cost * s + unplanned_cost * (1 - s)) / area

    values = rate(grid, _cumulative(survival, grid))
    best = int(np.argmin(values))
    if best in (0, len(grid) - 1) or not values[best] < run * (1 - 1e-9):
        return AgePolicy(None, run, run, 0.0, 1.0, "run to failure")

    def score(age: float) -> float:
        area = float(_cumulative(survival, np.linspace(age / 64, age, 64))[-1])
        return float(hazard(np.array([age]))[0]) * area - (1 - float(survival(np.array([age]))[0])) \
            - planned_cost / (unplanned_cost - planned_cost)

    low, high = float(grid[best - 1]), float(grid[best + 1])
    if score(low) < 0 < score(high):
        from scipy.optimize import brentq

        age = float(brentq(score, low, high, xtol=1e-12 * high, rtol=1e-14))
    else:
        age = float(grid[best])
    area = float(_cumulative(survival, np.linspace(age / 64, age, 64))[-1])
    cost = float(rate(np.array([age]), np.array([area]))[0])
    return AgePolicy(age, cost, run, 1 - cost / run, float(1 - survival(np.array([age]))[0]), "replace at age")


def snapped_rate(survival: Curve, planned_cost: float, unplanned_cost: float, age: float) -> float:
    """Long-run cost per unit of age when replacing at a given age, such as the nearest service: C(T) of age_policy."""
    area = float(_cumulative(survival, np.linspace(age / 64, age, 64))[-1])
    s = float(survival(np.array([age]))[0])
    return (planned_cost * s + unplanned_cost * (1 - s)) / area


def renewal_function(survival: Curve, reach: float, steps: int = 2000) -> tuple[np.ndarray, np.ndarray]:
    """Expected number of failures by each age with renewal at failure: M(t) = F(t) + integral_0^t M(t - u) dF(u).

    Returns (ages, M), steps + 1 values from 0 to `reach`. Solved by the mid-point Riemann-Stieltjes method (Xie 1989, Commun. Stat.
    Simul. Comput. 18:281-293) on steps and 2 x steps, extrapolated (Richardson), good to about six decimals for smooth lives.
    """
    def solve(n: int) -> np.ndarray:
        edge = np.linspace(0, reach, n + 1)
        f = 1 - survival(edge)
        middle = 1 - survival((np.arange(n) + 0.5) * reach / n)
        m, d = np.zeros(n + 1), np.zeros(n)  # M, and its steps
        for i in range(1, n + 1):
            total = f[i] - m[i - 1] * middle[0]
            if i > 1:
                total += np.dot(d[:i - 1], middle[i - 1:0:-1])
            m[i] = total / (1 - middle[0])
            d[i - 1] = m[i] - m[i - 1]
        return m

    coarse, fine = solve(steps), solve(2 * steps)[::2]
    return np.linspace(0, reach, steps + 1), fine + (fine - coarse) / 3


@dataclass(frozen=True)
class BlockPolicy:
    """Replace all at fixed times, whatever their age. interval: None where running to failure is cheaper."""

    interval: float | None
    cost_rate: float
    run_to_failure_rate: float


def block_policy(survival: Curve, planned_cost: float, unplanned_cost: float, *, reach: float, steps: int = 2000,
                 renewals: tuple[np.ndarray, np.ndarray] | None = None, mean: float | None = None) -> BlockPolicy:
    """The interval T that minimises (cp + cf M(T)) / T (Barlow and Proschan 1965, Mathematical Theory of Reliability, ch. 4).

    `reach` bounds the search (two mean lives are plenty). Never cheaper than the age policy. `renewals`, `mean`: of `renewal_function`
    and the mean life, where they are known already.
    """
    ages, m = renewals or renewal_function(survival, reach, steps)
    mean = mean or _mean(survival, reach)
    rates = (planned_cost + unplanned_cost * m[1:]) / ages[1:]
    best = int(np.argmin(rates))
    run = unplanned_cost / mean
    if best == len(rates) - 1 or rates[best] >= run:
        return BlockPolicy(None, run, run)
    if best == 0:
        return BlockPolicy(float(ages[1]), float(rates[0]), run)
    # A parabola through the three lowest points places the minimum between the grid's ages.
    x, y = ages[best:best + 3], rates[best - 1:best + 2]
    a, b, c = np.polyfit(x - x[1], y, 2)
    age = float(x[1] - b / (2 * a)) if a > 0 else float(x[1])
    return BlockPolicy(age, float(c - b * b / (4 * a)) if a > 0 else float(y[1]), run)


def block_at_services(renewals: tuple[np.ndarray, np.ndarray], planned_cost: float, unplanned_cost: float,
                      every: float) -> tuple[float, float] | None:
    """The multiple of a fixed service interval at which renewing all, whatever their age, costs least: (interval, cost rate). None
    where the renewal function does not reach one interval."""
    ages, m = renewals
    times = np.arange(1, int(ages[-1] / every + 1e-9) + 1) * every
    if not len(times):
        return None
    rates = (planned_cost + unplanned_cost * np.interp(times, ages, m)) / times
    best = int(np.argmin(rates))
    return float(times[best]), float(rates[best])


def minimal_repair_interval(shape: float, scale: float, planned_cost: float, repair_cost: float) -> tuple[float, float]:
    """Periodic replacement with minimal repair at failures: T = scale (cp / (cf (shape - 1)))^(1/shape), and its cost rate
    (Barlow and Hunter 1960, policy II). Returns (inf, 0) where the shape is not above 1."""
    if shape <= 1:
        return math.inf, 0.0
    interval = scale * (planned_cost / (repair_cost * (shape - 1))) ** (1 / shape)
    return interval, (planned_cost + repair_cost * (interval / scale) ** shape) / interval
