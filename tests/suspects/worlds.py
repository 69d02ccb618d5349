"""How well P(cause | symptom, km, age, renewed) is told in invented worlds, where it is known by formula.

The truth of a case or of a vehicle-day is hazards x P(symptom | cause), each from the formulas of `simulate`, on the
ages of the very parts; the truth of a published cell is that, summed over vehicle-days of a far greater fleet of the same
world: it is right for the next vehicle there, not for the few that the shop happened to see."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import polars as pl

from pipeline.suspects import bench, grid
from pipeline.suspects.backtest import BASELINES, count_baselines
from pipeline.suspects.model import CauseModel, fit_model
from pipeline.suspects.parts import OTHER
from pipeline.suspects.states import make_fleet, recent_part, states_at
from tests.suspects.simulate import AS_OF, CLOCKS, SAID, UNSIDED, World, draw_truth, hazard, make_world

KM = (0, 40_000, 80_000, 120_000, 160_000, 200_000, 280_000, 400_000)
AGE = tuple(365.25 * y for y in (0, 2, 4, 6, 8, 10, 13, 17))
LEVEL = 0.9


def true_rates(model: CauseModel, world: World, light, cls, pace, present, replacement, days, km) -> np.ndarray:
    """Cases per vehicle-day on one side, (n, J + 1; other last), of parts whose ages are known (n, J)."""
    out = np.zeros((len(light), len(model.components) + 1))
    out[:, -1] = world.other_per_day / 2
    van = np.array([*model.classes, ""])[cls] == "van"
    for j, name in enumerate(model.components):
        clock = CLOCKS.get(name, "days")
        speed = pace if clock == "km" else np.ones(len(light))
        age = (days if clock == "days" else km)[:, j]
        for li, lighting in enumerate(model.lightings):
            if name not in world.truth.parts[lighting]:
                continue
            for origin in ("original", "replacement"):
                at = (light == li) & present[:, j] & (replacement[:, j] == (origin == "replacement")) & np.isfinite(age)
                factor = world.truth.factor(name, van[at])
                rate = hazard(age[at], name, lighting, origin, speed[at], world.early_scale, world.truth, factor)
                out[at, j] = rate * speed[at] * (0.5 if name in UNSIDED else 1.0)
    return out


def true_likelihood(model: CauseModel, world: World) -> np.ndarray:
    """P(symptom | cause), (J + 1, symptoms)."""
    out = np.zeros((len(model.components) + 1, len(model.symptoms.symptoms)))
    for j, name in enumerate((*model.components, OTHER)):
        for k, said in enumerate(SAID):
            out[j, model.symptoms.symptoms.index(said)] = world.truth.said[name][k]
    return out


def truth_of_cases(model: CauseModel, world: World) -> np.ndarray:
    """(n, J + 1) by the formulas, of each episode of the world."""
    table = grid.episode_frame(model, world.episodes)
    parts = grid.episode_parts_arrays(model, table, world.parts)
    row = parts.episode
    light, cls, pace = table["light"].to_numpy(), table["cls"].to_numpy(), table["km_per_day"].to_numpy()
    rate = true_rates(model, world, light[row], cls[row], pace[row], parts.present, parts.replacement, parts.age_days,
                      parts.age_km)
    total = np.zeros((table.height, rate.shape[1]))
    both = (table["side"] == "both").to_numpy()
    # Two rows a case: of one side, the first alone counts; of both, a part without a side stands half in each.
    first = np.arange(len(row)) < table.height
    use = first | both[row]
    np.add.at(total, row[use], rate[use])
    weight = total * true_likelihood(model, world)[:, table["symptom_at"].to_numpy()].T
    return weight / weight.sum(axis=1, keepdims=True)


def truth_of_cells(model: CauseModel, world: World, cells: grid.Cells, rows_a_vehicle: int = 33) -> tuple[np.ndarray, np.ndarray]:
    """Rates (N, J + 1) of the cells by the formulas, over days of the vehicles of `world`, and how many vehicles there are."""
    model = dataclasses.replace(model, fleet=make_fleet(world.lives, world.episodes))
    fleet = model.fleet
    vehicle, side, day, weight, fresh = grid._sample(model, rows_a_vehicle * len(model.fleet.names), np.random.default_rng(97))
    states = states_at(fleet, vehicle, side, day)
    recent = recent_part(fleet.components, states.present, states.replacement, states.age_days, model.recent_days)
    light, cls, pace = fleet.lighting[vehicle], fleet.vehicle_class[vehicle], fleet.track.rate[vehicle]
    pace = np.where(np.isfinite(pace), pace, 42.0)
    rate = true_rates(model, world, light, cls, pace, states.present, states.replacement, states.age_days, states.age_km)
    km = grid.bands(fleet.track.at(vehicle, day), cells.km_edges)
    age = grid.bands((day - fleet.first_use[vehicle]).astype(float), cells.age_edges_days)
    number = cells.find()
    out, pairs = np.zeros((len(cells.lighting), rate.shape[1])), []
    for family in (np.zeros_like(cls), cls + 1):
        use = np.flatnonzero((fresh == recent) & ((family == 0) | (recent < 0)))
        keys = np.stack([light, family, km, age, recent], axis=1)[use]
        at = np.array([number.get(tuple(k), -1) for k in keys.tolist()])
        good = at >= 0
        np.add.at(out, at[good], (rate * weight[:, None])[use[good]])
        pairs.append(np.unique(np.stack([at[good], vehicle[use[good]]]), axis=1)[0])
    return out, np.bincount(np.concatenate(pairs), minlength=len(out))


def fit_world(seed: int, vehicles: int = 1500, draws: int = 300, great: int = 12_000) -> SimpleNamespace:
    """A shop of a truth of its own, fitted; and other vehicles of the same truth."""
    truth = draw_truth(seed)
    world, fresh = make_world(vehicles, seed, truth=truth), make_world(vehicles, seed + 500_000, truth=truth)
    model = fit_model(world.lives, world.episodes, world.parts, clocks=CLOCKS, as_of=AS_OF, seed=1, draws=draws)
    cells = grid.make_cells(model, world.episodes, world.parts, KM, AGE)
    # The model asks its fleet which vehicles have no igniter: here that of the other vehicles.
    asked = dataclasses.replace(model, fleet=make_fleet(fresh.lives, fresh.episodes))
    return SimpleNamespace(seed=seed, world=world, fresh=fresh, model=model, asked=asked, cells=cells,
                           great=make_world(great, seed + 900_000, truth=truth))


def published(made: SimpleNamespace, least: float = 0.005, enough: int = 20) -> pl.DataFrame:
    """Published rows beside the truth, where that is `least` at least and rests on `enough` vehicles of the great fleet,
    with the cell's share of all cases."""
    w, model, cells = made.world, made.model, made.cells
    table = grid.priors(model, w.lives, w.episodes, w.parts, KM, AGE, cells=cells, confidence=LEVEL)
    rate, there = truth_of_cells(model, made.great, cells)
    weight = rate[:, :, None] * true_likelihood(model, w)[None]
    share = weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    n, j, s = np.nonzero((share >= least) & (there[:, None, None] >= enough))
    names, symptoms = np.array([*model.components, OTHER]), np.array(model.symptoms.symptoms)
    low, age = (dict(enumerate(e.tolist())) for e in (cells.km_edges, cells.age_edges_days))
    right = pl.DataFrame({
        "symptom": symptoms[s], "lighting": np.array(model.lightings)[cells.lighting[n]],
        "vehicle_class": np.array([grid.ALL, *model.classes])[cells.vehicle_class[n]],
        "km_low": [low[b] for b in cells.km_band[n]], "age_low_days": [age[b] for b in cells.age_band[n]],
        "recently_replaced": np.array([*model.components, grid.NONE])[cells.recent[n]],
        "component": names[j], "truth": share[n, j, s], "case_weight": weight.sum(axis=1)[n, s],
    })
    on = ["symptom", "lighting", "vehicle_class", "km_low", "age_low_days", "recently_replaced", "component"]
    return table.join(right, on=on).with_columns(
        inside=(pl.col("truth") >= pl.col("low")) & (pl.col("truth") <= pl.col("high")))


