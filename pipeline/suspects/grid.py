"""The published priors: cause probabilities by symptom, lighting, vehicle class, km band, age band and what
was renewed lately.

For each cell the cause model is averaged over the vehicles that were really there: days drawn evenly over all
days under watch (and, for `recently_replaced`, days soon after each renewal), with the true ages of every
part on that side on that day. The cell's mix is the ratio of summed rates, as cases arise by rate. That mix
is the prior mean, and the confirmed cases of the cell update it:

    P ~ Dirichlet(concentration x model mix + confirmed cases),

the concentration by marginal likelihood over all cells (Dirichlet-multinomial). Intervals: draws of the
hazards, of the vehicles that happened to be seen (Bayesian bootstrap; Rubin 1981, Ann. Stat. 9:130-134), of
P(symptom | cause) and of that Dirichlet together. A cell that no vehicle has reached is not
there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.suspects.hazards import BANDS, ORIGINS, band_of
from pipeline.suspects.model import CauseModel, cause_shares, keep_other, prepare_episodes
from pipeline.suspects.parts import ALL, BOTH_DARK, NONE, OTHER
from pipeline.suspects.states import recent_part, states_at
from pipeline.suspects.symptoms import mean_concentration

# Rows that the cell's own population without a recent renewal is worth beside the rows with one (for all
# parts but the renewed one).
_BORROWED_ROWS = 20.0
# What the model's mix may be worth in a cell, in cases; median and log standard deviation of a nearly flat
# prior on it.
_CONCENTRATIONS = tuple(float(x) for x in np.geomspace(5, 100_000, 50))
_WORTH, _WORTH_LOG_SD = 1000.0, 5.0
DIGITS = 6
KEYS = [
    "symptom",
    "lighting",
    "vehicle_class",
    "km_low",
    "km_high",
    "age_low_days",
    "age_high_days",
    "recently_replaced",
]


@dataclass(frozen=True)
class Cells:
    """The populated cells (N), each the average of the model's rates over the vehicles in it, before any
    symptom.

    lighting, vehicle_class (0 = all, 1 ... = the model's classes), km_band, age_band, recent (-1 = none, else
    component): numbers, (N,). rate: (N, J + 1; other last) cases per vehicle-day on one side, with P(complaint |
    failure); log_sd: its uncertainty; log_spread: standard deviation of the log-hazard between the vehicles of
    the cell; draws: (draws, N, J + 1). vehicles, weight: (N,), how many vehicles are in it, and its share of all
    vehicle-days of its lighting. counts: (N, J + 1, symptoms) confirmed cases, weighted. concentration: cases
    that the model's mix is worth."""

    km_edges: np.ndarray
    age_edges_days: np.ndarray
    lighting: np.ndarray
    vehicle_class: np.ndarray
    km_band: np.ndarray
    age_band: np.ndarray
    recent: np.ndarray
    rate: np.ndarray
    log_sd: np.ndarray
    log_spread: np.ndarray
    draws: np.ndarray
    vehicles: np.ndarray
    weight: np.ndarray
    counts: np.ndarray
    concentration: float

    def find(self) -> dict[tuple[int, int, int, int, int], int]:
        """Cell number by (lighting, vehicle_class, km_band, age_band, recent)."""
        keys = zip(self.lighting, self.vehicle_class, self.km_band, self.age_band, self.recent, strict=True)
        return {tuple(int(v) for v in key): i for i, key in enumerate(keys)}


