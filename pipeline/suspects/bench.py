"""What the bench answers from: everything that `answer.rank` needs, in one JSON-able dict (see `bench_data` for its shape). The
formulas stand at the head of answer.py."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl

from pipeline.suspects.answer import NOTES, Query, Ranking, Suspect, check_order, rank
from pipeline.suspects.grid import Cells
from pipeline.suspects.hazards import BANDS, LONGEST, ORIGINS, SCALE
from pipeline.suspects.model import CauseModel
from pipeline.suspects.parts import ALL

VERSION = 2


def _short(x: Any, digits: int = 6) -> Any:
    """Numbers to so many significant digits, nested lists all through: the file stays small, and the same
    everywhere."""
    if isinstance(x, list | tuple):
        return [_short(v, digits) for v in x]
    x = float(x)
    return float(f"{x:.{digits}g}") if math.isfinite(x) else None


def bench_data(model: CauseModel, cells: Cells, *, confidence: float = 0.95) -> dict[str, Any]:
    """Everything `rank` needs, as plain dicts, lists, numbers and texts (JSON-able).

    Shape: components, symptoms, codes, classes (first `all`), lightings: lists of names; sided: by component;
    clocks: name -> {scale, step, bands}; clock: by component; km_edges, age_edges_days; recent_days,
    confidence, z, concentration, other_floor, as_of, version; lighting: name -> {share (of all vehicle-days), km_per_day,
    hazard, log_up and log_down [component][origin: original, replacement][band], reach [component] (greatest age
    seen, own clock), likelihood_up and likelihood_down [component, other last][symptom], alpha [component, other last][symptom], code [component, other last][code], told [component], class_factor [class][component]}; cells: list of [lighting number,
    class number, km band, age band, recent component number or -1, weight, vehicles, rates, log_ups,
    log_downs, log_spreads (these four by component, other last), cases: list of [symptom number, component number, weighted cases]]."""
    lighting = {}
    shares = np.array(
        [
            (model.fleet.seen_to - model.fleet.seen_from)[model.fleet.lighting == li].sum()
            for li in range(len(model.lightings))
        ],
        dtype=float,
    )
    shares = shares / shares.sum() if shares.sum() > 0 else np.full(len(shares), 1 / len(shares))
    code_mean = model.codes.mean()
    for li, name in enumerate(model.lightings):
        hazard, _, drawn = model.hazard_table(name)
        up, down = _arms(hazard, drawn, confidence)
        like_up, like_down = _beta_arms(model.symptoms.alpha[li], confidence)
        reach = [
            max([float(h.reach[r]) for o in ORIGINS if (r := h.row(name, o)) is not None], default=0.0)
            for h in model.hazards
        ]
        factor = np.concatenate(
            [np.ones((1, len(model.components))), model.class_factor[li, : len(model.classes)]]
        )
        lighting[name] = {
            "share": _short(shares[li]),
            "km_per_day": _short(model.km_per_day[li]),
            "hazard": _short(hazard.tolist()),
            "log_up": _short(up.tolist(), 4),
            "log_down": _short(down.tolist(), 4),
            "likelihood_up": _short(like_up.tolist(), 4),
            "likelihood_down": _short(like_down.tolist(), 4),
            "reach": _short(reach),
            "alpha": _short(model.symptoms.alpha[li].tolist()),
            "code": _short(code_mean[li].tolist()),
            "told": _short(model.told[li].tolist()),
            "class_factor": _short(factor.tolist()),
        }
    rows = []
    up, down = _arms(cells.rate, cells.draws, confidence)
    for i in range(len(cells.lighting)):
        j, s = np.nonzero(cells.counts[i])
        rows.append(
            [
                int(cells.lighting[i]),
                int(cells.vehicle_class[i]),
                int(cells.km_band[i]),
                int(cells.age_band[i]),
                int(cells.recent[i]),
                _short(cells.weight[i]),
                int(cells.vehicles[i]),
                _short(cells.rate[i].tolist()),
                _short(up[i].tolist(), 4),
                _short(down[i].tolist(), 4),
                _short(cells.log_spread[i].tolist(), 4),
                [[int(b), int(a), _short(cells.counts[i, a, b])] for a, b in zip(j, s, strict=True)],
            ]
        )
    return {
        "version": VERSION,
        "as_of": model.as_of.isoformat(),
        "components": list(model.components),
        "sided": [bool(x) for x in model.fleet.sided],
        "clock": [model.clocks[c] for c in model.components],
        "clocks": {
            c: {"scale": SCALE[c], "step": math.log1p(LONGEST[c] / SCALE[c]) / BANDS, "bands": BANDS}
            for c in SCALE
        },
        "symptoms": list(model.symptoms.symptoms),
        "codes": list(model.codes.codes),
        "classes": [ALL, *model.classes],
        "lightings": list(model.lightings),
        "km_edges": _short(cells.km_edges.tolist()),
        "age_edges_days": _short(cells.age_edges_days.tolist()),
        "recent_days": model.recent_days,
        "confidence": confidence,
        "z": _short(_normal_quantile((1 + confidence) / 2), 8),
        "concentration": _short(cells.concentration),
        "other_floor": model.other_floor,
        "lighting": lighting,
        "cells": rows,
    }


def _arms(mean: np.ndarray, draws: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """log of upper limit / mean and of mean / lower limit, over z, of draws (draws, ...); 0 where the mean is 0, and 10
    at most."""
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], axis=0)
    z = _normal_quantile(1 - tail)
    safe = np.where(mean > 0, mean, 1.0)
    up, down = np.log(np.maximum(high / safe, 1.0)) / z, -np.log(np.clip(low / safe, 1e-12, 1.0)) / z
    return np.where(mean > 0, np.minimum(up, 10.0), 0.0), np.where(mean > 0, np.minimum(down, 10.0), 0.0)


def _beta_arms(alpha: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """The same of each share of Dirichlet distributions (rows of alpha), exactly."""
    from scipy.special import betaincinv

    tail, whole = (1 - confidence) / 2, alpha.sum(axis=-1, keepdims=True)
    z, mean = _normal_quantile(1 - tail), alpha / whole
    low, high = (betaincinv(alpha, np.maximum(whole - alpha, 1e-9), q) for q in (tail, 1 - tail))
    up, down = np.log(np.maximum(high / mean, 1.0)) / z, -np.log(np.clip(low / mean, 1e-12, 1.0)) / z
    return np.minimum(up, 10.0), np.minimum(down, 10.0)


def _normal_quantile(p: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


def suspicion_model(model: CauseModel) -> pl.DataFrame:
    """The hazards as a flat table: component, lighting, origin, clock, age_low, age_high (the clock's unit;
    the last one open: null), events, exposure, hazard (per unit), log_sd, gamma_shape, gamma_rate (so that
    hazard = shape / rate), strengths of the pooling."""
    from pipeline.suspects.hazards import band_edges

    frames = []
    for h in model.hazards:
        edges = band_edges(h.clock)
        for i, (lighting, origin) in enumerate(h.curves):
            shape = 1 / h.log_sd[i] ** 2
            frames.append(
                pl.DataFrame(
                    {
                        "component": h.component,
                        "lighting": lighting,
                        "origin": origin,
                        "clock": h.clock,
                        "age_low": edges[:-1],
                        "age_high": np.append(edges[1:-1], np.nan),
                        "events": h.events[i],
                        "exposure": h.exposure[i],
                        "hazard": h.hazard[i],
                        "log_sd": h.log_sd[i],
                        "gamma_shape": shape,
                        "gamma_rate": shape / h.hazard[i],
                        "wiggle": h.strengths[0],
                        "origin_deviation": h.strengths[1],
                        "lighting_deviation": h.strengths[2],
                    }
                )
            )
    return pl.concat(frames).with_columns(pl.col("age_high").fill_nan(None))


__all__ = ["NOTES", "VERSION", "Query", "Ranking", "Suspect", "bench_data", "check_order", "rank", "suspicion_model"]
