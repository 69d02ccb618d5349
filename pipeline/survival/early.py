"""Early failures after a replacement: how often, whose parts, and worse or better than the originals at the
same age.

The clock of a replacement starts at its fitting. Raw figures are product limits with limits that hold at 0
failures; beside them stand figures partly pooled over the suppliers of a component; verdicts keep the false
discovery rate over all comparisons of a table. Lives of one vehicle depend on each other: counts are divided
by a design effect for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import Cells, by_stratum, codes_of, pack, with_keys

DAY_WINDOWS = (30, 90, 180, 365)
KM_WINDOWS = (1_000, 5_000, 10_000)
PARENTS = ("component", "lighting")
"""Suppliers, part numbers, lots and grades are compared within the same values of these."""

BANDS_DAYS = (0.0, 30.0, 90.0, 365.0)
_SPREADS = np.geomspace(
    0.05, 2.5, 14
)  # between-supplier standard deviations of the log rate tried, largest far beyond sense
_LEVELS = np.array([0.02, 0.15, 0.5, 0.85, 0.98])
_LEVEL_WEIGHTS = np.array([0.06, 0.24, 0.40, 0.24, 0.06])


# ---- small exact pieces ----


def _beta_cdf(p: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Beta distribution function; a = 0 stands for all mass at 0, b = 0 for all mass at 1."""
    from scipy.special import betainc

    inner = betainc(np.where(a > 0, a, 1.0), np.where(b > 0, b, 1.0), p)
    return np.where(a <= 0, 1.0, np.where(b <= 0, 0.0, inner))


def _mixed_quantile(q: float, a1: np.ndarray, b1: np.ndarray, a2: np.ndarray, b2: np.ndarray) -> np.ndarray:
    """q-quantile of half Beta(a1, b1), half Beta(a2, b2): by bisection, all at once."""
    low, high = np.zeros(np.shape(a1)), np.ones(np.shape(a1))
    for _ in range(60):
        mid = (low + high) / 2
        below = 0.5 * _beta_cdf(mid, a1, b1) + 0.5 * _beta_cdf(mid, a2, b2) < q
        low, high = np.where(below, mid, low), np.where(below, high, mid)
    out = (low + high) / 2
    return np.where(out < 1e-15, 0.0, np.where(out > 1 - 1e-15, 1.0, out))


