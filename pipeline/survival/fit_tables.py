"""Every stratum fitted and summarised: the published tables `fits` and `life_summary`, and reading them back."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.survival.agreement import Agreement, agreement
from pipeline.survival.families import family, hazard_minimum
from pipeline.survival.intervals import Interval, interval, interval_method
from pipeline.survival.one_fit import DEFAULT_FAMILIES, fit, fit_families
from pipeline.survival.risk import strata_of
from pipeline.survival.samples import Fit, Sample, clusters_of, failed_clusters_of, refusal, sample
from pipeline.survival.weibull import too_few, weibull_batch

LIFE_POINTS = {"b3": 0.03, "b10": 0.10, "median": 0.50, "characteristic_life": 1 - math.exp(-1)}


@dataclass(eq=False)
class _Group:
    """One stratum's own fits, its chosen one, and everything its summary line needs (worked out where it is read)."""

    fits: list[Fit]
    best: Fit | None
    summarise: Callable[[], dict] = dict

    @cached_property
    def summary(self) -> dict:
        return self.summarise()


def wear_of(shape: Interval) -> str:
    """'early' (hazard falls: the shape's interval lies below 1), 'wear_out' (above 1), 'random' (includes 1 and lies
    within 0.8 to 1.25, our own rule), 'undetermined' otherwise. Source: Meeker & Escobar 1998, section 4.8 (shape and
    hazard).
    Pinned by tests/survival/test_fit.py.
    """
    if not (math.isfinite(shape.low) and math.isfinite(shape.value)):
        return "undetermined"
    if shape.high < 1:
        return "early"
    if shape.low > 1:
        return "wear_out"
    return "random" if shape.low >= 0.8 and shape.high <= 1.25 else "undetermined"


def _summary(best: Fit | None, fits: Sequence[Fit], lives: Sample, confidence: float) -> dict:
    """The quantiles, the shape and the agreement of one stratum."""
    out: dict = {}
    for name, p in LIFE_POINTS.items():
        value = low = high = None
        reached = extrapolated = False
        if best is not None:
            point = float(best.quantile(p)) if best.converged else math.nan
            reached = math.isfinite(point) and point <= best.largest_time
            if reached:
                i = interval(best, lives, p, confidence)
                value, low, high = i.value, _finite(i.low), _finite(i.high)
                extrapolated = i.value > best.largest_failure or i.value < best.least_age
        out |= {
            name: value,
            f"{name}_low": low,
            f"{name}_high": high,
            f"{name}_reached": reached,
            f"{name}_extrapolated": extrapolated,
        }
    weibull = next((f for f in fits if f.family == "weibull" and f.converged), None)
    shape = interval(weibull, lives, "shape", confidence) if weibull else Interval(math.nan, math.nan, math.nan, "")
    out |= {
        "extrapolated": any(out[f"{n}_extrapolated"] for n in LIFE_POINTS),
        "shape": _finite(shape.value),
        "shape_low": _finite(shape.low),
        "shape_high": _finite(shape.high),
        "wear": wear_of(shape),
    }
    out["early_until"] = hazard_minimum(**best.params) if best is not None and best.family == "early_wear_out" else None
    a = agreement(best, lives) if best is not None else Agreement(math.nan, math.nan, math.nan, 0, math.nan, "too few")
    out |= {
        "fit_distance": _finite(a.distance),
        "fit_distance_at": _finite(a.at),
        "fit_p": _finite(a.p),
        "fit_words": a.words,
        "interval_method": "" if best is None else interval_method(best),
    }
    return out


def _finite(x: float) -> float | None:
    return float(x) if x is not None and math.isfinite(x) else None


def _number(x: float) -> float | int:
    return int(x) if float(x).is_integer() else float(x)


def _json(value) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False)


