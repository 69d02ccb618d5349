"""Watching over time: charts for rare comebacks, and the first month in which a bad lot could have been
known.

Every alarm limit has a stated false-alarm rate; where no formula gives it, it is found by seeded simulation.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import strata_of


@dataclass(frozen=True)
class GChart:
    """Chart of jobs (or days) between comebacks. mean: between comebacks; sigma_limit: mean + 3 sigma
    (Benneyan); low_limit, high_limit: probability limits, an alarm is a value <= low_limit (too soon) or >
    high_limit (a long good run); low_limit null: even a comeback at once is not rare enough to alarm. points:
    number, value, signal."""

    mean: float
    sigma_limit: float
    low_limit: int | None
    high_limit: int
    points: pl.DataFrame


def g_chart(between: Sequence[int], *, false_alarm: float = 0.0027, mean: float | None = None) -> GChart:
    """g-chart of whole numbers of good jobs (or days) between comebacks, 0 allowed.

    mean: the expected number between (default: that of the data). false_alarm: chance of a signal at a point
    while all is as before, half on each side. Probability limits rather than 3 sigma: the counts are far from
    normal and the lower 3-sigma limit is always 0. signal: 'more comebacks', 'fewer comebacks' or null.
    Raises ValueError for no points, values below 0, or a mean of 0.
    Source: Benneyan 2001, Health Care Management Science 4:305-318.
    Pinned by tests/reference/test_early_reference.py.
    """
    x = np.asarray(between, dtype=float)
    if len(x) == 0 or np.any(x < 0):
        raise ValueError("A g-chart needs whole numbers of 0 or more between comebacks.")
    m = float(x.mean()) if mean is None else float(mean)
    if not m > 0:
        raise ValueError("The mean between comebacks must be above 0.")
    log_good = np.log(m / (m + 1))  # P(X > k) = exp((k + 1) log_good)
    high = int(np.ceil(np.log(false_alarm / 2) / log_good - 1 - 1e-9))
    low = int(np.floor(np.log1p(-false_alarm / 2) / log_good - 1 + 1e-9))
    signal = [("more comebacks" if v <= low else "fewer comebacks" if v > high else None) for v in x]
    points = pl.DataFrame(
        {"number": np.arange(1, len(x) + 1), "value": x, "signal": pl.Series(signal, dtype=pl.String)}
    )
    return GChart(m, m + 3 * float(np.sqrt(m * (m + 1))), low if low >= 0 else None, high, points)


def ewma(
    values: Sequence[float],
    *,
    target: float,
    sigma: float,
    weight: float = 0.3,
    width: float = 3.0,
    steady_limits: bool = True,
) -> pl.DataFrame:
    """EWMA of single values, with limits target -+ width sigma sqrt(weight / (2 - weight)).

    An exponentially weighted moving average; the values' own unit throughout.

    steady_limits false: exact limits of the first points, narrower. Columns: number, value, ewma, low, high,
    signal ('above', 'below', null). Raises ValueError for weight outside (0, 1] or sigma not above 0.
    Source: Roberts 1959; NIST/SEMATECH e-Handbook, 6.3.2.4.
    Pinned by tests/reference/test_early_reference.py.
    """
    if not 0 < weight <= 1 or not sigma > 0:
        raise ValueError("weight must lie in (0, 1] and sigma above 0.")
    x = np.asarray(values, dtype=float)
    out, now = np.empty(len(x)), target
    for i, v in enumerate(x):
        now = weight * v + (1 - weight) * now
        out[i] = now
    share = np.full(len(x), 1.0) if steady_limits else 1 - (1 - weight) ** (2 * np.arange(1, len(x) + 1))
    half = width * sigma * np.sqrt(weight / (2 - weight) * share)
    return pl.DataFrame(
        {
            "number": np.arange(1, len(x) + 1),
            "value": x,
            "ewma": out,
            "low": target - half,
            "high": target + half,
        }
    ).with_columns(
        signal=pl.when(pl.col("ewma") > pl.col("high"))
        .then(pl.lit("above"))
        .when(pl.col("ewma") < pl.col("low"))
        .then(pl.lit("below"))
    )


def cusum(values: Sequence[float], *, target: float, slack: float, limit: float) -> pl.DataFrame:
    """Two-sided tabular cusum: upper = max(0, upper + value - target - slack), lower the mirror image.

    All in the values' unit. Columns: number, value, upper, lower, signal ('above', 'below', null).
    Source: Page 1954; NIST/SEMATECH e-Handbook, 6.3.2.3.
    Pinned by tests/reference/test_early_reference.py.
    """
    x = np.asarray(values, dtype=float)
    up, down = np.empty(len(x)), np.empty(len(x))
    a = b = 0.0
    for i, v in enumerate(x):
        a, b = max(0.0, a + v - target - slack), max(0.0, b + target - slack - v)
        up[i], down[i] = a, b
    return pl.DataFrame(
        {"number": np.arange(1, len(x) + 1), "value": x, "upper": up, "lower": down}
    ).with_columns(
        signal=pl.when(pl.col("upper") > limit)
        .then(pl.lit("above"))
        .when(pl.col("lower") > limit)
        .then(pl.lit("below"))
    )


# ---- observed against expected, month by month ----


@dataclass(frozen=True)
class Chart:
    """points: one row a month; limit: in the chart's own unit; false_alarm: chance that the whole series
    would alarm anywhere while nothing had changed, as asked for; achieved: as simulated at that limit."""

    points: pl.DataFrame
    limit: float
    false_alarm: float
    achieved: float


def _checked(
    observed: Sequence[float], expected: Sequence[float], false_alarm: float
) -> tuple[np.ndarray, np.ndarray]:
    o, e = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    if len(o) != len(e) or len(o) == 0 or np.any(o < 0) or np.any(~(e >= 0)):
        raise ValueError("observed and expected must be as long as each other, not empty, and 0 or more.")
    if not 0 < false_alarm < 1:
        raise ValueError(f"false_alarm must lie between 0 and 1; got {false_alarm}.")
    return o, e


def _limit(highest: np.ndarray, false_alarm: float) -> tuple[float, float]:
    """The smallest limit that at most a share `false_alarm` of the simulated series exceed."""
    ordered = np.sort(highest)
    limit = float(ordered[int(np.ceil((1 - false_alarm) * len(ordered))) - 1])
    return limit, float((highest > limit + 1e-9).mean())


def _simulated(
    e: np.ndarray, runs: int, seed: int, dispersion: float, baseline_events: float | None
) -> np.ndarray:
    """Counts, runs x months, of unchanged rates: Poisson, wider by `dispersion`, and the expectation itself
    uncertain where it rests on `baseline_events` failures."""
    rng = np.random.default_rng(seed)
    mean = np.broadcast_to(e, (runs, len(e)))
    if baseline_events is not None:
        mean = mean * rng.gamma(baseline_events, 1 / baseline_events, (runs, 1))
    if dispersion > 1:  # negative binomial of variance dispersion x mean
        shape = mean / (dispersion - 1)
        mean = np.where(shape > 0, rng.gamma(np.maximum(shape, 1e-12)) * (dispersion - 1), 0.0)
    return rng.poisson(mean).astype(float)


def _ewma_paths(o: np.ndarray, e: np.ndarray, weight: float, dispersion: float) -> np.ndarray:
    """EWMA of (observed - expected) over its standard deviation so far; works along the last axis."""
    out = np.zeros(o.shape)
    level, variance = np.zeros(o.shape[:-1]), 0.0
    for i in range(o.shape[-1]):
        level = weight * (o[..., i] - e[i]) + (1 - weight) * level
        variance = weight**2 * e[i] * dispersion + (1 - weight) ** 2 * variance
        out[..., i] = level / np.sqrt(variance) if variance > 0 else 0.0
    return out


def ewma_observed_expected(
    observed: Sequence[float],
    expected: Sequence[float],
    *,
    seed: int,
    weight: float = 0.2,
    false_alarm: float = 0.05,
    dispersion: float = 1.0,
    runs: int = 20_000,
) -> Chart:
    """EWMA of (observed - expected) comebacks, month by month, in standard deviations.

    expected carries the exposure, so growth in fitted parts is no alarm. dispersion: variance over mean (1
    Poisson; the design effect where vehicles cluster). points: number, observed, expected, value, limit,
    signal ('more', 'fewer', null). The limit is two-sided, equal on both sides. Raises ValueError for unequal
    lengths or impossible numbers.
    Source: Roberts 1959; Steiner, Grigg & Farewell in Grigg & Spiegelhalter 2007 (risk-adjusted EWMA); limit
    simulated.
    Pinned by tests/survival/test_monitor.py.
    """
    o, e = _checked(observed, expected, false_alarm)
    highest = np.abs(_ewma_paths(_simulated(e, runs, seed, dispersion, None), e, weight, dispersion)).max(
        axis=1
    )
    limit, achieved = _limit(highest, false_alarm)
    value = _ewma_paths(o, e, weight, dispersion)
    points = pl.DataFrame(
        {
            "number": np.arange(1, len(o) + 1),
            "observed": o,
            "expected": e,
            "value": value,
            "limit": np.full(len(o), limit),
        }
    ).with_columns(
        signal=pl.when(pl.col("value") > limit + 1e-9)
        .then(pl.lit("more"))
        .when(pl.col("value") < -limit - 1e-9)
        .then(pl.lit("fewer"))
    )
    return Chart(points, limit, false_alarm, achieved)


def cusum_scores(outcomes: Sequence[int], risks: Sequence[float] | float, *, odds_ratio: float) -> np.ndarray:
    """Log-likelihood weights of single jobs (1 comeback, 0 none) for odds `odds_ratio` times as high as
    expected.

    risks: chance of a comeback of each job while all is as before. Source: Steiner, Cook, Farewell & Treasure
    2000, Biostatistics 1:441-452, eq. 3. With one risk p0, odds_ratio = (p1/(1-p1))/(p0/(1-p0)) gives
    ln(p1/p0) and ln((1-p1)/(1-p0)). Raises ValueError for risks outside (0, 1), outcomes other than 0 and 1,
    odds_ratio not above 0.
    Pinned by tests/reference/test_early_reference.py.
    """
    y = np.asarray(outcomes, dtype=float)
    p = np.broadcast_to(np.asarray(risks, dtype=float), y.shape)
    if np.any((y != 0) & (y != 1)) or np.any((p <= 0) | (p >= 1)) or not odds_ratio > 0:
        raise ValueError("Outcomes must be 0 or 1, risks between 0 and 1, odds_ratio above 0.")
    return np.where(y == 1, np.log(odds_ratio), 0.0) - np.log(1 - p + odds_ratio * p)


def _cusum_paths(scores: np.ndarray) -> np.ndarray:
    out, level = np.empty(scores.shape), np.zeros(scores.shape[:-1])
    for i in range(scores.shape[-1]):
        level = np.maximum(0.0, level + scores[..., i])
        out[..., i] = level
    return out


def cusum_risk_adjusted(
    outcomes: Sequence[int],
    risks: Sequence[float] | float,
    *,
    odds_ratio: float = 2.0,
    seed: int,
    false_alarm: float = 0.05,
    runs: int = 5_000,
) -> Chart:
    """Cusum of single jobs against each one's own risk, for a rise of the odds by `odds_ratio`.

    points: number, outcome, risk, score, value, limit, signal ('more' or null). The limit lets at most a
    share `false_alarm` of series of this length alarm while nothing changed. Source and errors:
    `cusum_scores`.
    Pinned by tests/survival/test_monitor.py.
    """
    y = np.asarray(outcomes, dtype=float)
    score = cusum_scores(y, risks, odds_ratio=odds_ratio)
    if len(y) == 0 or not 0 < false_alarm < 1:
        raise ValueError("A cusum needs outcomes, and a false_alarm between 0 and 1.")
    p = np.broadcast_to(np.asarray(risks, dtype=float), y.shape)
    rng = np.random.default_rng(seed)
    no = -np.log(1 - p + odds_ratio * p)
    level, highest = np.zeros(runs), np.zeros(runs)
    for i in range(len(y)):
        level = np.maximum(0.0, level + no[i] + np.log(odds_ratio) * (rng.random(runs) < p[i]))
        highest = np.maximum(highest, level)
    limit, achieved = _limit(highest, false_alarm)
    points = pl.DataFrame(
        {
            "number": np.arange(1, len(y) + 1),
            "outcome": y.astype(np.int64),
            "risk": p,
            "score": score,
            "value": _cusum_paths(score),
            "limit": np.full(len(y), limit),
        }
    ).with_columns(signal=pl.when(pl.col("value") > limit + 1e-9).then(pl.lit("more")))
    return Chart(points, limit, false_alarm, achieved)


def cusum_observed_expected(
    observed: Sequence[float],
    expected: Sequence[float],
    *,
    ratio: float = 2.0,
    seed: int,
    false_alarm: float = 0.05,
    dispersion: float = 1.0,
    runs: int = 20_000,
) -> Chart:
    """Poisson cusum of monthly counts, for a rise of the rate by `ratio`: adds O ln(ratio) - (ratio - 1) E,
    from 0 up.

    points: number, observed, expected, value, limit, signal ('more' or null). Otherwise as
    `ewma_observed_expected`.
    Source: Lucas 1985, Technometrics 27:129-144; risk adjustment after Steiner et al. 2000; limit simulated.
    Pinned by tests/survival/test_monitor.py.
    """
    o, e = _checked(observed, expected, false_alarm)
    if not ratio > 1:
        raise ValueError(f"ratio must be above 1; got {ratio}.")

    def paths(counts: np.ndarray) -> np.ndarray:
        return _cusum_paths(counts * np.log(ratio) - (ratio - 1) * e)

    limit, achieved = _limit(paths(_simulated(e, runs, seed, dispersion, None)).max(axis=1), false_alarm)
    value = paths(o)
    points = pl.DataFrame(
        {
            "number": np.arange(1, len(o) + 1),
            "observed": o,
            "expected": e,
            "value": value,
            "limit": np.full(len(o), limit),
        }
    ).with_columns(signal=pl.when(pl.col("value") > limit + 1e-9).then(pl.lit("more")))
    return Chart(points, limit, false_alarm, achieved)


# ---- lots ----


def observed_expected_by_month(
    lives: pl.DataFrame,
    keys: Sequence[str],
    *,
    window_days: int = 365,
    as_of: dt.date,
    parents: Sequence[str] = ("component", "lighting"),
) -> pl.DataFrame:
    """Failures of each lot (or supplier, part number) per month, beside those that the others' hazard would
    give.

    lives: rows of `lives.lives`: start_on (fitting), exit_days, ending, keys; used are in_curve replacements
    watched from fitting (entry_days 0), on their first `window_days`. Dates are whole days; a failure at age
    a falls on start_on + a. Expected: sum over lives of the others' Nelson-Aalen increments (same values of
    the keys in `parents`, own group left out) over the ages passed in that month. Months run from the group's
    first fitting to the last with exposure, none after as_of. Columns: keys, month (first day), at_risk
    (lives watched in it), observed, expected, baseline_events (how many failures of others
    the expectation is worth: its mean squared over its variance).
    A group without others has no rows.
    Raises ValueError for a window below 1 day.
    Source: indirect standardisation, Breslow & Day 1987, chapter 2; Nelson-Aalen.
    Pinned by tests/survival/test_monitor.py.
    """
    if window_days < 1:
        raise ValueError(f"window_days must be 1 or more; got {window_days}.")
    ks, ps = list(keys), [k for k in keys if k in parents]
    some = lives
    if "in_curve" in some.columns:
        some = some.filter(pl.col("in_curve"))
    if "origin" in some.columns:
        some = some.filter(pl.col("origin") == "replacement")
    some = some.filter(
        (pl.col("entry_days") == 0)
        & (pl.col("exit_days") > 0)
        & pl.col("start_on").is_not_null()
        & (pl.col("start_on") < as_of)
    )
    schema = {
        **{k: lives.schema[k] for k in ks},
        "month": pl.Date,
        "at_risk": pl.Int64,
        "observed": pl.Int64,
        "expected": pl.Float64,
        "baseline_events": pl.Float64,
    }
    if some.is_empty():
        return pl.DataFrame(schema=schema)
    strata, code = strata_of(some, ks)
    parent = strata_of(some, ps)[1]
    start = some["start_on"].cast(pl.Date).to_physical().to_numpy().astype(np.int64)
    today = as_of.toordinal() - dt.date(1970, 1, 1).toordinal()
    life = np.ceil(some["exit_days"].cast(pl.Float64).to_numpy()).astype(np.int64)
    seen = np.minimum(np.minimum(life, window_days), today - start)
    failed = (some["ending"] == "failed").fill_null(False).to_numpy() & (life == seen)
    pieces = []
    for p in np.unique(parent):
        mine = parent == p
        groups, g = np.unique(code[mine], return_inverse=True)
        if len(groups) < 2:
            continue
        width = window_days + 1
        ends = np.bincount(g * width + seen[mine], minlength=len(groups) * width).reshape(len(groups), width)
        deaths = np.bincount(
            g * width + seen[mine], weights=failed[mine], minlength=len(groups) * width
        ).reshape(-1, width)
        risk = ends[:, ::-1].cumsum(axis=1)[:, ::-1].astype(float)  # watched to that day of age or longer
        n, d = risk.sum(axis=0) - risk, deaths.sum(axis=0) - deaths
        hazard = np.cumsum(np.divide(d, n, out=np.zeros_like(n), where=n > 0), axis=1)
        # the expectation sum Y d/n has variance sum Y^2 d/n^2: as if it rested on that many failures
        share = np.divide(risk, n, out=np.zeros_like(n), where=n > 0)
        worth = np.divide(
            (share * d).sum(axis=1) ** 2,
            (share**2 * d).sum(axis=1),
            out=np.zeros(len(groups)),
            where=(share * d).sum(axis=1) > 0,
        )
        pieces.append(_months(groups, g, start[mine], seen[mine], failed[mine], hazard, worth, n > 0))
    pieces = [p for p in pieces if p.height]
    if not pieces:
        return pl.DataFrame(schema=schema)
    table = pl.concat(pieces).sort("_group", "month")
    out = pl.concat([strata[table["_group"].to_numpy()], table.drop("_group")], how="horizontal")
    return out.cast(schema)


def _months(
    groups: np.ndarray,
    g: np.ndarray,
    start: np.ndarray,
    seen: np.ndarray,
    failed: np.ndarray,
    hazard: np.ndarray,
    baseline: np.ndarray,
    known: np.ndarray,
) -> pl.DataFrame:
    first = start.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    last = (start + seen).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    count = last - first + 1
    row = np.repeat(np.arange(len(start)), count)
    month = first[row] + (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count))
    begin = month.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    end = (month + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) - 1  # its last day
    a = np.clip(begin - 1 - start[row], 0, seen[row])
    b = np.clip(end - start[row], 0, seen[row])
    # only ages at which others were watched: elsewhere nothing is expected and nothing counts
    expected = hazard[g[row], b] - hazard[g[row], a]
    inside = failed[row] & (seen[row] > a) & (seen[row] <= b) & known[g[row], seen[row]]
    frame = pl.DataFrame(
        {
            "_group": groups[g[row]],
            "month": month,
            "watched": (b > a).astype(np.int64),
            "observed": inside.astype(np.int64),
            "expected": expected,
            "baseline": baseline[g[row]],
        }
    )
    frame = frame.group_by("_group", "month").agg(
        pl.col("watched").sum().alias("at_risk"),
        pl.col("observed").sum(),
        pl.col("expected").sum(),
        pl.col("baseline").first().alias("baseline_events"),
    )
    days = pl.Series(frame["month"].to_numpy().astype("datetime64[M]").astype("datetime64[D]"))
    return frame.with_columns(month=days.cast(pl.Date))


def first_month_known(
    months: pl.DataFrame,
    keys: Sequence[str],
    *,
    seed: int,
    false_alarm: float = 0.01,
    at_least: int = 3,
    dispersion: float = 1.0,
    runs: int = 20_000,
) -> pl.DataFrame:
    """The first month in which each group stood out above what was expected, looking anew every month.

    months: rows of `observed_expected_by_month` (or any: keys, month, observed, expected; baseline_events
    optional).
    Each month the counts so far, O against E, give ln L = O ln(O/E) - (O - E) where O > E, else 0; an alarm
    is a value above the limit with O >= at_least. The limit is simulated per group over all its months so
    that a group with nothing wrong would alarm in any of them with chance `false_alarm` at most; the
    uncertainty of the expectation (baseline_events) and `dispersion` widen it. With many groups expect
    false_alarm x groups false ones.
    Returns one row a group: keys, first_month (null: never), observed_then, expected_then, ratio_then,
    observed, expected, value (highest), limit, false_alarm (as simulated), months, p_value (share of simulated groups with nothing
    wrong whose highest value reaches this one's). Groups with no expectation at all: null; groups that never had at_least failures
    above the expected cannot alarm: p_value 1, no limit.
    Source: Kulldorff et al. 2011, Sequential Analysis 30:58-78 (maximised sequential probability ratio,
    Poisson).
    Pinned by tests/survival/test_monitor.py.
    """
    ks = list(keys)
    if not 0 < false_alarm < 1:
        raise ValueError(f"false_alarm must lie between 0 and 1; got {false_alarm}.")
    rows = []
    schema = {
        **{k: months.schema[k] for k in ks},
        "first_month": months.schema["month"],
        "observed_then": pl.Int64,
        "expected_then": pl.Float64,
        "ratio_then": pl.Float64,
        "observed": pl.Int64,
        "expected": pl.Float64,
        "value": pl.Float64,
        "limit": pl.Float64,
        "false_alarm": pl.Float64,
        "months": pl.Int64,
        "p_value": pl.Float64,
    }
    if months.is_empty():
        return pl.DataFrame(schema=schema)
    strata, code = strata_of(months, ks)
    order = months.with_columns(_g=pl.Series(code)).sort("_g", "month")
    for (group,), part in order.group_by("_g", maintain_order=True):
        o, e = part["observed"].to_numpy().astype(float), part["expected"].to_numpy().astype(float)
        o, e = np.cumsum(o), np.cumsum(e)
        row = dict(zip(ks, strata.row(int(group)), strict=True)) if ks else {}
        base = float(part["baseline_events"].max()) if "baseline_events" in part.columns else None
        if not e[-1] > 0 or (base is not None and base <= 0):
            rows.append(row | {"observed": int(o[-1]), "expected": float(e[-1]), "months": part.height})
            continue
        value = _excess(o, e, at_least)
        if not value.max() > 0:
            rows.append(row | {"observed": int(o[-1]), "expected": float(e[-1]), "value": 0.0, "months": part.height, "p_value": 1.0})
            continue
        null = np.cumsum(
            _simulated(np.diff(e, prepend=0.0), runs, seed + int(group), dispersion, base), axis=1
        )
        highest = _excess(null, e, at_least).max(axis=1)
        limit, achieved = _limit(highest, false_alarm)
        alarm = np.flatnonzero(value > limit + 1e-9)
        row |= {
            "observed": int(o[-1]),
            "expected": float(e[-1]),
            "value": float(value.max()),
            "limit": limit,
            "false_alarm": achieved,
            "months": part.height,
            "p_value": float((1 + (highest >= value.max() - 1e-9).sum()) / (1 + runs)),
        }
        if len(alarm):
            i = int(alarm[0])
            row |= {
                "first_month": part["month"][i],
                "observed_then": int(o[i]),
                "expected_then": float(e[i]),
                "ratio_then": float(o[i] / e[i]),
            }
        rows.append(row)
    return pl.DataFrame(rows, schema=schema)


def _excess(o: np.ndarray, e: np.ndarray, at_least: int) -> np.ndarray:
    """ln L of a raised rate, 0 where counts are below `at_least` or not above the expected."""
    e = np.maximum(e, 1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = o * np.log(o / e) - (o - e)
    return np.where((o >= at_least) & (o > e), value, 0.0)


__all__ = [
    "Chart",
    "GChart",
    "cusum",
    "cusum_observed_expected",
    "cusum_risk_adjusted",
    "cusum_scores",
    "ewma",
    "ewma_observed_expected",
    "first_month_known",
    "g_chart",
    "observed_expected_by_month",
]