def share_interval(
    failed: np.ndarray | float,
    fitted: np.ndarray | float,
    confidence: float = 0.95,
    design_effect: np.ndarray | float = 1.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Mid-p Clopper-Pearson limits of a share, counts divided by the design effect; right at 0 and at all.

    failed, fitted: counts (need not be whole). Returns (low, high), shapes as the inputs'. Raises ValueError
    for failed outside 0..fitted. Source: Clopper & Pearson 1934; mid-p: Lancaster 1961, Berry & Armitage
    1995.
    Pinned by tests/survival/test_early.py.
    """
    x, n = np.broadcast_arrays(np.asarray(failed, dtype=float), np.asarray(fitted, dtype=float))
    if np.any((x < 0) | (x > n)):
        raise ValueError("failed must lie between 0 and fitted.")
    d = np.asarray(design_effect, dtype=float)
    x, n = x / d, n / d
    tail = (1 - confidence) / 2
    low, high = (_mixed_quantile(q, x, n - x + 1, x + 1, n - x) for q in (tail, 1 - tail))
    return np.where(n > 0, low, 0.0), np.where(n > 0, high, 1.0)


def false_discoveries(p_values: np.ndarray) -> np.ndarray:
    """Adjusted p-values; NaN (not compared) stays NaN. Source: Benjamini & Hochberg 1995.
    Pinned by tests/survival/test_early.py.
    """
    p = np.asarray(p_values, dtype=float)
    out = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    m = len(tested)
    if m:
        order = tested[np.argsort(p[tested], kind="stable")]
        scaled = p[order] * m / np.arange(1, m + 1)
        out[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return out


def conditional_p(
    observed: np.ndarray, expected: np.ndarray, total: np.ndarray, design_effect: np.ndarray | float = 1.0
) -> np.ndarray:
    """Two-sided mid-p of `observed` failures out of `total`, when each is this group's with chance expected /
    total.

    The conditional test of equal rates (Przyborowski & Wilenski 1940) with log-rank expectations, so that age
    at risk is allowed for. Counts are divided by the design effect. 1 where total is 0.
    Pinned by tests/survival/test_early.py.
    """
    d = np.asarray(design_effect, dtype=float)
    x, n = np.asarray(observed, dtype=float) / d, np.asarray(total, dtype=float) / d
    share = np.divide(expected, total, out=np.zeros_like(x), where=np.asarray(total) > 0)
    upper = 0.5 * _beta_cdf(share, x, n - x + 1) + 0.5 * _beta_cdf(share, x + 1, n - x)
    return np.where(n > 0, np.minimum(1.0, 2 * np.minimum(upper, 1 - upper)), 1.0)


# ---- partial pooling ----


@dataclass(frozen=True)
class GammaPoisson:
    """Rates ~ Gamma(shape, rate), counts ~ Poisson(rate_i x exposure_i), fitted by marginal likelihood.

    shape is inf (rate nan) where the counts show no spread beyond chance: everything pools. `rates`: one row
    a group: count, exposure, raw, pooled (posterior mean), low, high (posterior limits with the fitted prior
    taken as known).
    """

    shape: float
    rate: float
    log_likelihood: float
    mean: float
    rates: pl.DataFrame


def _level(a: np.ndarray, x: np.ndarray, e: np.ndarray) -> np.ndarray:
    """Mean of the prior at its maximum, for each shape in a: the root of sum (x - e m) / (a + e m)."""
    low, high = (
        np.zeros(len(a)),
        np.full(len(a), float(np.max(np.divide(x, e, out=np.zeros_like(x), where=e > 0))) + 1e-300),
    )
    for _ in range(100):
        m = (low + high) / 2
        up = ((x - e * m[:, None]) / (a[:, None] + e * m[:, None])).sum(axis=1) > 0
        low, high = np.where(up, m, low), np.where(up, high, m)
    return (low + high) / 2


def _marginal(a: np.ndarray, m: np.ndarray, x: np.ndarray, e: np.ndarray) -> np.ndarray:
    """Log marginal likelihood of the counts, by (shape, mean) pair."""
    from scipy.special import gammaln

    a, em = a[:, None], np.maximum(e * m[:, None], 1e-300)
    return (
        gammaln(a + x)
        - gammaln(a)
        - gammaln(x + 1)
        - a * np.log1p(em / a)
        + np.where(x > 0, x * (np.log(em) - np.log(a + em)), 0.0)
    ).sum(axis=1)


def empirical_bayes_gamma_poisson(
    counts: Sequence[float], exposure: Sequence[float], confidence: float = 0.95
) -> GammaPoisson:
    """Shrink rates towards their common mean; strength by marginal likelihood.

    counts, exposure: one a group; the rate is per unit of exposure. Raises ValueError for fewer than two
    groups, no events at all, negative counts, exposure not above 0.
    Source: Gaver & O'Muircheartaigh 1987 (Technometrics 29:1-15); Carlin & Louis, Bayes and Empirical Bayes
    Methods.
    Pinned by tests/reference/test_early_reference.py.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import gammainccinv, gammaincinv, gammaln

    x, e = np.asarray(counts, dtype=float), np.asarray(exposure, dtype=float)
    if len(x) != len(e) or len(x) < 2:
        raise ValueError("Pooling needs two groups or more, each with a count and an exposure.")
    if np.any(x < 0) or np.any(~(e > 0)) or x.sum() <= 0:
        raise ValueError("Pooling needs counts of 0 or more, some above 0, and exposures above 0.")

    def lack(log_a: float) -> float:
        a = np.array([np.exp(log_a)])
        return -float(_marginal(a, _level(a, x, e), x, e)[0])

    grid = np.linspace(np.log(1e-3), np.log(1e6), 80)
    best = int(np.argmin([lack(g) for g in grid]))
    pooled = x.sum() / e.sum()
    poisson = float((x * np.log(e * pooled) - e * pooled - gammaln(x + 1)).sum())
    found = minimize_scalar(
        lack,
        bounds=(grid[max(best - 1, 0)], grid[min(best + 1, 79)]),
        method="bounded",
        options={"xatol": 1e-12},
    )
    tail = (1 - confidence) / 2
    if best == 79 or -found.fun <= poisson + 1e-9:
        n = len(x)
        total = x.sum()
        rates = {
            "pooled": np.full(n, pooled),
            "low": np.full(n, gammaincinv(total + 0.5, tail) / e.sum()),
            "high": np.full(n, gammainccinv(total + 0.5, tail) / e.sum()),
        }
        a, b, ll, mean = float("inf"), float("nan"), poisson, float(pooled)
    else:
        a = float(np.exp(found.x))
        mean = float(_level(np.array([a]), x, e)[0])
        b, ll = a / mean, -float(found.fun)
        rates = {
            "pooled": (a + x) / (b + e),
            "low": gammaincinv(a + x, tail) / (b + e),
            "high": gammainccinv(a + x, tail) / (b + e),
        }
    return GammaPoisson(a, b, ll, mean, pl.DataFrame({"count": x, "exposure": e, "raw": x / e, **rates}))


def _pool(x: np.ndarray, e: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Posterior mean and limits of each group's rate, averaged over the strength of pooling and the common
    level.

    The strengths on a grid weigh by marginal likelihood x a half-normal(1) prior on the spread of the log
    rate, so that two or three suppliers do not pretend to know it; the level by a gamma approximation of its
    likelihood.
    """
    from scipy.special import gammainc, gammaincinv, gammaln

    a = 1 / _SPREADS**2
    if x.sum() > 0:
        m = _level(a, x, e)
        weight = _marginal(a, m, x, e) - _SPREADS**2 / 2 + np.log(_SPREADS)
        weight = np.exp(weight - weight.max())
    else:
        m, weight = np.full(len(a), 1e-12), _SPREADS * np.exp(-(_SPREADS**2) / 2)
    weight = weight / weight.sum()
    j = (a[:, None] * e / (a[:, None] + e * m[:, None])).sum(axis=1)
    level = gammaincinv((j * m)[:, None] + 0.5, _LEVELS) / j[:, None]
    w = (weight[:, None] * _LEVEL_WEIGHTS).ravel()
    use = w > 1e-3 * w.max()
    shape = np.repeat(a, len(_LEVELS))[use]
    rate = (a[:, None] / np.maximum(level, 1e-12)).ravel()[use]
    w = w[use] / w[use].sum()
    post_shape, post_rate = shape + x[:, None], rate + e[:, None]
    mean = ((post_shape / post_rate) * w).sum(axis=1)
    spread = np.sqrt(((post_shape / post_rate**2) + (post_shape / post_rate - mean[:, None]) ** 2) @ w)
    constant = post_shape * np.log(post_rate) - gammaln(post_shape)
    limits = []
    for q in ((1 - confidence) / 2, 1 - (1 - confidence) / 2):
        low, high = np.zeros(len(x)), mean + 60 * spread + 1e-12
        k = np.maximum((mean / spread) ** 2, 1e-3)
        t = np.clip(gammaincinv(k, q) * mean / k, 1e-12, high)
        for _ in range(40):  # Newton, kept inside a shrinking bracket
            gap = (gammainc(post_shape, post_rate * t[:, None]) * w).sum(axis=1) - q
            low, high = np.where(gap < 0, t, low), np.where(gap < 0, high, t)
            if np.all((np.abs(gap) < 1e-10) | (high - low < 1e-12 * high)):
                break
            density = (
                np.exp(constant + (post_shape - 1) * np.log(t)[:, None] - post_rate * t[:, None]) * w
            ).sum(axis=1)
            step = t - gap / np.maximum(density, 1e-300)
            t = np.where((step > low) & (step < high), step, (low + high) / 2)
        limits.append(t)
    return mean, limits[0], limits[1]


# ---- the published table ----


def fitted_lives(lives: pl.DataFrame, clock: str) -> pl.DataFrame:
    """Replacements watched from their fitting on, with _x (time lived on the clock) and _d (failed)."""
    out = lives
    if "in_curve" in out.columns:
        out = out.filter(pl.col("in_curve"))
    if "origin" in out.columns:
        out = out.filter(pl.col("origin") == "replacement")
    elif "generation" in out.columns:
        out = out.filter(pl.col("generation") > 0)
    entry, exit = f"entry_{clock}", f"exit_{clock}"
    return out.filter((pl.col(entry) == 0) & pl.col(exit).is_not_null()).with_columns(
        pl.lit(0.0).alias("_e"),
        pl.col(exit).cast(pl.Float64).alias("_x"),
        (pl.col("ending") == "failed").fill_null(False).cast(pl.Float64).alias("_d"),
        _probability_failed(out),
    )


def _probability_failed(lives: pl.DataFrame) -> pl.Expr:
    """_p: how sure it is that the part had failed, by the rule that read its ending: 1 or 0 where nothing says otherwise."""
    plain = (pl.col("ending") == "failed").fill_null(False).cast(pl.Float64)
    if "p_failed" not in lives.columns:
        return plain.alias("_p")
    read = pl.col("ending").is_in(["failed", "wrong_suspect"]).fill_null(False)
    return pl.when(read).then(pl.col("p_failed").cast(pl.Float64).fill_null(plain)).otherwise(plain).alias("_p")


def _hazard(cells: Cells) -> np.ndarray:
    n, d = cells.at_risk(), cells.failed()[:, 0]
    return by_stratum(np.divide(d, n, out=np.zeros_like(n), where=d > 0), cells.starts)


def _last_cell(cells: Cells, stratum: np.ndarray, t: np.ndarray) -> np.ndarray:
    """The last cell of each stratum at or before t (every stratum has a cell at 0)."""
    times, rank = np.unique(np.concatenate([cells.t, t]), return_inverse=True)
    width = len(times)
    return (
        np.searchsorted(
            cells.stratum * width + rank[: len(cells.t)], stratum * width + rank[len(cells.t) :], "right"
        )
        - 1
    )


def early_failures(
    lives: pl.DataFrame,
    keys: Sequence[str],
    windows: Sequence[float] = DAY_WINDOWS,
    clock: str = "days",
    *,
    parents: Sequence[str] = PARENTS,
    cluster: str | None = "vehicle",
    confidence: float = 0.95,
    rate: float = 0.05,
    min_failures: int = 5,
) -> pl.DataFrame:
    """Chance that a fitted part fails within each window, raw and pooled, with a verdict against the other
    suppliers.

    lives: rows of `lives.lives`; used are replacements with in_curve (where those columns exist), watched
        from their fitting (entry 0 on the clock) and longer than 0, whose time on the clock is known.
    keys: any of component, lighting, supplier, part_number, lot, grade. Those not in `parents` are compared
        within the same values of those that are. windows: in the clock's unit (days or km).
    Returns one row per (keys, window), sorted: keys, window_days or window_km, fitted (lives), failed (within
    the window), followed (still unfailed and watched to the window's end), exposure (days or km at risk
    inside the window), probability, low, high, pooled_probability, pooled_low, pooled_high, expected
    (failures at the parent's hazard over the same ages), p_value, design_effect, failed_likely, q_value, verdict.
    - failed_likely: failures within the window where each removal that was read as a failure or as a wrong first guess counts
      with the probability that it had failed (column p_failed, where it is there): what the counts would be on average if every
      uncertain reading were settled. design_effect holds the spread of those readings too: their variance, sum of p (1 - p) over
      the parent's lives, over its failures is added to the effect by vehicle, so that intervals and verdicts carry the error of
      the wrong-suspect rule.
    - probability: product limit; null where nobody was watched to the end of the window (low and high too).
    - low, high: beta product limits (mid-p), counts divided by the design effect.
    - pooled: gamma-Poisson on expected failures; null where the parent was not watched that far.
    - verdict: 'worse' or 'better' where the q-value is at most `rate`; else 'too few' where neither observed
      nor expected reaches min_failures; else 'not told apart'. Null where there is nothing to compare with.
      At least 3 failures make a 'worse'. False discovery rate over all rows of this table.
    Raises ValueError for windows not above 0, unknown columns, and as `risk.risk_table`.
    Source: Fay, Brittain & Proschan 2013 and Fay & Brittain 2016 (beta product, mid-p); Benjamini & Hochberg
    1995; gamma-Poisson as `empirical_bayes_gamma_poisson`; design effect: Kish 1965, from residuals summed by
    vehicle.
    Pinned by tests/survival/test_early.py.
    """
    if clock not in ("days", "km"):
        raise ValueError(f"clock is {clock!r}; expected 'days' or 'km'.")
    if not windows or any(not w > 0 for w in windows):
        raise ValueError(f"Windows must be above 0; got {list(windows)}.")
    ks = list(keys)
    ps = [k for k in ks if k in parents]
    used = fitted_lives(lives, clock).filter(pl.col("_x") > 0)
    cells = pack(used, ks, entry="_e", exit="_x", event="_d")
    if used.is_empty():
        return _empty(cells, ks, clock)
    whole = pack(used, ps, entry="_e", exit="_x", event="_d")  # the parents'
    n_strata, n_parents = len(cells.starts) - 1, len(whole.starts) - 1
    parent_of = np.zeros(n_strata, dtype=np.int64)
    parent_of[cells.code] = whole.code
    n, d = cells.at_risk(), cells.failed()[:, 0]
    has = d > 0
    rest = np.divide(n - d, n, out=np.ones_like(n), where=has)
    survival = by_stratum(rest, cells.starts, np.cumprod)
    first = by_stratum(np.where(has, np.log((n - d + 1) / (n + 1)), 0.0), cells.starts)
    second = by_stratum(
        np.where(has, np.log((n - d + 1) * (n - d + 2) / ((n + 1) * (n + 2))), 0.0), cells.starts
    )
    own_hazard, parent_hazard = _hazard(cells), _hazard(whole)
    x, failed_row, sure_row = used["_x"].to_numpy(), used["_d"].to_numpy(), used["_p"].to_numpy()
    who = np.arange(len(x)) if cluster is None else codes_of(used[cluster])
    pair = np.unique(cells.code * (int(who.max()) + 1) + who, return_inverse=True)[1]
    pair_parent = np.empty(int(pair.max()) + 1, dtype=np.int64)
    pair_parent[pair] = whole.code
    fitted = np.bincount(cells.code, minlength=n_strata)
    longest = np.zeros(n_parents)
    np.maximum.at(longest, whole.code, x)
    strata = np.arange(n_strata)
    frames = []
    for w in windows:
        seen = np.minimum(x, w)
        inside = failed_row * (x <= w)
        at = _last_cell(cells, strata, np.full(n_strata, float(w)))
        gone = np.bincount(cells.code, weights=inside, minlength=n_strata)
        followed = np.bincount(cells.code, weights=(x >= w) * 1.0 - (x == w) * inside, minlength=n_strata)
        # design effect: how much wider residuals scatter by vehicle than by life
        residual = inside - own_hazard[_last_cell(cells, cells.code, seen)]
        together = np.bincount(pair, weights=residual)
        each = np.bincount(whole.code, weights=residual**2, minlength=n_parents)
        joint = np.bincount(pair_parent, weights=together**2, minlength=n_parents)
        effect = np.maximum(np.divide(joint, each, out=np.ones(n_parents), where=each > 0), 1.0)
        likely = sure_row * (x <= w)
        doubt = np.bincount(whole.code, weights=likely * (1 - likely), minlength=n_parents)
        known = np.bincount(whole.code, weights=inside, minlength=n_parents)
        effect = effect + np.divide(doubt, known, out=np.zeros(n_parents), where=known > 0)
        deff = effect[parent_of]
        low, high = _beta_product(first[at], second[at], followed, gone, fitted, deff, confidence)
        s = survival[at]
        told = (followed > 0) | (s <= 0)
        # against the parent
        h = parent_hazard[_last_cell(whole, whole.code, seen)]
        expected = np.bincount(cells.code, weights=h, minlength=n_strata)
        total = np.bincount(whole.code, weights=inside, minlength=n_parents)[parent_of]
        others = total - expected > 1e-9 * np.maximum(total, 1)
        members = np.bincount(parent_of, minlength=n_parents)[parent_of]
        compared = (members > 1) & (others | (total == 0))
        p = np.where(compared, conditional_p(gone, expected, total, deff), np.nan)
        upto = parent_hazard[_last_cell(whole, np.arange(n_parents), np.full(n_parents, float(w)))][parent_of]
        pooled = np.full((3, n_strata), np.nan)
        reach = np.bincount(whole.code, weights=x >= w, minlength=n_parents)
        highest = share_interval(np.zeros(n_parents), reach, confidence, effect)[1]
        for g in range(n_parents):
            mine = np.flatnonzero(parent_of == g)
            if longest[g] < w and not np.any(s[mine] <= 0):
                continue
            if total[mine[0]] > 0:
                theta = _pool(gone[mine] / effect[g], expected[mine] / effect[g], confidence)
                for row, value in zip(pooled, theta, strict=True):
                    row[mine] = -np.expm1(-value * upto[mine])
            else:  # no failure anywhere: all that is known is how few that can mean
                pooled[0, mine], pooled[1, mine], pooled[2, mine] = 0.0, 0.0, highest[g]
        frames.append(
            with_keys(
                cells,
                strata,
                {
                    f"window_{clock}": np.full(n_strata, w),
                    "fitted": fitted,
                    "failed": gone.astype(np.int64),
                    "followed": followed.astype(np.int64),
                    "exposure": np.bincount(cells.code, weights=seen, minlength=n_strata),
                    "probability": np.where(told, 1 - s, np.nan),
                    "low": np.where(told, low, np.nan),
                    "high": np.where(told, high, np.nan),
                    "pooled_probability": pooled[0],
                    "pooled_low": pooled[1],
                    "pooled_high": pooled[2],
                    "expected": expected,
                    "p_value": p,
                    "design_effect": deff,
                    "failed_likely": np.bincount(cells.code, weights=likely, minlength=n_strata),
                },
            )
        )
    out = pl.concat(frames)
    q = false_discoveries(out["p_value"].to_numpy())
    failed, expected = out["failed"].to_numpy(), out["expected"].to_numpy()
    sure = q <= rate
    verdict = np.where(
        np.isnan(q),
        None,
        np.where(
            sure & (failed > expected) & (failed >= min(3, min_failures)),
            "worse",
            np.where(
                sure & (failed < expected),
                "better",
                np.where(np.maximum(failed, expected) < min_failures, "too few", "not told apart"),
            ),
        ),
    )
    out = out.with_columns(q_value=q, verdict=pl.Series(verdict.tolist(), dtype=pl.String))
    floats = [c for c in out.columns if out[c].dtype == pl.Float64]
    return (
        out.with_columns(pl.col(floats).fill_nan(None))
        .sort([*ks, f"window_{clock}"], nulls_last=False)
        .select(pl.exclude("verdict"), "verdict")
    )


def _empty(cells: Cells, keys: list[str], clock: str) -> pl.DataFrame:
    whole = dict.fromkeys(("fitted", "failed", "followed"), pl.Int64)
    floats = dict.fromkeys(
        (
            "exposure",
            "probability",
            "low",
            "high",
            "pooled_probability",
            "pooled_low",
            "pooled_high",
            "expected",
            "p_value",
            "design_effect",
            "failed_likely",
            "q_value",
        ),
        pl.Float64,
    )
    key_types = {k: cells.strata.schema[k] for k in keys}
    return pl.DataFrame(
        schema={**key_types, f"window_{clock}": pl.Int64, **whole, **floats, "verdict": pl.String}
    )


def _beta_product(
    log_mean: np.ndarray,
    log_square: np.ndarray,
    followed: np.ndarray,
    failed: np.ndarray,
    fitted: np.ndarray,
    deff: np.ndarray,
    confidence: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of the share failed by the mid-p beta product; equals mid-p Clopper-Pearson without censoring.

    Survival's upper confidence distribution is the product of Beta(n - d + 1, d) over the failure times, the
    lower one that times Beta(followed, 1); each product is matched by its first two moments to one beta.
    """

    def match(m1: np.ndarray, m2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        v = np.maximum(m2 - m1**2, 1e-300)
        k = m1 * (1 - m1) / v - 1
        return m1 * k, (1 - m1) * k

    m1, m2 = np.exp(log_mean), np.exp(log_square)
    none = failed == 0
    au, bu = match(m1, m2)
    au, bu = np.where(none, fitted + 1.0, au), np.where(none, 0.0, bu)
    al, bl = match(m1 * followed / (followed + 1), m2 * followed / (followed + 2))
    al = np.where(followed > 0, np.where(none, followed, al), 0.0)
    bl = np.where(none | (followed <= 0), 1.0, bl)  # nobody left: for all that is known, everything may have failed
    au, bu = (au - 1) / deff + 1, bu / deff
    al, bl = al / deff, (bl - 1) / deff + 1
    tail = (1 - confidence) / 2
    low = _mixed_quantile(tail, bu, au, bl, al)
    high = _mixed_quantile(1 - tail, bu, au, bl, al)
    return low, high


# ---- funnel ----


def funnel_limits(fitted: Sequence[int], share: float, coverage: float = 0.998) -> pl.DataFrame:
    """Exact binomial control limits about a common share, by number fitted.

    Columns: fitted, low_count, high_count (binomial quantiles at (1 -+ coverage) / 2), low, high (shares,
    interpolated between counts so that they run smoothly). Raises ValueError for a share outside 0..1 or
    fitted below 1.
    Source: Spiegelhalter 2005, Statistics in Medicine 24:1185-1202, appendix A.1.1.
    Pinned by tests/reference/test_early_reference.py.
    """
    from scipy.stats import binom

    n = np.asarray(fitted, dtype=np.int64)
    if not 0 < share < 1 or np.any(n < 1):
        raise ValueError("A funnel needs a share between 0 and 1 and at least one part fitted.")
    tail = (1 - coverage) / 2
    columns: dict[str, np.ndarray] = {"fitted": n}
    for name, q in (("low", tail), ("high", 1 - tail)):
        r = binom.ppf(q, n, share)
        here, below = binom.cdf(r, n, share), binom.cdf(r - 1, n, share)
        columns[f"{name}_count"] = r.astype(np.int64)
        columns[name] = np.clip((r - (here - q) / (here - below)) / n, 0.0, 1.0)
    return pl.DataFrame(columns).select("fitted", "low_count", "high_count", "low", "high")


def over_dispersion(
    failed: Sequence[float], fitted: Sequence[float], share: float, winsorise: float = 0.1
) -> float:
    """How much wider the groups scatter about a share than chance gives: 1 is chance (mean of Winsorised z
    squared).

    Source: Spiegelhalter 2005, section 3.4. Raises ValueError as `funnel_limits`, and for no groups.
    Pinned by tests/survival/test_early.py.
    """
    x, n = np.asarray(failed, dtype=float), np.asarray(fitted, dtype=float)
    if len(x) == 0 or not 0 < share < 1 or np.any(n <= 0):
        raise ValueError("Over-dispersion needs groups with parts fitted and a share between 0 and 1.")
    z = (x / n - share) / np.sqrt(share * (1 - share) / n)
    low, high = np.quantile(z, [winsorise, 1 - winsorise])
    return float(np.mean(np.clip(z, low, high) ** 2))


# ---- the same age of part: replacement against original, young against older ----


def _pieces(
    lives: pl.DataFrame, keys: Sequence[str], clock: str, bands: Sequence[float], cluster: str | None
) -> pl.DataFrame:
    """Events and exposure by keys, origin, band and cluster, each life cut at the bands' edges."""
    edges = [float(b) for b in bands]
    if len(edges) < 1 or any(b <= a for a, b in zip(edges, edges[1:], strict=False)):
        raise ValueError(f"Bands must rise; got {list(bands)}.")
    some = lives.filter(pl.col("in_curve")) if "in_curve" in lives.columns else lives
    e, x = pl.col(f"entry_{clock}").cast(pl.Float64), pl.col(f"exit_{clock}").cast(pl.Float64)
    some = some.filter(e.is_not_null() & x.is_not_null())
    bad = some.filter((e < 0) | (x < e))
    if bad.height:
        raise ValueError(f"{bad.height} lives have a negative time or an entry after the exit.")
    some = some.with_row_index("_life")
    who = pl.col(cluster) if cluster else pl.col("_life")
    frames = []
    for i, low in enumerate(edges):
        high = edges[i + 1] if i + 1 < len(edges) else float("inf")
        time = (x.clip(low, high) - e.clip(low, high)).alias("_time")
        event = (
            ((pl.col("ending") == "failed") & (x > low) & (x <= high) & (x > e))
            .fill_null(False)
            .cast(pl.Float64)
        )
        frames.append(
            some.select(*keys, "origin", who.alias("_who"), "_life", time, event.alias("_event"))
            .filter(pl.col("_time") > 0)
            .with_columns(
                _low=pl.lit(low), _high=pl.lit(high if np.isfinite(high) else None, dtype=pl.Float64)
            )
        )
    return pl.concat(frames)


def _compare(
    pieces: pl.DataFrame, by: list[str], side: str, first: str, second: str, confidence: float
) -> pl.DataFrame:
    """Hazard in `first` over that in `second` (values of column `side`), with exact conditional limits."""
    cells = pieces.group_by([*by, side]).agg(
        pl.col("_event").sum().alias("d"),
        pl.col("_time").sum().alias("T"),
        pl.col("_life").n_unique().alias("lives"),
    )
    resid = (
        pieces.join(cells, on=[*by, side], nulls_equal=True)
        .filter(pl.col("d") > 0)
        .with_columns(
            r=pl.when(pl.col(side) == first).then(1.0).otherwise(-1.0)
            * (pl.col("_event") - pl.col("d") / pl.col("T") * pl.col("_time"))
            / pl.col("d")
        )
    )
    per_life = (
        resid.group_by([*by, side, "_life"])
        .agg(pl.col("r").sum())
        .group_by(by)
        .agg((pl.col("r") ** 2).sum().alias("own"))
        if by
        else resid.group_by([side, "_life"])
        .agg(pl.col("r").sum())
        .select((pl.col("r") ** 2).sum().alias("own"))
    )
    per_who = (
        resid.group_by([*by, "_who"])
        .agg(pl.col("r").sum())
        .group_by(by)
        .agg((pl.col("r") ** 2).sum().alias("joint"))
        if by
        else resid.group_by("_who").agg(pl.col("r").sum()).select((pl.col("r") ** 2).sum().alias("joint"))
    )
    wide = []
    for name, tag in ((first, "1"), (second, "2")):
        wide.append(
            cells.filter(pl.col(side) == name).select(
                *by, *[pl.col(c).alias(c + tag) for c in ("d", "T", "lives")]
            )
        )
    if by:
        both = wide[0].join(wide[1], on=by, how="full", coalesce=True, nulls_equal=True)
        both = both.join(per_life, on=by, how="left", nulls_equal=True).join(
            per_who, on=by, how="left", nulls_equal=True
        )
    else:
        both = pl.concat([*wide, per_life, per_who], how="horizontal")
    both = both.with_columns(pl.col("d1", "T1", "lives1", "d2", "T2", "lives2").fill_null(0))
    d1, d2, t1, t2 = (both[c].to_numpy().astype(float) for c in ("d1", "d2", "T1", "T2"))
    joint, own = (both[c].fill_null(0.0).to_numpy() for c in ("joint", "own"))
    deff = np.maximum(np.divide(joint, own, out=np.ones_like(own), where=own > 0), 1.0)
    low, high = share_interval(d1, d1 + d2, confidence, deff)
    usable = (t1 > 0) & (t2 > 0) & (d1 + d2 > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = t2 / t1
        ratio = np.where(usable & (d2 > 0), d1 / d2 * scale, np.nan)
        low = np.where(usable, low / (1 - low) * scale, np.nan)
        high = np.where(usable & (high < 1), high / (1 - high) * scale, np.nan)
    return both.with_columns(ratio=ratio, low=low, high=high, design_effect=deff).with_columns(
        pl.col("ratio", "low", "high").fill_nan(None)
    )


def replacement_against_original(
    lives: pl.DataFrame,
    keys: Sequence[str] = ("component",),
    *,
    clock: str = "days",
    bands: Sequence[float] = BANDS_DAYS,
    cluster: str | None = "vehicle",
    confidence: float = 0.95,
    min_failures: int = 5,
) -> pl.DataFrame:
    """Hazard of replacements over that of originals at the same age of part, band by band of age.

    lives: rows of `lives.lives` (origin 'original' or 'replacement', ending, entry_<clock>, exit_<clock>);
    late entry is allowed for: only time watched inside a band counts. The hazard is taken as steady within a
    band; bands are their lower edges in the clock's unit, the last one open. Columns: keys, low_<clock>,
    high_<clock> (null: open), replacement_failed, replacement_time, original_failed, original_time, ratio,
    low, high, design_effect, verdict ('worse', 'better': the replacements; 'not told apart'; 'too few': fewer
    than min_failures in both together). ratio is null without a failed original, high null where unbounded.
    No correction for many bands is made.
    Limits: exact conditional (mid-p), counts divided by the design effect by vehicle.
    Raises ValueError for bands that do not rise and impossible times. Source: Friedman 1982 (piecewise
    exponential); Lehmann & Romano, Testing Statistical Hypotheses, section 4.5 (two Poisson rates).
    Pinned by tests/survival/test_early.py.
    """
    pieces = _pieces(lives, list(keys), clock, bands, cluster)
    by = [*keys, "_low", "_high"]
    found = _compare(pieces, by, "origin", "replacement", "original", confidence)
    verdict = (
        pl.when(pl.col("d1") + pl.col("d2") < min_failures)
        .then(pl.lit("too few"))
        .when(pl.col("low") > 1)
        .then(pl.lit("worse"))
        .when(pl.col("high") < 1)
        .then(pl.lit("better"))
        .otherwise(pl.lit("not told apart"))
    )
    return found.sort(by, nulls_last=True).select(
        *keys,
        pl.col("_low").alias(f"low_{clock}"),
        pl.col("_high").alias(f"high_{clock}"),
        pl.col("d1").cast(pl.Int64).alias("replacement_failed"),
        pl.col("T1").alias("replacement_time"),
        pl.col("d2").cast(pl.Int64).alias("original_failed"),
        pl.col("T2").alias("original_time"),
        "ratio",
        "low",
        "high",
        "design_effect",
        verdict.alias("verdict"),
    )


def early_against_later(
    lives: pl.DataFrame,
    keys: Sequence[str] = ("component",),
    *,
    clock: str = "days",
    split: float = 90.0,
    until: float = 365.0,
    cluster: str | None = "vehicle",
    confidence: float = 0.95,
    min_failures: int = 5,
) -> pl.DataFrame:
    """Is a part likelier to fail just after fitting than later? Hazard in [0, split) over hazard in [split,
    until).

    By keys and origin. Columns: keys, origin, early_failed, early_time, later_failed, later_time, ratio, low,
    high, design_effect, verdict ('early' where the limits lie above 1, 'rising' below 1, 'not told apart',
    'too few').
    Limits and errors as `replacement_against_original`.
    Pinned by tests/survival/test_early.py.
    """
    if not 0 < split < until:
        raise ValueError(f"split must lie between 0 and until; got {split} and {until}.")
    pieces = _pieces(lives, list(keys), clock, (0.0, split, until), cluster).filter(pl.col("_low") < until)
    pieces = pieces.with_columns(
        _band=pl.when(pl.col("_low") == 0).then(pl.lit("early")).otherwise(pl.lit("later"))
    )
    by = [*keys, "origin"]
    found = _compare(pieces, by, "_band", "early", "later", confidence)
    verdict = (
        pl.when(pl.col("d1") + pl.col("d2") < min_failures)
        .then(pl.lit("too few"))
        .when(pl.col("low") > 1)
        .then(pl.lit("early"))
        .when(pl.col("high") < 1)
        .then(pl.lit("rising"))
        .otherwise(pl.lit("not told apart"))
    )
    return found.sort(by, nulls_last=False).select(
        *by,
        pl.col("d1").cast(pl.Int64).alias("early_failed"),
        pl.col("T1").alias("early_time"),
        pl.col("d2").cast(pl.Int64).alias("later_failed"),
        pl.col("T2").alias("later_time"),
        "ratio",
        "low",
        "high",
        "design_effect",
        verdict.alias("verdict"),
    )


def hazard_bands(
    lives: pl.DataFrame,
    keys: Sequence[str] = ("component",),
    *,
    clock: str = "days",
    bands: Sequence[float] = BANDS_DAYS,
    cluster: str | None = "vehicle",
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Failures per 1,000 units of the clock by band of the part's age, keys and origin.

    Columns: keys, origin, low_<clock>, high_<clock> (null: open), failed, time, rate_per_1000, low, high,
    design_effect.
    Limits: exact Poisson (mid-p), counts divided by the design effect by vehicle; right at 0 failures.
    Source: Garwood 1936. Errors as `replacement_against_original`.
    Pinned by tests/survival/test_early.py.
    """
    pieces = _pieces(lives, list(keys), clock, bands, cluster)
    by = [*keys, "origin", "_low", "_high"]
    cells = pieces.group_by(by).agg(
        pl.col("_event").sum().alias("failed"), pl.col("_time").sum().alias("time")
    )
    resid = pieces.join(cells, on=by, nulls_equal=True).with_columns(
        r=pl.col("_event") - pl.col("failed") / pl.col("time") * pl.col("_time")
    )
    own = resid.group_by(by).agg((pl.col("r") ** 2).sum().alias("own"))
    joint = (
        resid.group_by([*by, "_who"])
        .agg(pl.col("r").sum())
        .group_by(by)
        .agg((pl.col("r") ** 2).sum().alias("joint"))
    )
    cells = (
        cells.join(own, on=by, nulls_equal=True)
        .join(joint, on=by, nulls_equal=True)
        .sort(by, nulls_last=True)
    )
    o, j = cells["own"].to_numpy(), cells["joint"].to_numpy()
    deff = np.maximum(np.divide(j, o, out=np.ones_like(o), where=(cells["failed"].to_numpy() > 0) & (o > 0)), 1.0)
    low, high = poisson_interval(cells["failed"].to_numpy() / deff, confidence, mid_p=True)
    scale = 1000 * deff / cells["time"].to_numpy()
    return cells.with_columns(
        rate_per_1000=1000 * pl.col("failed") / pl.col("time"),
        low=low * scale,
        high=high * scale,
        design_effect=deff,
    ).select(
        *keys,
        "origin",
        pl.col("_low").alias(f"low_{clock}"),
        pl.col("_high").alias(f"high_{clock}"),
        pl.col("failed").cast(pl.Int64),
        "time",
        "rate_per_1000",
        "low",
        "high",
        "design_effect",
    )


def poisson_interval(
    count: np.ndarray | float, confidence: float = 0.95, *, mid_p: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Exact limits of a Poisson mean (Garwood 1936), or their mid-p kind. count need not be whole.
    Pinned by tests/reference/test_early_reference.py.
    """
    from scipy.special import gammainc, gammaincinv

    x = np.asarray(count, dtype=float)
    tail = (1 - confidence) / 2
    exact_low = np.where(x > 0, gammaincinv(np.where(x > 0, x, 1.0), tail), 0.0)
    exact_high = gammaincinv(x + 1, 1 - tail)
    if not mid_p:
        return exact_low, exact_high
    out = []
    for q in (tail, 1 - tail):
        low, high = np.zeros_like(x), exact_high * 1.0
        for _ in range(60):
            mid = (low + high) / 2
            value = 0.5 * np.where(x > 0, gammainc(np.where(x > 0, x, 1.0), mid), 1.0) + 0.5 * gammainc(
                x + 1, mid
            )
            low, high = np.where(value < q, mid, low), np.where(value < q, high, mid)
        out.append(np.where(low < 1e-12, 0.0, (low + high) / 2))
    return out[0], out[1]


__all__ = [
    "BANDS_DAYS",
    "DAY_WINDOWS",
    "KM_WINDOWS",
    "PARENTS",
    "GammaPoisson",
    "conditional_p",
    "early_against_later",
    "early_failures",
    "empirical_bayes_gamma_poisson",
    "false_discoveries",
    "fitted_lives",
    "funnel_limits",
    "hazard_bands",
    "over_dispersion",
    "poisson_interval",
    "replacement_against_original",
    "share_interval",
]
