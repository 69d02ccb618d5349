"""Comebacks month by month against what the parts under watch lead one to expect: has anything changed?

The expectation of a month is what it would have seen had the chance to fail, at each age of a part, been what it was in the reference
months: all but the last twelve, where those hold failures enough. The limits are found by dealing the failures that did happen to the
months anew, by exposure alone, many times over, and going through the same reckoning each time.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.survival.risk import codes_of, strata_of

_MOST_DRAWS = 20_000_000
_LAST_MONTHS = 12  # are held against the months before them
_REFERENCE_FAILURES = 10  # fewer before them: all months are the reference


def watch_by_month(
    lives: pl.DataFrame,
    keys: Sequence[str],
    *,
    as_of: dt.date,
    seed: int,
    window_days: int = 365,
    weight: float = 0.2,
    false_alarm: float = 0.05,
    min_failures: int = 5,
    cluster: str | None = "vehicle",
    runs: int = 4_000,
) -> pl.DataFrame:
    """Failures within `window_days` of fitting, month by month, beside their expectation, smoothed, with alarm limits.

    lives: rows of `lives.lives` (start_on, entry_days, exit_days, ending, keys; in_curve and origin where they are there): used are
    replacements watched from their fitting. keys: a series each. Growth of the parts fitted, and their ages, are in the expectation:
    E(month) = sum over ages of (failures at that age) x (parts of that age at risk in the month) / (parts of that age at risk), failures
    and parts at risk of the reference months (ages that no part had reached in those: of all months).
    Columns: keys, month (first day), at_risk (parts watched in it, some part of the month), observed, expected, smoothed, middle, low,
    high, signal ('more', 'fewer' or null), false_alarm, achieved, dispersion, reference_until, series. smoothed, middle:
    exponentially weighted means
    (`weight`) of observed and expected; low, high: limits of smoothed. Were nothing to change, at most a share `false_alarm` of such
    tables would hold any signal: each of the n series has a limit for false_alarm / n, found by simulation; `achieved` is what its
    limit gave there. dispersion: how much wider months scatter because failures of one vehicle come together (at least 1); limits
    widen by its root. reference_until: the last month of the reference. Series with fewer than `min_failures` failures, or under
    three months, are left out.
    Raises ValueError for a window or a false_alarm out of range.
    Source: EWMA of observed less expected, Grigg & Spiegelhalter 2007, J. R. Stat. Soc. A 170 (risk-adjusted EWMA); the expectation
    is indirect standardisation within the series (Breslow & Day 1987, chapter 2); the limit is a permutation quantile.
    Pinned by tests/survival/test_watch.py.
    """
    if window_days < 1:
        raise ValueError(f"window_days must be 1 or more; got {window_days}.")
    if not 0 < false_alarm < 1 or not 0 < weight <= 1:
        raise ValueError(f"false_alarm must lie between 0 and 1 and weight in (0, 1]; got {false_alarm} and {weight}.")
    ks = list(keys)
    floats = ("expected", "smoothed", "middle", "low", "high")
    schema = {
        **{k: lives.schema[k] for k in ks},
        "month": pl.Date,
        "at_risk": pl.Int64,
        "observed": pl.Int64,
        **dict.fromkeys(floats, pl.Float64),
        "signal": pl.String,
        "reference_until": pl.Date,
        **dict.fromkeys(("false_alarm", "achieved", "dispersion"), pl.Float64),
        "series": pl.Int64,
    }
    some = _watched(lives, as_of)
    if some.is_empty():
        return pl.DataFrame(schema=schema)
    strata, code = strata_of(some, ks)
    start = some["start_on"].cast(pl.Date).to_physical().to_numpy().astype(np.int64)
    today = as_of.toordinal() - dt.date(1970, 1, 1).toordinal()
    life = np.ceil(some["exit_days"].cast(pl.Float64).to_numpy()).astype(np.int64)
    seen = np.minimum(np.minimum(life, window_days), today - start)
    failed = (some["ending"] == "failed").fill_null(False).to_numpy() & (life == seen)
    who = np.arange(len(start)) if cluster is None else codes_of(some[cluster])
    series = []
    for g in range(strata.height):
        mine = code == g
        if failed[mine].sum() >= min_failures:
            one = _exposure(start[mine], seen[mine], failed[mine], who[mine], window_days)
            if len(one["observed"]) >= 3:
                series.append((g, one))
    alarm = false_alarm / max(len(series), 1)
    parts = []
    for g, one in series:
        part = _limits(one, seed + g, weight, alarm, runs)
        parts.append(
            pl.concat([strata[np.full(part.height, g)], part], how="horizontal").with_columns(
                false_alarm=pl.lit(false_alarm), series=pl.lit(len(series), dtype=pl.Int64)
            )
        )
    return pl.concat(parts).select(list(schema)).cast(schema).sort(*ks, "month") if parts else pl.DataFrame(schema=schema)


def _watched(lives: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    some = lives
    if "in_curve" in some.columns:
        some = some.filter(pl.col("in_curve"))
    if "origin" in some.columns:
        some = some.filter(pl.col("origin") == "replacement")
    return some.filter(
        (pl.col("entry_days") == 0) & (pl.col("exit_days") > 0) & pl.col("start_on").is_not_null() & (pl.col("start_on") < as_of)
    )


def _exposure(start: np.ndarray, seen: np.ndarray, failed: np.ndarray, who: np.ndarray, window: int) -> dict[str, np.ndarray]:
    """Of one series: month numbers, observed, parts at risk, exposure by age of failure and month, failures by age, the dispersion."""
    first = start.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    last = (start + seen).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    count = last - first + 1
    row = np.repeat(np.arange(len(start)), count)
    month = first[row] + (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count))
    begin = month.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    end = (month + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) - 1
    a = np.clip(begin - 1 - start[row], 0, seen[row])  # ages a + 1 .. b are lived in that month
    b = np.clip(end - start[row], 0, seen[row])
    m = month - first.min()
    months = int(m.max()) + 1
    width = window + 2
    steps = np.bincount(m * width + a + 1, minlength=months * width) - np.bincount(m * width + b + 1, minlength=months * width)
    at_risk = steps.reshape(months, width).cumsum(axis=1)[:, : window + 1].astype(float)  # months x ages
    deaths = np.bincount(seen[failed], minlength=window + 1).astype(float)
    ages = np.flatnonzero(deaths)
    total = at_risk.sum(axis=0)
    hazard = np.cumsum(np.divide(deaths, total, out=np.zeros(window + 1), where=total > 0))
    inside = failed[row] & (seen[row] > a) & (seen[row] <= b)
    residual = inside - (hazard[b] - hazard[a])
    together = np.bincount(np.unique(who[row] * months + m, return_inverse=True)[1], weights=residual)
    each = np.bincount(row, weights=residual**2).sum()
    observed = np.bincount(m, weights=inside, minlength=months)
    reference = months - _LAST_MONTHS
    if reference < 1 or observed[:reference].sum() < _REFERENCE_FAILURES:
        reference = months
    return {
        "month": np.arange(months) + first.min(),
        "observed": observed,
        "at_risk": np.bincount(m, weights=b > a, minlength=months),
        "exposed": at_risk[:, ages].T,  # failures' ages x months
        "deaths": deaths[ages].astype(int),
        "in_reference": np.bincount(np.searchsorted(ages, seen[row][inside]) * 2 + (m[inside] >= reference), minlength=2 * len(ages))
        .reshape(-1, 2)[:, 0]
        .astype(float),
        "reference": np.array(reference),
        "dispersion": np.array(max(1.0, float((together**2).sum() / each))) if each > 0 else np.array(1.0),
    }


def _expected(in_reference: np.ndarray, one: dict[str, np.ndarray]) -> np.ndarray:
    """Failures expected by month, (..., months), from those of the reference months by age, (..., ages)."""
    exposed, reference = one["exposed"], int(one["reference"])
    known = exposed[:, :reference].sum(axis=1)
    per_part = np.divide(exposed, known[:, None], out=np.zeros_like(exposed), where=known[:, None] > 0)
    made = in_reference @ per_part
    new = known <= 0  # ages reached in the last months only: there the series is its own reference
    if new.any():
        made = made + one["deaths"][new] @ (exposed[new] / exposed[new].sum(axis=1, keepdims=True))
    return made


def _dealt(one: dict[str, np.ndarray], runs: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Failures by month (runs x months) when each falls into a month by exposure alone, and how many of each age then fall into the
    reference months (runs x ages)."""
    rng = np.random.default_rng(seed)
    exposed, deaths, reference = one["exposed"], one["deaths"], int(one["reference"])
    months = exposed.shape[1]
    flat, inside = np.zeros(runs * months), np.zeros((runs, len(deaths)))
    base = np.arange(runs) * months
    edges = np.cumsum(exposed, axis=1)
    for i, n in enumerate(deaths):
        at = np.minimum(np.searchsorted(edges[i], rng.random((n, runs)) * edges[i, -1], side="right"), months - 1)
        for line in at:
            flat[base + line] += 1
        inside[:, i] = (at < reference).sum(axis=0)
    return flat.reshape(runs, months), inside