def _fit_row(keys: dict, clock: str, f: Fit) -> dict:
    """A line of the published table `fits`."""
    good = f.converged
    return {
        **keys,
        "clock": clock,
        "family": f.family,
        "parameters": _json(f.params) if good else None,
        "covariance": _json(f.covariance_natural.tolist()) if good else None,
        "unconstrained": _json(f.theta.tolist()) if good else None,
        "unconstrained_covariance": _json(f.covariance.tolist()) if good else None,
        "log_likelihood": _finite(f.log_likelihood),
        "aic": _finite(f.aic),
        "lives": _number(f.lives),
        "failures": _number(f.failures),
        "vehicles": f.clusters,
        "failed_vehicles": f.failed_clusters,
        "chosen": f.chosen,
        "converged": good,
        "warning": f.warning,
        "borrowed": f.borrowed,
        "borrowed_from": f.borrowed_from,
        "largest_failure": _finite(f.largest_failure),
        "largest_time": _finite(f.largest_time),
        "least_age": _finite(f.least_age),
    }


def fits_from_table(fits: pl.DataFrame, keys: Sequence[str], *, chosen: bool = True) -> dict[tuple, Fit]:
    """Read a table `fits` back: keys (a tuple of values, in the order given) -> Fit; only chosen and converged ones
    by default.

    The model-based and row-wise covariances are not published; they come back as nan. With chosen False the family's
    name is appended to the tuple.
    Pinned by tests/survival/test_fit.py.
    """
    out = {}
    for r in fits.filter(pl.col("converged") & (pl.col("chosen") | (not chosen))).iter_rows(named=True):
        f = family(r["family"])
        nan = np.full((f.size, f.size), np.nan)
        theta = np.array(json.loads(r["unconstrained"]))
        made = Fit(
            f.name,
            f.names,
            {k: float(v) for k, v in json.loads(r["parameters"]).items()},
            theta,
            np.array(json.loads(r["unconstrained_covariance"])),
            np.array(json.loads(r["covariance"])),
            nan,
            nan,
            _or_nan(r["log_likelihood"]),
            _or_nan(r["aic"]),
            r["lives"],
            r["failures"],
            r["vehicles"],
            True,
            r["warning"],
            r["chosen"],
            _or_nan(r["largest_failure"]),
            _or_nan(r["largest_time"]),
            _or_nan(r["least_age"]),
            r["borrowed"],
            r["borrowed_from"],
            r["failed_vehicles"],
        )
        out[tuple(r[k] for k in keys) + (() if chosen else (f.name,))] = made
    return out


def _or_nan(x: float | None) -> float:
    return math.nan if x is None else float(x)


_FIT_TYPES = {
    "family": pl.String,
    "parameters": pl.String,
    "covariance": pl.String,
    "unconstrained": pl.String,
    "unconstrained_covariance": pl.String,
    "log_likelihood": pl.Float64,
    "aic": pl.Float64,
    "lives": pl.Float64,
    "failures": pl.Float64,
    "vehicles": pl.Int64,
    "failed_vehicles": pl.Int64,
    "chosen": pl.Boolean,
    "converged": pl.Boolean,
    "warning": pl.String,
    "borrowed": pl.String,
    "borrowed_from": pl.String,
    "largest_failure": pl.Float64,
    "largest_time": pl.Float64,
    "least_age": pl.Float64,
}
_POINT_TYPES = {
    f"{n}{s}": (pl.Boolean if s in ("_reached", "_extrapolated") else pl.Float64)
    for n in LIFE_POINTS
    for s in ("", "_low", "_high", "_reached", "_extrapolated")
}
_LIFE_TYPES = {
    "family": pl.String,
    "lives": pl.Float64,
    "failures": pl.Float64,
    "vehicles": pl.Int64,
    "zero_length": pl.Int64,
    "borrowed": pl.Boolean,
    "borrowed_from": pl.String,
    **_POINT_TYPES,
    "extrapolated": pl.Boolean,
    "shape": pl.Float64,
    "shape_low": pl.Float64,
    "shape_high": pl.Float64,
    "wear": pl.String,
    "early_until": pl.Float64,
    "fit_distance": pl.Float64,
    "fit_distance_at": pl.Float64,
    "fit_p": pl.Float64,
    "fit_words": pl.String,
    "interval_method": pl.String,
    "note": pl.String,
}


