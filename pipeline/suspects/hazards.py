"""Cause-specific hazards of one component by age of the part, on the part's own clock: piecewise exponential,
partially pooled.

Likelihood: within a band of age the hazard is constant, so failures are Poisson with mean hazard x exposure
(Holford 1980, Biometrics 36:299-305; Laird and Olivier 1981, J. Am. Stat. Assoc. 76:231-240). Late entry
needs nothing more: exposure counts from the entry on. Prior: the log-hazards of all curves of a component
(lighting x origin) are one Gaussian vector,

    common line in log age (a power law, as of a Weibull life) + integrated Wiener deviation (a smoothing
    spline; Wahba 1978, J. R. Stat. Soc. B 40:364-372) + deviation of the origin (original, replacement), half
    of its variance shared by all lightings and half a lighting's own + deviation of the lighting,

so that a freshly fitted part has its own early hazard where the data show one, a thin curve leans on its
relatives, and the end is carried on along its last slope. A lighting's deviation has a slope of its own, as
lives of another shape have. Strengths by marginal likelihood in Laplace's approximation (Rasmussen and Williams
2006, Gaussian Processes for Machine Learning, sections 3.4 and 5.2), with a weak log-normal prior that keeps
them off zero; draws average over the strengths that were tried, by that likelihood, and are then moved from
Laplace's approximation to the posterior itself by elliptical slice sampling (Murray, Adams and MacKay 2010,
AISTATS, PMLR 9:541-548; about the approximation as in Nishihara, Murray and Adams 2014, J. Mach. Learn. Res.
15:2087-2112): where nothing failed the posterior is skew, and the approximation alone too sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

ORIGINS = ("original", "replacement")
BANDS = 60
# A band's edge is scale * (exp(x) - 1), x in equal steps: fine where parts are young, coarse where they are
# old.
SCALE = {"days": 10.0, "km": 400.0}
LONGEST = {"days": 18_000.0, "km": 1_800_000.0}
_NODES = 16
# Prior standard deviations that are not estimated: wide against anything seen in lives of parts.
_LEVEL_SD, _SLOPE_SD = 3.0, 1.5
_OWN_SLOPE = 0.5  # of a lighting's deviation, per unit of its strength
_LEAST_CHAINS = 80
_MOST_STRENGTHS = 6  # that draws average over: the likeliest
_STRENGTHS = (0.08, 0.2, 0.5, 1.2, 2.5)
# Median of each strength before any data (wiggle, origin, lighting): a freshly fitted part may well fail e times as
# often or as seldom as an old one of its age; the rest moves less. Common practice, no source.
_HYPER_MEAN, _HYPER_SD = np.log([0.4, 1.0, 0.4]), 1.2
# Past this multiple of the greatest age seen the hazard is held: no curve is drawn out where no part has
# been.
HOLD_BEYOND = 1.25


def band_edges(clock: str) -> np.ndarray:
    """Edges of the age bands, shape (BANDS + 1,), in the clock's unit ("days" or "km"); the last band has no
    upper end in use.

    Raises ValueError for another clock.
    """
    if clock not in SCALE:
        raise ValueError(f"the clock {clock!r} is not known; use 'days' or 'km'")
    x = np.linspace(0.0, np.log1p(LONGEST[clock] / SCALE[clock]), BANDS + 1)
    edges = SCALE[clock] * np.expm1(x)
    edges[0] = 0.0
    return edges


def band_of(age: np.ndarray, clock: str) -> np.ndarray:
    """Band number (0 .. BANDS - 1) of ages in the clock's unit; ages beyond the last edge fall in the last
    band."""
    step = np.log1p(LONGEST[clock] / SCALE[clock]) / BANDS
    x = np.log1p(np.maximum(np.nan_to_num(age), 0.0) / SCALE[clock]) / step
    return np.minimum(x.astype(np.int64), BANDS - 1)


def count_bands(
    entry: np.ndarray, exit: np.ndarray, events: np.ndarray, curve: np.ndarray, curves: int, clock: str
) -> tuple[np.ndarray, np.ndarray]:
    """Failures and exposure by curve and age band: two arrays (curves, BANDS); exposure in the clock's unit.

    entry, exit: ages, exit > entry; events: weight of a failure at exit (0 .. 1); curve: number of each
    life's curve. Sums, so partitions of the lives may be counted apart and added."""
    edges = band_edges(clock)
    deaths = np.bincount(curve * BANDS + band_of(exit, clock), weights=events, minlength=curves * BANDS)
    # Exposure below each edge, differenced: one pass an edge and no array of lives x bands.
    below = np.zeros((curves, BANDS + 1))
    for k, edge in enumerate(edges[1:], 1):
        upper = edge if k < BANDS else np.inf
        spent = np.minimum(exit, upper) - np.minimum(entry, upper)
        below[:, k] = np.bincount(curve, weights=spent, minlength=curves)
    return deaths.reshape(curves, BANDS), np.diff(below, axis=1)


