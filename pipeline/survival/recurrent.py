"""Repeated repairs of one vehicle: the mean cumulative function, in events or in money, with Nelson's robust
variance.

A mean cumulative function needs no assumption that repairs make a vehicle as good as new. Vehicles that never
had a repair must be among the observed: without them the denominator is wrong.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.survival.risk import (
    by_stratum,
    checked_times,
    cluster_sums,
    codes_of,
    pack,
    strata_of,
    with_keys,
)


def mean_cumulative(
    observed: pl.DataFrame,
    events: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    unit: str = "vehicle",
    entry: str = "entry",
    exit: str = "exit",
    time: str = "t",
    amount: str | None = None,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Mean number (or cost) of events per vehicle by age, of every stratum.

    observed: one row per window of watching: `unit`, the keys, `entry`, `exit` on one clock. A unit is at
    risk at t
        when entry < t <= exit, so it counts at its own end; a unit may have several windows that do not
        overlap.
    events: one row an event: `unit`, the keys (unless none), `time`, and with `amount` its cost or count
    (negative
        allowed: a credit). Events at one unit and time add up; events at the same time are handled together.
    An event at the very time of entry says nothing about a risk set and is left out (`events_at_entry` counts
    them).
    Returns one row per (keys, t) with an event, and the last time watched: keys, t, at_risk (units), events
    (number), mean_cumulative, std_error, low, high, events_at_entry (per stratum). Limits are on the log
    scale where the mean is above 0 (Nelson's positive limits), else symmetric; before the first event [0,
    exact upper limit of a Poisson mean with no event among those at risk] for counts, null for amounts.
    Raises ValueError for impossible windows (as `risk.risk_table`), overlapping windows of a unit, missing
    amounts, and events outside every window of their unit.
    Source: Nelson, Recurrent Events Data Analysis (2003), chapters 3-4; robust variance: Lawless & Nadeau
    1995, eq. 2.5.
    Pinned by tests/reference/test_recurrent_reference.py (valve seats), tests/reference/test_nonparametric_reference.py (R).
    """
    from scipy.special import ndtri

    ks = list(keys)
    # events whose time no window has must be cells too: pack them as windows of no length? they'd be dropped,
    # so the event times join as zero-weight windows that end there.
    both = pl.concat(
        [
            observed.select(
                *ks,
                unit,
                pl.col(entry).cast(pl.Float64).alias("_e"),
                pl.col(exit).cast(pl.Float64).alias("_x"),
                pl.lit(1.0).alias("_w"),
            ),
            events.select(
                *ks,
                unit,
                pl.lit(-1.0).alias("_e"),
                pl.col(time).cast(pl.Float64).alias("_x"),
                pl.lit(0.0).alias("_w"),
            ),
        ],
        how="vertical_relaxed",
    )
    is_event = np.arange(both.height) >= observed.height
    _, code = strata_of(both, ks)
    who = codes_of(both[unit])
    owner = (
        np.unique(code * (int(who.max(initial=0)) + 1) + who, return_inverse=True)[1]
        if ks and both.height
        else who
    )
    e, x = both["_e"].to_numpy(), both["_x"].to_numpy()
    ew, xw, ow = e[~is_event], x[~is_event], owner[~is_event]
    te, oe = x[is_event], owner[is_event]
    if np.isnan(te).any() or (te < 0).any():
        bad = np.isnan(te) | (te < 0)
        raise ValueError(
            f"{int(bad.sum())} of {len(te)} events have a missing or negative {time}; "
            f"the first is row {int(np.flatnonzero(bad)[0])}."
        )
    a = np.ones(len(te))
    if amount is not None:
        a = events[amount].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        if not np.isfinite(a).all():
            raise ValueError(
                f"{int((~np.isfinite(a)).sum())} of {len(a)} events have a missing {amount}; the first is "
                f"row {int(np.flatnonzero(~np.isfinite(a))[0])}."
            )
    checked_times(observed, entry, exit)
    inside, at_entry = _placed(ew, xw, ow, te, oe)
    lost = ~inside & ~at_entry
    if lost.any():
        i = int(np.flatnonzero(lost)[0])
        raise ValueError(
            f"{int(lost.sum())} of {len(te)} events lie outside every window of their {unit}; the first is "
            f"row {i}: {unit}={events[unit][i]}, {time}={te[i]!s}."
        )
    keep = np.ones(both.height, dtype=bool)
    keep[observed.height :] = inside
    # zero-weight rows must be longer than 0 to be packed; their entry is never counted, so any earlier time
    # will do
    packed = both.with_columns(
        pl.when(pl.Series(is_event)).then(pl.lit(0.0)).otherwise(pl.col("_e")).alias("_e"),
        pl.lit(0).alias("_d"),
    ).filter(pl.Series(keep))
    cells = pack(packed, ks, entry="_e", exit="_x", event="_d", weight="_w")
    kept_event = is_event[keep][cells.row]
    position = np.cumsum(is_event) - 1
    which = position[keep][cells.row]
    unit_of = owner[keep][cells.row]
    n = np.rint(cells.at_risk())
    xe = cells.exit_cell[kept_event]
    value = a[which[kept_event]]
    total = np.bincount(xe, weights=value, minlength=len(n))
    number = np.bincount(xe, minlength=len(n))
    has = number > 0
    step = np.zeros_like(n)
    np.divide(total, n, out=step, where=has)
    g = by_stratum(np.divide(step, n, out=np.zeros_like(n), where=has), cells.starts)
    mcf = by_stratum(step, cells.starts)
    win = ~kept_event
    sums = cluster_sums(
        np.concatenate([cells.entry_cell[win], cells.exit_cell[win], xe]),
        np.concatenate([unit_of[win], unit_of[win], unit_of[kept_event]]),
        [
            np.concatenate([np.ones(win.sum()), -np.ones(win.sum()), np.zeros(len(xe))]),
            np.concatenate([g[cells.entry_cell[win]], -g[cells.exit_cell[win]], value / n[xe]]),
        ],
        cells.starts,
    )
    se = np.sqrt(sums.quadratic([-g, 1.0]))
    z = ndtri(0.5 + confidence / 2)
    positive = mcf > 0
    width = np.exp(np.minimum(z * se / np.where(positive, mcf, 1.0), 700.0))
    low = np.where(positive, mcf / width, mcf - z * se)
    high = np.where(positive, mcf * width, mcf + z * se)
    none = by_stratum(number.astype(float), cells.starts) == 0
    low[none] = 0.0 if amount is None else np.nan
    high[none] = -np.log((1 - confidence) / 2) / np.maximum(n[none], 1.0) if amount is None else np.nan
    # the last cell at which anybody was at risk, per stratum
    report = has.copy()
    place = np.where(n > 0, np.arange(len(n)), -1)
    last = by_stratum(place, cells.starts, np.maximum.accumulate)
    ends = cells.starts[1:][cells.starts[1:] > cells.starts[:-1]] - 1
    report[last[ends][last[ends] >= 0]] = True
    at = np.flatnonzero(report)
    n_strata = len(cells.starts) - 1
    early = np.bincount(code[is_event][at_entry], minlength=max(n_strata, int(code.max(initial=0)) + 1))
    return with_keys(
        cells,
        cells.stratum[at],
        {
            "t": cells.t[at],
            "at_risk": n[at].astype(np.int64),
            "events": number[at],
            "mean_cumulative": mcf[at],
            "std_error": se[at],
            "low": low[at],
            "high": high[at],
            "events_at_entry": early[cells.stratum[at]],
        },
    ).with_columns(pl.col("low", "high").fill_nan(None))