def _limits(one: dict[str, np.ndarray], seed: int, weight: float, alarm: float, runs: int) -> pl.DataFrame:
    dispersion, deaths = float(one["dispersion"]), one["deaths"]
    runs = int(np.clip(_MOST_DRAWS // max(int(deaths.sum()), 1), 1_000, runs))
    runs = max(runs, int(np.ceil(2 / alarm)))  # a rarer alarm than one run in two cannot be placed
    e = _expected(one["in_reference"], one)
    months = len(e)

    def smooth(x: np.ndarray, begin: np.ndarray) -> np.ndarray:
        """Weighted mean of all months so far; before the first month stands what was expected in it."""
        out = np.empty(x.shape)
        level = begin
        for i in range(months):
            level = weight * x[..., i] + (1 - weight) * level
            out[..., i] = level
        return out

    dealt, inside = _dealt(one, runs, seed)
    dealt_expected = _expected(inside, one)
    gap = smooth(dealt, dealt_expected[:, 0]) - smooth(dealt_expected, dealt_expected[:, 0])
    # Half a failure is added to the spread: where hardly any is expected, a single one must not look like many deviations.
    spread = np.sqrt(gap.var(axis=0) * dispersion + (weight / 2) ** 2)
    highest = np.abs(gap * np.sqrt(dispersion) / spread).max(axis=1)
    ordered = np.sort(highest)
    # The order statistic that keeps the rate although the limit itself is found by drawing (Davison & Hinkley 1997, section 4.2.5).
    limit = float(ordered[min(int(np.ceil((1 - alarm) * (runs + 1))) - 1, runs - 1)])
    achieved = float((highest > limit + 1e-9).mean())
    value, middle = smooth(one["observed"], e[0]), smooth(e, e[0])
    low, high = middle - limit * spread, middle + limit * spread
    signal = np.where(value > high + 1e-9, "more", np.where(value < low - 1e-9, "fewer", None))
    days = one["month"].astype("datetime64[M]").astype("datetime64[D]")
    until = pl.Series(days).cast(pl.Date)[int(one["reference"]) - 1]
    return pl.DataFrame(
        {
            "month": pl.Series(days).cast(pl.Date),
            "at_risk": one["at_risk"].astype(np.int64),
            "observed": one["observed"].astype(np.int64),
            "expected": e,
            "smoothed": value,
            "middle": middle,
            "low": np.maximum(low, 0.0),
            "high": high,
            "signal": pl.Series(signal.tolist(), dtype=pl.String),
            "achieved": np.full(months, achieved),
            "dispersion": np.full(months, dispersion),
        }
    ).with_columns(reference_until=pl.lit(until))


__all__ = ["watch_by_month"]
