"""Proportional hazards with late entry and errors by vehicle: how much more often one supplier's, grade's or duty's
parts fail.

Newton's method on Efron's partial likelihood, whose risk sums are running sums over sorted times, so that a fit of
20,000 lives takes a fraction of a second; a widespread library takes about ten seconds with late entry, and gives no
residuals there for the check of proportionality. It stays the oracle of the tests, and so does R.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import strata_of

OTHER = "(other)"


@dataclass(frozen=True, eq=False)
class CoxFit:
    """Coefficients beta (log hazard ratios) of the columns `names`; covariance: robust by cluster; covariance_model:
    inverse information. log_likelihood (at 0: log_likelihood_null); lives, failures: sums of weights; clusters.
    converged, warning in words."""

    names: tuple[str, ...]
    beta: np.ndarray
    covariance: np.ndarray
    covariance_model: np.ndarray
    log_likelihood: float
    log_likelihood_null: float
    lives: float
    failures: float
    clusters: int
    converged: bool
    warning: str = ""


@dataclass(frozen=True, eq=False)
class _Risk:
    """Event times of all strata, and where each life enters and leaves among them."""

    d: np.ndarray  # deaths at each event time
    start: np.ndarray  # per life: place of the first event time after its entry, within its stratum
    stop: (
        np.ndarray
    )  # per life: place after the last event time at or before its exit; at risk for start <= place < stop
    at: np.ndarray  # event time of each failed life
    failed: np.ndarray  # indices of failed lives
    t: np.ndarray
    weight: np.ndarray  # of each life
    share: np.ndarray  # mean weight of those dying at each event time


def _risk(entry: np.ndarray, exit: np.ndarray, event: np.ndarray, stratum: np.ndarray, weight: np.ndarray | None = None) -> _Risk:
    weight = np.ones(len(exit)) if weight is None else weight
    failed = np.flatnonzero(event)
    pairs = np.unique(np.stack([stratum[failed].astype(float), exit[failed]]), axis=1)
    code, t = pairs[0].astype(int), pairs[1]
    m = int(stratum.max(initial=-1)) + 1
    edges = np.searchsorted(code, np.arange(m + 1))
    start, stop = np.empty(len(exit), int), np.empty(len(exit), int)
    for s in range(m):
        rows = stratum == s
        times = t[edges[s] : edges[s + 1]]
        start[rows] = edges[s] + np.searchsorted(times, entry[rows], side="right")
        stop[rows] = edges[s] + np.searchsorted(times, exit[rows], side="right")
    at = stop[failed] - 1
    d = np.bincount(at, minlength=len(t))
    return _Risk(d, start, stop, at, failed, t, weight, np.bincount(at, weights=weight[failed], minlength=len(t)) / d)


def _parts(r: _Risk, x: np.ndarray, beta: np.ndarray):
    """Risk sums at beta, unrolled over ties: for each death k of m at a time the share k / m of the dying is taken
    off (Efron); weights as Therneau & Grambsch 2000, section 3.3: each death counts with the mean weight of its tie."""
    p = x.shape[1]
    risk = np.exp(x @ beta)
    upper = np.triu_indices(p)
    heavy = r.weight * risk
    rx = heavy[:, None] * x
    rxx = rx[:, upper[0]] * x[:, upper[1]]
    table = np.concatenate([heavy[:, None], rx, rxx], axis=1)
    n = len(r.d)
    # sums by cell first, then one running sum: cheaper than adding rows one by one
    total = np.zeros((n + 1, table.shape[1]))
    for j in range(table.shape[1]):
        total[:, j] = np.bincount(r.start, weights=table[:, j], minlength=n + 1) - np.bincount(
            r.stop, weights=table[:, j], minlength=n + 1
        )
    total = np.cumsum(total, axis=0)[:n]
    dying = np.zeros((n, table.shape[1]))
    for j in range(table.shape[1]):
        dying[:, j] = np.bincount(r.at, weights=table[r.failed, j], minlength=n)
    time = np.repeat(np.arange(n), r.d)
    share = (np.arange(len(time)) - np.repeat(np.cumsum(r.d) - r.d, r.d)) / r.d[time]
    each = total[time] - share[:, None] * dying[time]
    s0 = each[:, 0]
    mean = each[:, 1 : 1 + p] / s0[:, None]
    second = each[:, 1 + p :] / s0[:, None]
    info = np.empty((p, p))
    flat = second - mean[:, upper[0]] * mean[:, upper[1]]
    return risk, s0, mean, time, share, flat, upper, info


def _likelihood(r: _Risk, x: np.ndarray, beta: np.ndarray):
    risk, s0, mean, time, share, flat, upper, info = _parts(r, x, beta)
    w, each = r.weight[r.failed], r.share[time]
    value = float(w @ (x[r.failed] @ beta) - each @ np.log(s0))
    score = w @ x[r.failed] - each @ mean
    info[upper] = each @ flat
    info.T[upper] = info[upper]
    return value, score, info


def _score_residuals(r: _Risk, x: np.ndarray, beta: np.ndarray) -> np.ndarray:
    """Each life's contribution to the score, (n, p), unweighted; weighted they sum to 0. Source: Therneau & Grambsch 2000, sections 4.6
    and 7.2 (Efron)."""
    p = x.shape[1]
    risk, s0, mean, time, share, *_ = _parts(r, x, beta)
    n = len(r.d)

    def by_time(v: np.ndarray) -> np.ndarray:
        return np.stack([np.bincount(time, weights=v[:, j], minlength=n) for j in range(v.shape[1])], axis=1)

    rate = r.share[time] / s0
    increments = by_time(np.concatenate([rate[:, None], rate[:, None] * mean], axis=1))
    tied = by_time(np.concatenate([(share * rate)[:, None], (share * rate)[:, None] * mean, mean], axis=1))
    run = np.concatenate([np.zeros((1, p + 1)), np.cumsum(increments, axis=0)])
    span = run[r.stop] - run[r.start]
    span[r.failed] -= tied[r.at][:, : p + 1]  # a dying life is only partly at risk for its own time's later deaths
    out = -risk[:, None] * (x * span[:, :1] - span[:, 1:])
    out[r.failed] += x[r.failed] - tied[r.at][:, p + 1 :] / r.d[r.at][:, None]
    return out


def _arrays(entry, exit, event, x, cluster, stratum, weight=None):
    x = np.asarray(x, float)
    x = x[:, None] if x.ndim == 1 else x
    n = len(x)
    exit, event = np.asarray(exit, float), np.asarray(event).astype(bool)
    entry = np.zeros(n) if entry is None else np.broadcast_to(np.asarray(entry, float), n)
    stratum = np.zeros(n, int) if stratum is None else np.unique(np.asarray(stratum), return_inverse=True)[1]
    if np.any(~np.isfinite(x)) or np.any(~np.isfinite(exit)) or np.any(~np.isfinite(entry)):
        raise ValueError("Missing or infinite values.")
    if np.any(entry > exit):
        raise ValueError(f"{int((entry > exit).sum())} lives enter after they end.")
    weight = np.ones(n) if weight is None else np.asarray(weight, float)
    if np.any(~(weight >= 0)) or np.any(~np.isfinite(weight)):
        raise ValueError("Missing or negative weights.")
    keep = (exit > entry) & (weight > 0)
    cluster = np.arange(n) if cluster is None else np.unique(np.asarray(cluster), return_inverse=True)[1]
    return entry[keep], exit[keep], event[keep], x[keep], cluster[keep], stratum[keep], weight[keep]


def cox(
    exit: Sequence[float],
    event: Sequence[bool],
    x: np.ndarray,
    *,
    names: Sequence[str] | None = None,
    entry: Sequence[float] | float | None = None,
    cluster: Sequence | None = None,
    stratum: Sequence | None = None,
    weight: Sequence[float] | None = None,
    rounds: int = 40,
) -> CoxFit:
    """Cox's proportional hazards: Efron's ties, late entry, strata with a baseline each, robust errors by cluster.

    exit, entry: ages in one unit (at risk at t: entry < t <= exit); event: failed; x: (n, p) numbers; cluster: the
    vehicle, None: every life its own. weight: of each life, not negative (a doubtful failure stands twice: failed with
    its probability, censored with the rest). Lives of no length are left out. A coefficient that runs off (a group without
    failures) is refused in words, converged False. Raises ValueError for missing values or entry after exit.
    Source: Cox 1972, J. R. Stat. Soc. B 34:187-220; Efron 1977, J. Am. Stat. Assoc. 72:557-565; Lin & Wei 1989
    (robust).
    Pinned by tests/reference/test_nonparametric_reference.py (R, weights and clusters),
    tests/reference/test_parametric_reference.py (Channing House).
    """
    entry, exit, event, x, cluster, stratum, weight = _arrays(entry, exit, event, x, cluster, stratum, weight)
    p = x.shape[1]
    names = tuple(names) if names is not None else tuple(f"x{i + 1}" for i in range(p))
    failures, lives = float(weight[event].sum()), float(weight.sum())
    nan = np.full((p, p), np.nan)
    groups = np.unique(cluster, return_inverse=True)[1]
    g = int(groups.max(initial=-1)) + 1

    def refused(words: str) -> CoxFit:
        return CoxFit(names, np.full(p, np.nan), nan, nan, math.nan, math.nan, lives, failures, g, False, words)

    if failures == 0:
        return refused("No failures.")
    centre, spread = x.mean(axis=0), x.std(axis=0)
    flat = np.flatnonzero(spread == 0)
    if len(flat):
        return refused(f"{', '.join(names[i] for i in flat)}: the same for all lives.")
    z = (x - centre) / spread
    r = _risk(entry, exit, event, stratum, weight)
    beta = np.zeros(p)
    value, score, info = _likelihood(r, z, beta)
    null = value
    for _ in range(rounds):
        try:
            step = np.linalg.solve(info, score)
        except np.linalg.LinAlgError:
            return refused("The columns repeat each other: their effects cannot be told apart.")
        if np.linalg.cond(info) > 1e12:
            return refused(
                "The columns repeat each other, or a group has no failures: their effects cannot be told apart."
            )
        gain = float(score @ step)
        for k in range(30):
            new = beta + step * 0.5**k
            if np.max(np.abs(z @ new)) < 200:
                v, s, i = _likelihood(r, z, new)
                if v >= value - 1e-12 * abs(value):
                    break
        else:
            return refused("The search found no way up.")
        beta, value, score, info = new, v, s, i
        if gain < 1e-14 * max(1.0, failures):
            break
    else:
        i = int(np.argmax(np.abs(beta)))
        return refused(
            f"{names[i]}: the hazard ratio runs off without limit (a group with no failures, or with nothing else)."
        )
    if np.max(np.abs(beta / spread)) > 12:
        i = int(np.argmax(np.abs(beta / spread)))
        return refused(
            f"{names[i]}: the hazard ratio runs off without limit (a group with no failures, or with nothing else)."
        )
    model = np.linalg.inv(info)
    spreads = np.where(np.diag(model) > 0, np.diag(model), math.inf)  # rounding about nothing at all may fall below 0
    if not np.max(spreads) < 1e4:
        i = int(np.argmax(spreads))
        return refused(f"{names[i]}: never at risk together with the others when somebody fails.")
    residuals = _score_residuals(r, z, beta) * weight[:, None]
    sums = np.stack([np.bincount(groups, weights=residuals[:, j], minlength=g) for j in range(p)], axis=1)
    robust = model @ (sums.T @ sums) @ model
    scale = np.outer(1 / spread, 1 / spread)
    return CoxFit(names, beta / spread, robust * scale, model * scale, value, null, lives, failures, g, True)


@dataclass(frozen=True, eq=False)
class Proportionality:
    """Test of each column and of all together against a hazard ratio that changes with age. p: (columns,), overall
    p."""

    names: tuple[str, ...]
    chi2: np.ndarray
    p: np.ndarray
    overall_chi2: float
    overall_p: float
    trend: np.ndarray  # correlation of the scaled residuals with (ranked) age: above 0 the ratio grows with age


def proportionality(
    fit: CoxFit,
    exit: Sequence[float],
    event: Sequence[bool],
    x: np.ndarray,
    *,
    entry: Sequence[float] | float | None = None,
    cluster: Sequence | None = None,
    stratum: Sequence | None = None,
    weight: Sequence[float] | None = None,
) -> Proportionality:
    """Score test for coefficients beta + theta g(t), g the rank of the failure time, with errors by cluster.

    Same arguments as `cox`. The score of theta at 0 is sum g (x - mean at t) over failures, corrected for the
    estimation of beta; its variance is summed by cluster. Lives that share a vehicle therefore raise no false alarm.
    Source: Grambsch & Therneau 1994, Biometrika 81:515-526; Therneau & Grambsch 2000, section 6.2; the clustered
    variance as in Lin & Wei 1989. Raises ValueError for a fit that was refused.
    Pinned by tests/survival/test_cox.py.
    """
    if not fit.converged:
        raise ValueError(fit.warning)
    entry, exit, event, x, cluster, stratum, weight = _arrays(entry, exit, event, x, cluster, stratum, weight)
    from scipy.special import chdtrc

    p = x.shape[1]
    x = x - x.mean(axis=0)
    r = _risk(entry, exit, event, stratum, weight)
    rank = np.argsort(np.argsort(r.t[r.at], kind="stable")).astype(float)
    # mid-ranks for ties, centred: the mean of g over failures plays no part
    order = np.unique(r.t[r.at], return_inverse=True)[1]
    rank = (np.bincount(order, weights=rank) / np.bincount(order))[order]
    g_of = np.bincount(r.at, weights=rank, minlength=len(r.d)) / r.d
    g_of = (g_of - np.average(g_of, weights=r.d)) / max(1.0, np.std(rank))
    # augment x by g(t) x: residual of the augmented column at event time j is g_j times the plain one
    risk, s0, mean, time, share, flat, upper, info = _parts(r, x, fit.beta)
    gk = g_of[time]
    i11, i12, i22 = np.empty((p, p)), np.empty((p, p)), np.empty((p, p))
    for target, w in ((i11, np.ones_like(gk)), (i12, gk), (i22, gk * gk)):
        target[upper] = (w * r.share[time]) @ flat
        target.T[upper] = target[upper]
    n = len(r.d)

    def pieces(by: np.ndarray) -> np.ndarray:
        """Weighted score residuals with each event time's increment multiplied."""
        wk = by[time] * r.share[time]

        def by_time(v):
            return np.stack([np.bincount(time, weights=v[:, j], minlength=n) for j in range(v.shape[1])], axis=1)

        inc = by_time(np.concatenate([(wk / s0)[:, None], (wk / s0)[:, None] * mean], axis=1))
        tied = by_time(np.concatenate([(wk * share / s0)[:, None], (wk * share / s0)[:, None] * mean, mean], axis=1))
        run = np.concatenate([np.zeros((1, p + 1)), np.cumsum(inc, axis=0)])
        span = run[r.stop] - run[r.start]
        span[r.failed] -= tied[r.at][:, : p + 1]
        out = -risk[:, None] * (x * span[:, :1] - span[:, 1:])
        out[r.failed] += by[r.at][:, None] * (x[r.failed] - tied[r.at][:, p + 1 :] / r.d[r.at][:, None])
        return out * weight[:, None]

    u, v = pieces(np.ones(n)), pieces(g_of)
    adjusted = v - u @ np.linalg.solve(i11, i12)
    groups = np.unique(cluster, return_inverse=True)[1]
    sums = np.stack([np.bincount(groups, weights=adjusted[:, j]) for j in range(p)], axis=1)
    score, variance = adjusted.sum(axis=0), sums.T @ sums
    # theta on the scale of each column alone: efficient direction through the adjusted information
    inside = i22 - i12 @ np.linalg.solve(i11, i12)
    theta = np.linalg.solve(inside, score)
    cov = np.linalg.solve(inside, np.linalg.solve(inside, variance).T)
    spread = np.diag(cov)
    chi2 = np.divide(theta**2, spread, out=np.full(p, np.nan), where=spread > 0)  # nan: nothing in the data to test a column by
    overall = float(score @ np.linalg.pinv(variance) @ score)
    return Proportionality(fit.names, chi2, chdtrc(1, chi2), overall, float(chdtrc(p, overall)), theta)