def at_the_bench(made: SimpleNamespace, most: int = 150) -> pl.DataFrame:
    """Answers of the bench to cases of other vehicles, all ages told, beside the truth: one row a case and suspect."""
    model, fresh = made.model, made.fresh
    data = bench.bench_data(model, made.cells, confidence=LEVEL)
    truth = truth_of_cases(model, fresh)
    table = grid.episode_frame(model, fresh.episodes)
    parts = grid.episode_parts_arrays(model, table, fresh.parts)
    names = (*model.components, OTHER)
    rows = []
    for i in np.unique(np.linspace(0, table.height - 1, most).astype(int)).tolist():
        case = table.row(i, named=True)
        own = parts.present[i] & np.isfinite(parts.age_days[i])
        new = own & parts.replacement[i]
        query = bench.Query(
            symptom=case["symptom"], side=case["side"], km=case["km"], age_days=case["age_days"], lighting=case["lighting"],
            vehicle_class=case["vehicle_class"], km_per_day=case["km_per_day"],
            light_source_category="D1S" if case["lighting"] == "discharge" and not parts.present[i][names.index("igniter")] else None,
            replaced={names[j]: float(parts.age_days[i, j]) for j in np.flatnonzero(new)},
            original=tuple(names[j] for j in np.flatnonzero(own & ~new)))
        for s in bench.rank(data, query).suspects:
            rows.append((i, s.component, s.probability, s.low, s.high, float(truth[i, names.index(s.component)])))
    out = pl.DataFrame(rows, schema=["case", "component", "probability", "low", "high", "truth"], orient="row")
    return out.with_columns(inside=(pl.col("truth") >= pl.col("low")) & (pl.col("truth") <= pl.col("high")))


