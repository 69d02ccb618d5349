"""At the bench: the ranking for one vehicle, from a published table, without a refit.

`bench_data` puts everything into one JSON-able dict (see there for its shape); `rank` answers from it with
loops, exp, log and sqrt only, so that a page's script can do the same.

The formulas. j: component (J of them) or `other`; l: lighting; s: symptom; a cell: lighting, class, km band,
age band, part renewed lately.

1. Rate r_j, cases per vehicle-day on this side, and v_j, the variance of its log:

     age told:      r_j = hazard[l][j][origin][band] x pace x class_factor[l][class][j] x told[l][j] x side_j
                    v_j = log_sd[l][j][origin][band]^2
                    band = min(bands - 1, floor(log(1 + age / scale) / step)), of j's own clock
                    pace = km/day where j's clock is km, else 1; side_j = 0.5 where j has no side, else 1
     age not told:  r_j = rate of the cell
                    v_j = log_sd^2 + log_spread^2 of the cell (what the unknown history leaves open)

   Impossible components: r_j = 0. Parts renewed within recent_days: the cell of the latest renewed one.
   Several cells (km, age or lighting not told): r_j x L_j is averaged by their weights (weight x share of the
   lighting), and log(mean of squares / square of mean) is added to v_j.

2. Mix of the model, with L_j = alpha[l][j][s] / A_j and A_j = sum of alpha[l][j]:

     m_other = other[l][s];  m_j = (1 - m_other) r_j L_j / sum over k of r_k L_k
     v_j is raised by 1 / alpha[l][j][s] - 1 / A_j
     v_other = 1 / (o n_o) - 1 / n_o,  o = other[l][s],  n_o = other_cases[l][s]

   q_j is the same with every r_j the cell's.

3. Confirmed cases n_j of the cell (of several cells: by weight), n their sum, C = concentration:

     p_j is proportional to m_j x (C q_j + n_j) / (C + n) / q_j

   which is the published posterior of the cell where no age is told.

4. Interval, by the delta method on the log-odds:

     u_j = v_j + sum over k != j of (m_k / (1 - m_j))^2 v_k
     w_j = (C / (C + n))^2 (m_j (1 - m_j))^2 u_j + p_j (1 - p_j) / (C + n + 1)
     limits = expit(logit p_j -+ z sqrt(w_j) / (p_j (1 - p_j)))

5. Evidence E_j, multiplied over what was found:

     fault code f:  code[l][j][f]
     cleared X:     1 - check_sensitivity for X, 1 for all others
     moved X:       1 - swap_error for X, swap_error for all others
     stayed X:      swap_error for X, 1 - swap_error for all others

   Then p_j becomes p_j E_j over the sum; and with B_j = sum over k != j of p_k E_k / (1 - p_j) each limit x
   becomes x E_j / (x E_j + (1 - x) B_j).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from pipeline.suspects.grid import ALL, NONE, Cells
from pipeline.suspects.hazards import BANDS, LONGEST, ORIGINS, SCALE
from pipeline.suspects.model import CauseModel
from pipeline.suspects.order import best_order, cheapest_first, checks_from, likeliest_first, walk
from pipeline.suspects.states import is_possible
from pipeline.suspects.symptoms import BOTH_DARK, OTHER

VERSION = 1


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
    confidence, z, concentration, as_of, version; lighting: name -> {share (of all vehicle-days), km_per_day,
    hazard and log_sd [component][origin: original, replacement][band], reach [component] (greatest age seen,
    own clock), alpha [component, other last][symptom], other and other_cases [symptom], code [component,
    other last][code], told [component], class_factor [class][component]}; cells: list of [lighting number,
    class number, km band, age band, recent component number or -1, weight, vehicles, rates, log_sds,
    log_spreads, cases: list of [symptom number, component number, weighted cases]]."""
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
        hazard, log_sd, _ = model.hazard_table(name)
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
            "log_sd": _short(log_sd.tolist(), 4),
            "reach": _short(reach),
            "alpha": _short(model.symptoms.alpha[li].tolist()),
            "other": _short(model.other[li].tolist()),
            "other_cases": _short(model.other_cases[li].tolist()),
            "code": _short(code_mean[li].tolist()),
            "told": _short(model.told[li].tolist()),
            "class_factor": _short(factor.tolist()),
        }
    rows = []
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
                _short(cells.log_sd[i].tolist(), 4),
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
        "lighting": lighting,
        "cells": rows,
    }


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