def false_discovery(p: Sequence[float]) -> np.ndarray:
    """Adjusted p-values that control the false discovery rate: smallest rate at which each would be called. nan stays
    nan.

    Source: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289-300.
    Pinned by tests/survival/test_cox.py.
    """
    p = np.asarray(p, float)
    out = np.full(p.shape, np.nan)
    good = np.flatnonzero(~np.isnan(p))
    if not len(good):
        return out
    order = good[np.argsort(p[good], kind="stable")]
    m = len(order)
    adjusted = p[order] * m / np.arange(1, m + 1)
    out[order] = np.minimum(np.minimum.accumulate(adjusted[::-1])[::-1], 1.0)
    return out


_TYPES = {
    "covariate": pl.String,
    "level": pl.String,
    "reference": pl.String,
    "lives": pl.Int64,
    "failures": pl.Float64,
    "hazard_ratio": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "p_adjusted": pl.Float64,
    "verdict": pl.String,
    "proportional_p": pl.Float64,
    "proportional": pl.String,
    "warning": pl.String,
}


def hazard_ratios(
    lives: pl.DataFrame,
    covariates: Sequence[str],
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    event: str = "failed",
    cluster: str | None = "vehicle",
    baseline: Sequence[str] = (),
    min_failures: int = 5,
    max_levels: int = 12,
    confidence: float = 0.95,
    rate: float = 0.05,
    ending: str = "ending",
) -> pl.DataFrame:
    """Hazard ratios of supplier, grade, class, duty, side, season ... within each stratum, all covariates together.

    lives: one row a life; entry, exit in one unit; event as in `fit.fit_set`. keys: strata fitted apart (a component,
    say); baseline: columns that get a baseline hazard of their own within a fit (lighting, say). covariates: text
    columns, each level against the commonest one (by failures, then lives, then name); null is left out of the fit.
    Levels below min_failures failures, and beyond the max_levels commonest, go into '(other)'; what even so has too
    few is named in words and left out. A covariate that repeats another (each level of one within one level of the
    other) is dropped, in words.
    Columns: keys, covariate, level, reference, lives, failures, hazard_ratio, low, high, p, p_adjusted (false
    discovery rate over the whole table), verdict ('fails_more', 'fails_less', 'not told apart', 'too few', 'not
    fitted'), proportional_p, proportional ('yes', 'no': below 0.01, the ratio changes with age and is an average),
    warning. The reference has a line of its own, ratio 1.
    Raises ValueError for missing columns or impossible times. Source: as `cox`, `proportionality`, `false_discovery`.
    Pinned by tests/survival/test_cox.py.
    """
    from scipy.special import ndtri

    keys, covariates = list(keys), list(covariates)
    missing = [
        c
        for c in (*keys, *covariates, *baseline, entry, exit, *([cluster] if cluster else []))
        if c not in lives.columns
    ]
    if missing:
        raise ValueError(f"No column {', '.join(missing)} among {', '.join(lives.columns)}.")
    if "in_curve" in lives.columns:
        lives = lives.filter(pl.col("in_curve"))
    d = (
        pl.col(event).cast(pl.Float64)
        if event in lives.columns
        else (pl.col(ending) == event).cast(pl.Float64).fill_null(0.0)
    )
    frame = lives.with_columns(
        d.alias("_d"),
        pl.col(entry).cast(pl.Float64).alias("_e"),
        pl.col(exit).cast(pl.Float64).alias("_x"),
        *[pl.col(c).cast(pl.String) for c in covariates],
    ).filter(pl.col("_x") > pl.col("_e"))
    strata, codes = strata_of(frame, keys)
    rows = []
    z = float(ndtri(0.5 + confidence / 2))
    for s in range(strata.height if keys else min(frame.height, 1)):
        part = frame.filter(pl.Series(codes == s))
        named = dict(zip(keys, strata.row(s), strict=False)) if keys else {}
        rows += [
            {**named, **r} for r in _stratum(part, covariates, cluster, list(baseline), min_failures, max_levels, z)
        ]
    out = pl.DataFrame(rows, schema={**{k: frame.schema[k] for k in keys}, **_TYPES}, orient="row")
    if not out.height:
        return out
    adjusted = false_discovery(out["p"].fill_null(math.nan).to_numpy())
    out = out.with_columns(pl.Series("p_adjusted", adjusted).fill_nan(None))
    called = pl.col("p_adjusted") <= rate
    return out.with_columns(
        pl.when(pl.col("verdict") != "")
        .then(pl.col("verdict"))
        .when(called & (pl.col("hazard_ratio") > 1))
        .then(pl.lit("fails_more"))
        .when(called & (pl.col("hazard_ratio") < 1))
        .then(pl.lit("fails_less"))
        .otherwise(pl.lit("not told apart"))
        .alias("verdict")
    )


