"""True histories: what was fitted when, when it truly failed, what the desk took it for, and what was done.

Vectorised over vehicles: each round takes every vehicle's next event. Randomness comes from one PCG64 stream of
uniform numbers turned by the formulas below, so that the same seed gives the same world.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from synthetic_data import scenario as sc
from synthetic_data.scenario import COMPONENTS, PLACES, Scenario, day_number

ENDINGS = ("in_service", "vehicle_left", "failed", "planned", "paired", "with_assembly", "collision", "wrong_suspect")
IN_SERVICE, LEFT, FAILED, PLANNED, PAIRED, WITH_ASSEMBLY, COLLISION, WRONG = range(8)
ORDER_KINDS = ("complaint", "comeback", "collision", "programme", "service", "other")
COMPLAINT, COMEBACK, CRASH, PROGRAMME, SERVICE, OTHER = range(6)
CSIDES = ("left", "right", "both")

COMP_OF = np.array([COMPONENTS.index(c) for c, _ in PLACES])
SIDE_OF = np.array([{"left": 0, "right": 1, "none": 2}[s] for _, s in PLACES])
PLACE_OF = np.full((len(COMPONENTS), 3), -1)
for _p in range(len(PLACES)):
    PLACE_OF[COMP_OF[_p], SIDE_OF[_p]] = _p
PLACE_OF[-2:, 0] = PLACE_OF[-2:, 1] = PLACE_OF[-2:, 2]
LAMP, ASSEMBLY = COMPONENTS.index("lamp"), COMPONENTS.index("headlamp_assembly")
CLOCKS = ("days", "km", "hours")
NP = len(PLACES)


class Random:
    """Uniform numbers of one seed, and what the scenario draws from them."""

    def __init__(self, seed: int) -> None:
        self._g = np.random.Generator(np.random.PCG64(seed))

    def u(self, n: int) -> np.ndarray:
        return self._g.random(n)

    def exp(self, n: int) -> np.ndarray:
        return -np.log1p(-self.u(n))

    def normal(self, n: int) -> np.ndarray:
        return np.sqrt(2.0 * self.exp(n)) * np.cos(2.0 * np.pi * self.u(n))

    def choice(self, n: int, weights) -> np.ndarray:
        cum = np.cumsum(np.asarray(weights, dtype=float))
        return np.minimum(np.searchsorted(cum / cum[-1], self.u(n), side="right"), len(cum) - 1)

    def rows(self, cum: np.ndarray) -> np.ndarray:
        """One draw a row of cumulative weights that end at 1."""
        u = self.u(len(cum))
        return np.minimum((u[:, None] >= cum).sum(1), cum.shape[1] - 1)


@dataclass
class World:
    """A finished world. Frames use day numbers after scenario.EPOCH; `product` and `place` index the scenario's
    tables.

    vehicles: one row a vehicle (in order). lives: one row a part in one place, from before the records too.
    orders: visits that concern headlamps or services, within the records. renewals: parts renewed
    at an order. episodes: complaints.
    """

    scenario: Scenario
    seed: int
    vehicles: pl.DataFrame
    lives: pl.DataFrame
    orders: pl.DataFrame
    renewals: pl.DataFrame
    episodes: pl.DataFrame
    lots: dict[int, tuple[np.ndarray, list[str]]] = field(repr=False, default_factory=dict)


class _Products:
    """The scenario's products as arrays, and the choice tables."""

    def __init__(self, s: Scenario) -> None:
        p = s.products
        self.shape = np.array([x.wear.shape for x in p])
        self.scale = np.array([x.wear.scale for x in p])
        self.clock = np.array([CLOCKS.index(x.wear.clock) for x in p])
        self.defect = np.array([x.defect_share for x in p])
        self.renews = np.array([[c in x.renews for c in COMPONENTS] for x in p])
        rows = [(c, k) for c in COMPONENTS for k in sc.KINDS[c]]
        self.row_of = np.full((len(COMPONENTS), 8), -1)
        most = max(sum(1 for x in p if (x.component, x.kind) == r and not x.is_original) for r in rows)
        self.index = np.zeros((len(rows), most), dtype=int)
        self.cum = np.ones((len(rows), 3, most))
        self.original = np.zeros(len(rows), dtype=int)
        for i, (c, k) in enumerate(rows):
            self.row_of[COMPONENTS.index(c), sc.KINDS[c].index(k)] = i
            mine = [j for j, x in enumerate(p) if (x.component, x.kind) == (c, k)]
            self.original[i] = next(j for j in mine if p[j].is_original)
            some = [j for j in mine if not p[j].is_original]
            self.index[i, : len(some)] = some
            for g in range(3):
                w = np.cumsum([p[j].weights[g] for j in some])
                self.cum[i, g, : len(some)] = w / w[-1]
        bad = s.bad_lot
        self.bad = next(j for j, x in enumerate(p) if x.part_number == bad.part_number)
        self.bad_from, self.bad_to = day_number(bad.first_on), day_number(bad.last_on)
        self.bad_share = bad.defect_share

    def defect_share(self, product: np.ndarray, day: np.ndarray) -> np.ndarray:
        is_bad = (product == self.bad) & (day >= self.bad_from) & (day <= self.bad_to)
        return np.where(is_bad, self.bad_share, self.defect[product])


