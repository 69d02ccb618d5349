"""Risk sets: who entered, who failed, who left, and how many were at risk, at each time of each stratum.

Everything nonparametric needs only these counts, so they are taken once, for all strata together, and they
add up over partitions of the vehicles (`merge_counts`). At risk at t: entry < t <= exit; at the same t
failures come before censorings and before entries. The second half of the file holds the running sums behind
every cluster-robust variance.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

TINY = 1e-12  # a risk set left smaller than this share of itself counts as empty (weights round)


@dataclass(frozen=True)
class RiskTable:
    """Counts of every stratum and time, and the accounts that they came from.

    counts: one row per (keys, t), sorted; t in the unit of the clock; at_risk, entered, events, censored, and
        with causes one column `events_<cause>` each. Whole numbers, or Float64 with weights or fractional events.
    accounts: one row per stratum: keys, lives (counted), zero_length (entry == exit: no information, left
    out).
    """

    counts: pl.DataFrame
    accounts: pl.DataFrame
    keys: tuple[str, ...]
    causes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cells:
    """Lives packed by stratum and time: a cell is one time of one stratum at which anybody enters or leaves.

    Row arrays (n kept lives): row (place in the frame), code (stratum), entry_cell, exit_cell, weight, and
    events (n x causes). Cell arrays: t, stratum; the cells of stratum s are starts[s]:starts[s + 1].
    """

    strata: pl.DataFrame
    keys: tuple[str, ...]
    causes: tuple[str, ...]
    row: np.ndarray
    code: np.ndarray
    entry_cell: np.ndarray
    exit_cell: np.ndarray
    weight: np.ndarray | None
    events: np.ndarray
    t: np.ndarray
    stratum: np.ndarray
    starts: np.ndarray
    zero_length: np.ndarray
    whole: bool

    def sums(self, cell: np.ndarray, values: np.ndarray | None = None) -> np.ndarray:
        """Sum of `values` (default: the weights) by cell, as float64."""
        if values is None:
            values = self.weight
        return np.bincount(cell, weights=values, minlength=len(self.t)).astype(np.float64, copy=False)

    def entered(self) -> np.ndarray:
        return self.sums(self.entry_cell)

    def left(self) -> np.ndarray:
        return self.sums(self.exit_cell)

    def failed(self) -> np.ndarray:
        """Events by cell and cause: cells x causes, weighted."""
        out = np.empty((len(self.t), self.events.shape[1]))
        for k in range(self.events.shape[1]):
            out[:, k] = self.sums(self.exit_cell, weighted(self.events[:, k], self.weight))
        return out

    def at_risk(self) -> np.ndarray:
        """At risk at each cell's time: entry < t <= exit, weighted."""
        net = self.entered() - self.left()
        n = by_stratum(net, self.starts) - net
        if self.weight is not None:  # float sums of weights leave dust where nobody is at risk
            rows = np.bincount(self.entry_cell, minlength=len(self.t)) - np.bincount(
                self.exit_cell, minlength=len(self.t)
            )
            n[(by_stratum(rows, self.starts) - rows) == 0] = 0.0
        return n


def weighted(values: np.ndarray, weight: np.ndarray | None) -> np.ndarray:
    """values x weight, where weights are given."""
    return values if weight is None else values * weight


def by_stratum(values: np.ndarray, starts: np.ndarray, accumulate: Callable = np.cumsum) -> np.ndarray:
    """A running sum (or another accumulation) that begins anew at each stratum: no rounding leaks over."""
    out = np.empty_like(values)
    for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        if b > a:
            accumulate(values[a:b], out=out[a:b])
    return out


def strata_of(frame: pl.DataFrame, keys: Sequence[str]) -> tuple[pl.DataFrame, np.ndarray]:
    """The distinct combinations of keys, sorted (null first), and each row's place among them."""
    keys = list(keys)
    missing = [k for k in keys if k not in frame.columns]
    if missing:
        raise ValueError(f"No column {', '.join(missing)} among {', '.join(frame.columns)}.")
    if not keys:
        return pl.DataFrame({"_all": [0]}).select([]), np.zeros(frame.height, dtype=np.int64)
    strata = frame.select(keys).unique().sort(keys, nulls_last=False)
    codes = frame.select(keys).join(
        strata.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias("_code")),
        on=keys,
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )["_code"]
    return strata, codes.to_numpy()


def codes_of(values: pl.Series) -> np.ndarray:
    """Dense whole numbers for the distinct values of a column, null included; their order means nothing."""
    return values.rank("dense").fill_null(0).cast(pl.Int64).to_numpy()