@dataclass(frozen=True)
class Query:
    """What is known at the bench; None: not known.

    symptom: a name of the data; `both_low_beams_dark`, or side "both" with low_beam_dark, where both are out.
    km, age_days: of the vehicle. replaced: component -> days since it was renewed on this side; replaced_km:
    component -> km since then; original: components known to be the first ones (aged as the vehicle).
    cleared: found good by a check; moved, stayed: what a swap with the other side showed: the fault moved
    with the part, or stayed. check_sensitivity: P(a check finds a bad part bad); swap_error: P(a swap
    misleads) (both common practice, no source)."""

    symptom: str | None = None
    side: str | None = None
    km: float | None = None
    age_days: float | None = None
    lighting: str | None = None
    vehicle_class: str | None = None
    light_source_category: str | None = None
    km_per_day: float | None = None
    replaced: Mapping[str, float] = field(default_factory=dict)
    replaced_km: Mapping[str, float] = field(default_factory=dict)
    original: tuple[str, ...] = ()
    cleared: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    stayed: tuple[str, ...] = ()
    fault_code: str | None = None
    check_sensitivity: float = 0.98
    swap_error: float = 0.02


@dataclass(frozen=True)
class Suspect:
    """One suspect: probability with its interval, before_evidence (without code, checks and swaps), where its
    age came from ('told', 'original', 'average', or '' for other), and age in its own clock's unit where
    told."""

    component: str
    probability: float
    low: float
    high: float
    before_evidence: float
    age_from: str
    age: float | None
    clock: str | None


