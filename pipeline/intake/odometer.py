"""Odometer readings: find the wrong ones, mend where the mend is plain, and read kilometres at any date.

Method. Per vehicle, a dynamic programme finds the cheapest explanation of the readings in date order: keep,
leave out, read in the other unit, cluster replaced or wound back, rolled over. Kept neighbours must go up,
and not
faster than a vehicle can; a pace far above the vehicle's own median pace (after Theil 1950, Sen 1968) costs.
A
reading left out is then tried against the ways a clerk goes wrong (other unit, digit dropped, doubled,
swapped,
mistyped), each weighed by Bayes' rule against "simply wrong": likelihood of the typed figure given the
mended one,
times how well the mended one lies between its kept neighbours. It is mended only if one mended value holds
nearly
all the weight; otherwise its km is null. Good vehicles never reach the programme.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl

from pipeline.intake.distance import km_at

__all__ = ["KM_PER_MILE", "RULES", "OdometerLimits", "km_at", "mend_readings"]

KM_PER_MILE = 1.609344  # exact by definition (1959 international yard and pound agreement)

RULES = (
    "ok", "miles_in_km_column", "km_in_miles_column", "dropped_digit", "extra_digit", "swapped_digits",
    "slipped_digit", "placeholder", "other_vehicle", "rollover", "cluster_replaced", "rollback",
    "unexplained", "missing",
)  # fmt: skip
_CODE = {name: code for code, name in enumerate(RULES)}

# Typed when nobody looked at the dash (common practice, no source).
_PLACEHOLDERS = frozenset(
    [0, 1, 12345, 123456, 1234567] + [int(d * n) for d in "123456789" for n in (5, 6, 7)]
)


@dataclass(frozen=True)
class OdometerLimits:
    """What is believed about odometers. All figures are common practice without a source.

    `max_km_per_day`: bound for a pair of kept readings. `typical_km_per_day`: prior pace where a vehicle
    shows
    little. `max_km`: above this a reading is never kept. `slack_km`: a drop smaller than this plus one day's
    pace is
    no fault. Costs are in units of "one reading left out". `mend_at`: least posterior weight of a mend;
    `swap_at`:
    the same, where it also turns round which of two neighbours was wrong. `off_line`: a steady vehicle's
    reading
    this many of its own strays off the line is doubted though it lies between its neighbours.
    """

    max_km_per_day: float = 1500.0
    typical_km_per_day: float = 60.0
    max_km: float = 4_000_000.0
    slack_km: float = 25.0
    easy_ratio: float = 3.0
    pace_cost: float = 1.0
    unit_switch_cost: float = 0.7
    unit_row_cost: float = 0.06
    break_cost: float = 1.9
    rollover_cost: float = 1.0
    lookback: int = 24
    mend_at: float = 0.9
    swap_at: float = 0.97
    off_line: float = 10.0


@dataclass(frozen=True)
class _Vehicle:
    """One vehicle's distinct readings in date order (arrays of one length) and what was concluded of each."""

    day: np.ndarray
    typed: np.ndarray
    factor: np.ndarray
    raw: np.ndarray
    first_use: float