def _times(lives: pl.DataFrame, column: str) -> np.ndarray:
    if column not in lives.columns:
        raise ValueError(f"No column {column} among {', '.join(lives.columns)}.")
    return lives[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _refuse(bad: np.ndarray, what: str, entry: str, exit: str, e: np.ndarray, x: np.ndarray) -> None:
    count = int(bad.sum())
    if count:
        i = int(np.flatnonzero(bad)[0])
        raise ValueError(
            f"{count} of {len(bad)} lives have {what}; the first is row {i}: "
            f"{entry}={e[i]!s}, {exit}={x[i]!s}. Set such rows aside first."
        )


def checked_times(lives: pl.DataFrame, entry: str, exit: str) -> tuple[np.ndarray, np.ndarray]:
    """Entry and exit as float64; ValueError, with count and first row, where they cannot be a life's."""
    e, x = _times(lives, entry), _times(lives, exit)
    _refuse(~np.isfinite(e) | ~np.isfinite(x), "a missing or infinite time", entry, exit, e, x)
    _refuse((e < 0) | (x < 0), "a negative time", entry, exit, e, x)
    _refuse(e > x, "an entry after the exit", entry, exit, e, x)
    return e, x


def pack(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    event: str,
    causes: Sequence[str] | None = None,
    weight: str | None = None,
    shares: np.ndarray | None = None,
) -> Cells:
    """Check the lives and pack them by stratum and time. The errors are those of `risk_table`.

    shares: (lives, causes), the probability that the ending was each cause, instead of the column `event`.
    Pinned by tests/survival/test_risk.py.
    """
    e, x = checked_times(lives, entry, exit)
    w = None
    if weight is not None:
        w = lives[weight].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        _refuse(~np.isfinite(w) | (w < 0), f"a missing or negative {weight}", entry, exit, e, x)
    if event not in lives.columns:
        raise ValueError(f"No column {event} among {', '.join(lives.columns)}.")
    if shares is not None:
        _refuse(~(np.isfinite(shares) & (shares >= 0)).all(axis=1) | (shares.sum(axis=1) > 1 + 1e-9),
                f"probabilities of an {event} outside 0..1", entry, exit, e, x)
        events = shares
    elif causes is None:
        d = lives[event].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        _refuse(
            ~((d >= 0) & (d <= 1)),
            f"an event {event} that is not 0, 1 or a probability between",
            entry,
            exit,
            e,
            x,
        )
        events = d[:, None]
    else:
        ending = lives[event].cast(pl.String)
        events = (
            np.stack([(ending == c).fill_null(False).to_numpy() for c in causes], axis=1).astype(np.float64)
            if causes
            else np.zeros((lives.height, 0))
        )
    strata, code = strata_of(lives, keys)
    n_strata = strata.height if keys else 1
    keep = x > e
    zero = np.bincount(code[~keep], minlength=n_strata)
    row = np.flatnonzero(keep)
    if len(row) < len(keep):
        e, x, code, events = e[row], x[row], code[row], events[row]
        w = None if w is None else w[row]
    n = len(row)
    top = float(x.max()) if n else 0.0
    if n and top < 2**31 and np.array_equal(e, np.floor(e)) and np.array_equal(x, np.floor(x)):
        er, xr, times, width = e.astype(np.int64), x.astype(np.int64), None, int(top) + 1
    else:  # exact: the rank of a time among all times stands for it
        times, rank = np.unique(np.concatenate([e, x]), return_inverse=True)
        er, xr, width = rank[:n], rank[n:], max(len(times), 1)
    key = np.concatenate([code * width + er, code * width + xr])
    if n_strata * width <= 8 * n + 100_000:  # a grid of all cells is small: mark and count, no sorting
        present = np.zeros(n_strata * width, dtype=bool)
        present[key] = True
        cells = np.flatnonzero(present)
        inverse = (np.cumsum(present, dtype=np.int64) - 1)[key]
    else:
        cells, inverse = np.unique(key, return_inverse=True)
    stratum, r = np.divmod(cells, width)
    t = r.astype(np.float64) if times is None else times[r]
    starts = np.searchsorted(stratum, np.arange(n_strata + 1))
    whole = w is None and ((causes is not None and shares is None) or bool(np.all((events == 0) | (events == 1))))
    return Cells(
        strata,
        tuple(keys),
        tuple(causes or ()),
        row,
        code,
        inverse[:n],
        inverse[n:],
        w,
        events,
        t,
        stratum,
        starts,
        zero,
        whole,
    )


def risk_table(
    lives: pl.DataFrame,
    keys: Sequence[str] = (),
    *,
    entry: str,
    exit: str,
    event: str,
    weight: str | None = None,
    causes: Sequence[str] | None = None,
) -> RiskTable:
    """Count who entered, failed and left at each distinct time of each stratum.

    lives: one row a life; `entry`, `exit`: its times on one clock (days, km or hours); a life is at risk at t
    when
        entry < t <= exit. `event`: a column of true/false, 0/1, or the probability that the ending was a
        failure; with `causes` a text column, each cause counted in its own column `events_<cause>`, any other
        ending censored.
        `weight`: a column of nonnegative weights.
    keys: columns whose combinations are the strata; null is a value of its own.
    Lives with entry == exit carry no information: left out of the counts, counted in `accounts.zero_length`.
    Raises ValueError, with the count and the first offending row, for missing, infinite or negative times or
    weights, for entry > exit, and for events outside 0..1.
    Source: Klein & Moeschberger, Survival Analysis (2nd ed. 2003), sections 4.2 and 4.6 (left truncation).
    Pinned by tests/survival/test_risk.py.
    """
    cells = pack(lives, keys, entry=entry, exit=exit, event=event, causes=causes, weight=weight)
    failed = cells.failed()
    events = failed.sum(axis=1)
    columns = {
        "t": cells.t,
        "at_risk": cells.at_risk(),
        "entered": cells.entered(),
        "events": events,
        "censored": np.maximum(cells.left() - events, 0.0),
    }
    for k, cause in enumerate(cells.causes):
        columns[f"events_{cause}"] = failed[:, k]
    counts = with_keys(cells, cells.stratum, columns)
    if cells.whole:
        counts = counts.with_columns(pl.exclude("t", *cells.keys).cast(pl.Int64))
    n_strata = len(cells.starts) - 1
    accounts = with_keys(
        cells,
        np.arange(n_strata),
        {"lives": np.bincount(cells.code, minlength=n_strata), "zero_length": cells.zero_length},
    )
    return RiskTable(counts, accounts, cells.keys, cells.causes)


def with_keys(cells: Cells, stratum: np.ndarray, columns: dict[str, np.ndarray]) -> pl.DataFrame:
    """A frame of the given columns, headed by the keys of each row's stratum."""
    body = pl.DataFrame(columns)
    return pl.concat([cells.strata[stratum], body], how="horizontal") if cells.keys else body


def merge_counts(tables: Sequence[RiskTable]) -> RiskTable:
    """Add the counts of partitions (disjoint sets of lives) into one table, at_risk included.

    The at-risk numbers are not added (a partition has no row at another's times) but counted anew from who
    entered and who left. Raises ValueError for no tables at all or for tables of different keys or causes.
    Pinned by tests/survival/test_risk.py.
    """
    if not tables:
        raise ValueError("No risk tables to merge.")
    keys, causes = tables[0].keys, tables[0].causes
    if any(t.keys != keys or t.causes != causes for t in tables):
        raise ValueError("Risk tables of different keys or causes cannot be merged.")
    ks = list(keys)
    sums = [c for c in tables[0].counts.columns if c not in (*ks, "t", "at_risk")]
    counts = pl.concat([t.counts.drop("at_risk") for t in tables], how="vertical_relaxed")
    counts = counts.group_by([*ks, "t"]).agg(pl.col(sums).sum()).sort([*ks, "t"], nulls_last=False)
    net = pl.col("entered") - pl.col("events") - pl.col("censored")
    before = (net.cum_sum().over(ks) if ks else net.cum_sum()) - net
    counts = counts.with_columns(before.alias("at_risk"))
    if counts["at_risk"].dtype.is_float():  # dust of float sums
        counts = counts.with_columns(
            pl.when(pl.col("at_risk").abs() < 1e-9).then(0.0).otherwise(pl.col("at_risk")).alias("at_risk")
        )
    accounts = pl.concat([t.accounts for t in tables])
    if ks:
        accounts = accounts.group_by(ks).agg(pl.col("lives", "zero_length").sum()).sort(ks, nulls_last=False)
    else:
        accounts = accounts.select(pl.col("lives", "zero_length").sum())
    return RiskTable(counts.select(tables[0].counts.columns), accounts, keys, causes)


# ---- cluster-robust sums ----
# ----------------------------------------------------------------------------------------- An influence of
# cluster c at time t has the form  sum_j coef_j(t) X_cj(t),  where each X_cj is a step function that changes
# only when a life of c enters or leaves (X_c0 = weight of c at risk; the others hold the residuals so far).
# Then sum_c influence^2 = coef' M(t) coef with M_jk = sum_c X_cj X_ck, and M is a running sum over changes:
# no cluster x time matrix is ever made.


def _restarting_sum(values: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Running sum that restarts at each True in `first`: each group's total comes off at the next start."""
    places = np.flatnonzero(first)
    totals = np.add.reduceat(values, places)
    v = values.copy()
    v[places[1:]] -= totals[:-1]
    return np.cumsum(v)


@dataclass(frozen=True)
class ClusterSums:
    """products[j, k]: sum over clusters of X_j X_k after each cell's changes; active: those at risk then."""

    products: dict[tuple[int, int], np.ndarray]
    active: np.ndarray

    def quadratic(self, coefficients: Sequence[np.ndarray | float]) -> np.ndarray:
        """sum over clusters of (sum_j coefficient_j X_j)^2, at each cell; never below 0."""
        total: np.ndarray | float = 0.0
        for (j, k), m in self.products.items():
            total = total + (1.0 if j == k else 2.0) * coefficients[j] * coefficients[k] * m
        return np.maximum(np.asarray(total), 0.0)


def cluster_sums(
    cell: np.ndarray, unit: np.ndarray, changes: Sequence[np.ndarray], starts: np.ndarray
) -> ClusterSums:
    """Running sums of products of cluster step functions.

    cell, unit: place in time and dense cluster number of each change; a cluster that has lives in several
    strata must carry a number of its own in each. changes: one array a step function; the first is the change
    of weight at risk.
    starts: cell bounds of the strata.
    Pinned by tests/reference/test_nonparametric_reference.py (R, clusters).
    """
    n_cells = int(starts[-1])
    if len(cell) == 0:
        empty = np.zeros(n_cells)
        return ClusterSums(
            {(j, k): empty for j in range(len(changes)) for k in range(j, len(changes))}, empty
        )
    order = np.argsort(unit * n_cells + cell, kind="stable")
    cell, unit = cell[order], unit[order]
    first = np.empty(len(unit), dtype=bool)
    first[0] = True
    np.not_equal(unit[1:], unit[:-1], out=first[1:])
    after, before = [], []
    for change in changes:
        a = _restarting_sum(change[order], first)
        b = np.empty_like(a)
        b[0] = 0.0
        b[1:] = a[:-1]
        b[first] = 0.0
        after.append(a)
        before.append(b)
    products = {}
    for j in range(len(changes)):
        for k in range(j, len(changes)):
            step = np.bincount(cell, weights=after[j] * after[k] - before[j] * before[k], minlength=n_cells)
            products[j, k] = by_stratum(step, starts)
    on = (after[0] > TINY).astype(np.float64) - (before[0] > TINY)
    active = by_stratum(np.bincount(cell, weights=on, minlength=n_cells), starts)
    return ClusterSums(products, np.rint(active))


def life_changes(
    cells: Cells,
    cluster: np.ndarray | None,
    at_exit: Sequence[np.ndarray],
    compensators: Sequence[np.ndarray],
) -> ClusterSums:
    """Cluster sums of lives whose residuals are (at_exit - what the compensator gained while at risk).

    cluster: any dense cluster number per kept life, or None for each life on its own. at_exit[j]: value
    gained at the exit (unweighted), compensators[j]: running sum by cell; residual so far of a life in c,
    still at risk at t, is -(G_j(t) - G_j(entry)), and once it left at_exit - (G_j(exit) - G_j(entry)). So
    with X_0 the weight at risk, the influence through part j is X_j - X_0 G_j(t).
    """
    n = len(cells.row)
    if cluster is None:
        unit = np.arange(n)
    else:
        unit = (
            np.unique(cells.code * (int(cluster.max(initial=0)) + 1) + cluster, return_inverse=True)[1]
            if n
            else cluster
        )
    w = np.ones(n) if cells.weight is None else cells.weight
    changes = [np.concatenate([w, -w])]
    for gain, g in zip(at_exit, compensators, strict=True):
        changes.append(np.concatenate([w * g[cells.entry_cell], w * (gain - g[cells.exit_cell])]))
    return cluster_sums(
        np.concatenate([cells.entry_cell, cells.exit_cell]),
        np.concatenate([unit, unit]),
        changes,
        cells.starts,
    )