def _vehicles(n: int, s: Scenario, r: Random) -> dict[str, np.ndarray]:
    first, last = day_number(s.first_day), day_number(s.as_of)
    shares = np.array([g.share for g in s.groups])
    group = np.searchsorted(np.cumsum(shares) / shares.sum(), (np.arange(n) + 0.5) / n)
    v: dict[str, np.ndarray] = {"group": group}
    u_light = r.u(n)
    v["class"], v["duty"] = np.zeros(n, int), np.zeros(n, int)
    v["km_day"], v["speed"], v["rhd"] = np.zeros(n), np.zeros(n), np.zeros(n, bool)
    lighting = np.zeros(n, int)
    new, sold = np.zeros(n), np.zeros(n)
    start = np.zeros(n)
    for g, spec in enumerate(s.groups):
        m = np.flatnonzero(group == g)
        k = len(m)
        v["class"][m] = np.array([sc.CLASSES.index(c) for c in spec.classes])[
            r.choice(k, list(spec.classes.values()))
        ]
        v["duty"][m] = np.array([sc.DUTIES.index(d) for d in spec.duties])[r.choice(k, list(spec.duties.values()))]
        v["km_day"][m] = spec.km_per_year / sc.YEAR * np.exp(spec.km_sigma * r.normal(k) - spec.km_sigma**2 / 2)
        v["speed"][m] = spec.speed_km_h
        v["rhd"][m] = r.u(k) < spec.right_hand_drive
        if spec.name == "walk_in":
            new[m] = first - 9.0 * sc.YEAR + r.u(k) * 13.0 * sc.YEAR
            sold[m] = last + 1.0
            start[m] = new[m]
        else:
            # Entry and leaving do not depend on what happens to any part.
            left_to_draw = m
            while len(left_to_draw):
                j = len(left_to_draw)
                begin = first - 6.0 * sc.YEAR + r.u(j) * (last - 150.0 - first + 6.0 * sc.YEAR)
                is_used = r.u(j) < 0.30
                age = np.where(is_used, (1.0 + 3.5 * r.u(j)) * sc.YEAR, 3.0 + 20.0 * r.u(j))
                stay = (4.0 + 4.5 * r.u(j)) * sc.YEAR
                start[left_to_draw], new[left_to_draw] = begin, begin - age
                sold[left_to_draw] = begin + stay
                left_to_draw = left_to_draw[begin + stay < first + 120.0]
        # LED comes in with the years; what it displaces is halogen and discharge alike.
        year = new[m] / sc.YEAR + 2000.0
        led = np.clip(spec.lighting[2] * (year - 2013.0) / 4.0, 0.0, 3.0 * spec.lighting[2])
        halogen = (1.0 - led) * spec.lighting[0] / (spec.lighting[0] + spec.lighting[1])
        lighting[m] = np.where(u_light[m] < led, 2, np.where(u_light[m] < led + halogen, 0, 1))
    v["lighting"] = lighting
    v["new"] = np.floor(new).astype(np.int64)
    v["begin"] = np.floor(start).astype(np.int64)
    v["sold"] = np.floor(sold).astype(np.int64)
    v["is_d1"] = (lighting == 1) & (r.u(n) < 0.2)
    v["frailty"] = np.exp(sc.FRAILTY_SIGMA * r.normal(n) - sc.FRAILTY_SIGMA**2 / 2)
    lit = np.array([sc.SHARE_LIT[d] for d in sc.DUTIES])[v["duty"]]
    v["hours_day"] = v["km_day"] * lit / v["speed"]
    v["depot"] = r.choice(n, (0.3, 0.2, 0.2, 0.15, 0.15))
    # Services at fixed days: they do not depend on failures either.
    every = np.array([g.service_days for g in s.groups])[group]
    v["service_every"] = np.round(every * (0.9 + 0.2 * r.u(n))).astype(np.int64)
    v["service_first"] = v["new"] + 1 + np.floor(v["service_every"] * r.u(n)).astype(np.int64)
    _watch(v, n, first, last, r)
    kinds = np.full((n, len(COMPONENTS)), -1)
    is_midi = v["class"] == sc.CLASSES.index("midi_van")
    kinds[:, LAMP] = np.where(lighting == 0, 0, np.where(v["is_d1"], 1, 2))
    kinds[lighting == 2, LAMP] = -1
    kinds[(lighting == 1) & ~v["is_d1"], COMPONENTS.index("igniter")] = 0
    kinds[lighting == 1, COMPONENTS.index("ballast")] = np.where(v["is_d1"], 0, 1)[lighting == 1]
    kinds[:, ASSEMBLY] = np.where(lighting == 2, 2, lighting + np.where(is_midi, 3, 0))
    kinds[v["is_d1"], ASSEMBLY] = np.where(is_midi, 6, 5)[v["is_d1"]]
    kinds[:, COMPONENTS.index("wiring")] = 0
    kinds[lighting == 2, COMPONENTS.index("led_module")] = 0
    kinds[lighting == 2, COMPONENTS.index("led_driver")] = 0
    kinds[:, -2:] = 0
    v["kinds"] = kinds
    return v