def bands(values: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Band numbers: edges[i] <= value < edges[i + 1], the last band open; -1 below the first edge or unknown
    (NaN). With a single band nothing needs to be known."""
    if len(edges) == 1:
        return np.zeros(len(values), dtype=np.int64)
    out = np.searchsorted(edges, np.nan_to_num(values, nan=-np.inf), side="right") - 1
    return np.minimum(out, len(edges) - 1)


def check_edges(edges: Sequence[float], what: str) -> np.ndarray:
    """Edges as an array. Raises ValueError unless they rise from 0 or more."""
    out = np.asarray(edges, dtype=float)
    if not len(out) or (np.diff(out) <= 0).any() or out[0] < 0:
        raise ValueError(f"{what} must rise from 0 or more; got {list(edges)}")
    return out


def make_cells(
    model: CauseModel,
    episodes: pl.DataFrame,
    episode_parts: pl.DataFrame,
    km_edges: Sequence[float],
    age_edges_days: Sequence[float],
    *,
    max_rows: int = 60_000,
    min_vehicles: int = 3,
) -> Cells:
    """Tabulate the model over the population and count the confirmed cases.

    km_edges, age_edges_days: lower edges of the bands, the last band open. max_rows: vehicle-days drawn at
    most (the same again for days after renewals). min_vehicles: a cell with fewer vehicles is left out.
    Raises ValueError for edges that do not rise."""
    km_edges, age_edges = check_edges(km_edges, "km_edges"), check_edges(age_edges_days, "age_edges_days")
    rng = np.random.default_rng(model.seed + 1)
    fleet = model.fleet
    vehicle, side, day, weight, fresh = _sample(model, max_rows, rng)
    states = states_at(fleet, vehicle, side, day)
    recent = recent_part(
        fleet.components, states.present, states.replacement, states.age_days, model.recent_days
    )
    use = fresh == recent  # days of the plain sample stand for `none`, days after a renewal for that renewal
    light, cls = fleet.lighting[vehicle], fleet.vehicle_class[vehicle]
    km_band = bands(fleet.track.at(vehicle, day), km_edges)
    age = np.where(fleet.first_use[vehicle] >= 0, day - fleet.first_use[vehicle], np.nan).astype(float)
    age_band = bands(age, age_edges)
    use &= (km_band >= 0) & (age_band >= 0)
    pace = fleet.track.rate[vehicle]
    pace = np.where(np.isfinite(pace), pace, model.km_per_day[light])
    n_km, n_age, n_light, count = len(km_edges), len(age_edges), len(model.lightings), len(model.components)
    n_class = len(model.classes) + 1

    def code(c: np.ndarray, r: np.ndarray) -> np.ndarray:
        return ((((light * n_class + c) * n_km + km_band) * n_age + age_band) * (count + 1)) + r + 1

    families = [(np.zeros_like(cls), use)]
    if model.classes:
        families.append((cls + 1, use & (cls >= 0) & (recent < 0)))
    cell = np.concatenate([code(c, recent)[u] for c, u in families])
    rows = np.concatenate([np.flatnonzero(u) for _, u in families])
    there, cell = np.unique(cell, return_inverse=True)
    pairs = np.unique(cell * (len(fleet.names) + 1) + vehicle[rows])
    vehicles = np.bincount(pairs // (len(fleet.names) + 1), minlength=len(there))
    keep = vehicles >= min_vehicles
    new = np.cumsum(keep) - 1
    rows, cell = rows[keep[cell]], new[cell[keep[cell]]]
    there, vehicles = there[keep], vehicles[keep]
    recent_of = there % (count + 1) - 1
    rest = there // (count + 1)
    age_of, rest = rest % n_age, rest // n_age
    km_of, rest = rest % n_km, rest // n_km
    class_of, light_of = rest % n_class, rest // n_class
    averages = _average(
        model,
        states,
        rows,
        cell,
        len(there),
        weight,
        vehicle,
        pace,
        light,
        cls,
        age,
        light_of,
        class_of,
        recent_of,
        km_of,
        age_of,
    )
    total = np.bincount(cell, weights=weight[rows], minlength=len(there))
    plain = (class_of == 0) & (recent_of < 0)
    whole = np.bincount(light_of[plain], weights=total[plain], minlength=n_light)
    share = np.divide(total, whole[light_of], out=np.zeros(len(total)), where=whole[light_of] > 0)
    empty = np.zeros((len(there), count + 1, len(model.symptoms.symptoms)))
    cells = Cells(
        km_edges,
        age_edges,
        light_of,
        class_of,
        km_of,
        age_of,
        recent_of,
        *averages,
        vehicles,
        share,
        empty,
        0.0,
    )
    counts = count_cases(model, cells, episodes, episode_parts)
    main = class_of == 0
    mixes = model_mix(model, cells.rate, light_of)  # (N, J + 1, symptoms)
    flat_counts = np.moveaxis(counts[main], 1, 2).reshape(-1, count + 1)
    flat_mix = np.moveaxis(mixes[main], 1, 2).reshape(-1, count + 1)
    strength = (
        mean_concentration(flat_counts, flat_mix, _CONCENTRATIONS, centre=_WORTH, spread=_WORTH_LOG_SD)
        if main.any()
        else _CONCENTRATIONS[0]
    )
    return Cells(
        km_edges,
        age_edges,
        light_of,
        class_of,
        km_of,
        age_of,
        recent_of,
        *averages,
        vehicles,
        share,
        counts,
        strength,
    )


def _sample(model: CauseModel, max_rows: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Rows (vehicle, side, day, weight, recent component or -1): evenly over days under watch, and over days
    after each renewal."""
    fleet = model.fleet
    good = np.flatnonzero((fleet.seen_from >= 0) & (fleet.seen_to > fleet.seen_from))
    length = (fleet.seen_to - fleet.seen_from)[good].astype(float)
    total = length.sum()
    n = int(min(max_rows // 2, max(total / 15, 1))) if total > 0 else 0
    # Systematic sample with a random start: every vehicle gets its share of rows, to within one.
    at = (np.arange(n) + rng.random()) * (total / max(n, 1))
    ends = np.cumsum(length)
    which = np.minimum(np.searchsorted(ends, at, side="right"), max(len(good) - 1, 0))
    day = (
        fleet.seen_from[good][which] + (at - (ends - length)[which]).astype(np.int64)
        if n
        else np.zeros(0, dtype=np.int64)
    )
    vehicle = good[which] if n else np.zeros(0, dtype=np.int64)
    parts = [
        (
            np.repeat(vehicle, 2),
            np.tile([0, 1], n),
            np.repeat(day, 2),
            np.full(2 * n, total / max(n, 1) / 2),
            np.full(2 * n, -1),
        )
    ]
    for j in range(len(fleet.components)):
        for side in (0, 1):
            place = fleet.places[j, side]
            rows = np.flatnonzero(place.replacement & place.known)
            if len(rows) > max_rows // (2 * len(fleet.components)):
                rows = np.sort(rng.choice(rows, max_rows // (2 * len(fleet.components)), replace=False))
            span = np.minimum(place.end[rows] - place.start[rows], model.recent_days)
            rows, span = rows[span > 0], span[span > 0]
            for part in range(3):  # a day in each third of the time after the renewal
                u = (part + rng.random(len(rows))) / 3
                code = place.key[rows] // 1_000_000
                parts.append(
                    (
                        code,
                        np.full(len(rows), side),
                        place.start[rows] + (u * span).astype(np.int64),
                        span / 3,
                        np.full(len(rows), j),
                    )
                )
    return tuple(np.concatenate([p[i] for p in parts]) for i in range(5))


def _average(
    model: CauseModel,
    states,
    rows,
    cell,
    n,
    weight,
    vehicle,
    pace,
    light,
    cls,
    vehicle_age,
    light_of,
    class_of,
    recent_of,
    km_of,
    age_of,
):
    """Mean rate, its log sd, the spread between vehicles, and draws, over the rows of each cell."""
    count, width = len(model.components), len(ORIGINS) * BANDS
    tables = [model.hazard_table(li) for li in model.lightings]
    rate = np.zeros((n, count + 1))
    draws = np.zeros((model.draws, n, count + 1))
    spread = np.zeros((n, count + 1))
    w = weight[rows]
    total = np.bincount(cell, weights=w, minlength=n)
    n_rows = np.bincount(cell, minlength=n).astype(float)
    rng = np.random.default_rng(model.seed + 2)
    # Rows of one vehicle in one cell, as a number: the vehicles are what was drawn.
    pair, pair_at = np.unique(cell * (len(model.fleet.names) + 1) + vehicle[rows], return_inverse=True)
    pair_weight = np.bincount(pair_at, weights=w)
    pair_rate = np.zeros((count, len(pair)))
    for j in range(count):
        clock = model.clocks[model.components[j]]
        age = (states.age_days if clock == "days" else states.age_km)[rows, j]
        there = states.present[rows, j]
        known = there & np.isfinite(age)
        speed = pace[rows] if clock == "km" else np.ones(len(rows))
        factor = np.where(cls[rows] >= 0, model.class_factor[light[rows], np.maximum(cls[rows], 0), j], 1.0)
        band = states.replacement[rows, j] * BANDS + band_of(age, clock)
        amount = np.where(known, w * speed * factor, 0.0)
        index = cell * width + band
        own = np.stack([t[0][j].reshape(width) for t in tables])[light[rows], band] * amount
        pair_rate[j] = np.bincount(pair_at, weights=own)
        held = np.bincount(index[known], weights=amount[known], minlength=n * width).reshape(n, width)
        plain = np.bincount(index[known], weights=w[known], minlength=n * width).reshape(n, width)
        seen = plain.sum(axis=1)
        present = np.bincount(cell, weights=w * there, minlength=n)
        for li, (mean, _, made) in enumerate(tables):
            at = np.flatnonzero(light_of == li)
            hazard = mean[j].reshape(width)
            if not len(at) or not hazard.any():
                continue
            if not plain[at].sum():  # no age is known anywhere: the average over all that was watched
                exposure = np.zeros(width)
                for o, origin in enumerate(ORIGINS):
                    row = model.hazards[j].row(model.lightings[li], origin)
                    if row is not None:
                        exposure[o * BANDS : (o + 1) * BANDS] = model.hazards[j].exposure[row]
                unit = 1.0 if clock == "days" else float(model.km_per_day[li])
                mix_held, mix_plain = exposure / exposure.sum() * unit, np.full(1, 1.0)
            else:
                mix_held, mix_plain = held[at].sum(axis=0), plain[at].sum(axis=0)
            whole_held, whole = mix_held / mix_plain.sum(), 1.0
            # Parts whose age is not known fail as the others of the cell do; where none is known there, as
            # those of the lighting.
            ok = seen[at] > 0
            use = np.where(ok[:, None], held[at] / np.maximum(seen[at], 1e-300)[:, None], whole_held * whole)
            use *= (present[at] / total[at])[:, None]
            rate[at, j] = use @ hazard
            draws[:, at, j] = made[:, j].reshape(-1, width) @ use.T
            log_h = np.log(np.maximum(hazard, 1e-300))
            share = np.where(ok[:, None], plain[at] / np.maximum(seen[at], 1e-300)[:, None], 0.0)
            first, second = (
                share @ np.where(share.any(axis=0), log_h, 0),
                share @ np.where(share.any(axis=0), log_h**2, 0),
            )
            spread[at, j] = np.sqrt(np.maximum(second - first**2, 0.0))
    # Other causes, by the age of the vehicle; where that is not known, as all that was watched.
    known = np.isfinite(vehicle_age[rows])
    index = (cell * BANDS + band_of(vehicle_age[rows], "days"))[known]
    held = np.bincount(index, weights=w[known], minlength=n * BANDS).reshape(n, BANDS)
    for li in range(len(model.lightings)):
        at = np.flatnonzero(light_of == li)
        exposure = model.other.exposure[li] if model.other.exposure[li].sum() > 0 else model.other.exposure.sum(axis=0)
        seen = held[at].sum(axis=1, keepdims=True)
        use = np.where(seen > 0, held[at] / np.maximum(seen, 1e-300), exposure / exposure.sum())
        rate[at, count] = use @ model.other.hazard[li]
        draws[:, at, count] = model.other.draws[:, li] @ use.T
    draws[:, :, :count] *= _other_vehicles(pair // (len(model.fleet.names) + 1), pair_weight, pair_rate, model.draws, rng)
    # A class's own factor is not known exactly.
    for i in np.flatnonzero(class_of > 0):
        sd = model.class_log_sd[light_of[i], class_of[i] - 1]
        draws[:, i, :count] *= np.exp(rng.standard_normal((model.draws, count)) * sd - 0.5 * sd**2)
    # After a renewal: the renewed part from the rows after renewals alone, all others leant on the cell's
    # other vehicles.
    number = {key: i for i, key in enumerate(zip(light_of, class_of, km_of, age_of, recent_of, strict=True))}
    for i in np.flatnonzero(recent_of >= 0):
        base = number.get((light_of[i], class_of[i], km_of[i], age_of[i], -1))
        if base is None:
            continue
        own = n_rows[i] / (n_rows[i] + _BORROWED_ROWS)
        others = np.arange(count + 1) != recent_of[i]
        rate[i, others] = own * rate[i, others] + (1 - own) * rate[base, others]
        draws[:, i, others] = own * draws[:, i, others] + (1 - own) * draws[:, base, others]
    scale = model.told[light_of] * np.where(model.fleet.sided, 1.0, 0.5)
    scale = np.concatenate([scale, np.full((n, 1), 0.5)], axis=1)
    rate, draws = rate * scale, draws * scale
    log_sd = np.where(rate > 0, np.log(np.maximum(draws, 1e-300)).std(axis=0), 0.0)
    return rate, log_sd, spread, draws


def _other_vehicles(cell: np.ndarray, weight: np.ndarray, rate: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """How many times as high the cells' rates might be had other vehicles come: (draws, cells, components), mean about 1.

    cell: of each vehicle in a cell, rising; weight: its days; rate: (components, vehicles in cells), days x rate."""
    begin = np.flatnonzero(np.diff(cell, prepend=-1))
    whole = np.add.reduceat(rate, begin, axis=1)
    days = np.add.reduceat(weight, begin)
    out = np.ones((draws, len(begin), len(rate)))
    for d in range(draws):
        share = rng.standard_exponential(len(cell))
        drawn_days = np.add.reduceat(share * weight, begin) / days
        drawn = np.add.reduceat(share * rate, begin, axis=1)
        out[d] = (np.divide(drawn, whole, out=np.ones_like(drawn), where=whole > 0) / drawn_days).T
    return out


def episode_frame(model: CauseModel, episodes: pl.DataFrame) -> pl.DataFrame:
    """Episodes with numbers for the model: light, cls, km and age of the vehicle, key, cause_at (number; J =
    other), weight."""
    table = prepare_episodes(episodes, model.components)
    names = (*model.components, OTHER)
    return table.with_columns(
        pl.col("lighting")
        .replace_strict(
            list(model.lightings), list(range(len(model.lightings))), default=-1, return_dtype=pl.Int64
        )
        .alias("light"),
        pl.col("vehicle_class")
        .cast(pl.String)
        .replace_strict(
            list(model.classes), list(range(len(model.classes))), default=-1, return_dtype=pl.Int64
        )
        .fill_null(-1)
        .alias("cls"),
        pl.col("cause")
        .replace_strict(list(names), list(range(len(names))), return_dtype=pl.Int64)
        .alias("cause_at"),
        pl.col("key")
        .replace_strict(
            list(model.symptoms.symptoms),
            list(range(len(model.symptoms.symptoms))),
            default=-1,
            return_dtype=pl.Int64,
        )
        .fill_null(-1)
        .alias("symptom_at"),
        pl.col("km").cast(pl.Float64),
        pl.col("age_days").cast(pl.Float64),
    )


@dataclass(frozen=True)
class EpisodeParts:
    """Parts at the start of episodes, two rows an episode at most: states of rows, and the episode of each
    row (position)."""

    episode: np.ndarray
    present: np.ndarray
    replacement: np.ndarray
    age_days: np.ndarray
    age_km: np.ndarray


def episode_parts_arrays(model: CauseModel, table: pl.DataFrame, episode_parts: pl.DataFrame) -> EpisodeParts:
    """lives.episode_parts as arrays (2 rows an episode, J): a sided part of a second side goes in the second
    row, a part without side in both."""
    n, count = table.height, len(model.components)
    at = table.select("episode_id").with_row_index("at")
    number = {c: j for j, c in enumerate(model.components)}
    rows = (
        episode_parts.filter(pl.col("component").is_in(list(model.components)))
        .join(at, on="episode_id", how="inner")
        .with_columns(pl.col("component").replace_strict(number, return_dtype=pl.Int64).alias("j"))
    )
    rows = rows.sort(["at", "j", "side"] if "side" in rows.columns else ["at", "j"], maintain_order=True)
    rows = rows.with_columns(pl.int_range(pl.len()).over("at", "j").alias("nth")).filter(pl.col("nth") < 2)
    present = np.zeros((2, n, count), dtype=bool)
    replacement, age_days, age_km = (
        present.copy(),
        np.full(present.shape, np.nan),
        np.full(present.shape, np.nan),
    )
    where = rows["nth"].to_numpy(), rows["at"].to_numpy(), rows["j"].to_numpy()
    present[where] = True
    replacement[where] = (rows["origin"] == "replacement").fill_null(False).to_numpy()
    age_days[where] = rows["part_age_days"].cast(pl.Float64).to_numpy()
    age_km[where] = rows["part_age_km"].cast(pl.Float64).to_numpy()
    alone = ~model.fleet.sided
    for array in (present, replacement, age_days, age_km):
        array[1][:, alone] = array[0][:, alone]
    flat = [a.reshape(2 * n, count) for a in (present, replacement, age_days, age_km)]
    return EpisodeParts(np.tile(np.arange(n), 2), *flat)


def cell_keys(model: CauseModel, cells: Cells, table: pl.DataFrame, parts: EpisodeParts) -> np.ndarray:
    """(n, 5): light, class (number + 1; 0 unknown), km band, age band, recent, of each episode; -1 in a band:
    not known."""
    n = table.height
    recent = recent_part(
        model.components, parts.present, parts.replacement, parts.age_days, model.recent_days
    )
    first, second = recent[:n], recent[n:]
    merged = np.where(first >= 0, first, second)
    km, age = table["km"].to_numpy(), table["age_days"].to_numpy()
    return np.stack(
        [
            table["light"].to_numpy(),
            table["cls"].to_numpy() + 1,
            bands(km.astype(float), cells.km_edges),
            bands(age.astype(float), cells.age_edges_days),
            merged,
        ],
        axis=1,
    )


def count_cases(
    model: CauseModel, cells: Cells, episodes: pl.DataFrame, episode_parts: pl.DataFrame
) -> np.ndarray:
    """Confirmed cases by cell, cause (other last) and symptom, weighted by the probability that the cause is
    right."""
    out = np.zeros((len(cells.lighting), len(model.components) + 1, len(model.symptoms.symptoms)))
    table = episode_frame(model, episodes)
    if table.is_empty():
        return out
    keys = cell_keys(model, cells, table, episode_parts_arrays(model, table, episode_parts))
    cause, symptom, weight = (table[c].to_numpy() for c in ("cause_at", "symptom_at", "weight"))
    number = cells.find()
    for i, (light, cls, km, age, recent) in enumerate(keys.tolist()):
        if symptom[i] < 0:
            continue
        for c in {0, cls} if recent < 0 else {0}:
            at = number.get((light, c, km, age, recent))
            if at is not None:
                out[at, cause[i], symptom[i]] += weight[i]
    return out


def model_mix(model: CauseModel, rate: np.ndarray, light: np.ndarray) -> np.ndarray:
    """The model's shares (N, J + 1, symptoms) from rates (N, J + 1) of cells or cases: rate x P(s | j)."""
    weight = np.moveaxis(rate[:, :, None] * model.symptoms.mean()[light], 1, 2)
    return np.moveaxis(keep_other(cause_shares(weight), model.other_floor), 2, 1)


def priors(
    model: CauseModel,
    lives: pl.DataFrame,
    episodes: pl.DataFrame,
    episode_parts: pl.DataFrame,
    km_edges: Sequence[float],
    age_edges_days: Sequence[float],
    *,
    confidence: float = 0.95,
    min_cases: float = 5,
    cells: Cells | None = None,
    **options,
) -> pl.DataFrame:
    """The published grid, one row a cell and suspect, likeliest first.

    km_edges (km), age_edges_days (days): lower edges, last band open (its high is null). lives is taken for
    the symmetry of the calls (the model holds them). cells: of make_cells, where made already; else made here
    with `options`. Columns: KEYS, component, probability, low, high, effective_cases (confirmed cases in the
    cell, weighted), basis, model_probability (before the cell's own cases), vehicles. basis: `own`: at least
    min_cases and at least what the model is worth; `pooled`: at least min_cases; `borrowed`: fewer.
    Impossible suspects have no row. Probabilities sum to 1 in each cell, to the last digit. A symptom without
    a single confirmed case in a lighting type is not published for it."""
    del lives
    cells = cells or make_cells(model, episodes, episode_parts, km_edges, age_edges_days, **options)
    n, count = len(cells.lighting), len(model.components)
    rng = np.random.default_rng(model.seed + 3)
    likelihood = model.symptoms.draw(model.draws, rng)
    possible = np.concatenate([model.possible(), np.ones((len(model.lightings), 1), dtype=bool)], axis=1)
    mixes = model_mix(model, cells.rate, cells.lighting) if n else np.zeros((0, count + 1, 0))
    by_symptom = model.symptoms.counts.sum(axis=1)  # (lightings, symptoms)
    names = np.array([*model.components, OTHER])
    frames = []
    low_dark, both = model.symptoms.symptoms.index("low_beam_dark"), model.symptoms.symptoms.index(BOTH_DARK)
    for s, symptom in enumerate(model.symptoms.symptoms):
        # The rule on both sides holds without a case; any other symptom needs one.
        told = by_symptom[:, s] > 0 if s != both else (by_symptom[:, both] + by_symptom[:, low_dark]) > 0
        at = np.flatnonzero(told[cells.lighting] & (cells.rate[:, :count].sum(axis=1) > 0))
        if not len(at):
            continue
        light = cells.lighting[at]
        mix = keep_other(cause_shares(cells.draws[:, at] * likelihood[:, :, :, s][:, light]), model.other_floor)
        seen = cells.counts[at, :, s]
        alpha = cells.concentration * mix + seen
        gamma = rng.standard_gamma(np.maximum(alpha, 1e-12))
        drawn = gamma / np.maximum(gamma.sum(axis=2, keepdims=True), 1e-300)
        ok = possible[light] & ((mixes[at, :, s] > 0) | (seen > 0))
        point = (cells.concentration * mixes[at, :, s] + seen) / (
            cells.concentration + seen.sum(axis=1, keepdims=True)
        )
        low, high = np.quantile(drawn, [(1 - confidence) / 2, (1 + confidence) / 2], axis=0)
        point = round_to_one(np.where(ok, point, 0.0))
        cases = seen.sum(axis=1)
        cell, j = np.nonzero(ok)
        low, high = np.minimum(np.round(low, DIGITS), point), np.maximum(np.round(high, DIGITS), point)
        basis = np.where(
            cases < min_cases, "borrowed", np.where(cases >= cells.concentration, "own", "pooled")
        )
        frames.append(
            pl.DataFrame(
                {
                    "at": at[cell],
                    "symptom": np.full(len(cell), symptom),
                    "component": names[j],
                    "probability": point[cell, j],
                    "low": low[cell, j],
                    "high": high[cell, j],
                    "effective_cases": np.round(cases[cell], 3),
                    "basis": basis[cell],
                    "model_probability": np.round(mixes[at, :, s][cell, j], DIGITS),
                    "vehicles": cells.vehicles[at[cell]],
                }
            )
        )
    if not frames:
        return _empty()
    km, age = _limits(cells.km_edges), _limits(cells.age_edges_days)
    keys = pl.DataFrame(
        {
            "at": np.arange(n),
            "lighting": np.array(model.lightings)[cells.lighting],
            "vehicle_class": np.array([ALL, *model.classes])[cells.vehicle_class],
            "km_low": km[0][cells.km_band],
            "km_high": km[1][cells.km_band],
            "age_low_days": age[0][cells.age_band],
            "age_high_days": age[1][cells.age_band],
            "recently_replaced": np.array([*model.components, NONE])[cells.recent],
        }
    ).with_columns(pl.col("km_high", "age_high_days").fill_nan(None))
    table = pl.concat(frames).join(keys, on="at", how="left", maintain_order="left").drop("at")
    return table.select(*KEYS, *[c for c in _empty().columns if c not in KEYS]).sort(
        [*KEYS, "probability", "component"], descending=[False] * len(KEYS) + [True, False], nulls_last=True
    )


def _limits(edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return edges, np.concatenate([edges[1:], [np.nan]])


def _empty() -> pl.DataFrame:
    text, number = pl.String, pl.Float64
    return pl.DataFrame(
        schema={
            "symptom": text,
            "lighting": text,
            "vehicle_class": text,
            "km_low": number,
            "km_high": number,
            "age_low_days": number,
            "age_high_days": number,
            "recently_replaced": text,
            "component": text,
            "probability": number,
            "low": number,
            "high": number,
            "effective_cases": number,
            "basis": text,
            "model_probability": number,
            "vehicles": pl.Int64,
        }
    )


def round_to_one(shares: np.ndarray, digits: int = DIGITS) -> np.ndarray:
    """Rows of shares (n, k) rounded to `digits` so that each row sums to 1: what is missing goes to the
    largest remainders (Hamilton's method). Rows need a positive sum; a zero stays zero."""
    shares = np.asarray(shares, dtype=float)
    scaled = shares / shares.sum(axis=1, keepdims=True) * 10**digits
    whole = np.floor(scaled + 1e-9)
    missing = np.round(10**digits - whole.sum(axis=1)).astype(int)
    remainder = np.where(shares > 0, scaled - whole, -np.inf)
    rank = np.argsort(np.argsort(-remainder, axis=1, kind="stable"), axis=1, kind="stable")
    return (whole + (rank < missing[:, None])) / 10**digits


def predict(
    model: CauseModel,
    cells: Cells,
    episodes: pl.DataFrame,
    episode_parts: pl.DataFrame,
    own_parts: bool = True,
) -> np.ndarray:
    """Probabilities (n, J + 1; other last) of the cause of each episode, from its symptom and state; rows sum
    to 1.

    own_parts: with the ages of the very parts on that side; else what the grid's cell says. An episode whose
    km or age is not known, or whose cell nobody reached, takes the average of its lighting's cells or the
    nearest cell. An unknown lighting takes all of them."""
    table = episode_frame(model, episodes)
    n, count = table.height, len(model.components)
    parts = episode_parts_arrays(model, table, episode_parts)
    keys = cell_keys(model, cells, table, parts)
    light = np.where(keys[:, 0] >= 0, keys[:, 0], 0)
    symptom = table["symptom_at"].to_numpy()
    rate, seen = _cell_rates(model, cells, keys, symptom)
    average = rate.copy()
    if own_parts:
        pace = _numbers(table, "km_per_day", n)
        pace = np.where(np.isfinite(pace) & (pace > 0), pace, model.km_per_day[light])
        rate = np.concatenate(
            [_state_rates(model, parts, light, table["cls"].to_numpy(), pace, rate[:, :count]), rate[:, count:]], axis=1
        )
    vehicle = model.fleet.codes(table["vehicle"]) if "vehicle" in table.columns else np.full(n, -1)
    if "igniter" in model.components:
        none = (vehicle >= 0) & model.fleet.no_igniter[np.maximum(vehicle, 0)]
        rate[none, model.components.index("igniter")] = 0.0
    likelihood = model.symptoms.mean()[light]
    picked = np.where(symptom[:, None] >= 0, likelihood[np.arange(n), :, np.maximum(symptom, 0)], 1.0)
    mix, plain = (keep_other(cause_shares(r * picked), model.other_floor) for r in (rate, average))
    return cause_shares(mix * case_factor(plain, seen, cells.concentration))


def case_factor(plain: np.ndarray, cases: np.ndarray, strength: float) -> np.ndarray:
    """What the cell's confirmed cases make of the model: posterior mean over prior mean of its Dirichlet, by
    cause; (n, J + 1).

    plain: the model's mix for the cell; cases: confirmed cases, both (n, J + 1). A vehicle whose parts' ages
    are known has its own mix times this factor: for the cell's average vehicle that is the published
    posterior itself."""
    n = cases.sum(axis=1, keepdims=True)
    after = (strength * plain + cases) / (strength + n)
    return np.divide(after, plain, out=np.ones_like(after), where=plain > 0)


def _numbers(table: pl.DataFrame, column: str, n: int) -> np.ndarray:
    return table[column].cast(pl.Float64).to_numpy() if column in table.columns else np.full(n, np.nan)


def _cell_rates(
    model: CauseModel, cells: Cells, keys: np.ndarray, symptom: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    number, count = cells.find(), len(model.components)
    rate = np.zeros((len(keys), count + 1))
    seen = np.zeros((len(keys), count + 1))
    lacking: dict[tuple, np.ndarray] = {}
    for i, (light, cls, km, age, recent) in enumerate(keys.tolist()):
        tries = (
            [(light, 0, km, age, recent)]
            if recent >= 0
            else [(light, cls, km, age, -1), (light, 0, km, age, -1)]
        )
        at = next((number[k] for k in tries if k in number), None)
        if at is not None:
            rate[i] = cells.rate[at]
            seen[i] = cells.counts[at, :, symptom[i]] if symptom[i] >= 0 else 0.0
            continue
        key = (light, km, age, recent)
        if key not in lacking:
            lacking[key] = near_rate(cells, light, km, age, recent)
        rate[i] = lacking[key]
    return rate, seen


def near_rate(cells: Cells, light: int, km: int, age: int, recent: int) -> np.ndarray:
    """Rates (J + 1) for a cell that is not there or not wholly known (-1): of the nearest cells by bands,
    weighted by their vehicles."""
    ok = (cells.vehicle_class == 0) & ((cells.lighting == light) | (light < 0))
    ok = ok & (cells.recent == recent) if (ok & (cells.recent == recent)).any() else ok & (cells.recent < 0)
    if not ok.any():
        return np.ones(cells.rate.shape[1])
    apart = (
        (np.abs(cells.km_band - km) if km >= 0 else 0)
        + (np.abs(cells.age_band - age) if age >= 0 else 0)
        + 0 * cells.km_band
    )
    nearest = ok & (apart == apart[ok].min())
    weight = np.maximum(cells.weight[nearest], 1e-12)
    return (weight[:, None] * cells.rate[nearest]).sum(axis=0) / weight.sum()


def _state_rates(
    model: CauseModel,
    parts: EpisodeParts,
    light: np.ndarray,
    cls: np.ndarray,
    pace: np.ndarray,
    fallback: np.ndarray,
) -> np.ndarray:
    n, count = len(light), len(model.components)
    tables = np.stack([model.hazard_table(li)[0] for li in model.lightings])  # (L, J, origins, bands)
    row = parts.episode
    rate, number = np.zeros((n, count)), np.zeros((n, count))
    for j in range(count):
        clock = model.clocks[model.components[j]]
        age = (parts.age_days if clock == "days" else parts.age_km)[:, j]
        ok = parts.present[:, j] & np.isfinite(age)
        hazard = tables[light[row], j, parts.replacement[:, j].astype(int), band_of(age, clock)]
        hazard = hazard * (pace[row] if clock == "km" else 1.0)
        if model.classes:
            hazard = hazard * np.where(
                cls[row] >= 0, model.class_factor[light[row], np.maximum(cls[row], 0), j], 1.0
            )
        np.add.at(rate[:, j], row[ok], hazard[ok])
        np.add.at(number[:, j], row[ok], 1.0)
    scale = model.told[light] * np.where(model.fleet.sided, 1.0, 0.5)
    known = number > 0
    return np.where(known, rate / np.maximum(number, 1) * scale, fallback)