def mend_readings(
    readings: pl.DataFrame, *, default_unit: str = "km", limits: OdometerLimits = OdometerLimits()
) -> pl.DataFrame:
    """Judge every reading, and mend the plainly mendable.

    `readings`: vehicle, reading_on (Date), reading (number, nullable); optional unit ('km' or 'mi',
    nullable),
    vehicle_unit (the vehicle's own, used where unit is null), first_use_on (Date), file, row. Others pass
    through.
    Returns the same rows in the same order plus km (null where unusable), raw_km (as typed, in km), rule
    (one of
    `RULES`) and confidence (0 to 1, in the rule). Repeats of one reading (same vehicle, day, figure) are
    judged once,
    so a figure printed on ten lines of an order has one voice. After a replaced or wound-back dash, or a
    rollover,
    every later reading carries that rule and what had been driven before; a slip among them carries its own
    rule.
    Raises ValueError for a missing column or a unit that is not km or mi.
    """
    for name in ("vehicle", "reading_on", "reading"):
        if name not in readings.columns:
            raise ValueError(f"odometer readings lack the column {name!r}; it is needed to judge them")
    if default_unit not in ("km", "mi"):
        raise ValueError(f"default unit is {default_unit!r}; it must be 'km' or 'mi'")
    units = [pl.col(c).cast(pl.String) for c in ("unit", "vehicle_unit") if c in readings.columns]
    frame = readings.select(
        "vehicle",
        pl.col("reading_on").cast(pl.Date).cast(pl.Int32).alias("day"),
        pl.col("reading").cast(pl.Float64).alias("typed"),
        pl.coalesce(*units, pl.lit(default_unit)).alias("unit"),
        (
            pl.col("first_use_on").cast(pl.Date).cast(pl.Int32)
            if "first_use_on" in readings.columns
            else pl.lit(None, pl.Int32)
        ).alias("first_use"),
    ).with_row_index("at")
    strange = frame.filter(~pl.col("unit").is_in(["km", "mi"]))
    if strange.height:
        raise ValueError(
            f"odometer unit {strange['unit'][0]!r} is not 'km' or 'mi'; map it before judging readings"
        )
    frame = frame.with_columns(
        pl.when(pl.col("unit") == "mi").then(KM_PER_MILE).otherwise(1.0).alias("factor"),
        pl.when(pl.col("typed").is_finite()).then(pl.col("typed")).alias("typed"),
    ).with_columns((pl.col("typed") * pl.col("factor")).alias("raw"))
    usable = frame.filter(
        pl.col("typed").is_not_null() & pl.col("day").is_not_null() & pl.col("vehicle").is_not_null()
    )
    keys = ["vehicle", "day", "raw", "factor"]
    distinct = (
        usable.group_by(keys)
        .agg(pl.col("first_use").min(), pl.col("typed").first())
        .sort(keys)
        .with_columns(pl.col("first_use").min().over("vehicle"))
    )
    km, rule, confidence = _judge(distinct, limits)
    verdict = distinct.select(keys).with_columns(
        pl.Series("km", km, nan_to_null=True),
        pl.Series("rule", np.array(RULES)[rule], dtype=pl.String),
        pl.Series("confidence", confidence),
    )
    verdict = _other_vehicles(verdict, distinct)
    judged = (
        frame.select("at", *keys)
        .join(verdict, on=keys, how="left", maintain_order="left", nulls_equal=False)
        .sort("at")
    )
    return readings.with_columns(
        judged["km"].alias("km"),
        judged["raw"].alias("raw_km"),
        judged["rule"].fill_null("missing").alias("rule"),
        judged["confidence"].fill_null(1.0).alias("confidence"),
    )


def _judge(distinct: pl.DataFrame, limits: OdometerLimits) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Screen all vehicles at once, then look closely at those whose readings as typed cost anything."""
    n = distinct.height
    raw = distinct["raw"].to_numpy()
    km = raw.copy()
    rule = np.zeros(n, np.int8)
    confidence = np.ones(n)
    if n == 0:
        return km, rule, confidence
    typed = distinct["typed"].to_numpy()
    factor = distinct["factor"].to_numpy()
    day = distinct["day"].to_numpy().astype(float)
    first_use = distinct["first_use"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    code = distinct["vehicle"].rle_id().to_numpy()
    start = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    size = np.diff(np.r_[start, n])

    gap = np.diff(day)
    rise = np.diff(raw)
    same = code[1:] == code[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        pace = rise / gap
    good = same & (gap >= 7) & (rise > 0) & (pace <= limits.max_km_per_day)
    own = (
        pl.DataFrame({"code": code[1:][good], "pace": pace[good]})
        .group_by("code")
        .agg(pl.col("pace").median(), pl.len().alias("n"))
    )
    rate = np.full(start.size, limits.typical_km_per_day)
    at = own["code"].to_numpy()
    rate[at] = _shrunk(own["pace"].to_numpy(), own["n"].to_numpy(), limits)
    cost = np.zeros(n)
    r = rate[code[1:]]
    cost[1:][same] = _pair_cost(rise[same], gap[same], r[same], limits)
    cost[start] = _start_cost(raw[start], day[start] - first_use[start], rate, limits)
    cost += np.where((raw < 0) | (raw > limits.max_km) | _is_placeholder(typed), 9.0, 0.0)
    total = np.add.reduceat(cost, start)
    total[_off_line(code, day, raw, rate, limits)] = 1.0
    for v in np.flatnonzero(total > 0.3):
        part = slice(start[v], start[v] + size[v])
        one = _Vehicle(day[part], typed[part], factor[part], raw[part], float(first_use[start[v]]))
        km[part], rule[part], confidence[part] = _mend_one(one, limits)
    confidence[np.repeat(size <= 2, size) & (rule == 0)] = 0.5
    return km, rule, confidence


def _off_line(
    code: np.ndarray, day: np.ndarray, raw: np.ndarray, rate: np.ndarray, limits: OdometerLimits
) -> np.ndarray:
    """Vehicles with a reading far off the line for how steady they are (the screen of `_mend_off_line`)."""
    if raw.size < 8:
        return np.zeros(0, np.int64)
    off, _, reach = _strays(day, raw)
    inner = code[1:-1]
    whole = (code[:-2] == inner) & (code[2:] == inner) & (reach >= 2.0)
    off, reach, inner = off[whole], reach[whole], inner[whole]
    scale = (
        pl.DataFrame({"code": inner, "stray": off / reach})
        .group_by("code")
        .agg(pl.col("stray").median() * 1.4826, pl.len().alias("n"))
        .filter(pl.col("n") >= 6)
    )
    own = np.full(rate.size, np.inf)
    own[scale["code"].to_numpy()] = scale["stray"].to_numpy()
    far = (off > 1500.0) & (off > limits.off_line * (own[inner] * reach + 40.0 + 0.5 * rate[inner]))
    return np.unique(inner[far])


def _shrunk(pace: np.ndarray, n: np.ndarray, limits: OdometerLimits) -> np.ndarray:
    """Own pace drawn towards the typical one as by one more interval, on the log scale."""
    own = np.log(np.clip(pace, 3.0, limits.max_km_per_day))
    return np.exp((n * own + np.log(limits.typical_km_per_day)) / (n + 1.0))


def _is_placeholder(typed: np.ndarray) -> np.ndarray:
    return np.isin(typed, np.fromiter(sorted(_PLACEHOLDERS), float))


def _log_ratio(rise: np.ndarray, gap: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """ln(distance driven / distance expected), damped so that a fortnight's difference counts for nothing."""
    damp = 15.0 * rate + 300.0
    return np.log(np.maximum(rise + damp, 1.0) / (rate * gap + damp))


