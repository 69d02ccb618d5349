"""Does a kind of part fail more in some months of the year? Tested on what happened; only where shown is it planned for.

A yearly wave on the failure rate, exp(a cos + b sin), so that no half of the globe and no month is taken for granted:
lamps burn longer in the dark months, and what burns longer ages faster. Expected failures by calendar month come from
the fitted curves and every day that parts were watched, so that ages and numbers in service are allowed for.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, find_curve, place_clock, read_curves
from pipeline.planning.replacement import ALL
from pipeline.planning.simulate import Seasonal

SHOWN, NOT_SHOWN, TOO_FEW = "season shown", "no season shown", "too few failures to tell"
LEAST_FAILURES = 30  # our own rule: below, the robust test's size is not to be trusted
LEAST_DAYS = 730  # two whole years, so that each month was watched twice


def season_tests(
    lives: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    *,
    clocks: dict[str, str] | None = None,
    rate: float = 0.05,
    confidence: float = 0.95,
    draws: int = 200,
    seed: int,
) -> tuple[pl.DataFrame, Mapping[tuple[str, str], Seasonal]]:
    """The test of every kind of part, and by how much each month differs for those where a season is shown.

    lives: those of the curves, with start_on, end_on, entry and exit on days and km, and `failed` (the probability
    that the life ended by failing). Out: component, lighting, failures, years (watched, first day to last), p (score
    test of no wave on 2 degrees of freedom, with a variance by vehicle: Lin and Wei 1989, J. Am. Stat. Assoc.
    84:1074-1078), p_adjusted (false discovery rate over the kinds tested: Benjamini and Hochberg 1995), peak_month,
    low_month, ratio (peak over trough of the fitted wave), ratio_low, ratio_high, verdict; and (component, lighting)
    -> Seasonal.
    """
    from scipy.stats import norm

    from pipeline.survival.cox import false_discovery

    book = read_curves(fits)
    rows, waves = [], {}
    for (component, lighting), some in lives.sort("component", "lighting", "vehicle", "life_id").group_by(
        "component", "lighting", maintain_order=True
    ):
        failures = float(some["failed"].sum())
        row = {"component": component, "lighting": lighting, "failures": failures, "verdict": TOO_FEW}
        rows.append(row)
        clock = place_clock(book, component, lighting, clocks)
        if clock is None or failures < LEAST_FAILURES:
            continue
        wave = _wave(some, book, component, lighting, clock)
        row["years"] = wave[0] / 365.25 if wave else None
        if wave and wave[0] >= LEAST_DAYS and wave[1] is not None:
            row["p"], waves[component, lighting] = wave[1], wave[2:]
    table = pl.DataFrame(rows, schema=_TYPES, orient="row")
    tested = table["p"].is_not_null()
    adjusted = np.full(table.height, np.nan)
    if tested.any():
        adjusted[tested.to_numpy()] = false_discovery(table.filter(tested)["p"].to_numpy())
    out, found = [], {}
    for i, row in enumerate(table.iter_rows(named=True)):
        key = row["component"], row["lighting"]
        if key in waves:
            row["p_adjusted"] = float(adjusted[i])
            row["verdict"] = SHOWN if adjusted[i] <= rate else NOT_SHOWN
            ab, cov = waves[key]
            size = float(np.hypot(*ab))
            along = ab / size if size else np.array([1.0, 0.0])
            half = norm.ppf(1 - (1 - confidence) / 2) * float(np.sqrt(along @ cov @ along))
            row |= {n: float(np.exp(2 * x)) for n, x in (("ratio", size), ("ratio_low", size - half), ("ratio_high", size + half))}
            height = _ANGLES @ ab
            row |= {"peak_month": int(np.argmax(height)) + 1, "low_month": int(np.argmin(height)) + 1}
            if row["verdict"] == SHOWN:
                z = np.random.default_rng([seed, i]).standard_normal((draws, 2))
                drawn = ab + z @ np.linalg.cholesky(cov + 1e-12 * np.eye(2)).T
                factors = np.exp(drawn @ _ANGLES.T)
                found[key] = Seasonal(factors / factors.mean(axis=1, keepdims=True))
        out.append(row)
    return pl.DataFrame(out, schema=_TYPES, orient="row"), found


_MIDDLE = 2 * np.pi * (np.arange(12) + 0.5) / 12
_ANGLES = np.column_stack([np.cos(_MIDDLE), np.sin(_MIDDLE)])
_TYPES = {
    "component": pl.String,
    "lighting": pl.String,
    "failures": pl.Float64,
    "years": pl.Float64,
    "p": pl.Float64,
    "p_adjusted": pl.Float64,
    "peak_month": pl.Int64,
    "low_month": pl.Int64,
    "ratio": pl.Float64,
    "ratio_low": pl.Float64,
    "ratio_high": pl.Float64,
    "verdict": pl.String,
}


def _wave(lives: pl.DataFrame, book: CurveBook, component: str, lighting: str, clock: str):
    """Days watched, p of the test, (a, b) and its covariance; None where nothing can be placed in the calendar."""
    observed, expected, vehicles, days = _by_month(lives, book, component, lighting, clock)
    total, hoped = observed.sum(axis=0), expected.sum(axis=0)
    if not (total.sum() > 0 and np.all(hoped > 0)):
        return (days, None) if days else None
    z = np.column_stack([np.ones(12), _ANGLES])
    # Score test at no wave, the level fitted.
    level = total.sum() / hoped.sum()
    u = (observed - level * expected) @ z
    information = (z * (level * hoped)[:, None]).T @ z
    adjust = information[1:, :1] / information[0, 0]
    each = u[:, 1:] - u[:, :1] @ adjust.T
    score, spread = each.sum(axis=0), each.T @ each
    if np.linalg.matrix_rank(spread) < 2:
        return days, None
    from scipy.stats import chi2

    p = float(chi2.sf(score @ np.linalg.solve(spread, score), 2))
    # The wave itself: Poisson likelihood by Newton's steps, variance by vehicle.
    theta = np.array([np.log(level), 0.0, 0.0])
    for _ in range(50):
        mean = hoped * np.exp(z @ theta)
        step = np.linalg.solve((z * mean[:, None]).T @ z, z.T @ (total - mean))
        theta = theta + np.clip(step, -0.5, 0.5)
        if np.abs(step).max() < 1e-10:
            break
    factor = np.exp(z @ theta)
    bread = np.linalg.inv((z * (hoped * factor)[:, None]).T @ z)
    u = (observed - expected * factor) @ z
    cov = bread @ (u.T @ u) @ bread
    return days, p, theta[1:], cov[1:, 1:]


def _by_month(lives: pl.DataFrame, book: CurveBook, component: str, lighting: str, clock: str):
    """Observed and expected failures, (vehicles, 12), the vehicles, and days from the first watched to the last."""
    known = lives.drop_nulls(["start_on", "entry_days", "exit_days", f"entry_{clock}", f"exit_{clock}"])
    known = known.filter((pl.col("exit_days") > pl.col("entry_days")) & (pl.col(f"exit_{clock}") > pl.col(f"entry_{clock}")))
    if known.is_empty():
        return np.zeros((1, 12)), np.zeros((1, 12)), [], 0
    start = (known["start_on"] - date(1970, 1, 1)).dt.total_days().to_numpy().astype(float)
    enter, leave = (start + known[c].to_numpy().astype(float) for c in ("entry_days", "exit_days"))
    age_in, age_out = (known[f"{c}_{clock}"].to_numpy().astype(float) for c in ("entry", "exit"))
    first = date(1970, 1, 1) + timedelta(days=int(enter.min()))
    months = (int(leave.max()) - int(enter.min())) // 28 + 2
    edges = np.array(
        [
            (date(first.year + (first.month - 1 + m) // 12, (first.month - 1 + m) % 12 + 1, 1) - date(1970, 1, 1)).days
            for m in range(months + 1)
        ],
        float,
    )
    names, code = np.unique(known["vehicle"].to_numpy().astype(str), return_inverse=True)
    observed, expected = np.zeros((len(names), 12)), np.zeros((len(names), 12))
    # A failure on the last day of a life belongs to the month that ends it.
    ended = np.clip(np.searchsorted(edges, leave - 0.5, side="right") - 1, 0, months - 1)
    np.add.at(observed, (code, (first.month - 1 + ended) % 12), known["failed"].to_numpy().astype(float))
    is_original = (known["origin"] == "original").to_numpy()
    for generation, mask in (("original", is_original), ("replacement", ~is_original)):
        curve = find_curve(book, component, lighting, generation, clock, ALL)
        rows = np.flatnonzero(mask)
        if curve is None or not len(rows):
            continue
        top = float(age_out[rows].max())
        grid = np.concatenate(([0.0], np.geomspace(top * 1e-5, top, 2000)))
        hazard = curve.fit.cumulative_hazard(grid)
        for part in np.array_split(rows, max(1, len(rows) * months // 2_000_000)):
            share = (np.clip(edges[None, :], enter[part, None], leave[part, None]) - enter[part, None]) / (
                leave[part] - enter[part]
            )[:, None]
            age = age_in[part, None] + share * (age_out[part] - age_in[part])[:, None]
            met = np.diff(np.interp(age, grid, hazard), axis=1)
            by_month = np.zeros((len(part), 12))
            for m in range(months):
                by_month[:, (first.month - 1 + m) % 12] += met[:, m]
            np.add.at(expected, code[part], by_month)
    return observed, expected, names, int(leave.max() - enter.min())