@dataclass(frozen=True)
class Hazards:
    """Fitted hazards of one component.

    curves: (lighting, origin) of each row; hazard, log_sd: shape (curves, BANDS), failures per clock unit and
    standard deviation of its log; draws: shape (draws, curves, BANDS); events, exposure: what was counted;
    reach: greatest age seen, by curve; strengths: common wiggle, origin deviation, lighting deviation;
    log_marginal: Laplace log marginal likelihood. hazard is the posterior mean. A hazard is well described as
    Gamma(shape = 1 / log_sd^2, rate = shape / hazard)."""

    component: str
    clock: str
    curves: tuple[tuple[str, str], ...]
    hazard: np.ndarray
    log_sd: np.ndarray
    draws: np.ndarray
    events: np.ndarray
    exposure: np.ndarray
    reach: np.ndarray
    strengths: tuple[float, float, float]
    log_marginal: float

    def row(self, lighting: str, origin: str) -> int | None:
        """Number of a curve, or None where this component is not in such headlamps."""
        try:
            return self.curves.index((lighting, origin))
        except ValueError:
            return None


def fit_hazards(
    component: str,
    clock: str,
    curves: list[tuple[str, str]],
    events: np.ndarray,
    exposure: np.ndarray,
    reach: np.ndarray,
    draws: int,
    rng: np.random.Generator,
) -> Hazards:
    """Fit all curves of a component together.

    curves: (lighting, origin) pairs, one a row of events and exposure (curves, BANDS); reach: greatest exit
    age by curve, in the clock's unit; draws: how many draws of the posterior. A component that never failed
    gets a low hazard with a wide interval. Raises ValueError where there is no exposure at all."""
    if exposure.sum() <= 0:
        raise ValueError(f"{component}: no time under watch")
    design = _design(clock)
    kernels = _kernels(curves, exposure, clock)
    level = np.log((events.sum() + 0.5) / exposure.sum())
    cache: dict[tuple[int, int, int], tuple[float, tuple]] = {}

    lightings, origins = len({c[0] for c in curves}), len({c[1] for c in curves})
    free = [True, origins > 1, lightings > 1]

    def score(index: tuple[int, int, int]) -> float:
        if index not in cache:
            strengths = tuple(_STRENGTHS[i] if f else 0.0 for i, f in zip(index, free, strict=True))
            fitted = _laplace(events, exposure, level, design, _prior(kernels, strengths))
            penalty = sum(
                -0.5 * ((np.log(s) - m) / _HYPER_SD) ** 2
                for s, m, f in zip(strengths, _HYPER_MEAN, free, strict=True)
                if f
            )
            cache[index] = (fitted[0] + penalty, fitted)
        return cache[index][0]

    best = (2, 2, 2)
    while True:  # climbs by neighbours: ends, as the score rises each time
        near = [
            tuple(v + step if a == axis else v for a, v in enumerate(best))
            for axis in range(3)
            if free[axis]
            for step in (-1, 1)
            if 0 <= best[axis] + step < len(_STRENGTHS)
        ]
        top = max([best, *near], key=score)
        if score(top) <= score(best):
            break
        best = top
    for axis in range(3):  # the rest of each line through the best, for the average over strengths
        for i in range(len(_STRENGTHS)):
            if free[axis]:
                score(tuple(i if a == axis else v for a, v in enumerate(best)))
    log_marginal = cache[best][1][0]

    chains = max(draws, _LEAST_CHAINS)
    tried = sorted(sorted(cache, key=lambda i: (-cache[i][0], i))[:_MOST_STRENGTHS])
    weight = np.exp([cache[i][0] - cache[best][0] for i in tried])
    shared = np.bincount(rng.choice(len(tried), chains, p=weight / weight.sum()), minlength=len(tried))
    runs = [
        _slice_sample(events, exposure, level, design, cache[i][1], int(m), rng)
        for i, m in zip(tried, shared, strict=True)
        if m
    ]
    hazard = np.exp(np.concatenate([r for run in runs for r in run])).mean(axis=0)
    logs = np.concatenate([run[-1] for run in runs])
    log_sd = np.sqrt(np.maximum(logs.var(axis=0), 1e-12))
    made = np.exp(logs[rng.permutation(chains)[:draws]])
    last = band_of(HOLD_BEYOND * _reach_by_lighting(curves, reach), clock)
    for i, stop in enumerate(last):
        hazard[i, stop + 1 :], log_sd[i, stop + 1 :] = hazard[i, stop], log_sd[i, stop]
        made[:, i, stop + 1 :] = made[:, i, stop : stop + 1]
    return Hazards(
        component,
        clock,
        tuple(curves),
        hazard,
        log_sd,
        made,
        events,
        exposure,
        reach,
        tuple(_STRENGTHS[i] if f else 0.0 for i, f in zip(best, free, strict=True)),
        float(log_marginal),
    )