def _pair_cost(rise: np.ndarray, gap: np.ndarray, rate: np.ndarray, limits: OdometerLimits) -> np.ndarray:
    """Cost of two kept readings in the same unit following each other; inf where impossible."""
    over = np.maximum(_log_ratio(rise, gap, rate) - np.log(limits.easy_ratio), 0.0)
    fits = (rise >= -(limits.slack_km + rate)) & (rise <= limits.max_km_per_day * (gap + 1.0))
    return np.where(fits, limits.pace_cost * over * over, np.inf)


def _start_cost(raw: np.ndarray, age: np.ndarray, rate: np.ndarray, limits: OdometerLimits) -> np.ndarray:
    """Cost of a first kept reading, days since first use given (nan: unknown). Bounded: that date may be
    wrong."""
    known = np.isfinite(age)
    over = np.maximum(
        _log_ratio(raw, np.where(known, np.maximum(age, 0.0), 0.0), rate) - np.log(limits.easy_ratio), 0.0
    )
    return np.where(known, np.minimum(0.5 * limits.pace_cost * over * over, 1.5), 0.0)


def _own_rate(v: _Vehicle, limits: OdometerLimits) -> float:
    """Time-weighted median of the possible slopes between neighbours and next-but-one neighbours."""
    slopes, weights = [], []
    for step in (1, 2):
        gap = v.day[step:] - v.day[:-step]
        rise = v.raw[step:] - v.raw[:-step]
        fits = (gap >= 7) & (rise > 0) & (rise <= limits.max_km_per_day * gap)
        slopes.append(rise[fits] / gap[fits])
        weights.append(np.minimum(gap[fits], 400.0))
    slope, weight = np.concatenate(slopes), np.concatenate(weights)
    if slope.size == 0:
        return limits.typical_km_per_day
    order = np.argsort(slope, kind="stable")
    cum = np.cumsum(weight[order])
    middle = slope[order][np.searchsorted(cum, cum[-1] / 2)]
    return float(_shrunk(np.array([middle]), np.array([slope.size / 2.0]), limits)[0])


