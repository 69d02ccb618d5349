"""Intervals of a fit's parameters and quantiles: profile likelihood, robust Wald; and draws from its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.survival.families import Family, from_location_scale, location_scale, standard_quantile
from pipeline.survival.likelihood import Sums
from pipeline.survival.one_fit import RICH_FAILURES
from pipeline.survival.samples import Fit, Sample


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
    those with a failure count is ours, checked by simulation). Raises ValueError for a name that the family lacks.
    Pinned by tests/reference/test_parametric_reference.py, tests/survival/test_simulated_worlds.py (coverage).
    """
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
    variance, at least 1 (exactly 1 where every vehicle has one life).
    Pinned by tests/survival/test_fit.py.
    """
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
    Pinned by tests/reference/test_parametric_reference.py (shock absorbers), tests/survival/test_fit.py.
    """
    from scipy.special import chdtri

    d = f.distribution
    if not (d.location_scale or d.size == 1):
        raise ValueError(f"Profile intervals are made for one- and two-parameter families, not for {f.family}.")
    if not f.converged:
        return Interval(math.nan, math.nan, math.nan, "likelihood_ratio")
    sums = Sums.of(lives)
    unit = math.log(sums.unit)
    best = f.theta - np.array(d.stretch, float) * unit
    drop = 0.5 * float(chdtri(1, 1 - confidence)) * inflation
    if f.family in ("weibull", "exponential") and not len(sums.right):
        found = _weibull_limits(f, sums, what, drop)
        if found is not None:
            return found
    top = sums.value(d, best)
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
                ends = min(near, far), max(near, far)
                return brentq(lambda y: known[y] if y in known else gap(y), *ends, xtol=1e-10, rtol=1e-12)  # noqa: B023
            near, far = far, far + step
        return sign * math.inf

    low, high = limit(-1.0), limit(1.0)
    ends = [
        (-math.inf if link == "identity" else 0.0) if v == -math.inf else math.inf if v == math.inf else _back(v, link)
        for v in (low, high)
    ]
    return Interval(_back(x, link), ends[0], ends[1], "likelihood_ratio")


def _weibull_limits(f: Fit, sums: Sums, what: str | float, drop: float) -> Interval | None:
    """The same interval for a Weibull or exponential, without a search for each point of the profile.

    The confidence region is {ln L >= top - drop}. At a shape k, with S = sum t^k - sum entry^k over d failures and rate L = scale^-k, ln L
    is its own best plus d (ln u - u + 1), u = L S / d: so the region's ends in L are two branches of Lambert's W, and the limits of
    the quantile (q / L)^(1/k) are its extremes along those ends. None where the region is open in k (the general way then says so).
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import lambertw

    d = float(sums.fail_w.sum())
    log_t, w, total = np.log(sums.net_t), sums.net_w, float(sums.net_w.sum())
    logs = float(sums.fail_w @ np.log(sums.fail_t))

    def log_s(k: np.ndarray) -> np.ndarray:
        """ln S at each shape."""
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            return np.log(total + w @ np.expm1(log_t[:, None] * k))

    def profile(k: np.ndarray) -> np.ndarray:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            v = d * (np.log(k) + math.log(d) - log_s(k)) + (k - 1) * logs - d
        return np.where(np.isfinite(v), v, -np.inf)

    best = np.array([f.params["shape"] if f.family == "weibull" else 1.0])
    top = float(profile(best)[0])
    if not math.isfinite(top):
        return None

    def slack(y: float) -> float:
        return max(float(profile(np.array([math.exp(y)]))[0]) - top + drop, -1e6)

    x = math.log(best[0])
    ends = [x, x]
    if f.family == "weibull":
        step = 1.5 * math.sqrt(max(float(f.covariance_model[0, 0]), 1e-12)) if np.isfinite(f.covariance_model[0, 0]) else 0.3
        for side, sign in enumerate((-1.0, 1.0)):
            near, far, reach = x, x + sign * step, step
            while slack(far) > 0:
                reach *= 1.5
                near, far = far, far + sign * reach
                if abs(far - x) > 12:
                    return None
            ends[side] = brentq(slack, near, far, xtol=1e-12, rtol=1e-12)
    if what == "shape":
        return Interval(float(best[0]), math.exp(ends[0]), math.exp(ends[1]), "likelihood_ratio")
    q = 1.0 if isinstance(what, str) else -math.log1p(-what)

    def along(y: float, branch: int) -> float:
        """ln of the quantile at the region's end in the rate (branch 1: the larger rate), at ln shape y."""
        k = np.array([math.exp(y)])
        s = max(float(profile(k)[0]) - top + drop, 0.0) / d
        if s < 1e-12:  # at the region's tip both ends meet, and the branches of W lose their digits
            log_u = branch * math.sqrt(2 * s)
        else:
            log_u = math.log(-lambertw(-math.exp(-1.0 - s), -1 if branch > 0 else 0).real)
        return (math.log(q) + float(log_s(k)[0]) - math.log(d) - log_u) / float(k[0])

    limits = []
    for branch in (1, -1):  # the larger rate gives the lower limit
        if ends[0] == ends[1]:
            limits.append(along(ends[0], branch))
            continue
        found = minimize_scalar(lambda y: branch * along(y, branch), bounds=ends, method="bounded", options={"xatol": 1e-7})  # noqa: B023
        limits.append(branch * float(found.fun))
    value = (math.log(q) + float(log_s(best)[0]) - math.log(d)) / best[0]
    unit = math.log(sums.unit)
    return Interval(*(_back(v + unit, "log") for v in (value, *limits)), "likelihood_ratio")


def _best_along(sums: Sums, d: Family, point, direction, warm: float) -> tuple[float, float]:
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
    allows; robust Wald on the log scale otherwise.
    Pinned by tests/survival/test_simulated_worlds.py (coverage).
    """
    d = f.distribution
    if f.converged and f.failures < RICH_FAILURES and (d.location_scale or d.size == 1):
        return likelihood_ratio_interval(f, lives, what, confidence, design_effect(f, what))
    return wald_interval(f, what, confidence)


def interval_method(f: Fit) -> str:
    """Which kind of interval `interval` gives for this fit."""
    d = f.distribution
    return "likelihood_ratio" if f.failures < RICH_FAILURES and (d.location_scale or d.size == 1) else "wald"


def draw_parameters(f: Fit, n: int, seed: int) -> dict[str, np.ndarray]:
    """n draws of the named parameters, normal on the unconstrained scale with the robust covariance: name -> (n,).

    The same fit and seed give the same draws. Raises ValueError for a refused fit. Source: Meeker & Escobar 1998,
    section 9.2 (the normal approximation); large-sample, so too narrow for a handful of failures.
    Pinned by tests/survival/test_fit.py.
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