def against_baselines(made: SimpleNamespace) -> dict[str, float]:
    """Mean absolute error, calibration error, slope and log score of model and baselines on cases of other vehicles."""
    model, fresh = made.model, made.fresh
    truth = truth_of_cases(model, fresh)
    table = grid.episode_frame(model, fresh.episodes)
    said = {"model": grid.predict(made.asked, made.cells, fresh.episodes, fresh.parts)}
    said |= count_baselines(made.asked, made.cells, made.world.episodes, fresh.episodes)
    hit = np.arange(truth.shape[1]) == table["cause_at"].to_numpy()[:, None]
    out: dict[str, float] = {}
    for name, p in (said | {"truth": truth}).items():
        named = (p > 0) | (truth > 0)
        out[f"mae_{name}"] = float(np.abs(p - truth)[named].mean())
        out[f"log_{name}"] = float(-np.log(np.maximum(p[hit], 1e-6)).mean())
        out[f"first_{name}"] = float((p.argmax(axis=1) == table["cause_at"].to_numpy()).mean())
    p = said["model"]
    named = p > 0
    band = np.minimum((p[named] * 10).astype(int), 9)
    gaps = [(np.sum(band == b), p[named][band == b].mean() - truth[named][band == b].mean()) for b in np.unique(band)]
    out["calibration_error"] = float(sum(n * abs(g) for n, g in gaps) / sum(n for n, _ in gaps))
    centred = p[named] - p[named].mean()
    out["slope"] = float((centred * hit[named]).sum() / (centred**2).sum())
    return out


def measure(seed: int, vehicles: int = 1500, great: int = 12_000) -> dict[str, float]:
    """All figures of one world."""
    made = fit_world(seed, vehicles, great=great)
    cells, asked, scores = published(made), at_the_bench(made), against_baselines(made)
    big = asked.filter(pl.col("truth") >= 0.005)
    weight = cells["case_weight"] / cells["case_weight"].sum()
    return {
        "seed": seed, "cases": made.world.episodes.height, "concentration": made.cells.concentration, "rows": cells.height,
        "cover_rows": float(cells["inside"].mean()), "cover_by_cases": float((weight * cells["inside"]).sum()),
        "cover_bench": float(big["inside"].mean()),
        "mae_cells": float((cells["probability"] - cells["truth"]).abs().mean()),
        "mae_cells_by_cases": float((weight * (cells["probability"] - cells["truth"]).abs()).sum()),
        "better_than_both": float(all(scores["log_model"] < scores[f"log_{b}"] and scores["mae_model"] < scores[f"mae_{b}"]
                                      for b in BASELINES)),
    } | scores