def _best_chain(v: _Vehicle, rate: float, limits: OdometerLimits) -> tuple[list[int], list[int], list[int]]:
    """Cheapest explanation: kept positions, their unit mode (0 as declared, 1 the other), the kind of step
    into
    each (0 plain, 1 break downwards, 2 and 3 rollover at 1e5 and 1e6 of the dash's unit)."""
    n = v.raw.size
    k = min(limits.lookback, n - 1)
    other = np.where(v.factor == 1.0, KM_PER_MILE, 1.0 / KM_PER_MILE)
    value = np.stack([v.raw, v.raw * other], axis=1)
    banned = (v.raw < 0) | (v.raw > limits.max_km)
    # Odd figures (0, 1, 111111, ...) may be true; they lose ties, and 0 and 1 must be near first use.
    suspect = np.where(_is_placeholder(v.typed), 0.4, 0.0)
    age = v.day - v.first_use
    if n > 1:
        low = (v.typed <= 1) & ~(age <= 60)
        later = np.r_[v.raw[1:], v.raw[-1]] > 1.5 * rate * np.r_[np.diff(v.day), 0.0] + 500.0
        suspect = np.where(low & later, 2.0, suspect)
    node = np.where(banned, np.inf, suspect)[:, None] + np.array([0.0, limits.unit_row_cost])
    i = np.arange(n)[:, None]
    j = i - 1 - np.arange(max(k, 1))[None, :]
    valid = j >= 0
    jj = np.where(valid, j, 0)
    gap = v.day[i] - v.day[jj]
    rate_a = np.full(1, rate)
    step_cost = np.full((n, jj.shape[1], 2, 2), np.inf)
    kind = np.zeros(step_cost.shape, np.int8)
    for a in (0, 1):
        for b in (0, 1):
            rise = value[i, b] - value[jj, a]
            pace = _log_ratio(rise, gap, rate_a)
            # the last term only settles ties: of two readings that contradict each other, the odder pace goes
            cost = _pair_cost(rise, gap, rate_a, limits) + 0.1 * np.minimum(pace * pace, 3.0)
            if a != b:
                off = np.maximum(np.abs(pace) - np.log(2.0), 0.0)
                cost = np.where(
                    np.isfinite(cost),
                    limits.unit_switch_cost + np.where(pace > 0, 4.0, 1.0) * off * off,
                    np.inf,
                )
            elif a == 1:
                # staying in the other unit must suit the vehicle's own pace, else going back is likelier
                off = np.maximum(np.abs(pace) - np.log(2.0), 0.0)
                cost = np.where(np.isfinite(cost), 2.0 * off * off, np.inf)
            if a == b:
                down = (rise < -(limits.slack_km + rate)) & (value[i, b] >= 0)
                if down.any():
                    cost = np.where(down, limits.break_cost, cost)
                    kind[:, :, a, b] = np.where(down, 1, 0)
                    for which, digits in ((2, 1e5), (3, 1e6)):
                        # a dash of five figures never shows six: more than a stray figure of six rules it out
                        if (v.typed >= digits).sum() > 0.1 * n:
                            continue
                        turn = digits * v.factor[jj] * (other[jj] if a else 1.0)
                        full = rise + turn
                        off = np.maximum(np.abs(_log_ratio(full, gap, rate_a)) - np.log(1.6), 0.0)
                        here = limits.rollover_cost + 4.0 * off * off
                        wraps = (
                            down
                            & (value[jj, a] < turn)
                            & (full >= 0)
                            & (full <= limits.max_km_per_day * (gap + 1.0))
                        )
                        better = wraps & (here < cost)
                        cost = np.where(better, here, cost)
                        kind[:, :, a, b] = np.where(better, which, kind[:, :, a, b])
            step_cost[:, :, a, b] = np.where(valid, cost, np.inf)
    # one for each reading left out; two across a break, or good readings would go to make a break fit
    step_cost += np.arange(step_cost.shape[1])[None, :, None, None] * np.where(kind > 0, 2.0, 1.0)
    start = np.arange(n)[:, None] + np.stack(
        [_start_cost(value[:, m], age, rate_a, limits) + m * limits.unit_switch_cost for m in (0, 1)], axis=1
    )  # fmt: skip
    best = start + node
    back = np.full((n, 2, 2), -1, np.int64)
    width = step_cost.shape[1]
    for p in range(1, n):
        w = min(p, width)
        seen = best[p - w : p][::-1]  # lookback 0 first
        for m in (0, 1):
            through = (seen + step_cost[p, :w, :, m]).ravel()
            q = int(through.argmin())
            if through[q] + node[p, m] < best[p, m]:
                best[p, m] = through[q] + node[p, m]
                back[p, m] = (p - 1 - q // 2, q % 2)
    end = best + np.arange(n - 1, -1, -1)[:, None]
    p, m = np.unravel_index(int(end.argmin()), end.shape)
    if not np.isfinite(end[p, m]) or end[p, m] >= n:
        return [], [], []
    kept, modes, kinds = [], [], []
    p, m = int(p), int(m)
    while p >= 0:
        kept.append(p)
        modes.append(m)
        q, a = (int(x) for x in back[p, m])
        kinds.append(int(kind[p, p - 1 - q, a, m]) if q >= 0 else 0)
        p, m = q, a
    return kept[::-1], modes[::-1], kinds[::-1]


def _mend_one(v: _Vehicle, limits: OdometerLimits) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    n = v.raw.size
    km = np.full(n, np.nan)
    rule = np.full(n, _CODE["unexplained"], np.int8)
    confidence = np.full(n, 0.5)
    rule[_is_placeholder(v.typed) | (v.raw < 0)] = _CODE["placeholder"]
    rate = _own_rate(v, limits)
    if n <= 2:
        return _mend_few(v, rate, km, rule, confidence, limits)
    kept, modes, kinds = _best_chain(v, rate, limits)
    if not kept:
        return km, rule, confidence
    other = np.where(v.factor == 1.0, KM_PER_MILE, 1.0 / KM_PER_MILE)
    # Short runs in the other unit are single slips: they are judged with the other slips, below.
    runs = np.array(modes)
    edges = np.flatnonzero(np.r_[True, runs[1:] != runs[:-1]])
    for begin, stop in zip(edges, np.r_[edges[1:], runs.size], strict=True):
        if runs[begin] == 1 and stop - begin <= 2:
            for at in range(begin, stop):
                modes[at] = -1
    _reconsider_runs(v, kept, modes, kinds, other, rate)
    offset, turn_of, why = 0.0, np.zeros(n), _CODE["ok"]
    last = -1
    carried = 0  # kind of a break at a row that is itself taken out must not be lost
    for at, p in enumerate(kept):
        carried = max(carried, kinds[at])
        if modes[at] == -1:
            continue
        shown = v.raw[p] * (other[p] if modes[at] else 1.0)
        if carried and last >= 0:
            before = km[last]
            gap = v.day[p] - v.day[last]
            if carried >= 2:
                turn = (1e5 if carried == 2 else 1e6) * v.factor[p] * (other[p] if modes[at] else 1.0)
                offset, why = offset + turn, _CODE["rollover"]
            else:
                local, after = _local_rate(v, kept, at, rate)
                travelled = local * gap
                # a new dash starts at 0, so it cannot show more than was driven in the gap
                fresh = shown <= max(1.5 * max(rate, local, after) * gap + 500.0, 0.02 * (before - offset))
                target = before + (max(travelled, shown) if fresh else travelled)
                offset, why = target - shown, _CODE["cluster_replaced" if fresh else "rollback"]
        carried = 0
        km[p] = shown + offset
        turn_of[p] = offset
        rule[p] = why if why else (_unit_rule(v, p) if modes[at] else _CODE["ok"])
        confidence[p] = 1.0 if rule[p] == 0 else (0.95 if why in (0, _CODE["rollover"]) else 0.8)
        last = p
    _mend_slips(v, km, rule, confidence, turn_of, rate, limits)
    _mend_off_line(v, km, rule, confidence, turn_of, rate, limits)
    return km, rule, confidence


def _reconsider_runs(
    v: _Vehicle, kept: list[int], modes: list[int], kinds: list[int], other: np.ndarray, rate: float
) -> None:
    """A run in the other unit at the start or end of a history may also lie before or after a dash wound back
    or replaced: the pace inside the run tells. In the other unit it must not suit the vehicle worse
    than as typed (squared log ratios). A run with the declared unit on both sides has proved itself."""
    changes = [at for at in range(1, len(modes)) if modes[at] != modes[at - 1]]
    if not changes or -1 in (modes[0], modes[-1]):
        return
    for cut, begin, stop in ((changes[0], 0, changes[0]), (changes[-1], changes[-1], len(modes))):
        if modes[begin] != 1 or (begin and modes[begin - 1] != 0) or (stop < len(modes) and modes[stop] != 0):
            continue
        first, last = kept[begin], kept[stop - 1]
        a, b = kept[cut - 1], kept[cut]
        days, rise = v.day[last] - v.day[first], v.raw[last] - v.raw[first]
        gap = v.day[b] - v.day[a]
        if days < 30 or rise <= 0 or v.raw[b] >= v.raw[a]:
            continue
        turned = np.log(other[first] * rise / days / rate) ** 2
        if gap >= 30:
            scale_a, scale_b = (1.0, other[b]) if begin else (other[a], 1.0)
            turned += np.log(max(v.raw[b] * scale_b - v.raw[a] * scale_a, 1.0) / gap / rate) ** 2
        if turned - np.log(rise / days / rate) ** 2 > 0.25:
            modes[begin:stop] = [0] * (stop - begin)
            kinds[cut] = 1


def _unit_rule(v: _Vehicle, p: int) -> int:
    return _CODE["miles_in_km_column" if v.factor[p] == 1.0 else "km_in_miles_column"]


def _local_rate(v: _Vehicle, kept: list[int], at: int, rate: float) -> tuple[float, float]:
    """Pace around a break and after it: up to three kept intervals a side, the broken one left out; own
    median
    where fewer than 30 days are told."""
    lo, hi = max(at - 4, 0), min(at + 3, len(kept) - 1)
    driven, days = [0.0, 0.0], [0.0, 0.0]
    for a, b in zip(range(lo, hi), range(lo + 1, hi + 1), strict=True):
        rise = v.raw[kept[b]] - v.raw[kept[a]]
        gap = v.day[kept[b]] - v.day[kept[a]]
        if b != at and 0 <= rise <= 5 * (rate * gap + 300.0):
            driven[b > at] += rise
            days[b > at] += gap
    return (
        sum(driven) / sum(days) if sum(days) >= 30 else rate,
        driven[1] / days[1] if days[1] >= 30 else rate,
    )


def _mend_few(
    v: _Vehicle, rate: float, km: np.ndarray, rule: np.ndarray, confidence: np.ndarray, limits: OdometerLimits
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One or two readings: left as they are unless absurd. Two that contradict each other: first use
    decides."""
    age = v.day - v.first_use
    absurd = (v.raw < 0) | (v.raw > limits.max_km) | np.isin(v.typed, (999999, 9999999))
    absurd |= (v.typed <= 1) & (age > 60)
    absurd |= v.raw > limits.max_km_per_day * (np.where(age >= 0, age, np.inf) + 60.0)
    good = ~absurd
    if good.sum() == 2:
        cost = _pair_cost(np.diff(v.raw), np.diff(v.day), np.array([rate]), limits)
        if not np.isfinite(cost[0]):
            # the one that suits the time since first use is believed if the other plainly does not
            off = np.abs(_log_ratio(v.raw, np.where(age > 30, age, np.nan), np.full(2, rate)))
            off = np.where(_is_placeholder(v.typed), np.inf, off)
            good = (off < np.log(2.0)) & (off[::-1] > np.log(3.0))
    km[good] = v.raw[good]
    rule[good] = _CODE["ok"]
    return km, rule, confidence


# ---- single slips ---------------------------------------------------------------------------------------

# Weights of the ways to go wrong before seeing the figure; "wrong" is anything else. No source: rough
# shares, set
# by the synthetic fleets of the tests (on other seeds than those asserted there).
_PRIOR = {
    "unit": 0.25,
    "dropped_digit": 0.15,
    "extra_digit": 0.12,
    "swapped_digits": 0.14,
    "slipped_digit": 0.16,
    "wrong": 0.06,
}


@lru_cache(maxsize=4096)
def _candidates(figure: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What a typed whole figure may stand for: meant figure, rule code, prior times P(typed | meant)."""
    text = str(figure)
    size = len(text)
    found: dict[tuple[int, str], float] = {}

    def add(meant: str, name: str, chance: float) -> None:
        if meant and meant[0] != "0" and meant != text:
            key = (int(meant), name)
            found[key] = found.get(key, 0.0) + chance

    for at in range(size + 1):
        for digit in "0123456789":
            add(text[:at] + digit + text[at:], "dropped_digit", 1.0 / (size + 1))
    for at in range(size):
        # a key pressed twice is likelier than a stray key
        twice = at > 0 and text[at] == text[at - 1]
        add(text[:at] + text[at + 1 :], "extra_digit", 0.5 / (10.0 * size) + (0.5 / size if twice else 0.0))
        for digit in "0123456789":
            add(text[:at] + digit + text[at + 1 :], "slipped_digit", 1.0 / (9.0 * size))
        if at:
            add(
                text[: at - 1] + text[at] + text[at - 1] + text[at + 1 :],
                "swapped_digits",
                1.0 / max(size - 1, 1),
            )
    # a lost first digit takes the zero behind it along ("102345" becomes "02345", kept as 2345)
    for digit in "123456789":
        add(digit + "0" + text, "dropped_digit", 1.0 / (size + 2))
    names = [name for _, name in found]
    return (
        np.array([meant for meant, _ in found], float),
        np.array([_CODE[name] for name in names], np.int8),
        np.array([found[key] * _PRIOR[key[1]] for key in found]),
    )


def _mend_slips(
    v: _Vehicle,
    km: np.ndarray,
    rule: np.ndarray,
    confidence: np.ndarray,
    offset: np.ndarray,
    rate: float,
    limits: OdometerLimits,
) -> None:
    """Try each reading left out against its kept neighbours (never mended ones); mends in place."""
    held = np.flatnonzero(np.isfinite(km))
    if held.size < 2:
        return
    spread = _wander(v.day[held], km[held], rate)
    for p in np.flatnonzero(~np.isfinite(km)):
        right = int(np.searchsorted(held, p))
        a = int(held[right - 1]) if right else -1
        b = int(held[right]) if right < held.size else -1
        if a >= 0 and b >= 0 and abs(offset[a] - offset[b]) > 1.0:
            continue  # the break lies somewhere in between: which dash was read is not told
        base = float(offset[a] if a >= 0 else offset[b])
        if rule[p] != _CODE["placeholder"] and _step_fits(v, km, a, p, b, base, rate, limits):
            km[p], rule[p], confidence[p] = v.raw[p] + base, _CODE["ok"], 0.8
            continue
        found = _slip(v, km, a, p, b, base, spread, rate, limits)
        if found is None and rule[p] != _CODE["placeholder"]:
            # Two neighbours contradict each other and the other one was kept. If leaving that one out instead
            # works, and a slip explains it, then it was the wrong one.
            for q, side in ((a, -1), (b, 1)):
                if q < 0 or rule[q] != _CODE["ok"] or offset[q] != base or abs(p - q) != 1:
                    continue
                at = right - 1 if side < 0 else right
                c = int(held[at + side]) if 0 <= at + side < held.size else -1
                left, after = (c, b) if side < 0 else (a, c)
                if any(n >= 0 and abs(offset[n] - base) > 1.0 for n in (left, after)):
                    continue
                if not _step_fits(v, km, left, p, after, base, rate, limits):
                    continue
                was = km[q], km[p]
                km[q], km[p] = np.nan, v.raw[p] + base
                if q > p:
                    other = _slip(v, km, p, q, after, base, spread, rate, limits)
                else:
                    other = _slip(v, km, left, q, p, base, spread, rate, limits)
                if other is not None and other[1] in _TYPED and other[2] >= limits.swap_at:
                    rule[p], confidence[p] = _CODE["ok"], 0.8
                    km[q], rule[q], confidence[q] = other
                    break
                km[q], km[p] = was
            held = np.flatnonzero(np.isfinite(km) & np.isin(rule, _HELD))
            continue
        if found is not None:
            km[p], rule[p], confidence[p] = found


def _strays(day: np.ndarray, km: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of inner readings: distance from the line between their neighbours, that line, the reach (days)
    scaling it."""
    left, after = day[1:-1] - day[:-2], day[2:] - day[1:-1]
    span = np.maximum(left + after, 1.0)
    line = km[:-2] + (km[2:] - km[:-2]) * left / span
    return np.abs(km[1:-1] - line), line, left * after / span


def _mend_off_line(
    v: _Vehicle,
    km: np.ndarray,
    rule: np.ndarray,
    confidence: np.ndarray,
    offset: np.ndarray,
    rate: float,
    limits: OdometerLimits,
) -> None:
    """A very steady vehicle's reading may lie between its neighbours and still be plainly off. Mended only
    where off
    by ten times what the vehicle ever strays, and a slip puts it back on the line, nearly certainly."""
    for _ in range(3):
        held = np.flatnonzero(np.isfinite(km) & np.isin(rule, _HELD))
        if held.size < 8:
            return
        off, line, reach = _strays(v.day[held], km[held])
        own = _steadiness(off, reach)
        sigma = np.where(reach > 0, own, 0.0) * reach + 40.0 + 0.5 * rate
        score = np.where(off > 1500.0, off / sigma, 0.0)
        for at in np.argsort(-score, kind="stable")[:3]:
            if score[at] < limits.off_line:
                return
            a, p, b = (int(x) for x in held[at : at + 3])
            if rule[p] != _CODE["ok"] or offset[a] != offset[b] or offset[a] != offset[p]:
                continue
            found = _slip(v, km, a, p, b, float(offset[p]), own, rate, limits)
            if found is None or found[2] < 0.99 or abs(found[0] - line[at]) > 3.0 * sigma[at]:
                continue
            km[p], rule[p], confidence[p] = found
            break
        else:
            return


def _steadiness(off: np.ndarray, reach: np.ndarray) -> float:
    """Robust scale of straying, km per day of reach; inf where there is too little to tell."""
    ok = reach >= 2.0
    if ok.sum() < 6:
        return float("inf")
    return 1.4826 * float(np.median(off[ok] / reach[ok]))


_TYPED = tuple(
    _CODE[n] for n in RULES if n.endswith("_digit") or n.endswith("_digits") or n.endswith("_column")
)
_HELD = tuple(_CODE[n] for n in ("ok", "rollover", "cluster_replaced", "rollback"))


def _step_fits(
    v: _Vehicle, km: np.ndarray, a: int, p: int, b: int, base: float, rate: float, limits: OdometerLimits
) -> bool:
    """Whether the reading as typed goes well between kept neighbours `a` and `b` (-1: none)."""
    if v.raw[p] < 0 or v.raw[p] > limits.max_km:
        return False
    value, cost = v.raw[p] + base, 0.0
    one = np.full(1, rate)
    if a >= 0:
        cost += float(_pair_cost(np.array([value - km[a]]), np.array([v.day[p] - v.day[a]]), one, limits)[0])
    else:
        cost += float(_start_cost(np.array([value]), np.array([v.day[p] - v.first_use]), one, limits)[0])
    if b >= 0:
        cost += float(_pair_cost(np.array([km[b] - value]), np.array([v.day[b] - v.day[p]]), one, limits)[0])
    return cost < 0.5


def _slip(
    v: _Vehicle,
    km: np.ndarray,
    a: int,
    p: int,
    b: int,
    base: float,
    spread: float,
    rate: float,
    limits: OdometerLimits,
) -> tuple[float, int, float] | None:
    """Mended km, rule and posterior weight of a reading between kept neighbours; None where not plain."""
    if v.raw[p] > 20 * limits.max_km or (a < 0 and b < 0):
        return None
    if a >= 0 and b >= 0:
        left, after = v.day[p] - v.day[a], v.day[b] - v.day[p]
        span = left + after
        middle = km[a] + (left / span if span > 0 else 0.5) * (km[b] - km[a])
        reach = left * after / span if span > 0 else 0.0
        low, high = km[a], km[b]
    elif a >= 0:
        reach = v.day[p] - v.day[a]
        middle, low, high = km[a] + rate * reach, km[a], km[a] + 4.0 * rate * reach + 1000.0
    else:
        reach = v.day[b] - v.day[p]
        middle, low, high = km[b] - rate * reach, max(km[b] - 4.0 * rate * reach - 1000.0, 0.0), km[b]
        if np.isfinite(v.first_use) and v.day[b] > v.day[p] > v.first_use:
            # driven since new: between nothing and the first kept reading
            middle = 0.5 * middle + 0.5 * km[b] * (v.day[p] - v.first_use) / (v.day[b] - v.first_use)
    slack = limits.slack_km + rate
    sigma = spread * reach + 40.0 + 0.5 * rate
    unit = KM_PER_MILE if v.factor[p] == 1.0 else 1.0 / KM_PER_MILE
    value = [np.array([v.raw[p] * unit])]
    code = [np.array([_unit_rule(v, p)], np.int8)]
    # a typed figure covers a whole unit: as many km as there are in it are told apart by nothing
    weight = [np.array([_PRIOR["unit"] * (KM_PER_MILE if v.factor[p] == 1.0 else 1.0)])]
    if v.typed[p] == np.floor(v.typed[p]) and 10 <= v.typed[p] < 1e8:
        meant, which, chance = _candidates(int(v.typed[p]))
        value.append(meant * v.factor[p])
        code.append(which)
        weight.append(chance * v.factor[p])
    val = np.concatenate(value) + base
    ways = np.concatenate(code)
    bell = np.exp(-0.5 * ((val - middle) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
    room = high - low + 2 * slack
    inside = (val >= low - slack) & (val <= high + slack)
    mass = np.concatenate(weight) * np.where(inside, 0.85 * bell + 0.15 / room, 0.0)
    wrong = _PRIOR["wrong"] / (1.5 * max(float(np.nanmax(km)), v.raw[p], 50_000.0))
    total = float(mass.sum()) + wrong
    best = int(mass.argmax())
    # Which digit went may stay open among figures close together; plain enough if they hold the weight.
    near = np.abs(val - val[best]) <= max(750.0, 0.015 * val[best])
    p_near = float(mass[near].sum()) / total
    if p_near < limits.mend_at:
        return None
    by_rule = np.bincount(ways[near], weights=mass[near], minlength=len(RULES))
    sure = mass[best] / total >= limits.mend_at
    mended = float(val[best]) if sure else float((val[near] * mass[near]).sum() / mass[near].sum())
    return mended, int(by_rule.argmax()), p_near


def _wander(day: np.ndarray, km: np.ndarray, rate: float) -> float:
    """How far (km per day of reach) a reading strays from the line between its neighbours: robust, drawn
    towards
    0.35 of the pace as if four readings had said so."""
    prior = 0.35 * rate
    if day.size < 3:
        return prior
    left, after = day[1:-1] - day[:-2], day[2:] - day[1:-1]
    ok = (left > 0) & (after > 0)
    if not ok.any():
        return prior
    left, after = left[ok], after[ok]
    line = km[:-2][ok] + (km[2:][ok] - km[:-2][ok]) * left / (left + after)
    stray = np.abs(km[1:-1][ok] - line) / (left * after / (left + after))
    own = 1.4826 * float(np.median(stray))
    return max((stray.size * own + 4.0 * prior) / (stray.size + 4.0), 0.05 * rate)


def _other_vehicles(verdict: pl.DataFrame, distinct: pl.DataFrame) -> pl.DataFrame:
    """A figure that fits nowhere in its vehicle, but is to the kilometre another vehicle's of the same or an
    adjoining day, was written on the wrong sheet: not mended even where a slip could explain it."""
    doubtful = verdict.with_row_index("pos").filter(
        pl.col("rule").is_in(
            ["unexplained", "dropped_digit", "extra_digit", "swapped_digits", "slipped_digit"]
        )
        & (pl.col("raw") >= 100.0)
    )
    if doubtful.height == 0:
        return verdict
    good = verdict.filter(pl.col("rule") == "ok").select(
        pl.col("vehicle").alias("whose"), "day", pl.col("raw").round(3).alias("figure")
    )
    wanted = (
        doubtful.select("pos", "vehicle", pl.col("raw").round(3).alias("figure"), "day")
        .with_columns(pl.concat_list([pl.col("day") - 1, pl.col("day"), pl.col("day") + 1]).alias("day"))
        .explode("day")
    )
    hit = (
        wanted.join(good, on=["day", "figure"])
        .filter(pl.col("whose") != pl.col("vehicle"))["pos"]
        .unique()
        .sort()
    )
    if hit.len() == 0:
        return verdict
    mark = np.zeros(verdict.height, bool)
    mark[hit.to_numpy()] = True
    flag = pl.Series("mark", mark)
    return verdict.with_columns(
        pl.when(flag).then(None).otherwise(pl.col("km")).alias("km"),
        pl.when(flag).then(pl.lit("other_vehicle")).otherwise(pl.col("rule")).alias("rule"),
        pl.when(flag).then(0.95).otherwise(pl.col("confidence")).alias("confidence"),
    )
