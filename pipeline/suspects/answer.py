"""At the bench: the ranking for one vehicle, from what `bench.bench_data` published, without a refit. Standard library alone, so
that the command answers at once; a page's script (reports/bench.js) does the same with the same loops, exp, log and sqrt.

The formulas. j: component (J of them) or `other`; l: lighting; s: symptom; a cell: lighting, class, km band,
age band, part renewed lately.

1. Rate r_j, cases per vehicle-day on this side, and up_j, down_j, the variances of its log upwards and downwards:
   squares of arms, an arm being the log of the ratio of a limit of its posterior to its mean, over z (j = other:
   as for an age that is not told):

     age told:      r_j = hazard[l][j][origin][band] x pace x class_factor[l][class][j] x told[l][j] x side_j
                    up_j = log_up[l][j][origin][band]^2, down_j = log_down[l][j][origin][band]^2
                    band = min(bands - 1, floor(log(1 + age / scale) / step)), of j's own clock
                    pace = km/day where j's clock is km, else 1; side_j = 0.5 where j has no side, else 1
     age not told:  r_j = rate of the cell
                    up_j = log_up^2 + log_spread^2 of the cell, down_j = log_down^2 + log_spread^2 (the spread
                    is what the unknown history leaves open)

   Impossible components: r_j = 0. Parts renewed within recent_days: the cell of the latest renewed one.
   Several cells (km, age or lighting not told): r_j x L_j is averaged by their weights (weight x share of the
   lighting), and log(mean of squares / square of mean) is added to up_j and down_j.

2. Mix of the model, with L_j = alpha[l][j][s] / A_j and A_j = sum of alpha[l][j]:

     m_j = r_j L_j / sum over k of r_k L_k, other among the k; where m_other < other_floor it becomes that, and
     all others are scaled by (1 - other_floor) / (1 - m_other)
     up_j and down_j are raised by likelihood_up[l][j][s]^2 and likelihood_down[l][j][s]^2, the arms of L_j

   q_j is the same with every r_j the cell's.

3. Confirmed cases n_j of the cell (of several cells: by weight), n their sum, C = concentration:

     p_j is proportional to m_j x (C q_j + n_j) / (C + n) / q_j

   which is the published posterior of the cell where no age is told.

4. Interval on the log-odds: what the parameters leave open, by the delta method arm by arm, and what C + n cases
   leave open, by Wilson's limits (1927, J. Am. Stat. Assoc. 22:209-212), which stay sensible where p_j is near 0:

     u_j = up_j + sum over k != j of (m_k / (1 - m_j))^2 down_k          (the lower arm: down_j and up_k)
     a_j = z C / (C + n) m_j (1 - m_j) / (p_j (1 - p_j)) sqrt(u_j)
     W   = Wilson's limit of p_j on C + n cases
     limit = expit(logit p_j +- sqrt(a_j^2 + (logit W - logit p_j)^2))

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

from pipeline.suspects.checks import best_order, cheapest_first, checks_from_rows, likeliest_first, walk
from pipeline.suspects.parts import BOTH_DARK, NONE, OTHER, is_possible


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
    "symptom_thin": "Hardly any confirmed case had this symptom: what each part would say is mostly assumed.",
    "code_unknown": "This fault code was never seen with a confirmed cause: it changes nothing.",
    "not_in_vehicle": "A named part is not one that such a headlamp has: it is left aside.",
    "part_unknown": "A named part is not in the data: it is left aside.",
    "not_better": "In this month's test the model named causes no better than counting which part was replaced: a hint, no more.",
    "not_tested": "Too few cases came to test the model this month.",
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
    latest = min(fresh, key=lambda c: (fresh[c], c != "headlamp_assembly", known[c])) if fresh else None
    if query.lighting not in (None, "unknown", *data["lightings"]):
        raise ValueError(f"the published data holds no vehicle with {query.lighting} headlamps")
    lightings = [query.lighting] if query.lighting in data["lightings"] else data["lightings"]
    if len(lightings) > 1:
        notes.append("lighting_unknown")
    if s is not None and _cases_of(data, s, lightings) < 5:
        notes.append("symptom_thin")
    possible = [[is_possible(c, li, query.light_source_category) for c in names] for li in data["lightings"]]
    picked, extra = _pick_cells(data, query, lightings, known[latest] if latest else -1)
    notes += extra
    if not picked:
        raise ValueError("the published data holds no cell for such a vehicle")

    # Rates, cell by cell, then averaged.
    j_count = len(names)
    ages: list[tuple[str, float | None]] = [("average", None)] * j_count
    size = j_count + 1  # other last
    rate, second, plain = [0.0] * size, [0.0] * size, [0.0] * size
    ups, downs, cases, vehicles = [0.0] * size, [0.0] * size, [0.0] * size, 0
    for weight, cell in picked:
        name = data["lightings"][cell[0]]
        light = data["lighting"][name]
        pace = query.km_per_day or light["km_per_day"]
        for j in range(size):
            if j < j_count and not possible[cell[0]][j]:
                continue
            told = _told_age(data, query, j, pace) if j < j_count else None
            if told is None:
                r, up, down = cell[7][j], cell[8][j] ** 2 + cell[10][j] ** 2, cell[9][j] ** 2 + cell[10][j] ** 2
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
                up, down = light["log_up"][j][origin][band] ** 2, light["log_down"][j][origin][band] ** 2
            alpha = light["alpha"][j]
            total = sum(alpha)
            p_s = alpha[s] / total if s is not None else 1.0
            rate[j] += weight * r * p_s
            plain[j] += weight * cell[7][j] * p_s
            second[j] += weight * (r * p_s) ** 2
            ups[j] += weight * (up + (light["likelihood_up"][j][s] ** 2 if s is not None else 0.0))
            downs[j] += weight * (down + (light["likelihood_down"][j][s] ** 2 if s is not None else 0.0))
        vehicles += cell[6]
        for symptom_at, cause, n in cell[11]:
            if symptom_at == s and (cause == j_count or possible[cell[0]][cause]):
                cases[cause] += n * (1.0 if len(picked) == 1 else weight)
    if any(a[0] == "average" and any(possible[c[0]][j] for _, c in picked) for j, a in enumerate(ages)):
        notes.append("history_unknown")
    between = [
        math.log(max(q / max(r * r, 1e-300), 1.0)) if r > 0 else 0.0 for q, r in zip(second, rate, strict=True)
    ]
    ups, downs = ([v + b for v, b in zip(arm, between, strict=True)] for arm in (ups, downs))

    # Mix, cases, intervals.
    if sum(rate[:-1]) <= 0 or sum(plain[:-1]) <= 0:
        raise ValueError("no component that such a headlamp has is in the published data")
    mix, average = _shares(rate, data["other_floor"]), _shares(plain, data["other_floor"])
    c, n = data["concentration"], sum(cases)
    p = [m * (c * q + k) / (c + n) / q if q > 0 else m for m, q, k in zip(mix, average, cases, strict=True)]
    p = [x / sum(p) for x in p]
    limits = [_interval(j, mix, ups, downs, p, c, n, data["z"]) for j in range(len(p))]

    # Evidence.
    evidence, unseen = _evidence(data, query, [cell for _, cell in picked], known)
    notes += unseen
    after = [a * e for a, e in zip(p, evidence, strict=True)]
    if "beats_baselines" in data and not data["beats_baselines"]:
        notes.append("not_tested" if data["beats_baselines"] is None else "not_better")
    left = sum(after)
    if not left > 0:
        raise ValueError("what was found leaves no suspect at all: doubt one of the findings, or check again")
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


def _shares(rate: list[float], floor: float) -> list[float]:
    """Rates as shares that sum to 1, `other` (last) at least the floor."""
    whole = sum(rate)
    mix = [r / whole for r in rate]
    if mix[-1] >= floor:
        return mix
    scale = (1 - floor) / (1 - mix[-1])
    return [m * scale for m in mix[:-1]] + [floor]


def check_order(ranking: Ranking, access: Any, cleared: tuple[str, ...] = ()) -> dict[str, Any]:
    """The best order of checks for a ranking: steps (component, probability, minutes, needs: the access step that must
    be open, opens: where it is opened for this check, is_assumed),
    expected_minutes, and those of likeliest first and cheapest first. Parts that were cleared are not checked
    again; access: the access table, or its rows (see checks.checks_from_rows)."""
    names = [s.component for s in ranking.suspects if s.component != OTHER and s.component not in cleared]
    p = [s.probability for s in ranking.suspects if s.component in names]
    rows = access.to_dicts() if hasattr(access, "to_dicts") else access
    checks, assumed = checks_from_rows(rows, names)
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
                "needs": checks[i].opens,
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


def _cases_of(data: Mapping[str, Any], s: int, lightings: list[str]) -> float:
    """Confirmed cases with a symptom, over all ages."""
    plain = (c for c in data["cells"] if c[1] == 0 and c[4] == -1 and data["lightings"][c[0]] in lightings)
    return sum(n for c in plain for symptom, _, n in c[11] if symptom == s)


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
    j: int, mix: list[float], ups: list[float], downs: list[float], p: list[float], c: float, n: float, z: float
) -> tuple[float, float]:
    m, q = mix[j], p[j]
    if q <= 0 or q >= 1:
        return q, q
    logit, cases = math.log(q / (1 - q)), c + n
    limits = []
    for sign, own, others in ((-1, downs, ups), (1, ups, downs)):
        spread = own[j] + sum((mix[k] / (1 - m)) ** 2 * others[k] for k in range(len(mix)) if k != j)
        arm = z * c / cases * m * (1 - m) / (q * (1 - q)) * math.sqrt(spread)
        wilson = (q + z * z / (2 * cases) + sign * z * math.sqrt(q * (1 - q) / cases + (z / (2 * cases)) ** 2)) / (
            1 + z * z / cases
        )
        wilson = min(max(wilson, 1e-300), 1 - 1e-15)
        half = math.sqrt(arm * arm + (math.log(wilson / (1 - wilson)) - logit) ** 2)
        limits.append(1 / (1 + math.exp(-max(min(logit + sign * half, 700), -700))))
    return limits[0], limits[1]


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