def fit_set(
    lives: pl.DataFrame,
    keys: list[str],
    *,
    entry: str,
    exit: str,
    event: str = "failed",
    cluster: str | None = "vehicle",
    families: Sequence[str] | Callable[[tuple], Sequence[str]] = DEFAULT_FAMILIES,
    min_failures: float = 5,
    confidence: float = 0.95,
    clock: str = "days",
    root: int = 1,
    ending: str = "ending",
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fit every stratum and summarise its life: the published tables (`fits`, `life_summary`).

    lives: one row a life and stratum; `entry`, `exit` in the unit of `clock` (days, km, hours); rows without either
    time, with `in_curve` false, or of no length are left out (the last are counted). `event`: a column of true/false,
    0/1 or a probability (a doubtful ending counts as that share of a failure, at risk up to its end all the same);
    where there is no such column, a value of the column `ending`. `cluster`: the vehicle. families: those to try in
    every stratum, or a function from a stratum's keys to them. keys:
    ordered from wide to narrow; the value "all" means pooled. A stratum below min_failures (or whose fits all fail)
    borrows the fit of the nearest wider group: the last key set to "all", then the last two, and so on, but never the
    first `root` keys (a lamp borrows from no ballast); where no such stratum is in the table, its lives are pooled on
    the fly (each once, where there is a column life_id). Beside it
    stands a line `borrowed = 'shape'`, not chosen: Weibayes, the stratum's own scale at the wider
    group's Weibull shape.

    fits: keys, clock, family, parameters (JSON object), covariance (JSON matrix in the order of the parameters,
    robust by
        cluster), unconstrained and unconstrained_covariance (the same on the scale of families.py), log_likelihood,
        aic, lives, failures, vehicles, failed_vehicles, chosen, converged, warning, borrowed ('', 'fit', 'shape'),
        borrowed_from, largest_failure, largest_time, least_age. Read back with `fits_from_table`.
    life_summary: keys, clock, family, lives, failures, vehicles (the stratum's own), borrowed, borrowed_from, and b3,
    b10, median,
        characteristic_life (63.2 %), each with _low, _high, _reached (false and null where it lies beyond the last
        age watched) and _extrapolated (beyond the last failure, or below the least age watched); extrapolated (any);
        shape with limits and wear, both from the Weibull fit; early_until (age of least hazard, early-plus-wear-out
        only); fit_distance, fit_distance_at, fit_p, fit_words (see `agreement`); interval_method; note.
    Raises ValueError for missing columns and impossible times (see `sample`).
    Pinned by tests/survival/test_fit.py.
    """
    keys = list(keys)
    missing = [c for c in (*keys, entry, exit, *([cluster] if cluster else [])) if c not in lives.columns]
    if missing:
        raise ValueError(f"No column {', '.join(missing)} among {', '.join(lives.columns)}.")
    if "in_curve" in lives.columns:
        lives = lives.filter(pl.col("in_curve"))
    if event in lives.columns:
        d = pl.col(event).cast(pl.Float64)
    elif ending in lives.columns:
        d = (pl.col(ending) == event).cast(pl.Float64).fill_null(0.0)
    else:
        raise ValueError(f"No column {event} or {ending} among {', '.join(lives.columns)}.")
    frame = lives.select(
        *keys,
        pl.col(entry).cast(pl.Float64).alias("_e"),
        pl.col(exit).cast(pl.Float64).alias("_x"),
        d.alias("_d"),
        *([pl.col(cluster).alias("_c")] if cluster else []),
        *([pl.col("life_id").rank("dense").alias("_l")] if "life_id" in lives.columns else []),
    )
    frame = frame.filter(pl.col("_e").is_not_null() & pl.col("_x").is_not_null())
    if frame["_d"].null_count():
        raise ValueError(f"{frame['_d'].null_count()} lives have no {event}.")
    strata, codes = strata_of(frame, keys)
    n_strata = strata.height if keys else min(frame.height, 1)
    e, x, d = (frame[c].to_numpy() for c in ("_e", "_x", "_d"))
    c = frame["_c"].cast(pl.String).rank("dense").fill_null(0).cast(pl.Int64).to_numpy() if cluster else None
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(n_strata + 1))
    life = frame["_l"].to_numpy() if "_l" in frame.columns else None
    sample(x, d, entry=e)  # refuses impossible times in words

    def lives_of(rows: np.ndarray) -> Sample:
        return sample(x[rows], d[rows], entry=e[rows], cluster=None if c is None else c[rows])

    keep = x > e
    batch = weibull_batch(e[keep], x[keep], d[keep], codes[keep], n_strata, min_failures=min_failures)
    names = [tuple(r) for r in strata.iter_rows()] if keys else [()] * n_strata
    place = {k: i for i, k in enumerate(names)}
    columns = {k: frame[k].cast(pl.String) for k in keys}
    has_all = {k: bool((columns[k] == "all").any()) for k in keys}
    # each key's values as numbers: comparing them is all that a search for wider groups does
    numbers = [{v: n for n, v in enumerate(columns[k].fill_null("\0").unique().to_list())} for k in keys]
    text = [columns[k].fill_null("\0").replace_strict(m, return_dtype=pl.Int32).to_numpy()
            for k, m in zip(keys, numbers, strict=True)]
    groups: dict[tuple, _Group] = {}
    twins: dict[tuple | None, _Group] = {}

    def group_of(key: tuple, rows: np.ndarray, b: int | None) -> _Group:
        if key in groups:
            return groups[key]
        tried = tuple(families(key) if callable(families) else families)
        # Strata of the same lives (parts that only one lighting has, and all lightings together) are fitted once.
        same = (np.sort(life[rows]).tobytes(), tried) if life is not None else None
        if same in twins:
            groups[key] = twins[same]
            return groups[key]
        s = lives_of(rows)
        start = None
        if b is not None:
            if batch.ok[b]:
                seed = refusal("weibull", s, "")
                seed = replace(seed, theta=np.log([batch.shape[b], batch.scale[b]]), converged=True)
                start = fit("weibull", s, min_failures=min_failures, start=seed)
            else:
                start = refusal("weibull", s, batch.reason[b])
        made = fit_families(s, tried, min_failures=min_failures, weibull=start)
        best = next((f for f in made if f.chosen), None)
        every = made if start is None else [*made, start]
        groups[key] = _Group(made, best, lambda: _summary(best, every, s, confidence) if best is not None else {})
        if same is not None:
            twins[same] = groups[key]
        return groups[key]

    def parents(key: tuple):
        """Wider groups, nearest first: (name of the group, its rows, its place among the strata or None)."""
        for j in range(len(keys) - 1, root - 1, -1):
            wider = key[:j] + ("all",) * (len(keys) - j)
            if wider == key:
                continue
            if wider in place:
                b = place[wider]
                yield wider, order[starts[b] : starts[b + 1]], b
                continue
            mask = np.ones(len(x), bool)
            for i, k in enumerate(keys):
                if i < j:
                    mask &= text[i] == numbers[i]["\0" if key[i] is None else str(key[i])]
                elif i == j:
                    mask &= text[i] != numbers[i].get("all", -1)
                elif has_all[k]:
                    mask &= text[i] == numbers[i]["all"]
            found = np.flatnonzero(mask)
            if life is not None:  # a life stands once in each of its strata: in a pool of them it counts once
                found = found[np.sort(np.unique(life[found], return_index=True)[1])]
            yield wider, found, None

    fit_rows, life_rows = [], []
    for b, key in enumerate(names):
        rows = order[starts[b] : starts[b + 1]]
        named = dict(zip(keys, key, strict=False))
        zero = int((~keep[rows]).sum())
        own_failures, own_lives = float(d[rows][keep[rows]].sum()), int(keep[rows].sum())
        vehicles = own_lives if c is None else len(np.unique(c[rows][keep[rows]]))
        base = {
            **named,
            "clock": clock,
            "lives": own_lives,
            "failures": own_failures,
            "vehicles": vehicles,
            "zero_length": zero,
        }
        own = group_of(key, rows, b) if own_failures >= min_failures else None
        if own is not None:
            fit_rows += [_fit_row(named, clock, f) for f in own.fits]
        if own is not None and own.best is not None:
            life_rows.append(
                {
                    **base,
                    "family": own.best.family,
                    "borrowed": False,
                    "borrowed_from": "",
                    **own.summary,
                    "note": own.best.warning,
                }
            )
            continue
        why = (
            too_few(own_failures, 0, min_failures, 0)
            if own_failures < min_failures
            else next((f.warning for f in own.fits if f.warning), "No family could be fitted.")
        )
        lender = None
        for wider, theirs, at in parents(key):
            failed = float(d[theirs][keep[theirs]].sum())
            if failed < min_failures:
                continue
            group = group_of(wider, theirs, at)
            if group.best is not None:
                lender = (wider, group)
                break
        if lender is None:
            note = f"{why} No wider group has enough either."
            fit_rows.append(
                _fit_row(
                    named,
                    clock,
                    replace(refusal("weibull", None, note), lives=own_lives, failures=own_failures, clusters=vehicles),
                )
            )
            life_rows.append(
                {
                    **base,
                    "family": None,
                    "borrowed": False,
                    "borrowed_from": "",
                    **_summary(None, [], lives_of(rows), confidence),
                    "note": note,
                }
            )
            continue
        wider, group = lender
        source = ", ".join(f"{k}={'unknown' if v is None else v}" for k, v in zip(keys, wider, strict=False))
        note = f"{why} The curve of the wider group is shown."
        fit_rows.append(
            _fit_row(
                named,
                clock,
                replace(
                    group.best,
                    lives=own_lives,
                    failures=own_failures,
                    clusters=vehicles,
                    borrowed="fit",
                    borrowed_from=source,
                    warning=note,
                ),
            )
        )
        life_rows.append(
            {
                **base,
                "family": group.best.family,
                "borrowed": True,
                "borrowed_from": source,
                **group.summary,
                "note": note,
            }
        )
        weibull = next((f for f in group.fits if f.family == "weibull" and f.converged), None)
        if weibull is not None and own_lives and own_failures > 0:
            fit_rows.append(_fit_row(named, clock, _weibayes_fit(weibull, lives_of(rows), source)))
    fits = pl.DataFrame(fit_rows, schema=_schema(frame, keys, _FIT_TYPES), orient="row")
    return fits, pl.DataFrame(life_rows, schema=_schema(frame, keys, _LIFE_TYPES), orient="row")


def _schema(frame: pl.DataFrame, keys: Sequence[str], types: dict) -> dict:
    return {**{k: frame.schema[k] for k in keys}, "clock": pl.String, **types}


def _weibayes_fit(parent: Fit, lives: Sample, source: str) -> Fit:
    """The stratum's own scale at the parent's shape: covariance from the number of failures and the shape's own
    uncertainty."""
    shape = parent.params["shape"]
    f = family("weibull")
    # A = sum exit^k - entry^k over r failures: scale = (A / r)^(1 / k), as in `weibayes`; its slope in ln k at fixed data
    late = lives.entry > 0
    log_x, log_e = np.log(lives.lower), np.log(np.where(late, lives.entry, 1.0))
    x, e = lives.weight * lives.lower**shape, lives.weight * np.where(late, lives.entry, 0.0) ** shape
    r, total = lives.failures, float(x.sum() - e.sum())
    log_scale = math.log(total / r) / shape
    slope = float(x @ log_x - e @ log_e) / total - log_scale
    theta = np.array([math.log(shape), log_scale])
    v_shape = float(parent.covariance[0, 0])
    cov = np.array([[v_shape, slope * v_shape], [slope * v_shape, slope**2 * v_shape + 1 / (r * shape**2)]])
    j = f.jacobian(theta)
    value = r * (theta[0] - shape * log_scale) + (shape - 1) * float((lives.weight * lives.event) @ log_x) - r
    times = lives.failure_times
    return Fit(
        "weibull",
        f.names,
        dict(zip(f.names, map(float, f.natural(theta)), strict=False)),
        theta,
        cov,
        cov * np.outer(j, j),
        cov,
        cov,
        value,
        2 - 2 * value,
        lives.lives,
        lives.failures,
        clusters_of(lives),
        True,
        "Weibayes: the shape is the wider group's, only the scale its own.",
        False,
        float(times[-1]),
        lives.largest_time,
        float(np.min(lives.entry, initial=math.inf)),
        "shape",
        source,
        failed_clusters_of(lives),
    )