def _placed(
    ew: np.ndarray, xw: np.ndarray, ow: np.ndarray, te: np.ndarray, oe: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Which events lie in a window (entry, exit] of their unit, and which on the entry of one only."""
    order = np.lexsort((ew, ow))
    ew, xw, ow = ew[order], xw[order], ow[order]
    same = ow[1:] == ow[:-1]
    overlap = same & (ew[1:] < xw[:-1])
    if overlap.any():
        raise ValueError(f"{int(overlap.sum())} windows overlap an earlier window of the same unit.")
    times, rank = np.unique(np.concatenate([ew, te]), return_inverse=True)
    width = len(times) + 1
    window_key = ow * width + rank[: len(ew)]
    event_key = oe * width + rank[len(ew) :]
    at = np.searchsorted(window_key, event_key, side="left") - 1  # the last window with entry < t
    ok = (at >= 0) & (len(ew) > 0)
    inside = np.zeros(len(te), dtype=bool)
    inside[ok] = (ow[at[ok]] == oe[ok]) & (te[ok] <= xw[at[ok]])
    exact = np.searchsorted(window_key, event_key, side="left")
    hit = exact < len(window_key)
    at_entry = np.zeros(len(te), dtype=bool)
    at_entry[hit] = window_key[exact[hit]] == event_key[hit]
    return inside, at_entry & ~inside