def _watch(v: dict[str, np.ndarray], n: int, first: int, last: int, r: Random) -> None:
    """The days in which repairs are recorded. Walk-ins come first and last for a service, whatever happens to
    their parts."""
    walk = v["group"] == 2
    watch_from = np.maximum(v["begin"], first)
    watch_to = np.minimum(v["sold"], last)
    every, s0 = v["service_every"], v["service_first"]
    earliest = np.maximum(v["new"] + 30, first)
    wanted = earliest + r.u(n) * np.maximum(last - 200 - earliest, 1)
    came = s0 + every * np.ceil(np.maximum(wanted - s0, 0) / every).astype(np.int64)
    visits = 1 + np.floor(3.2 * r.exp(n)).astype(np.int64)
    visits = np.where(r.u(n) < 0.10, 0, visits)
    fits = np.maximum((last - came) // every, 0)
    came = np.where(came > last, came - every, came)
    v["watch_from"] = np.where(walk, came, watch_from)
    v["watch_to"] = np.where(walk, came + every * np.minimum(visits, fits), watch_to)
    v["is_left"] = np.where(walk, v["watch_to"] < last, v["sold"] < last)
    # Who looked, when watching began, whether parts were still the first ones.
    v["is_looked"] = r.u(n) < np.where(walk, 0.6, 0.95)


def _lots(s: Scenario, r: Random) -> dict[int, tuple[np.ndarray, list[str]]]:
    """For each product the days on which a new lot begins, and the lots' names."""
    lots = {}
    last = day_number(s.as_of) + 1
    bad = s.bad_lot
    for j, p in enumerate(s.products):
        if p.is_original:
            continue
        u = r.u(60)
        days = day_number(dt.date(2012, 1, 1)) + np.concatenate([[0], np.cumsum(np.floor(150 + 260 * u))]).astype(
            np.int64
        )
        days = days[days < last]
        if p.part_number == bad.part_number:
            b0, b1 = day_number(bad.first_on), day_number(bad.last_on)
            days = np.unique(np.concatenate([days[(days < b0) | (days > b1)], [b0, b1 + 1]]))
        names = []
        for d in days.tolist():
            day = sc.EPOCH + dt.timedelta(days=d)
            is_bad = p.part_number == bad.part_number and day == bad.first_on
            names.append(bad.lot if is_bad else f"{p.part_number[:2]}{day:%y%m}-{'ABCDEFGHJLMN'[(d + j) % 12]}")
        lots[j] = (days, names)
    return lots


class _Book:
    """Columns that grow by chunks."""

    def __init__(self, **types: type) -> None:
        self._types, self._chunks, self.rows = types, {k: [] for k in types}, 0

    def add(self, n: int, **columns) -> None:
        if not n:
            return
        for k, t in self._types.items():
            self._chunks[k].append(np.broadcast_to(np.asarray(columns[k], dtype=t), (n,)).copy())
        self.rows += n

    def frame(self) -> pl.DataFrame:
        return pl.DataFrame(
            {k: np.concatenate(c) if c else np.zeros(0, dtype=self._types[k]) for k, c in self._chunks.items()}
        )


class _State:
    """The parts that are fitted now, and the books."""

    def __init__(self, v: dict[str, np.ndarray], products: _Products, r: Random) -> None:
        n = len(v["group"])
        self.v, self.p, self.r, self.n = v, products, r, n
        rows = products.row_of[COMP_OF[None, :], v["kinds"][:, COMP_OF]]
        self.has = v["kinds"][:, COMP_OF] >= 0
        self.row = np.where(self.has, rows, 0)
        self.product = products.original[self.row]
        self.start = np.repeat(v["new"][:, None], NP, 1).astype(np.int64)
        self.generation = np.zeros((n, NP), dtype=np.int64)
        self.is_early = np.zeros((n, NP), dtype=bool)
        self.order = np.full((n, NP), -1, dtype=np.int64)
        self.next = np.full((n, NP + 2), np.inf)
        self.busy = v["new"].copy()
        self.end = v["watch_to"].astype(float)
        self.orders = _Book(
            order=np.int64,
            vehicle=np.int64,
            day=np.int64,
            kind=np.int8,
            symptom=np.int8,
            complaint_side=np.int8,
            cause=np.int8,
            episode=np.int64,
            visit=np.int8,
        )
        self.lives = _Book(
            vehicle=np.int64,
            place=np.int8,
            generation=np.int64,
            product=np.int64,
            start=np.int64,
            end=np.int64,
            failed_at=float,
            ending=np.int8,
            is_early=bool,
            fitted_order=np.int64,
            ended_order=np.int64,
        )
        self.renewals = _Book(
            order=np.int64, vehicle=np.int64, day=np.int64, place=np.int8, product=np.int64, ending=np.int8
        )
        self.episodes = _Book(
            episode=np.int64,
            vehicle=np.int64,
            symptom=np.int8,
            cause=np.int8,
            complaint_side=np.int8,
            failed_at=float,
            found=np.int64,
            cured=np.int64,
            first_renewed=np.int8,
            visits=np.int8,
        )
        for place in range(NP):
            idx = np.flatnonzero(self.has[:, place])
            life, early = self.draw(idx, self.product[idx, place], self.start[idx, place])
            self.next[idx, place] = self.start[idx, place] + life
            self.is_early[idx, place] = early

    def draw(self, idx: np.ndarray, product: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Lives in days of parts fitted now, and whether the early way is the one that ends them."""
        k = len(idx)
        rate = np.where(
            self.p.clock[product] == 0,
            1.0,
            np.where(self.p.clock[product] == 1, self.v["km_day"][idx], self.v["hours_day"][idx]),
        )
        shape = self.p.shape[product]
        main = self.p.scale[product] / rate * (self.r.exp(k) / self.v["frailty"][idx]) ** (1.0 / shape)
        early = sc.EARLY.scale * self.r.exp(k) ** (1.0 / sc.EARLY.shape)
        is_defective = self.r.u(k) < self.p.defect_share(product, day)
        is_early = is_defective & (early < main)
        return np.where(is_early, early, main), is_early

    def new_order(self, idx, day, kind, symptom=-1, side=-1, cause=-1, episode=-1, visit=1) -> np.ndarray:
        number = np.arange(self.orders.rows, self.orders.rows + len(idx))
        self.orders.add(
            len(idx),
            order=number,
            vehicle=idx,
            day=day,
            kind=kind,
            symptom=symptom,
            complaint_side=side,
            cause=cause,
            episode=episode,
            visit=visit,
        )
        self.busy[idx] = np.maximum(self.busy[idx], day)
        return number

    def close(self, idx, place, day, ending, order) -> None:
        failed_at = self.next[idx, place]
        self.lives.add(
            len(idx),
            vehicle=idx,
            place=place,
            generation=self.generation[idx, place],
            product=self.product[idx, place],
            start=self.start[idx, place],
            end=day,
            failed_at=failed_at,
            ending=ending,
            is_early=self.is_early[idx, place],
            fitted_order=self.order[idx, place],
            ended_order=order,
        )

    def renew(
        self,
        idx: np.ndarray,
        place: np.ndarray,
        day: np.ndarray,
        ending: int,
        order: np.ndarray,
        is_second: bool = False,
    ) -> None:
        """A new part of a chosen product in a place; an assembly brings what comes with it.

        is_second: the second of a pair, of the same product as the one just fitted at the other side.
        """
        ok = self.has[idx, place]
        idx, place, day, order = idx[ok], place[ok], day[ok], order[ok]
        if not len(idx):
            return
        self.close(idx, place, day, ending, order)
        row = self.row[idx, place]
        chosen = self.r.rows(self.p.cum[row, self.v["group"][idx]])
        product = self.product[idx, place ^ 1] if is_second else self.p.index[row, chosen]
        self._fit(idx, place, day, product, order)
        self.renewals.add(len(idx), order=order, vehicle=idx, day=day, place=place, product=product, ending=ending)
        is_assembly = COMP_OF[place] == ASSEMBLY
        for c in np.flatnonzero(self.p.renews.any(0)):
            m = is_assembly & self.p.renews[product, c]
            with_it = PLACE_OF[c, SIDE_OF[place[m]]]
            j = idx[m]
            fits = self.has[j, with_it]
            j, with_it, d, o = j[fits], with_it[fits], day[m][fits], order[m][fits]
            if not len(j):
                continue
            self.close(j, with_it, d, WITH_ASSEMBLY, o)
            row = self.row[j, with_it]
            inside = self.p.index[row, self.r.rows(self.p.cum[row, self.v["group"][j]])]
            self._fit(j, with_it, d, inside, o)

    def _fit(self, idx, place, day, product, order) -> None:
        life, early = self.draw(idx, product, day)
        self.product[idx, place] = product
        self.start[idx, place] = day
        self.generation[idx, place] += 1
        self.order[idx, place] = order
        self.is_early[idx, place] = early
        self.next[idx, place] = day + life


def found_mean(day: np.ndarray) -> np.ndarray:
    """Mean days from a failure to its finding: longest around the middle of the year, when days are light."""
    return sc.FOUND_DAYS_MEAN + sc.FOUND_DAYS_SWING * np.cos(2.0 * np.pi * (day - 172.0) / sc.YEAR)


def _cumulative(table: np.ndarray) -> np.ndarray:
    c = np.cumsum(table, axis=-1)
    total = c[..., -1:]
    return c / np.where(total > 0, total, 1.0)


def _tables() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cumulative P(symptom | lighting, cause), P(first guess right), weights of wrong guesses (lighting, component)."""
    symptom = np.zeros((3, len(COMPONENTS), len(sc.SYMPTOMS)))
    right = np.zeros((3, len(COMPONENTS)))
    wrong = np.zeros((3, len(COMPONENTS)))
    for i, light in enumerate(sc.LIGHTING):
        for j, c in enumerate(COMPONENTS):
            key = f"{c}:{light}"
            symptom[i, j] = sc.SYMPTOM_GIVEN_CAUSE.get(key, sc.SYMPTOM_GIVEN_CAUSE[c])
            right[i, j] = sc.FIRST_RIGHT.get(key, sc.FIRST_RIGHT[c])
            wrong[i, j] = sc.WRONG_GUESS[light].get(c, 0.0)
    return _cumulative(symptom), right, wrong


def _failures(s: _State, idx: np.ndarray, place: np.ndarray, at: np.ndarray, tables) -> None:
    """Parts that failed: found, complained of, perhaps taken for another part first, then renewed."""
    symptoms, right, wrong = tables
    v, r = s.v, s.r
    day = np.ceil(at + found_mean(at) * r.exp(len(idx))).astype(np.int64)
    day = np.maximum(day, s.busy[idx] + 1)
    seen = day <= s.end[idx]
    s.next[idx[~seen], place[~seen]] = np.inf  # the vehicle leaves with it
    u = r.u(4 * len(idx)).reshape(4, -1)[:, seen]
    idx, place, at, day = idx[seen], place[seen], at[seen], day[seen]
    k = len(idx)
    if not k:
        return
    light, comp, side = v["lighting"][idx], COMP_OF[place], SIDE_OF[place]
    symptom = r.rows(symptoms[light, comp])
    cside = np.where(side < 2, side, np.where(u[0] < 0.7, 2, (u[1] < 0.5).astype(int)))
    weights = wrong[light] * np.column_stack(
        [s.has[idx, PLACE_OF[c, 2 if c >= 7 else 0]] for c in range(len(COMPONENTS))]
    )
    weights[np.arange(k), comp] = 0.0
    guess = r.rows(_cumulative(weights))
    is_wrong = (u[2] >= right[light, comp]) & (weights.sum(1) > 0)
    back = np.minimum(np.ceil(sc.RETURN_DAYS[0] + sc.RETURN_DAYS[1] * r.exp(k)), sc.RETURN_DAYS_MOST).astype(np.int64)
    cured = np.where(is_wrong, day + back, day)
    is_cured = cured <= s.end[idx]
    episode = np.arange(s.episodes.rows, s.episodes.rows + k)
    first_comp = np.where(is_wrong, guess, comp)
    s.episodes.add(
        k,
        episode=episode,
        vehicle=idx,
        symptom=symptom,
        cause=place,
        complaint_side=cside,
        failed_at=at,
        found=day,
        cured=np.where(is_cured, cured, -1),
        first_renewed=first_comp,
        visits=np.where(is_wrong, 2, 1),
    )
    pair_chance = np.array([g.pair for g in sc.GROUP])[v["group"][idx], np.minimum(light, 1)]

    w = np.flatnonzero(is_wrong)
    if len(w):
        order = s.new_order(idx[w], day[w], COMPLAINT, symptom[w], cside[w], place[w], episode[w], 1)
        g, cs = guess[w], cside[w]
        for one_side in (0, 1):
            m = (g >= 7) if one_side == 0 else np.zeros(len(w), bool)
            m = m | ((g < 7) & ((cs == one_side) | (cs == 2)))
            where = PLACE_OF[g[m], one_side]
            if one_side == 1:
                twice = (g[m] < 7) & (cs[m] == 2)
                s.renew(idx[w][m][twice], where[twice], day[w][m][twice], WRONG, order[m][twice], is_second=True)
                m, where = np.flatnonzero(m)[~twice], where[~twice]
            s.renew(idx[w][m], where, day[w][m], WRONG, order[m])
        m = (g == LAMP) & (cs < 2) & (u[3][w] < 0.5 * pair_chance[w])
        s.renew(idx[w][m], PLACE_OF[LAMP, 1 - cs[m]], day[w][m], PAIRED, order[m], is_second=True)
        m = ~is_cured[w]
        s.next[idx[w][m], place[w][m]] = np.inf
    c = np.flatnonzero(is_cured)
    if len(c):
        kind = np.where(is_wrong[c], COMEBACK, COMPLAINT)
        order = s.new_order(
            idx[c], cured[c], kind, symptom[c], cside[c], place[c], episode[c], np.where(is_wrong[c], 2, 1)
        )
        s.next[idx[c], place[c]] = at[c]
        s.renew(idx[c], place[c], cured[c], FAILED, order)
        m = (comp[c] == LAMP) & (u[3][c] < pair_chance[c])
        s.renew(idx[c][m], PLACE_OF[LAMP, 1 - side[c][m]], cured[c][m], PAIRED, order[m], is_second=True)


def _collisions(s: _State, idx: np.ndarray, at: np.ndarray) -> None:
    r, k = s.r, len(idx)
    day = np.maximum(np.ceil(at).astype(np.int64), s.busy[idx] + 1)
    side = (r.u(k) < 0.5).astype(int)
    extra = r.u(k) < 0.25
    s.next[idx, NP] = at + r.exp(k) * sc.YEAR / sc.COLLISIONS_PER_YEAR
    ok = day <= s.end[idx]
    idx, day, side, extra = idx[ok], day[ok], side[ok], extra[ok]
    order = s.new_order(idx, day, CRASH, side=side)
    s.renew(idx, PLACE_OF[ASSEMBLY, side], day, COLLISION, order)
    # The bulb broke too, where the new unit did not bring one.
    got = s.p.renews[s.product[idx, PLACE_OF[ASSEMBLY, side]], LAMP]
    m = extra & ~got
    s.renew(idx[m], PLACE_OF[LAMP, side[m]], day[m], COLLISION, order[m])


def _next_service(v: dict[str, np.ndarray], idx: np.ndarray, after: np.ndarray) -> np.ndarray:
    s0, every = v["service_first"][idx], v["service_every"][idx]
    return s0 + every * np.ceil(np.maximum(after - s0, 0.0) / every)


def _set_programme(s: _State, idx: np.ndarray) -> None:
    """The next service at which both lamps are old enough for the programme, where the depot keeps to it."""
    v = s.v
    idx = idx[(v["group"][idx] == 0) & (v["lighting"][idx] < 2)]
    if not len(idx):
        return
    km = np.array([sc.PROGRAMME["lamp_km"][k] for k in sc.KINDS["lamp"]])[v["kinds"][idx, LAMP]]
    old_enough = s.start[idx][:, :2].max(1) + km / v["km_day"][idx]
    after = np.maximum(
        np.maximum(old_enough, day_number(sc.PROGRAMME["from"])), np.maximum(v["begin"][idx] + 1, s.busy[idx] + 1)
    )
    s.next[idx, NP + 1] = np.where(s.r.u(len(idx)) < sc.PROGRAMME["kept"], _next_service(v, idx, after), np.inf)


def _programme(s: _State, idx: np.ndarray, at: np.ndarray) -> None:
    day = at.astype(np.int64)
    late = day <= s.busy[idx]
    s.next[idx[late], NP + 1] = _next_service(s.v, idx[late], s.busy[idx[late]] + 1.0)
    idx, day = idx[~late], day[~late]
    order = s.new_order(idx, day, PROGRAMME)
    for place in (0, 1):
        s.renew(idx, np.full(len(idx), place), day, PLANNED, order, is_second=place == 1)


def make_world(vehicles: int, seed: int, years: int = 6, scenario: Scenario | None = None) -> World:
    """A world of so many vehicles with its whole true history.

    Events before the records begin are simulated too: parts may have been renewed elsewhere. Raises ValueError
    below 20 vehicles.
    """
    if vehicles < 20:
        raise ValueError("a world needs at least 20 vehicles")
    made = scenario or Scenario(years=years)
    r = Random(seed)
    products = _Products(made)
    lots = _lots(made, r)
    v = _vehicles(vehicles, made, r)
    s = _State(v, products, r)
    tables = _tables()
    s.next[:, NP] = v["new"] + r.exp(vehicles) * sc.YEAR / sc.COLLISIONS_PER_YEAR
    _set_programme(s, np.arange(vehicles))
    active = np.arange(vehicles)
    while True:
        nxt = s.next[active]
        event = nxt.argmin(1)
        at = nxt[np.arange(len(active)), event]
        on = at < s.end[active]
        active, event, at = active[on], event[on], at[on]
        if not len(active):
            break
        before = s.start[active][:, :2].copy()
        m = event < NP
        _failures(s, active[m], event[m], at[m], tables)
        m = event == NP
        _collisions(s, active[m], at[m])
        m = event == NP + 1
        _programme(s, active[m], at[m])
        changed = active[(s.start[active][:, :2] != before).any(1)]
        _set_programme(s, changed)
    for place in range(NP):
        idx = np.flatnonzero(s.has[:, place])
        s.close(
            idx,
            np.full(len(idx), place),
            v["watch_to"][idx],
            np.where(v["is_left"][idx], LEFT, IN_SERVICE),
            np.full(len(idx), -1),
        )
    return _world(made, seed, v, s, lots)


def _world(made: Scenario, seed: int, v: dict[str, np.ndarray], s: _State, lots) -> World:
    kinds = v.pop("kinds")
    frame = pl.DataFrame({"vehicle": np.arange(s.n), **v, "lamp_kind": kinds[:, LAMP]})
    window = frame.select("vehicle", "watch_from", "watch_to")
    orders = s.orders.frame().join(window, on="vehicle").filter(pl.col("day") >= pl.col("watch_from"))
    orders = orders.drop("watch_from", "watch_to").sort("day", "vehicle", "order")
    lives = s.lives.frame().join(window, on="vehicle", maintain_order="left")
    lives = lives.sort("vehicle", "place", "generation")
    renewals = s.renewals.frame().join(window, on="vehicle").filter(pl.col("day") >= pl.col("watch_from"))
    episodes = s.episodes.frame().join(window, on="vehicle").filter(pl.col("found") >= pl.col("watch_from"))
    return World(
        made,
        seed,
        frame,
        lives,
        orders,
        renewals.drop("watch_from", "watch_to").sort("order", "place"),
        episodes.drop("watch_from", "watch_to").sort("found", "episode"),
        lots,
    )


def lot_names(world: World, product: np.ndarray, day: np.ndarray) -> list[str]:
    """The lot of each piece: product and the day on which it was fitted."""
    out = np.full(len(product), "", dtype=object)
    for j, (days, names) in world.lots.items():
        m = np.flatnonzero(product == j)
        if len(m):
            at = np.searchsorted(days, day[m], side="right") - 1
            named = np.array(names, dtype=object)
            out[m] = np.where(at >= 0, named[np.maximum(at, 0)], "")
    return out.tolist()