def _slice_sample(
    events: np.ndarray,
    exposure: np.ndarray,
    level: float,
    design: np.ndarray,
    fitted: tuple,
    chains: int,
    rng: np.random.Generator,
    steps: int = 9,
    kept: int = 4,
) -> list[np.ndarray]:
    """Log-hazards (chains, curves, BANDS) after each of the last `kept` steps of as many chains, each begun at a draw of
    Laplace's approximation. In its own coordinates z (standard normal under it) the posterior is that normal times a
    weight, which elliptical slices take into account."""
    _, mode, factor, root_mode, lower = fitted
    n, k = len(events), design.shape[1]
    to_log = np.einsum("bk,nkm->nbm", design, factor.reshape(n, k, -1)).reshape(n * BANDS, -1)
    centre = (level + mode.reshape(n, k) @ design.T).reshape(-1, 1)
    whiten = np.linalg.inv(lower).T
    died, time = events.reshape(-1, 1), exposure.reshape(-1, 1)

    def logs(z: np.ndarray) -> np.ndarray:
        return np.clip(centre + to_log @ z, level - 40, level + 40)

    def weight(z: np.ndarray) -> np.ndarray:
        log_hazard = logs(z)
        prior = 0.5 * ((root_mode[:, None] + whiten @ z) ** 2).sum(axis=0)
        expected = time.T @ np.exp(log_hazard)
        return (died.T @ log_hazard - expected)[0] - prior + 0.5 * (z**2).sum(axis=0)

    z = rng.standard_normal((to_log.shape[1], chains))
    now, out = weight(z), []
    for step in range(steps):
        other, least = rng.standard_normal(z.shape), now + np.log(rng.random(chains))
        angle = rng.random(chains) * 2 * np.pi
        low, high = angle - 2 * np.pi, angle.copy()
        open_, moved, after = np.arange(chains), z.copy(), now.copy()
        for _ in range(40):  # the bracket shrinks on the old state, so that each chain is soon done; else it stays
            tried = z[:, open_] * np.cos(angle[open_]) + other[:, open_] * np.sin(angle[open_])
            score = weight(tried)
            good = score > least[open_]
            moved[:, open_[good]], after[open_[good]] = tried[:, good], score[good]
            open_ = open_[~good]
            if not len(open_):
                break
            behind = angle[open_] < 0
            low[open_[behind]], high[open_[~behind]] = angle[open_[behind]], angle[open_[~behind]]
            angle[open_] = low[open_] + rng.random(len(open_)) * (high[open_] - low[open_])
        z, now = moved, after
        if step >= steps - kept:
            out.append(logs(z).T.reshape(chains, n, BANDS))
    return out


def _reach_by_lighting(curves: list[tuple[str, str]], reach: np.ndarray) -> np.ndarray:
    most: dict[str, float] = {}
    for (lighting, _), r in zip(curves, reach, strict=True):
        most[lighting] = max(most.get(lighting, 0.0), float(r))
    return np.array([most[lighting] for lighting, _ in curves])


def _centres(clock: str) -> np.ndarray:
    x = np.log1p(band_edges(clock) / SCALE[clock])
    return (x[1:] + x[:-1]) / 2


def _design(clock: str) -> np.ndarray:
    """(BANDS, nodes): a band's log-hazard as a straight line between the two nodes around it."""
    x = _centres(clock)
    nodes = np.linspace(x[0], x[-1], _NODES)
    at = np.clip((x - nodes[0]) / (nodes[1] - nodes[0]), 0, _NODES - 1 - 1e-9)
    left = at.astype(int)
    design = np.zeros((len(x), _NODES))
    design[np.arange(len(x)), left] = 1 - (at - left)
    design[np.arange(len(x)), left + 1] = at - left
    return design