def _stratum(
    part: pl.DataFrame,
    covariates: list[str],
    cluster: str | None,
    baseline: list[str],
    min_failures: int,
    max_levels: int,
    z: float,
) -> list[dict]:
    blank = {
        "lives": None,
        "failures": None,
        "hazard_ratio": None,
        "low": None,
        "high": None,
        "p": None,
        "p_adjusted": None,
        "verdict": "",
        "proportional_p": None,
        "proportional": None,
        "warning": "",
    }
    rows: list[dict] = []
    designs: list[tuple[str, str, str, int, float]] = []  # covariate, level, reference, lives, failures
    part = part.drop_nulls(covariates)
    columns, levels_of = [], {}
    for c in covariates:
        counts = (
            part.group_by(c)
            .agg(pl.len().alias("n"), pl.col("_d").sum().alias("d"))
            .sort(["d", "n", c], descending=[True, True, False])
        )
        if counts.height < 2:
            rows.append(
                {
                    **blank,
                    "covariate": c,
                    "level": None,
                    "reference": None,
                    "verdict": "not fitted",
                    "warning": f"All lives have the same {c}." if counts.height else f"No life has a {c}.",
                }
            )
            continue
        own = counts.filter(pl.col("d") >= min_failures)[c].to_list()[:max_levels]
        merged = part[c].is_in(own)
        rest_failures = float(part.filter(~merged)["_d"].sum())
        if not own:
            rows.append(
                {
                    **blank,
                    "covariate": c,
                    "level": None,
                    "reference": None,
                    "verdict": "too few",
                    "warning": f"No {c} has {min_failures} failures.",
                }
            )
            continue
        values = np.where(merged.to_numpy(), part[c].to_numpy(), OTHER).astype(object)
        small = counts.filter(~pl.col(c).is_in(own))
        if rest_failures < min_failures and small.height:
            # too few even together: out of the fit, counted in words
            for r in small.iter_rows(named=True):
                rows.append(
                    {
                        **blank,
                        "covariate": c,
                        "level": r[c],
                        "reference": own[0],
                        "lives": r["n"],
                        "failures": float(r["d"]),
                        "verdict": "too few",
                        "warning": f"Only {r['d']:.3g} failures; at least {min_failures} are needed.",
                    }
                )
            values[values == OTHER] = None
        if len(set(v for v in values if v is not None)) < 2:
            rows.append(
                {
                    **blank,
                    "covariate": c,
                    "level": own[0],
                    "reference": own[0],
                    "verdict": "not fitted",
                    "warning": f"Only one {c} has enough failures.",
                }
            )
            continue
        levels_of[c] = (own, values)
    usable = np.ones(part.height, bool)
    for _, values in levels_of.values():
        usable &= np.array([v is not None for v in values], bool)
    failed = part["_d"].to_numpy()
    again = True
    while (
        again
    ):  # dropping lives for one covariate can leave a level of another without failures: its ratio would run off
        again = False
        for c, (own, values) in levels_of.items():
            for level in [*own, OTHER]:
                m = (values == level) & usable
                if m.any() and failed[m].sum() < 0.5:
                    rows.append(
                        {
                            **blank,
                            "covariate": c,
                            "level": level,
                            "reference": own[0],
                            "lives": int(m.sum()),
                            "failures": float(failed[m].sum()),
                            "verdict": "too few",
                            "warning": "No failures among the lives that all covariates are known for.",
                        }
                    )
                    usable &= ~m
                    again = True
    part = part.filter(pl.Series(usable))
    failed = part["_d"].to_numpy()
    for c, (own, values) in levels_of.items():
        v = values[usable]
        present = [lv for lv in [*own, OTHER] if np.any(v == lv)]
        if len(present) < 2:
            rows.append(
                {
                    **blank,
                    "covariate": c,
                    "level": None,
                    "reference": None,
                    "verdict": "not fitted",
                    "warning": f"Of the lives that all covariates are known for, only one {c} is left.",
                }
            )
            continue
        reference = present[0]
        for level in present[1:]:
            m = v == level
            columns.append(m.astype(float))
            designs.append((c, level, reference, int(m.sum()), float(failed[m].sum())))
        m = v == reference
        rows.append(
            {
                **blank,
                "covariate": c,
                "level": reference,
                "reference": reference,
                "lives": int(m.sum()),
                "failures": float(failed[m].sum()),
                "hazard_ratio": 1.0,
                "verdict": "reference",
            }
        )
    if not designs:
        return sorted(rows, key=lambda r: (r["covariate"], r["verdict"] != "reference", r["level"] or ""))
    x = np.stack(columns, axis=1)
    # columns that the others already determine: keep the earlier ones
    keep: list[int] = []
    for j in range(x.shape[1]):
        trial_x = x[:, [*keep, j]] - x[:, [*keep, j]].mean(axis=0)
        if np.linalg.matrix_rank(trial_x, tol=1e-8 * math.sqrt(len(x))) == len(keep) + 1:
            keep.append(j)
        else:
            c, level, reference, n, k = designs[j]
            rows.append(
                {
                    **blank,
                    "covariate": c,
                    "level": level,
                    "reference": reference,
                    "lives": n,
                    "failures": k,
                    "verdict": "not fitted",
                    "warning": "The same lives as another level already in the comparison.",
                }
            )
    # A doubtful failure stands twice, failed with its probability and censored with the rest, as one vehicle's.
    doubtful = np.flatnonzero((failed > 0) & (failed < 1))
    twice = np.concatenate([np.arange(len(failed)), doubtful])
    weight = np.concatenate([np.where(failed > 0, failed, 1.0), 1 - failed[doubtful]])
    event = np.concatenate([failed > 0, np.zeros(len(doubtful), bool)])
    stratum = part.select(pl.struct(baseline).rank("dense")).to_series().to_numpy() if baseline else np.zeros(len(failed))
    arguments = {
        "entry": part["_e"].to_numpy()[twice],
        "cluster": (part[cluster].cast(pl.String).to_numpy() if cluster else np.arange(len(failed)))[twice],
        "stratum": stratum[twice],
        "weight": weight,
    }
    end, xs = part["_x"].to_numpy()[twice], x[twice][:, keep]
    f = cox(end, event, xs, names=[f"{designs[j][0]}={designs[j][1]}" for j in keep], **arguments)
    check = proportionality(f, end, event, xs, **arguments) if f.converged else None
    from scipy.special import ndtr

    for i, j in enumerate(keep):
        c, level, reference, n, k = designs[j]
        line = {**blank, "covariate": c, "level": level, "reference": reference, "lives": n, "failures": k}
        if not f.converged:
            rows.append({**line, "verdict": "not fitted", "warning": f.warning})
            continue
        b, se = float(f.beta[i]), math.sqrt(float(f.covariance[i, i]))
        rows.append(
            {
                **line,
                "hazard_ratio": math.exp(b),
                "low": math.exp(b - z * se),
                "high": math.exp(b + z * se),
                "p": 2 * float(ndtr(-abs(b) / se)) if se > 0 else None,
                "proportional_p": float(check.p[i]),
                "proportional": "no" if check.p[i] < 0.01 else "yes",
                "warning": "The ratio changes with age; this is an average over the ages seen."
                if check.p[i] < 0.01
                else "",
            }
        )
    return sorted(rows, key=lambda r: (r["covariate"], r["verdict"] != "reference", r["level"] or ""))


__all__ = ["CoxFit", "Proportionality", "cox", "false_discovery", "hazard_ratios", "proportionality"]
