"""Curves without a family: product limit, cumulative hazard, cumulative incidence; late entry, clusters,
honest ends.

All strata are estimated together from packed counts (see `risk`). Standard errors are cluster-robust
(infinitesimal jackknife, influences summed by vehicle) wherever a cluster column is given.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.risk import TINY, Cells, by_stratum, codes_of, life_changes, pack, weighted, with_keys

CENSORING = ("in_service", "vehicle_left", "side_unknown")
"""Endings that only stop the watching. Every other one takes the part away, so it competes with a failure."""

WIDER_BELOW = (
    5  # with fewer failed clusters a robust variance is too unsteady to be narrower than the naive one
)


@dataclass(frozen=True)
class _Frame:
    """What every estimator needs by cell: at risk, events, and where the curve may begin and end."""

    cells: Cells
    n: np.ndarray
    failed: np.ndarray  # cells x causes; none before the start
    events: np.ndarray  # events after the start, as numbers of lives weighted
    counted: np.ndarray  # rows whose exit lies after the start
    start_cell: np.ndarray  # by stratum; -1: the curve cannot begin
    start_t: np.ndarray
    after_start: np.ndarray  # by cell


def _frame(cells: Cells, min_at_risk: float) -> _Frame:
    n, failed = cells.at_risk(), cells.failed()
    starts, n_strata = cells.starts, len(cells.starts) - 1
    after = n + cells.entered() - cells.left()  # at risk just after t
    any_event = failed.sum(axis=1) > 0
    start_cell = np.full(n_strata, -1, dtype=np.int64)
    for s in range(n_strata):
        a, b = int(starts[s]), int(starts[s + 1])
        if a == b:
            continue
        enough = after[a:b] >= min_at_risk
        # Events among too few, before the risk set has grown to its most, are what makes a late-entry curve
        # collapse:
        # the curve begins after the last of them.
        peak = int(np.argmax(n[a:b]))
        thin = np.flatnonzero(any_event[a:b][:peak] & (n[a:b][:peak] < min_at_risk))
        begin = int(thin[-1]) if len(thin) else 0
        possible = np.flatnonzero(enough[begin:])
        if len(possible) == 0:
            continue
        begin += int(possible[0])
        later = np.flatnonzero(any_event[a + begin + 1 : b])
        if len(later):  # enough from the start up to the first event, without a gap between
            first = begin + 1 + int(later[0])
            gaps = np.flatnonzero(~enough[begin:first])
            if len(gaps):
                last_gap = begin + int(gaps[-1])
                onward = np.flatnonzero(enough[last_gap + 1 : first])
                if len(onward) == 0:
                    continue
                begin = last_gap + 1 + int(onward[0])
        start_cell[s] = a + begin
    place = np.arange(len(n))
    own = start_cell[cells.stratum]
    after_start = (own >= 0) & (place > own)
    failed = np.where(after_start[:, None], failed, 0.0)
    start_t = np.full(n_strata, np.nan)
    start_t[start_cell >= 0] = cells.t[start_cell[start_cell >= 0]]
    return _Frame(
        cells, n, failed, failed.sum(axis=1), after_start[cells.exit_cell], start_cell, start_t, after_start
    )


@dataclass(frozen=True)
class _Limit:
    """The product limit by cell: S after t, and the pieces that its variances are made of."""

    survival: np.ndarray
    before: np.ndarray  # S just before t
    per_death: np.ndarray  # 1 / (n - d); 0 where the risk set empties
    increment: np.ndarray  # d / (n (n - d)), likewise
    compensator: np.ndarray  # running sum of it
    last_death: np.ndarray  # True where everybody at risk failed


def _limit(f: _Frame) -> _Limit:
    d, n, starts = f.events, f.n, f.cells.starts
    has = d > 0
    rest = n - d
    emptied = has & (rest <= TINY * n)
    per_death = np.zeros_like(n)
    np.divide(1.0, rest, out=per_death, where=has & ~emptied)
    factor = np.ones_like(n)
    np.divide(rest, n, out=factor, where=has)
    factor[emptied] = 0.0
    survival = by_stratum(factor, starts, np.cumprod)
    before = np.empty_like(survival)
    before[1:] = survival[:-1]
    before[starts[:-1][starts[:-1] < len(before)]] = 1.0
    increment = np.zeros_like(n)
    np.divide(d * per_death, n, out=increment, where=has)
    return _Limit(survival, before, per_death, increment, by_stratum(increment, starts), emptied)


def _clusters(lives: pl.DataFrame, cells: Cells, cluster: str | None) -> np.ndarray | None:
    if cluster is None:
        return None
    if cluster not in lives.columns:
        raise ValueError(f"No column {cluster} among {', '.join(lives.columns)}.")
    return codes_of(lives[cluster])[cells.row]


def _row_events(f: _Frame, k: int | None = None) -> np.ndarray:
    """Each life's event (of cause k, or of any), 0 where the curve had not begun."""
    e = f.cells.events.sum(axis=1) if k is None else f.cells.events[:, k]
    return np.where(f.counted, e, 0.0)