def _kernels(curves: list[tuple[str, str]], exposure: np.ndarray, clock: str) -> tuple[np.ndarray, ...]:
    """Covariances over (curve, node): the fixed line, and per unit strength the wiggle, origin and lighting
    deviations."""
    x = _centres(clock)
    nodes = np.linspace(x[0], x[-1], _NODES)
    centre = float((exposure.sum(axis=0) * x).sum() / exposure.sum())
    line = _LEVEL_SD**2 + _SLOPE_SD**2 * np.outer(nodes - centre, nodes - centre)
    low, high = np.minimum.outer(nodes, nodes), np.maximum.outer(nodes, nodes)
    wiener = low**2 * (3 * high - low) / 6
    # Conditioned to have neither level nor slope at the centre, so that the line alone says those.
    wiggle = _without_line(wiener, nodes, centre)
    apart = np.subtract.outer(nodes, nodes) ** 2
    near, far = np.exp(-apart / (2 * 1.2**2)), np.exp(-apart / (2 * 2.5**2))
    lighting = np.array([[a[0] == b[0] for b in curves] for a in curves], dtype=float)
    origin = np.array([[a[1] == b[1] for b in curves] for a in curves], dtype=float)
    ones = np.ones((len(curves), len(curves)))
    own_slope = _OWN_SLOPE**2 * np.outer(nodes - centre, nodes - centre)
    of_origin = 0.5 * origin + 0.5 * origin * lighting
    return np.kron(ones, line), np.kron(ones, wiggle), np.kron(of_origin, near), np.kron(lighting, far + own_slope)


def _without_line(kernel: np.ndarray, nodes: np.ndarray, centre: float) -> np.ndarray:
    basis = np.stack([np.ones_like(nodes), nodes - centre], axis=1)
    near = np.exp(-0.5 * ((nodes - centre) / 1.0) ** 2)
    fit = np.linalg.solve(basis.T @ (near[:, None] * basis), (near[:, None] * basis).T)
    rest = np.eye(len(nodes)) - basis @ fit
    return rest @ kernel @ rest.T


def _prior(kernels: tuple[np.ndarray, ...], strengths: tuple[float, float, float]) -> np.ndarray:
    line, wiggle, origin, lighting = kernels
    s, o, lit = strengths
    covariance = line + s**2 * wiggle + o**2 * origin + lit**2 * lighting
    return covariance + 1e-6 * np.eye(len(covariance))


def _laplace(
    events: np.ndarray, exposure: np.ndarray, level: float, design: np.ndarray, covariance: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Log marginal likelihood (constant terms of the data left out), mode, factor of the posterior covariance, mode in
    whitened coordinates, and factor of the curvature there."""
    n, k = len(events), design.shape[1]
    root = np.linalg.cholesky(covariance)
    base = exposure * np.exp(level)
    # Curve by curve, in small products: they stay on one thread, and a machine that is shared does not stall
    # on them.
    blocks = [root[c * k : (c + 1) * k] for c in range(n)]
    v = np.zeros(n * k)  # theta = root @ v, v standard normal a priori

    def value(u: np.ndarray) -> tuple[float, np.ndarray]:
        theta = np.clip(np.stack([design @ (block @ u) for block in blocks]), -40, 40)
        expected = base * np.exp(theta)
        return float((events * theta - expected).sum() - 0.5 * u @ u), expected

    def curvature(expected: np.ndarray) -> np.ndarray:
        out = np.eye(n * k)
        for c, block in enumerate(blocks):
            out += block.T @ ((design.T @ (expected[c][:, None] * design)) @ block)
        return out

    now, expected = value(v)
    for _ in range(60):
        gradient = sum(block.T @ (design.T @ (events[c] - expected[c])) for c, block in enumerate(blocks)) - v
        step = np.linalg.solve(curvature(expected), gradient)
        size = 1.0
        while size > 1e-6:
            tried, after = value(v + size * step)
            if tried >= now - 1e-12:
                break
            size /= 2
        v, now, expected = v + size * step, tried, after
        if np.abs(size * step).max() < 1e-9:
            break
    lower = np.linalg.cholesky(curvature(expected))
    log_marginal = now - np.log(np.diag(lower)).sum()
    # Posterior covariance of theta = root hessian^-1 root'; its factor is root lower^-T.
    factor = root @ np.linalg.inv(lower).T
    return log_marginal, root @ v, factor, v, lower