@dataclass(frozen=True)
class Ranking:
    """The answer: suspects, likeliest first (probabilities sum to 1); effective_cases: confirmed cases in the
    cells that it rests on; basis as in the grid; notes: stable ids of what widened it or was out of range
    (see NOTES)."""

    suspects: tuple[Suspect, ...]
    effective_cases: float
    basis: str
    vehicles: int
    recently_replaced: str
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON-able."""
        return {
            "suspects": [vars(s) for s in self.suspects],
            "effective_cases": self.effective_cases,
            "basis": self.basis,
            "vehicles": self.vehicles,
            "recently_replaced": self.recently_replaced,
            "notes": list(self.notes),
        }


NOTES = {
    "km_unknown": "The odometer is not known: averaged over all distances, so the intervals are wider.",
    "age_unknown": "The vehicle's age is not known: averaged over all ages, so the intervals are wider.",
    "lighting_unknown": "The kind of lighting is not known: averaged over all kinds.",
    "history_unknown": "When parts were renewed is not known: averaged over such vehicles, so wider.",
    "class_unknown": "This vehicle class is not in the data: all classes together.",
    "cell_not_reached": "No vehicle was at this distance and age: taken from the nearest that were.",
    "beyond_ages": "A part is older than any seen: its hazard is held at the last one known.",
    "symptom_unknown": "No symptom, or one not in the data: ranked by how often parts fail alone.",
    "code_unknown": "This fault code was never seen with a confirmed cause: it changes nothing.",
    "not_in_vehicle": "A named part is not one that such a headlamp has: it is left aside.",
    "part_unknown": "A named part is not in the data: it is left aside.",
    "evidence_conflict": "The checks and swaps given leave almost no suspect: doubt one of them.",
    "common_cause": "Both sides are dark: what both share comes before any part of one side.",
}


def rank(data: Mapping[str, Any], query: Query) -> Ranking:
    """Rank the suspects for one vehicle, from `bench_data`'s dict (as made, or read back from JSON). Takes
    about a millisecond.

    Raises ValueError, in words, for numbers that cannot be (a negative km, a sensitivity outside 0 .. 1), or
    where the data has no cell."""
    _check(query)
    notes: list[str] = []
    names, symptoms = data["components"], data["symptoms"]
    known = {c: j for j, c in enumerate(names)}
    for c in (
        *query.replaced,
        *query.replaced_km,
        *query.original,
        *query.cleared,
        *query.moved,
        *query.stayed,
    ):
        if c not in known:
            notes.append("part_unknown")
        elif not is_possible(c, query.lighting, query.light_source_category):
            notes.append("not_in_vehicle")
    symptom = (
        BOTH_DARK if query.side == "both" and query.symptom in ("low_beam_dark", BOTH_DARK) else query.symptom
    )
    s = symptoms.index(symptom) if symptom in symptoms else None
    if s is None:
        notes.append("symptom_unknown")
    if symptom == BOTH_DARK:
        notes.append("common_cause")
    fresh = {c: d for c, d in query.replaced.items() if d <= data["recent_days"] and c in known}
    latest = min(fresh, key=lambda c: (fresh[c], c != "headlamp_assembly", c)) if fresh else None
    if query.lighting not in (None, "unknown", *data["lightings"]):
        raise ValueError(f"the published data holds no vehicle with {query.lighting} headlamps")
    lightings = [query.lighting] if query.lighting in data["lightings"] else data["lightings"]
    if len(lightings) > 1:
        notes.append("lighting_unknown")
    possible = [[is_possible(c, li, query.light_source_category) for c in names] for li in data["lightings"]]
    picked, extra = _pick_cells(data, query, lightings, known[latest] if latest else -1)
    notes += extra
    if not picked:
        raise ValueError("the published data holds no cell for such a vehicle")

    # Rates, cell by cell, then averaged.
    j_count = len(names)
    ages: list[tuple[str, float | None]] = [("average", None)] * j_count
    rate, second, plain = [0.0] * j_count, [0.0] * j_count, [0.0] * j_count
    variance = [0.0] * j_count
    like_var = [0.0] * j_count
    other, other_cases, cases, vehicles = 0.0, 0.0, [0.0] * (j_count + 1), 0
    for weight, cell in picked:
        name = data["lightings"][cell[0]]
        light = data["lighting"][name]
        pace = query.km_per_day or light["km_per_day"]
        for j in range(j_count):
            if not possible[cell[0]][j]:
                continue
            told = _told_age(data, query, j, pace)
            if told is None:
                r, v = cell[7][j], cell[8][j] ** 2 + cell[9][j] ** 2
            else:
                origin, age = told
                ages[j] = ("told" if origin else "original", age)
                clock = data["clocks"][data["clock"][j]]
                band = min(
                    clock["bands"] - 1, int(math.floor(math.log1p(age / clock["scale"]) / clock["step"]))
                )
                if age > 1.25 * light["reach"][j]:
                    notes.append("beyond_ages")
                r = light["hazard"][j][origin][band] * light["told"][j] * (1.0 if data["sided"][j] else 0.5)
                r *= light["class_factor"][cell[1]][j] * (pace if data["clock"][j] == "km" else 1.0)
                v = light["log_sd"][j][origin][band] ** 2
            alpha = light["alpha"][j]
            total = sum(alpha)
            p_s = alpha[s] / total if s is not None else 1.0
            rate[j] += weight * r * p_s
            plain[j] += weight * cell[7][j] * p_s
            second[j] += weight * (r * p_s) ** 2
            variance[j] += weight * v
            like_var[j] += weight * ((1 / alpha[s] - 1 / total) if s is not None else 0.0)
        n_s = len(light["other"])
        other += weight * (light["other"][s] if s is not None else sum(light["other"]) / n_s)
        other_cases += weight * (light["other_cases"][s] if s is not None else sum(light["other_cases"]))
        vehicles += cell[6]
        for symptom_at, cause, n in cell[10]:
            if symptom_at == s and (cause == j_count or possible[cell[0]][cause]):
                cases[cause] += n * (1.0 if len(picked) == 1 else weight)
    if any(a[0] == "average" and any(possible[c[0]][j] for _, c in picked) for j, a in enumerate(ages)):
        notes.append("history_unknown")
    variance = [
        v + lv + (math.log(max(q / max(r * r, 1e-300), 1.0)) if r > 0 else 0.0)
        for v, lv, q, r in zip(variance, like_var, second, rate, strict=True)
    ]

    # Mix, cases, intervals.
    whole = sum(rate)
    if whole <= 0 or sum(plain) <= 0:
        raise ValueError("no component that such a headlamp has is in the published data")
    mix = [(1 - other) * r / whole for r in rate] + [other]
    variance.append(1 / max(other * other_cases, 1e-9) - 1 / max(other_cases, 1e-9))
    c, n = data["concentration"], sum(cases)
    average = [(1 - other) * r / sum(plain) for r in plain] + [other]
    p = [m * (c * q + k) / (c + n) / q if q > 0 else m for m, q, k in zip(mix, average, cases, strict=True)]
    p = [x / sum(p) for x in p]
    limits = [_interval(j, mix, variance, p, c, n, data["z"]) for j in range(len(p))]

    # Evidence.
    evidence, unseen = _evidence(data, query, [cell for _, cell in picked], known)
    notes += unseen
    after = [a * e for a, e in zip(p, evidence, strict=True)]
    left = sum(after)
    if (query.cleared or query.moved or query.stayed) and (left < 0.02 or after[-1] > 0.5 * left):
        notes.append("evidence_conflict")
    suspects = []
    for j, name in enumerate([*names, OTHER]):
        if p[j] <= 0:
            continue
        rest = (left - after[j]) / max(1 - p[j], 1e-12)
        low, high = (_shift(x, evidence[j], rest) for x in limits[j])
        told, age = ages[j] if j < j_count else ("", None)
        suspects.append(
            Suspect(
                name,
                after[j] / left,
                low,
                high,
                p[j],
                told,
                age,
                data["clock"][j] if age is not None else None,
            )
        )
    suspects.sort(key=lambda x: (-x.probability, x.component))
    reached = "cell_not_reached" not in notes
    basis = "borrowed" if n < 5 or not reached else "own" if n >= c else "pooled"
    return Ranking(tuple(suspects), round(n, 3), basis, vehicles, latest or NONE, tuple(dict.fromkeys(notes)))


def check_order(ranking: Ranking, access: pl.DataFrame, cleared: tuple[str, ...] = ()) -> dict[str, Any]:
    """The best order of checks for a ranking: steps (component, probability, minutes, opens, is_assumed),
    expected_minutes, and those of likeliest first and cheapest first. Parts that were cleared are not checked
    again; access as in order.check_order."""
    names = [s.component for s in ranking.suspects if s.component != OTHER and s.component not in cleared]
    p = [s.probability for s in ranking.suspects if s.component in names]
    checks, assumed = checks_from(access, names)
    best = best_order(p, checks)
    opened: set[str | None] = set()
    steps = []
    for i, minutes in zip(best.order, best.minutes, strict=True):
        opens = checks[i].opens if checks[i].opens not in opened else None
        opened.add(checks[i].opens)
        steps.append(
            {
                "component": names[i],
                "probability": p[i],
                "minutes": minutes,
                "opens": opens,
                "is_assumed": names[i] in assumed,
            }
        )
    return {
        "steps": steps,
        "expected_minutes": best.expected_minutes,
        "expected_minutes_naive": walk(likeliest_first(p, checks), p, checks).expected_minutes,
        "expected_minutes_cheapest": walk(cheapest_first(p, checks), p, checks).expected_minutes,
    }


def _check(query: Query) -> None:
    for name in ("km", "age_days", "km_per_day"):
        value = getattr(query, name)
        if value is not None and not (value >= 0 and math.isfinite(value)):
            raise ValueError(f"{name} is {value}; it must be 0 or more")
    for name in ("replaced", "replaced_km"):
        for c, value in getattr(query, name).items():
            if not value >= 0:
                raise ValueError(f"{c} was renewed {value} ago; that must be 0 or more")
    for name in ("check_sensitivity", "swap_error"):
        if not 0 <= getattr(query, name) <= 1:
            raise ValueError(f"{name} is {getattr(query, name)}; it must lie between 0 and 1")
    both = set(query.moved) & set(query.stayed)
    if both:
        raise ValueError(f"{', '.join(sorted(both))}: the fault cannot both move with the part and stay")


def _told_age(data: Mapping[str, Any], query: Query, j: int, pace: float) -> tuple[int, float] | None:
    """(origin number, age on the component's own clock), where the query tells it."""
    name, clock = data["components"][j], data["clock"][j]
    days, km = query.replaced.get(name), query.replaced_km.get(name)
    if days is not None or km is not None:
        if clock == "days":
            return 1, days if days is not None else km / pace
        return 1, km if km is not None else days * pace
    age = query.age_days if clock == "days" else query.km
    return (0, age) if name in query.original and age is not None else None


def _pick_cells(
    data: Mapping[str, Any], query: Query, lightings: list[str], recent: int
) -> tuple[list[tuple[float, list]], list[str]]:
    """Cells with weights that sum to 1, and notes."""
    notes = []
    cls = data["classes"].index(query.vehicle_class) if query.vehicle_class in data["classes"] else 0
    if query.vehicle_class and query.vehicle_class not in data["classes"]:
        notes.append("class_unknown")
    km, age = _band(query.km, data["km_edges"]), _band(query.age_days, data["age_edges_days"])
    if km is None:
        notes.append("km_unknown")
    if age is None:
        notes.append("age_unknown")
    rows = [c for c in data["cells"] if data["lightings"][c[0]] in lightings]

    def far(c: list) -> int:
        return (abs(c[2] - km) if km is not None else 0) + (abs(c[3] - age) if age is not None else 0)

    # As asked; without the class; without the recent renewal; then the nearest cell that vehicles have
    # reached.
    tries = [(cls, -1), (0, -1)] if recent < 0 else [(0, recent), (cls, -1), (0, -1)]
    for wanted in tries:
        found = [x for x in rows if (x[1], x[4]) == wanted and far(x) == 0]
        if found:
            break
    else:
        notes.append("cell_not_reached")
        plain = [x for x in rows if x[1] == 0 and x[4] == -1]
        nearest = min((far(x) for x in plain), default=0)
        found = [x for x in plain if far(x) == nearest]
    weight = [max(x[5], 1e-9) * data["lighting"][data["lightings"][x[0]]]["share"] for x in found]
    total = sum(weight)
    return [(w / total, x) for w, x in zip(weight, found, strict=True)], notes


def _band(value: float | None, edges: list[float]) -> int | None:
    if len(edges) == 1:
        return 0
    if value is None:
        return None
    return max(i for i, e in enumerate(edges) if e <= value or i == 0)


def _interval(
    j: int, mix: list[float], variance: list[float], p: list[float], c: float, n: float, z: float
) -> tuple[float, float]:
    m, q = mix[j], p[j]
    if q <= 0 or q >= 1:
        return q, q
    spread = variance[j] + sum((mix[k] / (1 - m)) ** 2 * variance[k] for k in range(len(mix)) if k != j)
    var = (c / (c + n)) ** 2 * (m * (1 - m)) ** 2 * spread + q * (1 - q) / (c + n + 1)
    half = z * math.sqrt(var) / (q * (1 - q))
    logit = math.log(q / (1 - q))
    return tuple(1 / (1 + math.exp(-max(min(logit + sign * half, 700), -700))) for sign in (-1, 1))


def _evidence(
    data: Mapping[str, Any], query: Query, cells: list[list], known: Mapping[str, int]
) -> tuple[list[float], list[str]]:
    size, notes = len(known) + 1, []
    out = [1.0] * size
    code = "".join(query.fault_code.upper().split()) if query.fault_code else None
    if code and code in data["codes"]:
        k = data["codes"].index(code)
        names = list(dict.fromkeys(data["lightings"][c[0]] for c in cells))
        out = [sum(data["lighting"][li]["code"][j][k] for li in names) / len(names) for j in range(size)]
    elif code:
        notes.append("code_unknown")
    for c in query.cleared:
        if c in known:
            out[known[c]] *= 1 - query.check_sensitivity
    for parts, hit in ((query.moved, 1 - query.swap_error), (query.stayed, query.swap_error)):
        for c in parts:
            if c in known:
                out = [e * (hit if j == known[c] else 1 - hit) for j, e in enumerate(out)]
    return out, notes


def _shift(limit: float, own: float, rest: float) -> float:
    total = limit * own + (1 - limit) * rest
    return limit * own / total if total > 0 else limit