def _failed_clusters(f: _Frame, cluster: np.ndarray | None, events: np.ndarray) -> np.ndarray:
    """How many different clusters have failed so far, by cell; one that may have failed counts as that share of one."""
    rows = np.flatnonzero(events > 0)
    gain = np.minimum(events[rows], 1.0)
    if cluster is not None and len(rows):
        order = np.lexsort((f.cells.exit_cell[rows], cluster[rows], f.cells.code[rows]))
        rows = rows[order]
        c, s = cluster[rows], f.cells.code[rows]
        new = np.ones(len(rows), dtype=bool)
        new[1:] = (c[1:] != c[:-1]) | (s[1:] != s[:-1])
        so_far = np.cumsum(events[rows])
        before = np.repeat(so_far[new] - events[rows][new], np.diff(np.append(np.flatnonzero(new), len(rows))))
        own = so_far - before  # of its own cluster, this life included
        gain = np.minimum(own, 1.0) - np.minimum(own - events[rows], 1.0)
    return by_stratum(np.bincount(f.cells.exit_cell[rows], weights=gain, minlength=len(f.n)), f.cells.starts)


def _errors(
    f: _Frame,
    who: np.ndarray | None,
    events: np.ndarray,
    naive: np.ndarray,
    gains: Callable[[], Sequence[np.ndarray]],
    compensators: Sequence[np.ndarray],
    coefficients: Sequence[np.ndarray | float],
    scale: np.ndarray | float = 1.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Standard error, clusters at risk just after, and clusters failed so far, by cell: by cluster, or naive without.

    gains: what each life's influence gains at its exit, made only where clusters ask for it; see `risk.life_changes`.
    """
    if who is None:
        return naive, f.n + f.cells.entered() - f.cells.left(), np.full(len(f.n), np.inf)
    sums = life_changes(f.cells, who, gains(), compensators)
    return scale * np.sqrt(sums.quadratic(coefficients)), sums.active, _failed_clusters(f, who, events)


def _fewest(f: _Frame, active: np.ndarray) -> np.ndarray:
    """Fewest clusters at risk between the start and each cell: the most that no failures can be worth."""
    count = np.empty_like(active)
    count[1:] = active[:-1]
    count[f.cells.starts[:-1][f.cells.starts[:-1] < len(count)]] = np.inf
    return by_stratum(np.where(f.after_start, count, np.inf), f.cells.starts, np.minimum.accumulate)


def log_log_interval(
    survival: np.ndarray, std_error: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """S^exp(-+ z se / (S ln S)): stays within 0..1. NaN where S is 0 or 1.

    Source: Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data (2nd ed. 2002), section 1.4.
    Pinned by tests/reference/test_nonparametric_reference.py.
    """
    from scipy.special import ndtri

    z = ndtri(0.5 + confidence / 2)
    inside = (survival > 0) & (survival < 1)
    s = np.where(inside, survival, 0.5)
    with np.errstate(over="ignore", under="ignore"):
        width = np.exp(np.minimum(z * std_error / (s * -np.log(s)), 700.0))
        low, high = s**width, s ** (1.0 / width)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)


def _interval(
    f: _Frame,
    survival: np.ndarray,
    robust: np.ndarray,
    naive: np.ndarray,
    failed_clusters: np.ndarray,
    fewest: np.ndarray,
    confidence: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Log-log limits; without a failure so far the exact limit for `fewest` clusters; after S = 0 the last
    upper one.

    Before the first failure: no failure among m has lower limit (alpha / 2)^(1 / m) (Clopper & Pearson 1934;
    the beta product of Fay, Brittain & Proschan 2013 with no failures yet), m being the fewest clusters at
    risk since the start.
    """
    se = np.where(failed_clusters < WIDER_BELOW, np.maximum(robust, naive), robust)
    low, high = log_log_interval(survival, se, confidence)
    none = survival >= 1.0
    low = np.where(none, ((1 - confidence) / 2) ** (1.0 / np.maximum(fewest, 1.0)), low)
    high = np.where(none, 1.0, high)
    gone = survival <= 0.0
    if gone.any():
        low = np.where(gone, 0.0, low)
        place = np.where(gone, 0, np.arange(len(high)))
        last = by_stratum(place, f.cells.starts, np.maximum.accumulate)
        usable = last >= f.cells.starts[f.cells.stratum]
        high = np.where(gone, np.where(usable & ~gone[last], high[last], 1.0), high)
    return low, high


def _rows(f: _Frame, has_event: np.ndarray, keep_strata: np.ndarray | None = None) -> np.ndarray:
    """Cells to report: the start, every event after it, and the last time anybody was at risk."""
    report = has_event & f.after_start
    usable = f.start_cell >= 0
    if keep_strata is not None:
        usable = usable & keep_strata
        report = report & keep_strata[f.cells.stratum]
    report[f.start_cell[usable]] = True
    report[f.cells.starts[1:][usable] - 1] = True
    return np.flatnonzero(report)


def _first_row_low(
    f: _Frame, low: np.ndarray, fewest: np.ndarray, has_event: np.ndarray, confidence: float
) -> np.ndarray:
    """The lower limit at the start holds for the whole step up to the first event.

    Survival never rises, so a lower limit just after that event is one before it too: the higher of the two is taken (with late
    entry the few watched at the very start would else make the younger age look less sure than the older one).
    """
    low = low.copy()
    for s in np.flatnonzero(f.start_cell >= 0).tolist():
        a, b = int(f.start_cell[s]), int(f.cells.starts[s + 1])
        later = np.flatnonzero(has_event[a + 1 : b])
        until = a + 1 + int(later[0]) if len(later) else b - 1
        exact = ((1 - confidence) / 2) ** (1.0 / max(fewest[until], 1.0)) if np.isfinite(fewest[until]) else 1.0
        after = low[until] if len(later) and np.isfinite(low[until]) else 0.0
        low[a] = max(exact, after)
    return low


@dataclass(frozen=True)
class _Curve:
    f: _Frame
    survival: np.ndarray
    robust: np.ndarray
    naive: np.ndarray
    low: np.ndarray
    high: np.ndarray


def _kaplan_meier(
    lives: pl.DataFrame,
    cells: Cells,
    cluster: str | None,
    confidence: float,
    min_at_risk: float,
) -> _Curve:
    f = _frame(cells, min_at_risk)
    p = _limit(f)
    naive = p.survival * np.sqrt(p.compensator)
    events = _row_events(f)
    se, active, failed_clusters = _errors(
        f, _clusters(lives, cells, cluster), events, naive, lambda: [events * p.per_death[cells.exit_cell]],
        [p.compensator], [-p.compensator, 1.0], p.survival,
    )
    fewest = _fewest(f, active)
    low, high = _interval(f, p.survival, se, naive, failed_clusters, fewest, confidence)
    low = _first_row_low(f, low, fewest, f.events > 0, confidence)
    return _Curve(f, p.survival, se, naive, low, high)


def kaplan_meier(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    event: str,
    weight: str | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    min_at_risk: float = 1,
    floor_at_risk: float = 0,
) -> pl.DataFrame:
    """Kaplan-Meier estimate with late entry, of every stratum.

    lives, keys, entry, exit, event, weight: as in `risk.risk_table`. cluster: column (a vehicle) whose lives
    depend on each other; the standard error is then the infinitesimal jackknife, influences summed by
    cluster, equal to R's survfit(Surv(entry, exit, event) ~ 1, weights, cluster). Without it, Greenwood's.
    min_at_risk: the curve begins only once the risk set is that large (see `start_t`; earlier failures don't
    count).
    Returns one row per (keys, t): the start, each failure time, and the end of watching. Columns: keys, t,
    at_risk, events, survival (given survival to start_t), std_error, std_error_greenwood, low, high, start_t,
    thin (at_risk below floor_at_risk). The limits are log-log; before the first failure exact (see
    `_interval`), and over the step from the start to the first failure the start's row carries the limit that
    holds at that step's end. A robust error from fewer than 5 failed clusters never makes the limits narrower
    than Greenwood's.
    Raises ValueError as `risk_table`. A stratum whose risk set never gets large enough has no rows.
    Source: Kaplan & Meier 1958; Greenwood 1926; late entry: Klein & Moeschberger 2003, section 4.6; robust:
    Therneau & Grambsch 2000, section 2.3, and the influence of ln(1 - d/n), (Y d/n - dN) / (n - d).
    Pinned by tests/reference/test_nonparametric_reference.py (NIST, 6-MP, shock absorbers, R),
    tests/survival/test_simulated_worlds.py (coverage).
    """
    cells = pack(lives, keys, entry=entry, exit=exit, event=event, weight=weight)
    c = _kaplan_meier(lives, cells, cluster, confidence, min_at_risk)
    at = _rows(c.f, c.f.events > 0)
    return _report(
        cells,
        c.f,
        at,
        c.f.events,
        {
            "survival": c.survival,
            "std_error": c.robust,
            "std_error_greenwood": c.naive,
            "low": c.low,
            "high": c.high,
        },
        floor_at_risk,
    )


def _report(
    cells: Cells,
    f: _Frame,
    at: np.ndarray,
    events: np.ndarray,
    columns: dict[str, np.ndarray],
    floor_at_risk: float,
) -> pl.DataFrame:
    body = {"t": cells.t[at], "at_risk": f.n[at], "events": events[at]}
    # at the start itself the risk set is the one just after it: those who begin there
    begins = np.isin(at, f.start_cell)
    after = (f.n + cells.entered() - cells.left())[at]
    body["at_risk"] = np.where(begins, after, body["at_risk"])
    body |= {name: values[at] for name, values in columns.items()}
    body["start_t"] = f.start_t[cells.stratum[at]]
    body["thin"] = body["at_risk"] < floor_at_risk
    out = with_keys(cells, cells.stratum[at], body)
    if cells.weight is None:  # a risk set is lives; only failures can be shares of one
        out = out.with_columns(pl.col("at_risk").cast(pl.Int64))
    return out.with_columns(pl.col("events").cast(pl.Int64)) if cells.whole else out


def nelson_aalen(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    event: str,
    weight: str | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    min_at_risk: float = 1,
) -> pl.DataFrame:
    """Nelson-Aalen cumulative hazard with late entry, of every stratum; arguments and errors as
    `kaplan_meier`.

    Columns: keys, t, at_risk, events, cumulative_hazard (from start_t on), std_error (robust by cluster, else
    the root of sum d/n^2), low, high (limits on the log scale; before the first failure 0 and the exact upper
    limit), start_t, thin (always false). Source: Nelson 1969; Aalen 1978; Klein & Moeschberger 2003, section
    4.2.
    Pinned by tests/reference/test_nonparametric_reference.py.
    """
    from scipy.special import ndtri

    cells = pack(lives, keys, entry=entry, exit=exit, event=event, weight=weight)
    f = _frame(cells, min_at_risk)
    share, per_death, square = np.zeros_like(f.n), np.zeros_like(f.n), np.zeros_like(f.n)
    has = f.events > 0
    np.divide(f.events, f.n, out=share, where=has)
    np.divide(1.0, f.n, out=per_death, where=has)
    np.divide(share, f.n, out=square, where=has)
    hazard = by_stratum(share, cells.starts)
    compensator = by_stratum(square, cells.starts)
    naive = np.sqrt(compensator)
    events = _row_events(f)
    se, active, failed_clusters = _errors(
        f, _clusters(lives, cells, cluster), events, naive, lambda: [events * per_death[cells.exit_cell]],
        [compensator], [-compensator, 1.0],
    )
    shown = np.where(failed_clusters < WIDER_BELOW, np.maximum(se, naive), se)
    positive = hazard > 0
    width = np.exp(np.minimum(ndtri(0.5 + confidence / 2) * shown / np.where(positive, hazard, 1.0), 700.0))
    upper_at_none = -np.log((1 - confidence) / 2) / np.maximum(_fewest(f, active), 1.0)
    low = np.where(positive, hazard / width, 0.0)
    high = np.where(positive, hazard * width, upper_at_none)
    at = _rows(f, has)
    return _report(
        cells, f, at, f.events, {"cumulative_hazard": hazard, "std_error": se, "low": low, "high": high}, 0
    )


def _incidence(
    lives: pl.DataFrame,
    cells: Cells,
    which: Sequence[int],
    cluster: str | None,
    confidence: float,
    min_at_risk: float,
) -> tuple[_Frame, dict[int, dict[str, np.ndarray]]]:
    f = _frame(cells, min_at_risk)
    p = _limit(f)
    starts, n = cells.starts, f.n
    who = _clusters(lives, cells, cluster)
    out = {}
    all_events = _row_events(f)
    risk_share = np.zeros_like(n)
    np.divide(p.before, n, out=risk_share, where=f.events > 0)  # S(t-) / n
    for k in which:
        d = f.failed[:, k]
        step = risk_share * d
        inc = by_stratum(step, starts)
        # Greenwood-type variance, expanded in powers of F(t) so that it runs as sums
        square = np.zeros_like(n)
        np.divide((n - d) * d * p.before**2, n**3, out=square, where=d > 0)
        cross = np.zeros_like(n)
        np.divide(p.before * d, n**2, out=cross, where=d > 0)
        g = p.increment
        total = (
            inc**2 * by_stratum(g, starts)
            - 2 * inc * by_stratum(inc * g + cross, starts)
            + by_stratum(inc**2 * g + square + 2 * inc * cross, starts)
        )
        naive = np.sqrt(np.maximum(total, 0.0))
        own, x = _row_events(f, k), cells.exit_cell
        compensate = by_stratum(np.divide(step, n, out=np.zeros_like(n), where=d > 0) + inc * g, starts)

        def gains(own=own, x=x, inc=inc) -> list[np.ndarray]:
            gone = all_events * p.per_death[x]
            return [own * risk_share[x] + inc[x] * gone, gone]

        se, active, failed_clusters = _errors(
            f, who, own, naive, gains, [compensate, p.compensator], [inc * p.compensator - compensate, 1.0, -inc]
        )
        fewest = _fewest(f, active)
        low, high = _interval(f, 1.0 - inc, se, naive, failed_clusters, fewest, confidence)
        low = _first_row_low(f, low, fewest, d > 0, confidence)
        out[k] = {
            "incidence": inc,
            "std_error": se,
            "std_error_delta": naive,
            "low": 1.0 - high,
            "high": 1.0 - low,
            "events": d,
        }
    return f, out


def aalen_johansen(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    ending: str,
    causes: Sequence[str],
    weight: str | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    min_at_risk: float = 1,
    floor_at_risk: float = 0,
) -> pl.DataFrame:
    """Cumulative incidence of each cause of ending, with late entry: the chance to have ended so by t.

    ending: text column; endings among `causes` compete, all others censor. Other arguments and errors as
    `kaplan_meier`. Columns: keys, cause, t, at_risk, events, incidence, std_error (infinitesimal jackknife by
    cluster, equal to R's multi-state survfit(..., id); without a cluster the delta-method one),
    std_error_delta, low, high (log-log limits of 1 - incidence), start_t, thin. At every t the incidences of
    all causes and the survival add to 1.
    Source: Aalen & Johansen 1978; delta variance: Marubini & Valsecchi 1995, section 10.2.
    Pinned by tests/reference/test_nonparametric_reference.py (device G, R).
    """
    cells = pack(lives, keys, entry=entry, exit=exit, event=ending, causes=causes, weight=weight)
    f, found = _incidence(lives, cells, range(len(causes)), cluster, confidence, min_at_risk)
    frames = []
    for k, cause in enumerate(causes):
        columns = found[k]
        events = columns.pop("events")
        frame = _report(cells, f, _rows(f, events > 0), events, columns, floor_at_risk)
        frames.append(
            frame.insert_column(len(keys), pl.Series("cause", [cause] * frame.height, dtype=pl.String))
        )
    return pl.concat(frames)


def at_times(curves: pl.DataFrame, keys: Sequence[str], times: Sequence[float]) -> pl.DataFrame:
    """Read step curves at given times: for each stratum and time the last row at or before it.

    Null before a curve's start and beyond its last row: nothing is claimed where nothing was watched.
    Columns as the curves', with `t` the time asked for.
    Pinned by tests/survival/test_nonparametric.py.
    """
    ks = list(keys)
    last = pl.col("t").max()
    ends = curves.group_by(ks).agg(last.alias("_last")) if ks else curves.select(last.alias("_last"))
    asked = ends.join(pl.DataFrame({"t": [float(t) for t in times]}), how="cross").sort("t")
    found = asked.join_asof(
        curves.sort("t"), on="t", by=ks or None, strategy="backward", check_sortedness=False
    )
    values = [c for c in curves.columns if c not in (*ks, "t")]
    return (
        found.with_columns(pl.when(pl.col("t") <= pl.col("_last")).then(pl.col(values)))
        .select(curves.columns)
        .sort([*ks, "t"], nulls_last=False)
    )


def quantiles(
    curves: pl.DataFrame, keys: Sequence[str] = (), probabilities: Sequence[float] = (0.03, 0.10, 0.50, 0.632)
) -> pl.DataFrame:
    """Time by which a share p has failed, read off survival curves with its limits.

    curves: rows of `kaplan_meier` or `curve_set`. Columns: keys, probability, t, low, high, reached, start_t.
    t is the first time with survival <= 1 - p; low and high the same of the lower and upper limits
    (Brookmeyer & Crowley 1982 on log-log limits). Not reached: null and reached = false; a limit not reached
    is null. Given survival to start_t.
    The start's row is never an answer. Raises ValueError for a probability outside 0..1.
    Pinned by tests/survival/test_nonparametric.py.
    """
    if any(not 0 < p < 1 for p in probabilities):
        raise ValueError(f"Probabilities must lie between 0 and 1; got {list(probabilities)}.")
    ks = list(keys)
    slack = 1e-12  # 1 - p is rarely a float exactly
    frames = []
    for p in probabilities:
        at = 1 - p + slack

        def first(column: str, at: float = at) -> pl.Expr:
            return pl.col("t").filter((pl.col(column) <= at) & (pl.col("t") > pl.col("start_t"))).min()

        exprs = [
            first("survival").alias("t"),
            first("low").alias("low"),
            first("high").alias("high"),
            pl.col("start_t").first(),
        ]
        frame = curves.group_by(ks).agg(exprs) if ks else curves.select(exprs)
        frames.append(
            frame.with_columns(
                pl.lit(float(p)).alias("probability"), pl.col("t").is_not_null().alias("reached")
            )
        )
    return (
        pl.concat(frames)
        .select(*ks, "probability", "t", "low", "high", "reached", "start_t")
        .sort([*ks, "probability"], nulls_last=False)
    )


def restricted_mean(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    upto: float,
    entry: str,
    exit: str,
    event: str,
    weight: str | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    min_at_risk: float = 1,
) -> pl.DataFrame:
    """Mean time lived between start_t and `upto`, given survival to start_t: the area under the product
    limit.

    Arguments and errors as `kaplan_meier`. Columns: keys, start_t, upto, mean (in the clock's unit),
    std_error (robust by cluster, else of the Greenwood type), low, high (symmetric). Null where nobody was
    watched up to `upto` and the curve had not reached 0. Source: Klein & Moeschberger 2003, section 4.5;
    influence by the same route.
    Pinned by tests/reference/test_nonparametric_reference.py.
    """
    from scipy.special import ndtri

    cells = pack(lives, keys, entry=entry, exit=exit, event=event, weight=weight)
    f = _frame(cells, min_at_risk)
    p = _limit(f)
    who = _clusters(lives, cells, cluster)
    events = _row_events(f)
    unit = np.arange(len(cells.row)) if who is None else who
    n_strata = len(cells.starts) - 1
    mean, se = np.full(n_strata, np.nan), np.full(n_strata, np.nan)
    area = np.zeros(len(f.n))  # from each cell's time to `upto`
    for s in range(n_strata):
        b, c0 = int(cells.starts[s + 1]), int(f.start_cell[s])
        if c0 < 0 or (cells.t[b - 1] < upto and p.survival[b - 1] > 0) or cells.t[c0] >= upto:
            continue
        t = np.minimum(cells.t[c0:b], upto)
        pieces = p.survival[c0:b] * np.diff(np.append(t, upto))
        area[c0:b] = np.cumsum(pieces[::-1])[::-1]
        mean[s] = area[c0]
    inside = cells.t <= upto
    weight_g = np.where(inside, area * p.increment, 0.0)
    g = by_stratum(weight_g, cells.starts)
    if who is None and cells.weight is None:
        variance = by_stratum(np.where(inside, area**2 * p.increment, 0.0), cells.starts)
        has = cells.starts[1:] > cells.starts[:-1]
        se[has] = np.sqrt(variance[cells.starts[1:][has] - 1])
    elif len(cells.row):
        x = cells.exit_cell
        part = events * np.where(inside[x], area[x] * p.per_death[x], 0.0) - (g[x] - g[cells.entry_cell])
        pair, place = np.unique(cells.code * (int(unit.max()) + 1) + unit, return_inverse=True)
        summed = np.bincount(place, weights=weighted(part, cells.weight))
        owner = pair // (int(unit.max()) + 1)
        se = np.sqrt(np.bincount(owner, weights=summed**2, minlength=n_strata))
    se = np.where(np.isnan(mean), np.nan, se)
    z = ndtri(0.5 + confidence / 2)
    out = with_keys(
        cells,
        np.arange(n_strata),
        {
            "start_t": f.start_t,
            "upto": np.full(n_strata, float(upto)),
            "mean": mean,
            "std_error": se,
            "low": np.maximum(mean - z * se, 0.0),
            "high": mean + z * se,
        },
    )
    return out.with_columns(pl.col("start_t", "mean", "std_error", "low", "high").fill_nan(None))


def curve_set(
    lives: pl.DataFrame,
    keys: Sequence[str],
    *,
    entry: str,
    exit: str,
    event: str = "failed",
    cluster: str | None = "vehicle",
    min_at_risk: float = 10,
    min_failures: int = 5,
    confidence: float = 0.95,
    ending: str = "ending",
    floor_at_risk: float = 5,
    censoring: Sequence[str] = CENSORING,
    p_failed: str | None = None,
    otherwise: str | None = None,
) -> pl.DataFrame:
    """Every stratum's curve of one kind of ending, for publication.

    lives: rows of `lives.lives` (column `ending`; rows with `in_curve` false are left out where that column
    exists).
    event 'failed': Kaplan-Meier, all other endings censored. Any other ending: Aalen-Johansen cumulative
    incidence, every ending not in `censoring` competing; `survival` is then 1 - incidence, the share not
    ended so.
    p_failed: a column with the probability that an ending 'failed' or 'wrong_suspect' was a failure: it then counts
    as that share of one, and the rest as the cause in column `otherwise` ('wrong_suspect' where that is null or not
    given). Both sides renewed for a complaint that names none are half a failure each, not two.
    Only strata with at least `min_failures` such endings after the start have a curve; borrow the parent's
    otherwise (`curve_accounts` says which and why). cluster None: Greenwood's errors, faster, too narrow
    where lives depend.
    Columns: keys, event, t, at_risk, events, survival, low, high, std_error, estimator ('kaplan_meier',
    'aalen_johansen'), incidence, start_t, thin (at_risk below floor_at_risk: shown with caution, not
    dropped).
    Raises ValueError as `risk.risk_table`. Sources: as `kaplan_meier` and `aalen_johansen`.
    Pinned by tests/reference/test_nonparametric_reference.py, tests/survival/test_simulated_worlds.py.
    """
    lives = _in_curve(lives)
    ks = list(keys)
    causes = ["failed"] if event == "failed" else _competing(lives, ending, event, censoring)
    shares = _shares(lives, ending, causes, p_failed, otherwise) if p_failed else None
    cells = pack(lives, ks, entry=entry, exit=exit, event=ending, causes=causes, shares=shares)
    if event == "failed":
        c = _kaplan_meier(lives, cells, cluster, confidence, min_at_risk)
        f, survival, se, low, high, events = c.f, c.survival, c.robust, c.low, c.high, c.f.events
        estimator = "kaplan_meier"
    else:
        f, found = _incidence(lives, cells, [causes.index(event)], cluster, confidence, min_at_risk)
        columns = found[causes.index(event)]
        survival, se, events = 1.0 - columns["incidence"], columns["std_error"], columns["events"]
        low, high = 1.0 - columns["high"], 1.0 - columns["low"]
        estimator = "aalen_johansen"
    own = np.bincount(cells.stratum, weights=events, minlength=len(cells.starts) - 1) >= min_failures - 1e-9
    at = _rows(f, events > 0, own)
    out = _report(
        cells, f, at, events, {"survival": survival, "low": low, "high": high, "std_error": se}, floor_at_risk
    )
    return out.with_columns(
        event=pl.lit(event), estimator=pl.lit(estimator), incidence=1 - pl.col("survival")
    ).select(
        *ks,
        "event",
        "t",
        "at_risk",
        "events",
        "survival",
        "low",
        "high",
        "std_error",
        "estimator",
        "incidence",
        "start_t",
        "thin",
    )


def curve_accounts(
    lives: pl.DataFrame,
    keys: Sequence[str],
    *,
    entry: str,
    exit: str,
    event: str = "failed",
    cluster: str | None = "vehicle",
    min_at_risk: float = 10,
    min_failures: int = 5,
    ending: str = "ending",
    p_failed: str | None = None,
) -> pl.DataFrame:
    """What stands behind each stratum of `curve_set`, and which strata have no curve of their own.

    Arguments as `curve_set`. Columns: keys, lives, clusters, zero_length (entry == exit), failures (of `event`), failures_before_start,
    start_t, own_curve, reason (null, 'too few failures', 'too few at risk').
    Pinned by tests/survival/test_nonparametric.py.
    """
    lives = _in_curve(lives)
    shares = _shares(lives, ending, (event,), p_failed, None) if p_failed else None
    cells = pack(lives, list(keys), entry=entry, exit=exit, event=ending, causes=(event,), shares=shares)
    f = _frame(cells, min_at_risk)
    n_strata = len(cells.starts) - 1
    every = np.bincount(cells.code, weights=cells.events[:, 0], minlength=n_strata)
    after = np.bincount(cells.stratum, weights=f.events, minlength=n_strata)
    who = _clusters(lives, cells, cluster)
    if who is None:
        clusters = np.bincount(cells.code, minlength=n_strata)
    else:
        pairs = np.unique(cells.code * (int(who.max(initial=0)) + 1) + who) // (int(who.max(initial=0)) + 1)
        clusters = np.bincount(pairs, minlength=n_strata)
    out = with_keys(
        cells,
        np.arange(n_strata),
        {
            "lives": np.bincount(cells.code, minlength=n_strata),
            "clusters": clusters,
            "zero_length": cells.zero_length,
            "failures": every if p_failed else every.astype(np.int64),
            "failures_before_start": np.maximum(every - after, 0) if p_failed else (every - after).astype(np.int64),
            "start_t": f.start_t,
        },
    )
    few_at_risk, few = (
        pl.col("start_t").is_null(),
        pl.col("failures") - pl.col("failures_before_start") < min_failures - 1e-9,
    )
    return out.with_columns(pl.col("start_t").fill_nan(None)).with_columns(
        own_curve=~few_at_risk & ~few,
        reason=pl.when(few_at_risk)
        .then(pl.lit("too few at risk"))
        .when(few)
        .then(pl.lit("too few failures")),
    )


def _in_curve(lives: pl.DataFrame) -> pl.DataFrame:
    return lives.filter(pl.col("in_curve")) if "in_curve" in lives.columns else lives


def _shares(
    lives: pl.DataFrame, ending: str, causes: Sequence[str], p_failed: str, otherwise: str | None
) -> np.ndarray:
    """The probability that each life ended by each cause: (lives, causes)."""
    ended = lives[ending].cast(pl.String)
    doubtful = ended.is_in(["failed", "wrong_suspect"]).fill_null(False).to_numpy()
    p = np.where(doubtful, lives[p_failed].cast(pl.Float64).fill_null(1.0).to_numpy(), 0.0)
    names = lives[otherwise].cast(pl.String).fill_null("wrong_suspect") if otherwise else None
    out = np.zeros((lives.height, len(causes)))
    for k, cause in enumerate(causes):
        if cause == "failed":
            out[:, k] = p
        else:
            rest = np.full(lives.height, cause == "wrong_suspect") if names is None else (names == cause).to_numpy()
            out[:, k] = np.where(doubtful, (1 - p) * rest, (ended == cause).fill_null(False).to_numpy())
    return out


def _competing(lives: pl.DataFrame, ending: str, event: str, censoring: Sequence[str]) -> list[str]:
    present = lives[ending].drop_nulls().cast(pl.String).unique().to_list()
    return sorted({c for c in present if c not in censoring} | {event})


__all__ = [
    "CENSORING",
    "aalen_johansen",
    "at_times",
    "curve_accounts",
    "curve_set",
    "kaplan_meier",
    "log_log_interval",
    "nelson_aalen",
    "quantiles",
    "restricted_mean",
]
