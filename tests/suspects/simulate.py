"""Invented fleets whose causes are known: every hazard, every P(symptom | cause), who was renewed when."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import polars as pl

from pipeline.suspects.hazards import ORIGINS
from pipeline.suspects.parts import OTHER

AS_OF = dt.date(2025, 6, 30)
UNSIDED = ("control_module", "switch_or_fuse")
# Shape and scale of the Weibull life of a part, in the clock's unit; share of replacements that die early,
# and their mean life in days.
DISCHARGE = {
    "lamp": ("km", 2.6, 190_000.0, 0.03),
    "igniter": ("days", 1.0, 9_000.0, 0.0),
    "ballast": ("days", 1.5, 6_500.0, 0.12),
    "headlamp_assembly": ("days", 2.0, 9_500.0, 0.0),
    "wiring": ("days", 2.2, 10_000.0, 0.0),
    "control_module": ("days", 1.1, 16_000.0, 0.05),
    "switch_or_fuse": ("days", 1.0, 22_000.0, 0.0),
}
HALOGEN = {
    "lamp": ("km", 1.8, 70_000.0, 0.05),
    "headlamp_assembly": ("days", 2.0, 9_500.0, 0.0),
    "wiring": ("days", 1.8, 9_000.0, 0.0),
    "control_module": ("days", 1.1, 16_000.0, 0.05),
    "switch_or_fuse": ("days", 1.0, 15_000.0, 0.0),
}
PARTS = {"discharge": DISCHARGE, "halogen": HALOGEN}
CLOCKS = {"lamp": "km"}
EARLY_DAYS = 25.0
SAID = ("low_beam_dark", "flicker", "dim", "water_inside", "both_low_beams_dark")
P_SAID = {
    "lamp": (0.62, 0.20, 0.179, 0.0, 0.001),
    "igniter": (0.70, 0.28, 0.02, 0.0, 0.0),
    "ballast": (0.60, 0.33, 0.07, 0.0, 0.0),
    "headlamp_assembly": (0.15, 0.05, 0.25, 0.55, 0.0),
    "wiring": (0.35, 0.50, 0.12, 0.0, 0.03),
    "control_module": (0.45, 0.2, 0.05, 0.0, 0.30),
    "switch_or_fuse": (0.40, 0.1, 0.0, 0.0, 0.50),
    OTHER: (0.5, 0.3, 0.1, 0.05, 0.05),
}
OTHER_SHARE = 0.04
CODES = {"ballast": "B1A22", "igniter": "B1A22", "lamp": "B1A10", "control_module": "U0142"}
DAY0 = dt.date(1900, 1, 1)


@dataclasses.dataclass(frozen=True)
class Truth:
    """What is true of a world: lives of parts (see DISCHARGE), P(symptom | cause) in the order of SAID, the share of
    causes that are no part, and how many times as often parts of a van fail."""

    parts: dict[str, dict[str, tuple]] = dataclasses.field(default_factory=lambda: PARTS)
    said: dict[str, tuple[float, ...]] = dataclasses.field(default_factory=lambda: P_SAID)
    other_share: float = OTHER_SHARE
    van: dict[str, float] = dataclasses.field(default_factory=dict)

    def factor(self, component: str, is_van: np.ndarray) -> np.ndarray:
        return np.where(is_van, self.van.get(component, 1.0), 1.0)


PLAIN = Truth()


def draw_truth(seed: int) -> Truth:
    """Another truth: every life, early share, P(symptom | cause) and class factor drawn about those above."""
    rng = np.random.default_rng([seed, 1])
    parts = {}
    for lighting in sorted(PARTS):
        parts[lighting] = {}
        for name in sorted(PARTS[lighting]):
            clock, shape, scale, early = PARTS[lighting][name]
            shape = 1.0 if shape == 1.0 else float(shape * np.exp(rng.normal(0, 0.15)))
            scale = float(scale * np.exp(rng.normal(0, 0.25)))
            early = early or (0.04 if rng.random() < 0.3 else 0.0)
            parts[lighting][name] = (clock, shape, scale, float(min(early * np.exp(rng.normal(0, 0.4)), 0.4)))
    said = {}
    for name in sorted(P_SAID):
        base = np.array(P_SAID[name]) + 0.004
        said[name] = tuple(float(x) for x in rng.dirichlet(60 * base / base.sum()))
    van = {name: float(np.exp(rng.normal(0, 0.2))) for name in sorted(DISCHARGE)}
    return Truth(parts, said, float(rng.uniform(0.01, 0.08)), van)


def hazard(
    age: np.ndarray,
    component: str,
    lighting: str,
    origin: str,
    unit_per_day: float | np.ndarray = 1.0,
    early_scale: float = 1.0,
    truth: Truth = PLAIN,
    factor: float | np.ndarray = 1.0,
) -> np.ndarray:
    """True hazard per clock unit. unit_per_day: km/day for the early deaths, which happen in days, on a km
    clock; factor: on the hazard of wear (of the class)."""
    _, shape, scale, early = truth.parts[lighting][component]
    scale = scale / np.asarray(factor, dtype=float) ** (1 / shape)
    age = np.maximum(np.asarray(age, dtype=float), 1e-9)
    h, survival = shape / scale * (age / scale) ** (shape - 1), np.exp(-((age / scale) ** shape))
    early = early * early_scale if origin == "replacement" else 0.0
    mean = EARLY_DAYS * unit_per_day
    dead, alive = early * np.exp(-age / mean) / mean, early * np.exp(-age / mean)
    return ((1 - early) * h * survival + dead) / np.maximum((1 - early) * survival + alive, 1e-300)


@dataclasses.dataclass
class World:
    lives: pl.DataFrame
    episodes: pl.DataFrame
    parts: pl.DataFrame
    early_scale: float
    truth: Truth
    other_per_day: float  # causes that are no part, per vehicle-day


def make_world(
    vehicles: int,
    seed: int,
    *,
    early_scale: float = 1.0,
    years: float = 7.0,
    planned_per_year: float = 0.02,
    truth: Truth = PLAIN,
) -> World:
    """Vehicles of mixed age, watched whole for `years` at most; failed parts are renewed, a few are renewed
    as planned."""
    rng = np.random.default_rng(seed)
    end = (AS_OF - DAY0).days
    first = end - rng.integers(200, 16 * 365, vehicles)
    seen = np.maximum(first, end - rng.integers(300, int(years * 365), vehicles))
    pace = np.exp(rng.normal(np.log(42), 0.45, vehicles))
    lighting = np.where(rng.random(vehicles) < 0.6, "discharge", "halogen")
    cls = np.where(rng.random(vehicles) < 0.3, "van", "car")
    d1 = rng.random(vehicles) < 0.2
    rows, cases = [], []
    for name in sorted(DISCHARGE):
        for side in ("none",) if name in UNSIDED else ("left", "right"):
            fitted = np.array([name in truth.parts[li] for li in lighting]) & ~((name == "igniter") & d1)
            v = np.flatnonzero(fitted)
            start, generation = first[v].astype(float), 0
            while len(v) and generation < 40:
                clock = DISCHARGE[name][0]
                shape, scale, early = (
                    np.array([truth.parts[li][name][k] for li in lighting[v]]) for k in (1, 2, 3)
                )
                scale = scale / truth.factor(name, cls[v] == "van") ** (1 / shape)
                life = scale * rng.weibull(shape)
                life = life / pace[v] if clock == "km" else life
                if generation:
                    dies_early = rng.random(len(v)) < early * early_scale
                    life = np.where(dies_early, rng.exponential(EARLY_DAYS, len(v)), life)
                planned = (
                    rng.exponential(365 / planned_per_year, len(v))
                    if planned_per_year
                    else np.full(len(v), np.inf)
                )
                failed = life <= planned
                stop = start + np.maximum(np.ceil(np.minimum(life, planned)), 1)
                over = stop > end
                stop = np.where(over, end, stop)
                rows.append(
                    (
                        v,
                        np.full(len(v), name),
                        np.full(len(v), side),
                        np.full(len(v), generation),
                        start,
                        stop,
                        np.where(over, "in_service", np.where(failed, "failed", "planned")),
                    )
                )
                hit = ~over & failed & (stop > seen[v])
                cases.append((v[hit], np.full(hit.sum(), name), np.full(hit.sum(), side), stop[hit]))
                v, start, generation = v[~over], stop[~over], generation + 1
    v, name, side, generation, start, stop, ending = (np.concatenate([r[i] for r in rows]) for i in range(7))
    # Lives that ended before watching began are not in the file: the next part is then of unknown start, as
    # in real exports. Here all renewals are told from the first use on, so that ages are right, and only the
    # time under watch counts.
    gone = stop <= seen[v]
    v, name, side, generation, start, stop, ending = (
        a[~gone] for a in (v, name, side, generation, start, stop, ending)
    )
    entry = np.maximum(seen[v] - start, 0.0)
    vehicle = np.array([f"v{i:05}" for i in range(vehicles)])

    def dates(x):
        return pl.Series(x).cast(pl.Int32) - 25_567

    lives = pl.DataFrame(
        {
            "life_id": np.arange(len(v)),
            "vehicle": vehicle[v],
            "component": name,
            "side": side,
            "generation": generation,
            "origin": np.where(generation == 0, "original", "replacement"),
            "lighting": lighting[v],
            "vehicle_class": cls[v],
            "light_source_category": pl.Series(
                np.where(
                    (name == "lamp") & (lighting[v] == "discharge"), np.where(d1[v], "D1S", "D2S"), None
                ).tolist(),
                dtype=pl.String,
            ),
            "supplier": np.where(generation == 0, "original", "North Parts"),
            "start_on": dates(start).cast(pl.Date),
            "watched_from": dates(seen[v]).cast(pl.Date),
            "end_on": dates(stop).cast(pl.Date),
            "ending": ending,
            "p_failed": (ending == "failed").astype(float),
            "entry_days": entry,
            "exit_days": stop - start,
            "entry_km": entry * pace[v],
            "exit_km": (stop - start) * pace[v],
            "odometer_at_end_km": (stop - first[v]) * pace[v],
            "first_use_on": dates(first[v]).cast(pl.Date),
            "in_curve": stop - start > entry,
            "left_out_reason": pl.Series([None] * len(v), dtype=pl.String),
            "fitted_labour_hours": np.where(generation > 0, 1.2, np.nan),
        }
    ).with_columns(pl.col("fitted_labour_hours").fill_nan(None))

    v, name, side, on = (np.concatenate([c[i] for c in cases]) for i in range(4))
    # Causes that are no part of the list: the same chance on every day of every vehicle.
    watched = (end - seen).astype(float)
    n_other = rng.poisson(len(v) * truth.other_share / (1 - truth.other_share))
    other_per_day = len(v) * truth.other_share / (1 - truth.other_share) / watched.sum()
    some = rng.choice(vehicles, n_other, p=watched / watched.sum())
    when = seen[some] + rng.random(n_other) * watched[some]
    v, name = np.concatenate([v, some]), np.concatenate([name, np.full(n_other, OTHER)])
    side, on = (
        np.concatenate([side, rng.choice(["left", "right"], n_other)]),
        np.concatenate([on, np.ceil(when)]),
    )
    picked = np.array([rng.choice(5, p=truth.said[c]) for c in name])
    said = np.array(SAID)[picked]
    side = np.where(
        said == "both_low_beams_dark",
        "both",
        np.where(side == "none", rng.choice(["left", "right"], len(v)), side),
    )
    said = np.where(said == "both_low_beams_dark", "low_beam_dark", said)
    # The lamp is often changed first whatever the cause: what was replaced first is a poor witness.
    wrong = (rng.random(len(v)) < 0.45) & np.isin(said, ["low_beam_dark", "flicker"])
    code = np.array([CODES.get(c) if rng.random() < 0.4 else None for c in name], dtype=object)
    episodes = (
        pl.DataFrame(
            {
                "vehicle": vehicle[v],
                "side": side,
                "symptom": said,
                "fault_code": pl.Series(code.tolist(), dtype=pl.String),
                "opened_on": dates(on).cast(pl.Date),
                "age_days": on - first[v],
                "km": (on - first[v]) * pace[v],
                "km_per_day": pace[v],
                "lighting": lighting[v],
                "vehicle_class": cls[v],
                "cause": name,
                "first_replaced": np.where(wrong, "lamp", name),
                "p": np.ones(len(v)),
            }
        )
        .sort("opened_on", "vehicle", "cause")
        .with_row_index("episode_id")
    )
    joined = episodes.select(
        "episode_id", "vehicle", "opened_on", "km", "age_days", "km_per_day", fault_side="side"
    ).join(
        lives.select("vehicle", "component", "side", "start_on", "end_on", "origin", "supplier"), on="vehicle"
    )
    parts = joined.filter(
        (pl.col("start_on") < pl.col("opened_on"))
        & (pl.col("end_on") >= pl.col("opened_on"))
        & (
            (pl.col("side") == pl.col("fault_side"))
            | (pl.col("side") == "none")
            | (pl.col("fault_side") == "both")
        )
    )
    age = (pl.col("opened_on") - pl.col("start_on")).dt.total_days().cast(pl.Float64)
    parts = parts.select(
        "episode_id",
        "component",
        "side",
        "origin",
        "supplier",
        part_age_days=age,
        part_age_km=age * pl.col("km_per_day"),
    ).sort("episode_id", "component", "side")
    return World(lives, episodes, parts, early_scale, truth, other_per_day)


__all__ = [
    "AS_OF",
    "CLOCKS",
    "DISCHARGE",
    "HALOGEN",
    "ORIGINS",
    "OTHER",
    "PLAIN",
    "Truth",
    "World",
    "draw_truth",
    "hazard",
    "make_world",
]
