"""A world's records as three desks would export them: wrong in the ways in which such exports are wrong.

incoming/desk/         the workshop's own desk: a monthly file, semicolons, cp1252, decimal commas, d.m.y
incoming/quillwren/    fleet one: orders, lines, vehicles, fuel-card readings; UTF-8 with a mark, ISO dates, km
incoming/marlsedge/    fleet two: a workbook a year with title rows, m/d/y, miles; a vehicle list
incoming/shared/       parts catalogue, check times, service plan, costs of a replacement
"""

from __future__ import annotations

import datetime as dt
import gzip
import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import polars as pl

from synthetic_data import scenario as sc
from synthetic_data import texts as tx
from synthetic_data.scenario import COMPONENTS, EPOCH, PLACES
from synthetic_data.simulate import (
    COLLISION,
    COMEBACK,
    COMP_OF,
    COMPLAINT,
    CRASH,
    FAILED,
    LAMP,
    OTHER,
    PAIRED,
    PLANNED,
    SERVICE,
    SIDE_OF,
    WRONG,
    Random,
    World,
    lot_names,
)

KM_PER_MILE = 1.609344
SAMPLE_VEHICLES, SAMPLE_SEED = 450, 7
_ROWS_FOR_A_BAD_ONE = 10  # a short file with more bad rows than one in ten would be refused as a whole
_WORKBOOKS_UP_TO = 20_000  # vehicles; larger worlds get packed CSV files for fleet two


@dataclass
class Written:
    """What writing planted, for the truth: bad_rows (file, row, reason), odometer (file, row, vehicle, true_km,
    typed, kind), repeated rows, order numbers as exported, and the counts of rows."""

    bad_rows: list[tuple[str, int, str]] = field(default_factory=list)
    odometer: list[tuple[str, int, str, float, str, str]] = field(default_factory=list)
    repeated_rows: list[tuple[str, int]] = field(default_factory=list)
    repeated_files: list[tuple[str, str]] = field(default_factory=list)
    rows: dict[str, int] = field(default_factory=dict)
    order_numbers: dict[int, str] = field(default_factory=dict)
    vehicle_ids: list[str] = field(default_factory=list)


# ---------------------------------------------------------------- orders and lines, common to all desks


@dataclass
class _Records:
    vehicles: dict[str, np.ndarray]
    ids: list[str]
    units: list[str]
    orders: dict[str, np.ndarray]  # columns by name; row i is order i
    lines: dict[str, np.ndarray]  # sorted by order; line_number counts within one


def vehicle_ids(world: World) -> tuple[list[str], list[str]]:
    """What identifies each vehicle in the exports, and the fleets' unit numbers."""
    group = world.vehicles["group"].to_list()
    scattered = [(i * 7919 + 1013) for i in range(len(group))]
    ids = [
        f"QP{s % 1_000_003:07d}" if g == 0 else f"MR-{s % 1_000_003:06d}" if g == 1 else f"K{s % 1_000_003:07d}"
        for g, s in zip(group, scattered, strict=False)
    ]
    count = {0: 100, 1: 100}
    units = []
    for g in group:
        if g == 2:
            units.append("")
            continue
        count[g] += 1
        units.append(f"{'P' if g == 0 else 'R'}{count[g]}")
    return ids, units


def _more_orders(world: World, r: Random) -> dict[str, np.ndarray]:
    """The world's orders, and the services and small jobs between them, in the order of their days."""
    v = world.vehicles
    first, every = v["service_first"].to_numpy(), v["service_every"].to_numpy()
    w0, w1 = v["watch_from"].to_numpy(), v["watch_to"].to_numpy()
    k0 = np.maximum(np.ceil((w0 - first) / every), 0).astype(np.int64)
    k1 = np.floor((w1 - first) / every).astype(np.int64)
    n = np.maximum(k1 - k0 + 1, 0)
    veh = np.repeat(np.arange(len(n)), n)
    step = np.arange(len(veh)) - np.repeat(np.cumsum(n) - n, n)
    day = first[veh] + every[veh] * (k0[veh] + step)
    o = world.orders
    key = day * len(n) + veh
    taken = np.isin(key, (o["day"] * len(n) + o["vehicle"]).filter(o["kind"] == 3).to_numpy())
    veh, day = veh[~taken], day[~taken]
    span = np.maximum(w1 - w0, 0)
    extra = np.floor(span / sc.YEAR * 0.35 + r.u(len(span))).astype(np.int64)
    veh2 = np.repeat(np.arange(len(n)), extra)
    day2 = w0[veh2] + np.floor(r.u(len(veh2)) * span[veh2]).astype(np.int64)
    made = {
        "vehicle": np.concatenate([o["vehicle"].to_numpy(), veh, veh2]),
        "day": np.concatenate([o["day"].to_numpy(), day, day2]),
        "kind": np.concatenate([o["kind"].to_numpy(), np.full(len(veh), SERVICE), np.full(len(veh2), OTHER)]),
        "symptom": np.concatenate([o["symptom"].to_numpy(), np.full(len(veh) + len(veh2), -1)]),
        "side": np.concatenate([o["complaint_side"].to_numpy(), np.full(len(veh) + len(veh2), -1)]),
        "cause": np.concatenate([o["cause"].to_numpy(), np.full(len(veh) + len(veh2), -1)]),
        "order": np.concatenate([o["order"].to_numpy(), np.full(len(veh) + len(veh2), -1)]),
    }
    sort = np.lexsort((made["order"], made["vehicle"], made["day"]))
    return {k: a[sort].astype(np.int64) for k, a in made.items()}


def _hands(world: World, orders: dict[str, np.ndarray], r: Random) -> np.ndarray:
    v, n = world.vehicles, len(orders["day"])
    group = v["group"].to_numpy()[orders["vehicle"]]
    rhd = v["rhd"].to_numpy()[orders["vehicle"]]
    depot = v["depot"].to_numpy()[orders["vehicle"]]
    of_depot = np.array([tx.FULL, tx.SHORT, tx.QUICK, tx.FRENCH, tx.SHORT])[depot]
    u = r.u(n)
    abroad = np.select([u < 0.45, u < 0.75], [tx.FRENCH, tx.ITALIAN], tx.GERMAN)
    desk = np.select([u < 0.33, u < 0.53, u < 0.73], [tx.FULL, tx.SHORT, tx.QUICK], tx.GERMAN)
    desk = np.where(rhd & (u < 0.5), tx.KERB, desk)
    fleet_two = np.where(u < 0.75, tx.KERB, np.where(u < 0.9, tx.QUICK, tx.FULL))
    return np.select([group == 0, group == 1], [np.where(depot == 3, abroad, of_depot), fleet_two], desk)


def _renewal_lines(world: World, order_row: dict[int, int], r: Random) -> dict[str, np.ndarray]:
    """One line a part renewed; both sides of one component on one order often on one line."""
    t = world.renewals
    order = np.array([order_row[i] for i in t["order"].to_list()], dtype=np.int64)
    place, product, ending = (t[c].to_numpy().astype(np.int64) for c in ("place", "product", "ending"))
    comp, side = COMP_OF[place], SIDE_OF[place]
    day = t["day"].to_numpy()
    sort = np.lexsort((side, comp, order))
    order, comp, side, product, ending, day, place = (
        a[sort] for a in (order, comp, side, product, ending, day, place)
    )
    n = len(order)
    twin = np.zeros(n, bool)
    twin[:-1] = (
        (order[1:] == order[:-1])
        & (comp[1:] == comp[:-1])
        & (product[1:] == product[:-1])
        & (side[:-1] == 0)
        & (side[1:] == 1)
    )
    merged = twin & (r.u(n) < 0.55)
    gone = np.zeros(n, bool)
    gone[1:] = merged[:-1]
    second = np.roll(ending, -1)
    reason = np.select([ending == PLANNED, ending == PAIRED, ending == COLLISION], [1, 2, 3], 0)
    mixed = merged & (ending != second)
    reason = np.where(mixed, np.where(r.u(n) < 0.5, 2, 4), reason)
    reason = np.where(ending == WRONG, np.where(r.u(n) < 0.2, 0, 4), reason)
    said = np.where(merged, tx.BOTH, np.where(side == 2, tx.NONE, side))
    group = world.vehicles["group"].to_numpy()[t["vehicle"].to_numpy()[sort]]
    untold = (r.u(n) < np.where(group == 2, 0.05, 0.025)) & (said < 2)
    said = np.where(untold, tx.UNTOLD, said)
    keep = ~gone
    out = {
        "order": order,
        "comp": comp,
        "side": said,
        "product": product,
        "reason": reason,
        "qty": np.where(merged, 2, 1),
        "ending": ending,
        "day": day,
        "place": place,
    }
    return {k: a[keep] for k, a in out.items()}


def _records(world: World, r: Random) -> _Records:
    v = {c: world.vehicles[c].to_numpy() for c in world.vehicles.columns}
    ids, units = vehicle_ids(world)
    orders = _more_orders(world, r)
    n = len(orders["day"])
    orders["hand"] = _hands(world, orders, r)
    order_row = {o: i for i, o in enumerate(orders["order"].tolist()) if o >= 0}
    light_of, rhd_of = v["lighting"][orders["vehicle"]], v["rhd"][orders["vehicle"]].astype(np.int64)
    main = _renewal_lines(world, order_row, r)
    m = len(main["order"])
    # kind of line: 0 renewal, 1 extra, 2 quote, 3 credit
    parts: list[dict[str, np.ndarray]] = [
        {**main, "kind": np.zeros(m, np.int64), "what": np.full(m, -1), "rank": np.full(m, 2)}
    ]

    def add(order: np.ndarray, kind: int, what, side, rank: int, comp=-1, product=-1, qty=1) -> None:
        k = len(order)
        parts.append(
            {
                "order": order,
                "kind": np.full(k, kind),
                "what": np.broadcast_to(what, (k,)),
                "side": np.broadcast_to(side, (k,)),
                "comp": np.broadcast_to(comp, (k,)),
                "product": np.broadcast_to(product, (k,)),
                "reason": np.full(k, 4),
                "qty": np.broadcast_to(qty, (k,)),
                "ending": np.full(k, -1),
                "day": orders["day"][order],
                "place": np.full(k, -1),
                "rank": np.full(k, rank),
            }
        )

    what = {name: i for i, name in enumerate(tx.EXTRAS)}
    side_of_order = np.where(orders["side"] < 0, tx.NONE, orders["side"])
    is_lamp_fault = (orders["kind"] == COMPLAINT) | (orders["kind"] == COMEBACK)
    chance = np.where(light_of == 0, 0.08, 0.40)
    rows = np.flatnonzero(is_lamp_fault & (r.u(n) < chance))
    add(rows, 1, what["diagnosis"], side_of_order[rows], 1)
    comp_name = np.array(COMPONENTS)[main["comp"]]
    pick = (comp_name == "headlamp_assembly") & (r.u(m) < 0.6)
    add(main["order"][pick], 1, what["aim"], tx.NONE, 4)
    bare = np.array([not p.renews for p in world.scenario.products])[main["product"]]
    pick = (comp_name == "headlamp_assembly") & bare & (r.u(m) < 0.4)
    add(main["order"][pick], 1, what["moved"], tx.NONE, 3)
    pick = np.isin(comp_name, ("ballast", "igniter", "led_driver")) & (r.u(m) < 0.3)
    add(main["order"][pick], 1, what["refit"], np.where(main["side"][pick] < 2, main["side"][pick], tx.NONE), 0)
    rows = np.flatnonzero(orders["kind"] == SERVICE)
    u = r.u(len(rows))
    add(rows, 1, np.where(u < 0.5, what["check"], what["oil"]), tx.NONE, 0)
    for name, p in (
        ("oil", 0.25),
        ("brakes", 0.16),
        ("tyres", 0.10),
        ("wiper", 0.10),
        ("polish", 0.02),
        ("aim", 0.03),
    ):
        some = rows[r.u(len(rows)) < p]
        add(some, 1, what[name], tx.NONE, 5)
    some = rows[r.u(len(rows)) < 0.10]
    add(some, 1, what["tail"], (r.u(len(some)) < 0.5).astype(int), 5)
    rows = np.flatnonzero(orders["kind"] == OTHER)
    u = r.u(len(rows))
    add(
        rows,
        1,
        np.select([u < 0.5, u < 0.75], [what["tail"], what["wiper"]], what["brakes"]),
        np.where(u < 0.5, (u * 4 % 1 < 0.5).astype(int), tx.NONE),
        0,
    )
    _offers(world, orders, light_of, r, add)

    lines = {k: np.concatenate([np.asarray(p[k], dtype=np.int64) for p in parts]) for k in parts[0]}
    sort = np.lexsort((np.arange(len(lines["order"])), lines["rank"], lines["order"]))
    lines = {k: a[sort] for k, a in lines.items()}
    starts = np.flatnonzero(np.r_[True, lines["order"][1:] != lines["order"][:-1]])
    count = np.diff(np.r_[starts, len(lines["order"])])
    lines["line"] = np.arange(len(lines["order"])) - np.repeat(starts, count) + 1
    _write_texts(lines, orders, light_of, rhd_of, r)
    _write_money(world, lines, orders, r)
    return _Records(v, ids, units, orders, lines)


def _offers(world: World, orders, light_of, r: Random, add) -> None:
    """Quotes that were never fitted; and parts charged by mistake and credited on the same order."""
    rows = np.flatnonzero(orders["kind"] == SERVICE)
    some = rows[r.u(len(rows)) < 0.025]
    by_light = np.array([LAMP, COMPONENTS.index("ballast"), COMPONENTS.index("led_driver")])
    comp = np.where(r.u(len(some)) < 0.3, COMPONENTS.index("headlamp_assembly"), by_light[light_of[some]])
    add(some, 2, -1, (r.u(len(some)) < 0.5).astype(int), 6, comp)
    rows = np.flatnonzero((orders["kind"] == SERVICE) & (light_of < 2))
    some = rows[r.u(len(rows)) < 0.008]
    if not len(some):
        return
    kinds = world.vehicles["lamp_kind"].to_numpy()[orders["vehicle"][some]]
    cheapest = [
        next(
            j
            for j, p in enumerate(world.scenario.products)
            if p.component == "lamp" and p.kind == k and p.supplier == "Belvorne"
        )
        for k in sc.KINDS["lamp"]
    ]
    product = np.array(cheapest)[kinds]
    side = (r.u(len(some)) < 0.5).astype(int)
    add(some, 0, -1, side, 7, LAMP, product)
    add(some, 3, -1, tx.NONE, 8, LAMP, product, -1)


def _write_texts(lines, orders, light_of, rhd_of, r: Random) -> None:
    o = lines["order"]
    hand, light, rhd = orders["hand"][o], light_of[o], rhd_of[o]
    n = len(o)
    u, out = r.u(n), np.empty(n, dtype=object)
    for kind in range(4):
        m = np.flatnonzero(lines["kind"] == kind)
        if not len(m):
            continue
        if kind == 0:
            keys = np.column_stack(
                [hand[m], lines["comp"][m], light[m], lines["side"][m], rhd[m], lines["reason"][m]]
            )
            made = tx.fill(keys, u[m], tx.renewal_pool)
        elif kind == 1:
            keys = np.column_stack([hand[m], lines["what"][m], lines["side"][m], rhd[m]])
            made = tx.fill(keys, u[m], tx.extra_pool)
        else:
            keys = np.column_stack(
                [hand[m], lines["comp"][m], light[m], lines["side"][m], rhd[m], np.full(len(m), int(kind == 3))]
            )
            made = tx.fill(keys, u[m], tx.offer_pool)
        out[m] = made
    slips = np.flatnonzero(r.u(n) < np.where(hand == tx.QUICK, 0.03, 0.006))
    for i, w in zip(slips.tolist(), r.u(len(slips)).tolist(), strict=False):
        out[i] = tx.slip(out[i], w)
    lines["text"] = out
    k = len(orders["day"])
    kind = np.select(
        [orders["kind"] == COMPLAINT, orders["kind"] == COMEBACK, orders["kind"] == CRASH, orders["kind"] == OTHER],
        [0, 1, 2, 4],
        3,
    )
    side = np.where((orders["side"] < 0), tx.NONE, orders["side"])
    side = np.where((r.u(k) < 0.10) & (side < 2) & (kind < 2), tx.UNTOLD, side)
    keys = np.column_stack([orders["hand"], orders["symptom"], side, rhd_of, kind])
    told = np.array(tx.fill(keys, r.u(k), tx.complaint_pool), dtype=object)
    told[r.u(k) < np.where(kind < 2, 0.02, np.where(kind == 2, 0.0, 0.15))] = ""
    orders["complaint"] = told
    orders["code"] = _codes(orders, light_of, r)


_CODE = {
    "lamp": "LT21",
    "igniter": "LT26",
    "ballast": "LT26",
    "headlamp_assembly": "LT29",
    "wiring": "LT22",
    "led_module": "LT31",
    "led_driver": "LT33",
    "control_module": "LT05",
    "switch_or_fuse": "LT07",
}


def _codes(orders, light_of, r: Random) -> np.ndarray:
    """Fault codes of our own: sometimes of another part (18 %), sometimes of the other side (8 %), often none."""
    k = len(orders["day"])
    place = orders["cause"]
    has = (place >= 0) & (r.u(k) < np.where(light_of == 0, 0.10, 0.55))
    u, w = r.u(k), r.u(k)
    out = np.full(k, "", dtype=object)
    usual = {0: ("LT21", "LT22", "LT07"), 1: ("LT21", "LT26", "LT22"), 2: ("LT31", "LT33", "LT22")}
    for i in np.flatnonzero(has).tolist():
        comp, side = PLACES[place[i]]
        code = _CODE[comp]
        if u[i] < 0.18:
            code = usual[int(light_of[i])][int(u[i] / 0.18 * 3)]
        if side == "none":
            side = "left" if w[i] < 0.5 else "right"
        elif w[i] < 0.08:
            side = "right" if side == "left" else "left"
        out[i] = f"{code}-{side[0].upper()}" if code not in ("LT05", "LT07") else code
    return out


def _write_money(world: World, lines, orders, r: Random) -> None:
    s = world.scenario
    n = len(lines["order"])
    product = lines["product"]
    has = product >= 0
    group = world.vehicles["group"].to_numpy()[orders["vehicle"][lines["order"]]]
    cost = np.array([p.unit_cost for p in s.products])
    base = np.select(
        [lines["kind"] == 2, lines["what"] == tx.EXTRAS.index("tail"), lines["what"] == tx.EXTRAS.index("tyres")],
        [0.0, 3.5, 190.0],
        28.0,
    )
    base = np.where(
        np.isin(
            lines["what"], [tx.EXTRAS.index(w) for w in ("aim", "diagnosis", "polish", "refit", "moved", "check")]
        ),
        0.0,
        base,
    )
    lines["part_cost"] = np.round(
        np.where(has, cost[np.maximum(product, 0)] * lines["qty"], base) * (0.96 + 0.08 * r.u(n)), 2
    )
    hours = np.array([sc.LABOUR_HOURS[c] for c in COMPONENTS])
    h = np.where(lines["kind"] == 0, hours[np.maximum(lines["comp"], 0)] * np.where(lines["qty"] == 2, 1.5, 1.0), 0.5)
    h = np.where(lines["kind"] >= 2, 0.0, h)
    lines["hours"] = np.round(h * (0.85 + 0.4 * r.u(n)), 1)
    rate = np.array([sc.LABOUR_RATE[g] for g in sc.GROUPS])[group]
    lines["labour_cost"] = np.round(lines["hours"] * rate, 2)
    number = np.array([p.part_number for p in s.products] + [""], dtype=object)
    missing = np.where(group == 2, 0.10, 0.03)
    comes_with = np.array([bool(p.renews) for p in s.products] + [False])
    u = r.u(n)
    no_number = (u < missing) & ~comes_with[product]
    lines["part"] = np.where(has & ~no_number, number[product], "")
    spellings = {sup.name: sup.spellings for sup in s.suppliers}
    supplier, w = np.full(n, "", dtype=object), r.u(n)
    names = [p.supplier for p in s.products]
    for j in np.unique(product[has]).tolist():
        rows = np.flatnonzero(product == j)
        spell = np.array(spellings[names[j]], dtype=object)
        first = w[rows] < 0.7
        supplier[rows] = np.where(first, spell[0], spell[(w[rows] * 997 % 1 * len(spell)).astype(int)])
    supplier[r.u(n) < np.where(group == 2, 0.10, 0.04)] = ""
    lines["supplier"] = supplier
    lot = np.full(n, "", dtype=object)
    rows = np.flatnonzero(has & (lines["kind"] == 0))
    lot[rows] = lot_names(world, product[rows], lines["day"][rows])
    lot[r.u(n) < np.where(group == 2, 0.40, 0.05)] = ""
    lines["lot"] = lot
    lines["claim"] = _claims(world, lines, orders, r)
    lines["is_planned"] = (lines["ending"] == PLANNED) & (r.u(n) < 0.85)


def _claims(world: World, lines, orders, r: Random) -> np.ndarray:
    """Whether the desk claimed the old part from its supplier: a bit under half of those that it could."""
    ended = world.lives.filter(
        (pl.col("ended_order") >= 0) & (pl.col("ending") == FAILED) & (pl.col("generation") > 0)
    )
    months = np.array([p.warranty_months for p in world.scenario.products])[ended["product"].to_numpy()]
    young = (ended["end"] - ended["start"]).to_numpy() < months * 30
    due = set(
        zip(ended["ended_order"].to_numpy()[young].tolist(), ended["place"].to_numpy()[young].tolist(), strict=False)
    )
    numbers = orders["order"][lines["order"]]
    u = r.u(len(numbers))
    return np.array(
        [
            q >= 0 and (o, q) in due and w < 0.45
            for o, q, w in zip(numbers.tolist(), lines["place"].tolist(), u.tolist(), strict=False)
        ],
        dtype=bool,
    )


# ---------------------------------------------------------------- odometers


def _typed_odometers(
    vehicle: np.ndarray,
    day: np.ndarray,
    v: dict[str, np.ndarray],
    r: Random,
    share: float,
    blank: float,
    *,
    is_miles=None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(typed text, true km, kind of slip or "") of readings, in the order given."""
    true = np.floor(v["km_day"][vehicle] * np.maximum(day - v["new"][vehicle], 0) + 8.0)
    shown = np.floor(true / np.where(is_miles, KM_PER_MILE, 1.0)) if is_miles is not None else true
    n = len(true)
    kind = np.full(n, "", dtype=object)
    typed = shown.astype(np.int64)
    u = r.u(n)
    rows = np.flatnonzero(u < share)
    pick, other = r.u(len(rows)), r.u(len(rows))
    out = typed.copy()
    for i, p, q in zip(rows.tolist(), pick.tolist(), other.tolist(), strict=False):
        text = str(typed[i])
        if p < 0.30 and len(text) > 3:
            k = 1 + int(q * (len(text) - 2))
            swapped = text[:k] + text[k + 1] + text[k] + text[k + 2 :]
            if swapped == text:
                continue
            out[i], kind[i] = int(swapped), "digits_swapped"
        elif p < 0.45:
            out[i], kind[i] = typed[i] * 10, "digit_too_many"
        elif p < 0.60:
            out[i], kind[i] = typed[i] // 10, "digit_missing"
        elif p < 0.75:
            out[i], kind[i] = typed[max(i - 1, 0)] + (i == 0), "other_vehicle"
        else:
            out[i], kind[i] = (0, 1, 999_999, 111_111)[int(q * 4)], "placeholder"
    text = np.array([str(x) for x in out.tolist()], dtype=object)
    text[(u >= share) & (u < share + blank)] = ""
    return text, true, kind


# ---------------------------------------------------------------- files


def _cell(text: str, sep: str) -> str:
    if sep in text or '"' in text or "\n" in text:
        return '"' + text.replace('"', '""') + '"'
    return text


def _quoted(column, sep: str) -> list[str]:
    return [_cell(t, sep) for t in column]


def _dates(days: np.ndarray, style: str) -> list[str]:
    """Texts of day numbers; a style per export."""
    distinct, which = np.unique(days, return_inverse=True)
    made = np.array([(EPOCH + dt.timedelta(days=int(d))).strftime(style) for d in distinct.tolist()], dtype=object)
    return made[which.reshape(-1)].tolist()


def _plain_us(days: np.ndarray) -> list[str]:
    distinct, which = np.unique(days, return_inverse=True)
    made = []
    for d in distinct.tolist():
        day = EPOCH + dt.timedelta(days=int(d))
        made.append(f"{day.month}/{day.day}/{day.year}")
    return np.array(made, dtype=object)[which.reshape(-1)].tolist()


def _money(a: np.ndarray, comma: bool = False) -> list[str]:
    made = [f"{x:.2f}" for x in a.tolist()]
    return [t.replace(".", ",") for t in made] if comma else made


@dataclass
class _File:
    """A text file in the making. `rows` are finished lines; bad rows and repeats are let in at places drawn by
    chance."""

    name: str
    header: str
    rows: list[str]
    bad: list[tuple[str, str]] = field(default_factory=list)  # (reason, line)
    repeat_share: float = 0.0
    newline: str = "\r\n"
    encoding: str = "utf-8-sig"

    def write(
        self, folder: Path, out: Written, r: Random, odometer: Sequence[tuple[int, str, float, str, str]] = ()
    ) -> bytes:
        n = len(self.rows)
        bad = self.bad[: n // _ROWS_FOR_A_BAD_ONE]
        u = r.u(n) if self.repeat_share else np.ones(n)
        places = np.sort((r.u(len(bad)) * (n + 1)).astype(int))
        lines, at, b = [], np.zeros(n, dtype=np.int64), 0
        for i, row in enumerate(self.rows):
            while b < len(places) and places[b] <= i:
                lines.append(bad[b][1])
                out.bad_rows.append((self.name, len(lines) + 1, bad[b][0]))
                b += 1
            lines.append(row)
            at[i] = len(lines) + 1
            if u[i] < self.repeat_share:
                lines.append(row)
                out.repeated_rows.append((self.name, len(lines) + 1))
        for reason, line in bad[b:]:
            lines.append(line)
            out.bad_rows.append((self.name, len(lines) + 1, reason))
        for i, vehicle, km, typed, kind in odometer:
            out.odometer.append((self.name, int(at[i]), vehicle, km, typed, kind))
        text = self.newline.join([self.header, *lines, ""])
        data = text.encode(self.encoding)
        path = folder / self.name
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.suffix == ".gz":
            raw = io.BytesIO()
            with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0, compresslevel=6) as packed:
                packed.write(data)
            path.write_bytes(raw.getvalue())
        else:
            path.write_bytes(data)
        out.rows[self.name] = len(lines)
        return data


def _column_name(i: int) -> str:
    return chr(65 + i) if i < 26 else chr(64 + i // 26) + chr(65 + i % 26)


def write_workbook(path: Path, sheet: str, rows: list[list[str | float | None]]) -> None:
    """A plain workbook of one sheet: texts inline, numbers as numbers. The same rows give the same bytes (fixed
    times)."""
    names = [_column_name(i) for i in range(64)]
    out = [
        '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/'
        '2006/main"><sheetData>'
    ]
    for k, row in enumerate(rows, 1):
        cells = []
        for i, c in enumerate(row):
            if c is None or c == "":
                continue
            if isinstance(c, str):
                cells.append(
                    f'<c r="{names[i]}{k}" t="inlineStr"><is><t xml:space="preserve">{escape(c)}</t></is></c>'
                )
            else:
                cells.append(
                    f'<c r="{names[i]}{k}"><v>{c:g}</v></c>'
                    if isinstance(c, int) and abs(c) < 1e5
                    else f'<c r="{names[i]}{k}"><v>{c!r}</v></c>'
                )
        out.append(f'<row r="{k}">{"".join(cells)}</row>')
    out.append("</sheetData></worksheet>")
    ns = "http://schemas.openxmlformats.org"
    members = {
        "[Content_Types].xml": f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<Types xmlns="{ns}/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',  # noqa: E501
        "_rels/.rels": f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<Relationships xmlns="{ns}/package/2006/relationships"><Relationship Id="rId1" Type="{ns}/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',  # noqa: E501
        "xl/workbook.xml": f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<workbook xmlns="{ns}/spreadsheetml/2006/main" xmlns:r="{ns}/officeDocument/2006/relationships"><sheets><sheet name="{escape(sheet)}" sheetId="1" r:id="rId1"/></sheets></workbook>',  # noqa: E501
        "xl/_rels/workbook.xml.rels": f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<Relationships xmlns="{ns}/package/2006/relationships"><Relationship Id="rId1" Type="{ns}/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',  # noqa: E501
        "xl/worksheets/sheet1.xml": "".join(out),
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in members.items():
            info = zipfile.ZipInfo(name, date_time=(2025, 7, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16
            archive.writestr(info, text.encode("utf-8"), compresslevel=6)


def _order_numbers(world: World, rec: _Records, out: Written) -> np.ndarray:
    group = rec.vehicles["group"][rec.orders["vehicle"]]
    year = np.array([int(y) for y in _dates(rec.orders["day"], "%Y")])
    numbers = np.empty(len(group), dtype=object)
    for g, style in enumerate(("{y}-{k:06d}", "R{s}{k:06d}", "{s}/{k:05d}")):
        for y in np.unique(year[group == g]).tolist():
            rows = np.flatnonzero((group == g) & (year == y))
            numbers[rows] = [style.format(y=y, s=y % 100, k=k) for k in range(1, len(rows) + 1)]
    for i, o in enumerate(rec.orders["order"].tolist()):
        if o >= 0:
            out.order_numbers[o] = numbers[i]
    return numbers


def _not_original(world: World) -> list[str]:
    """What was noted when watching began: parts that were not the first ones; "none"; or nothing, where nobody
    looked."""
    v = world.vehicles
    late = (v["watch_from"] - v["new"] > 60).to_numpy() & v["is_looked"].to_numpy()
    changed = world.lives.filter(
        (pl.col("generation") > 0)
        & (pl.col("start") < pl.col("watch_from"))
        & (pl.col("end") >= pl.col("watch_from"))
    )
    found: dict[int, list[str]] = {}
    words = {"control_module": "module", "switch_or_fuse": "switch"}
    for veh, place in changed.select("vehicle", "place").iter_rows():
        comp, side = PLACES[place]
        found.setdefault(veh, []).append(f"{side[0].upper() if side != 'none' else 'C'}:{words.get(comp, comp)}")
    return [";".join(found.get(i, ())) or "none" if looked else "" for i, looked in enumerate(late.tolist())]


def write_world(world: World, folder: Path, lists: bool = True) -> Written:
    """Write incoming/, settings.toml and truth.json below `folder`; with `lists`, the truth's long lists as
    Parquet too.

    The same world gives the same bytes. Returns what writing planted.
    """
    from synthetic_data import truth

    folder = Path(folder)
    incoming = folder / "incoming"
    incoming.mkdir(parents=True, exist_ok=True)
    out = Written()
    r = Random(world.seed * 1_000_003 + 17)
    rec = _records(world, r)
    out.vehicle_ids = rec.ids
    numbers = _order_numbers(world, rec, out)
    looked = _not_original(world)
    _fleet_one(world, rec, numbers, looked, incoming, out, r)
    _fleet_two(world, rec, numbers, looked, incoming, out, r)
    _desk(world, rec, numbers, looked, incoming, out, r)
    _shared(world, incoming, out)
    (folder / "settings.toml").write_text(_settings(world), encoding="utf-8", newline="\n")
    truth.write_truth(world, out, folder, lists=lists)
    return out


def write_sample(folder: Path) -> Written:
    """The sample that is kept with the code: a small world of a fixed seed, without the truth's long lists."""
    from synthetic_data.simulate import make_world

    return write_world(make_world(SAMPLE_VEHICLES, SAMPLE_SEED), folder, lists=False)


def _lighting_word(light: np.ndarray, words: tuple[str, str, str]) -> list[str]:
    return np.array(words, dtype=object)[light].tolist()


def _slips(
    kind: np.ndarray, ids: list[str], vehicle: np.ndarray, true: np.ndarray, typed: np.ndarray, rows: np.ndarray
) -> list[tuple[int, str, float, str, str]]:
    """Odometer slips among rows of a file: (index in the file, vehicle, true km, typed, kind)."""
    hits = np.flatnonzero(kind[rows] != "")
    return [
        (int(i), ids[vehicle[rows[i]]], float(true[rows[i]]), str(typed[rows[i]]), str(kind[rows[i]]))
        for i in hits.tolist()
    ]


def _fleet_one(
    world: World, rec: _Records, numbers: np.ndarray, looked: list[str], incoming: Path, out: Written, r: Random
) -> None:
    v, o, ln = rec.vehicles, rec.orders, rec.lines
    mine = np.flatnonzero(v["group"] == 0)
    last = sc.day_number(world.scenario.as_of)
    left = v["is_left"][mine]
    cols = [
        [rec.ids[i] for i in mine],
        [rec.units[i] for i in mine],
        _dates(v["new"][mine], "%Y-%m-%d"),
        [sc.CLASSES[c] for c in v["class"][mine]],
        _lighting_word(v["lighting"][mine], ("HAL", "XEN", "LED")),
        [("H7", "D1S", "D2S", "")[k] for k in v["lamp_kind"][mine]],
        [sc.DUTIES[d] for d in v["duty"][mine]],
        [sc.DEPOTS[d] for d in v["depot"][mine]],
        _dates(v["watch_from"][mine], "%Y-%m-%d"),
        [
            t if gone else ""
            for t, gone in zip(_dates(np.minimum(v["watch_to"][mine], last), "%Y-%m-%d"), left, strict=False)
        ],
        [looked[i] for i in mine],
        [str(int(round(k * sc.YEAR, -3))) for k in v["km_day"][mine]],
    ]
    bad = [("no_vehicle", ",,2021-02-03,midi_van,HAL,H7,night,Hobgate,2021-02-20,,,27000")]
    _File(
        "quillwren/vehicle_master.csv",
        "asset_no,fleet_no,registered,body,headlights,bulb_type,duty,depot,on_system,off_system,parts_check,km_pa",
        [",".join(x) for x in zip(*cols, strict=False)],
        bad,
    ).write(incoming, out, r)

    # Some dashboards show miles, and whoever types the order copies them; the fuel card always sends km.
    is_miles = np.zeros(len(v["group"]), bool)
    is_miles[mine] = r.u(len(mine)) < 0.04
    out_rows = np.flatnonzero(v["group"][o["vehicle"]] == 0)
    vehicle = o["vehicle"][out_rows]
    day = o["day"][out_rows]
    typed, true, kind = _typed_odometers(vehicle, day, v, r, 0.015, 0.03, is_miles=is_miles[vehicle])
    kind = np.where((kind == "") & is_miles[vehicle] & (typed != ""), "miles", kind)
    closed = np.minimum(day + np.floor(r.exp(len(day)) * 1.2).astype(np.int64), last)
    complaint = _quoted(o["complaint"][out_rows], ",")
    cols = [
        numbers[out_rows].tolist(),
        [rec.ids[i] for i in vehicle],
        _dates(day, "%Y-%m-%d"),
        _dates(closed, "%Y-%m-%d"),
        typed.tolist(),
        complaint,
        o["code"][out_rows].tolist(),
        [sc.DEPOTS[d] for d in v["depot"][vehicle]],
    ]
    rows = [",".join(x) for x in zip(*cols, strict=False)]
    years = np.array([int(y) for y in _dates(day, "%Y")])
    header = "order_no,asset_no,date_in,date_out,odo,driver_report,codes,depot"
    order_of = {int(k): i for i, k in enumerate(out_rows)}
    lines = np.flatnonzero(np.isin(ln["order"], out_rows))
    of_line = np.array([order_of[int(k)] for k in ln["order"][lines]], dtype=np.int64)
    some_id = rec.ids[int(mine[0])]
    line_header = "order_no,line,job_text,part_no,brand,batch,qty,material,hours,labour,programme,claimed"
    line_cols = [
        numbers[ln["order"][lines]].tolist(),
        [str(x) for x in ln["line"][lines]],
        _quoted(ln["text"][lines], ","),
        ln["part"][lines].tolist(),
        ln["supplier"][lines].tolist(),
        ln["lot"][lines].tolist(),
        [str(q) for q in ln["qty"][lines]],
        _money(ln["part_cost"][lines]),
        [f"{h:.1f}" for h in ln["hours"][lines]],
        _money(ln["labour_cost"][lines]),
        ["Y" if p else "" for p in ln["is_planned"][lines]],
        ["Y" if c else "" for c in ln["claim"][lines]],
    ]
    line_rows = np.array([",".join(x) for x in zip(*line_cols, strict=False)], dtype=object)
    for y in np.unique(years).tolist():
        at = np.flatnonzero(years == y)
        bad = [
            ("impossible_date", f"{y}-9000{y % 10},{some_id},{y}-02-31,,48210,bulb out,,Kilnmoor"),
            ("no_vehicle", f"{y}-9001{y % 10},,{y}-05-11,{y}-05-12,61200,service,,Hobgate"),
        ]
        _File(f"quillwren/orders_{y}.csv", header, [rows[i] for i in at], bad, 0.0).write(
            incoming, out, r, _slips(kind, rec.ids, vehicle, true, typed, at)
        )
        mine_lines = np.flatnonzero(years[of_line] == y)
        bad = [
            ("order_unknown", f"{y}-9100{y % 10},1,headlamp bulb left replaced,,,,1,9.00,0.4,24.80,,"),
            (
                "too_many_cells",
                f"{y}-000001,9{y % 10},check lights, wipers, horn and washers,,,,1,0.00,0.3,18.60,N,N",
            ),
            ("nothing_said", f"{y}-000002,8{y % 10},,,,,1,0.00,0.5,31.00,,"),
        ]
        _File(f"quillwren/order_lines_{y}.csv", line_header, line_rows[mine_lines].tolist(), bad, 0.004).write(
            incoming, out, r
        )
    _fuel_cards(rec, mine, incoming, out, r)


def _fuel_cards(rec: _Records, mine: np.ndarray, incoming: Path, out: Written, r: Random) -> None:
    v = rec.vehicles
    w0, w1 = v["watch_from"][mine], v["watch_to"][mine]
    n = np.maximum((w1 - w0) // 122, 0)
    vehicle = np.repeat(mine, n)
    step = np.arange(len(vehicle)) - np.repeat(np.cumsum(n) - n, n)
    day = v["watch_from"][vehicle] + 30 + step * 122 + np.floor(r.u(len(vehicle)) * 60).astype(np.int64)
    keep = day <= v["watch_to"][vehicle]
    vehicle, day = vehicle[keep], day[keep]
    sort = np.lexsort((vehicle, day))
    vehicle, day = vehicle[sort], day[sort]
    typed, true, kind = _typed_odometers(vehicle, day, v, r, 0.008, 0.0)
    rows = [
        ",".join(x) for x in zip([rec.ids[i] for i in vehicle], _dates(day, "%Y-%m-%d"), typed.tolist(), strict=False)
    ]
    bad = [
        ("number_is_text", f"{rec.ids[int(mine[0])]},2022-03-04,see note"),
        ("too_few_cells", rec.ids[int(mine[0])]),
    ]
    _File("quillwren/fuel_card_km.csv", "asset_no,date,km", rows, bad).write(
        incoming, out, r, _slips(kind, rec.ids, vehicle, true, typed, np.arange(len(rows)))
    )


def _fleet_two(
    world: World, rec: _Records, numbers: np.ndarray, looked: list[str], incoming: Path, out: Written, r: Random
) -> None:
    v, o, ln = rec.vehicles, rec.orders, rec.lines
    mine = np.flatnonzero(v["group"] == 1)
    cols = [
        [rec.ids[i] for i in mine],
        [rec.units[i] for i in mine],
        _plain_us(v["new"][mine]),
        [sc.CLASSES[c].replace("_", " ") for c in v["class"][mine]],
        _lighting_word(v["lighting"][mine], ("Halogen", "Xenon", "LED")),
        [("H7", "D1S", "D2S", "")[k] for k in v["lamp_kind"][mine]],
        ["Right" if x else "Left" for x in v["rhd"][mine]],
        [sc.DUTIES[d].upper() for d in v["duty"][mine]],
        _plain_us(v["watch_from"][mine]),
        [t if gone else "" for t, gone in zip(_plain_us(v["watch_to"][mine]), v["is_left"][mine], strict=False)],
        [looked[i] for i in mine],
    ]
    header = (
        "Vehicle ID,Unit,First Registered,Type,Lights,Bulb,Steering Wheel,Round,Records From,Records To,"
        "Parts Seen Changed"
    )
    _File(
        "marlsedge/vehicle_list.csv",
        header,
        [",".join(x) for x in zip(*cols, strict=False)],
        newline="\n",
        encoding="utf-8",
    ).write(incoming, out, r)

    rows = np.flatnonzero(v["group"][o["vehicle"]] == 1)
    vehicle, day = o["vehicle"][rows], o["day"][rows]
    typed, true, kind = _typed_odometers(vehicle, day, v, r, 0.02, 0.04, is_miles=np.ones(len(rows), bool))
    order_of = {int(k): i for i, k in enumerate(rows)}
    lines = np.flatnonzero(np.isin(ln["order"], rows))
    at = np.array([order_of[int(k)] for k in ln["order"][lines]], dtype=np.int64)
    us = np.array(_plain_us(day), dtype=object)
    years = np.array([int(y) for y in _dates(day, "%Y")])
    head = [
        "Job",
        "Line",
        "Vehicle ID",
        "Date",
        "Miles",
        "Driver's Complaint",
        "Codes",
        "Work Done",
        "Part",
        "Supplier",
        "Lot No.",
        "Qty",
        "Parts EUR",
        "Hours",
        "Labour EUR",
    ]
    some_id = rec.ids[int(mine[0])]
    for y in np.unique(years).tolist():
        sel = np.flatnonzero(years[at] == y)
        a, k = at[sel], lines[sel]
        body: list[list] = []
        for i, j in zip(a.tolist(), k.tolist(), strict=False):
            t = typed[i]
            body.append(
                [
                    numbers[rows[i]],
                    int(ln["line"][j]),
                    rec.ids[vehicle[i]],
                    us[i],
                    int(t) if t else None,
                    o["complaint"][rows[i]],
                    o["code"][rows[i]],
                    ln["text"][j],
                    ln["part"][j],
                    ln["supplier"][j],
                    ln["lot"][j],
                    int(ln["qty"][j]),
                    float(ln["part_cost"][j]),
                    float(ln["hours"][j]),
                    float(ln["labour_cost"][j]),
                ]
            )
        bad = [
            (
                "impossible_date",
                [
                    f"R{y % 100}900001",
                    1,
                    some_id,
                    f"2/30/{y}",
                    31000,
                    "service due",
                    "",
                    "engine oil & filter",
                    "",
                    "",
                    "",
                    1,
                    28.0,
                    0.5,
                    33.0,
                ],
            ),
            (
                "no_vehicle",
                [
                    f"R{y % 100}900002",
                    1,
                    "",
                    f"4/12/{y}",
                    27500,
                    "service due",
                    "",
                    "safety inspection carried out",
                    "",
                    "",
                    "",
                    1,
                    0.0,
                    0.5,
                    33.0,
                ],
            ),
        ]
        bad = bad[: len(body) // _ROWS_FOR_A_BAD_ONE]
        name, top = f"marlsedge/repairs_{y}", 3
        places = np.sort((r.u(len(bad)) * (len(body) + 1)).astype(int))[::-1]
        shift = np.zeros(len(body), dtype=np.int64)
        kinds = list(bad)
        for p, (_, row) in zip(places.tolist(), reversed(kinds), strict=False):
            body.insert(p, row)
            shift[p:] += 1
        is_book = len(v["group"]) <= _WORKBOOKS_UP_TO
        file = name + (".xlsx" if is_book else ".csv.gz")
        first_row = top + 2 if is_book else 2
        for q, (p, (reason, _)) in enumerate(zip(sorted(places.tolist()), kinds, strict=False)):
            out.bad_rows.append((file, first_row + p + q, reason))
        for i, (idx, _) in enumerate(zip(a.tolist(), k.tolist(), strict=False)):
            if kind[idx]:
                out.odometer.append(
                    (
                        file,
                        int(first_row + i + shift[i]),
                        rec.ids[vehicle[idx]],
                        float(true[idx]),
                        str(typed[idx]),
                        str(kind[idx]),
                    )
                )
        if is_book:
            title = [["Marlsedge Rounds (invented): repairs to vehicles"], [f"Year {y}"], []]
            write_workbook(incoming / file, f"Repairs {y}", [*title, head, *body])
            out.rows[file] = len(body)
        else:
            texts = [",".join("" if c is None else _cell(str(c), ",") for c in row) for row in body]
            _File(file, ",".join(head), texts, newline="\n", encoding="utf-8").write(incoming, out, r)


_DESK_HEADER = (
    "Auftrag;Pos;Datum;Fertig;Fahrzeug-Nr;Erstzulassung;Aufbau;Licht;Leuchtmittel;Lenkrad;Einsatz;Teile-Check;KM-Stand;Beanstandung;Arbeit;Teilenummer;"
    "Hersteller;Charge;Menge;Teile EUR;Std;Lohn EUR;Garantie"
)
_DUTY_WORDS = {"always_lit": "Dauerlicht", "night": "Nacht", "mixed": "gemischt", "day": "Tag"}
_CLASS_WORDS = {
    "compact_van": "Kastenwagen kurz",
    "midi_van": "Kastenwagen mittel",
    "large_van": "Kastenwagen lang",
    "small_car": "Kleinwagen",
    "estate_car": "Kombi",
    "high_car": "Hochdach-PKW",
}


def _desk(
    world: World, rec: _Records, numbers: np.ndarray, looked: list[str], incoming: Path, out: Written, r: Random
) -> None:
    v, o, ln = rec.vehicles, rec.orders, rec.lines
    rows = np.flatnonzero(v["group"][o["vehicle"]] == 2)
    vehicle, day = o["vehicle"][rows], o["day"][rows]
    typed, true, kind = _typed_odometers(vehicle, day, v, r, 0.02, 0.03)
    last = sc.day_number(world.scenario.as_of)
    closed = np.minimum(day + np.floor(r.exp(len(day)) * 1.5).astype(np.int64), last)
    # The German desk sets a dot between thousands.
    dotted = (o["hand"][rows] == tx.GERMAN) & (np.char.str_len(typed.astype(str)) > 3)
    shown = [
        f"{int(t):,}".replace(",", ".") if d else t for t, d in zip(typed.tolist(), dotted.tolist(), strict=False)
    ]
    order_of = {int(k): i for i, k in enumerate(rows)}
    lines = np.flatnonzero(np.isin(ln["order"], rows))
    at = np.array([order_of[int(k)] for k in ln["order"][lines]], dtype=np.int64)
    per_order = [
        numbers[rows].tolist(),
        None,
        _dates(day, "%d.%m.%Y"),
        _dates(closed, "%d.%m.%Y"),
        [rec.ids[i] for i in vehicle],
        _dates(v["new"][vehicle], "%d.%m.%Y"),
        [_CLASS_WORDS[sc.CLASSES[c]] for c in v["class"][vehicle]],
        _lighting_word(v["lighting"][vehicle], ("Halogen", "Xenon", "LED")),
        [("H7", "D1S", "D2S", "")[k] for k in v["lamp_kind"][vehicle]],
        ["R" if x else "L" for x in v["rhd"][vehicle]],
        [_DUTY_WORDS[sc.DUTIES[d]] for d in v["duty"][vehicle]],
        [f'"{looked[i]}"' if ";" in looked[i] else looked[i] for i in vehicle],
        shown,
        _quoted(o["complaint"][rows], ";"),
    ]
    cols = [[str(x) for x in ln["line"][lines]] if c is None else [c[i] for i in at.tolist()] for c in per_order]
    cols += [
        _quoted(ln["text"][lines], ";"),
        ln["part"][lines].tolist(),
        ln["supplier"][lines].tolist(),
        ln["lot"][lines].tolist(),
        [str(q) for q in ln["qty"][lines]],
        _money(ln["part_cost"][lines], True),
        [f"{h:.1f}".replace(".", ",") for h in ln["hours"][lines]],
        _money(ln["labour_cost"][lines], True),
        ["ja" if c else "" for c in ln["claim"][lines]],
    ]
    made = np.array([";".join(x) for x in zip(*cols, strict=False)], dtype=object)
    months = np.array(_dates(day, "%Y-%m"), dtype=object)[at]
    some = per_order[4][0]
    tail = "Kleinwagen;Halogen;H7;L;Tag"
    copy = "2022-11"
    k = -1
    for month in np.unique(months.astype(str)).tolist():
        sel = np.flatnonzero(months == month)
        y, mo = int(month[2:4]), month[5:]
        bad = []
        k += len(sel) >= _ROWS_FOR_A_BAD_ONE
        if len(sel) < _ROWS_FOR_A_BAD_ONE:
            pass
        elif k % 9 == 2:
            bad.append(
                (
                    "impossible_date",
                    f"{y}/90001;1;31.02.20{y};;{some};;;;;;;;52000;Inspektion;Ölwechsel mit Filter;;;;1;28,00;0,5;41,00;",  # noqa: E501
                )
            )
        elif k % 9 == 4:
            bad.append(
                (
                    "too_many_cells",
                    f"{y}/90002;1;05.{mo}.20{y};;{some};01.03.2015;{tail};;61000;Licht prüfen; Hupe prüfen;Inspektion durchgeführt;;;;1;0,00;0,5;41,00;nein",  # noqa: E501
                )
            )
        elif k % 9 == 6:
            bad.append(
                (
                    "no_vehicle",
                    f"{y}/90003;1;11.{mo}.20{y};;;01.03.2015;{tail};;48000;service;oil and filter;;;;1;28,00;0,5;41,00;",  # noqa: E501
                )
            )
        elif k % 9 == 8:
            bad.append(("repeated_header", _DESK_HEADER))
        elif k % 9 == 1:
            bad.append(("too_few_cells", f"{y}/90004;1;17.{mo}.20{y};;{some}"))
        # The same slip stands on every line of its order.
        slips = [
            (int(i), per_order[4][at[j]], float(true[at[j]]), str(typed[at[j]]), str(kind[at[j]]))
            for i, j in enumerate(sel.tolist())
            if kind[at[j]]
        ]
        name = f"desk/Auftraege_{month}.csv"
        data = _File(name, _DESK_HEADER, made[sel].tolist(), bad, 0.004, encoding="cp1252").write(
            incoming, out, r, slips
        )
        if month == copy:
            again = f"desk/Auftraege_{month} (Kopie).csv"
            (incoming / again).write_bytes(data)
            out.repeated_files.append((again, name))
            out.rows[again] = out.rows[name]


def _shared(world: World, incoming: Path, out: Written) -> None:
    s = world.scenario
    rows = []
    for p in s.products:
        if p.is_original:
            continue
        category = p.kind if p.component == "lamp" else ""
        rows.append(
            "|".join(
                [
                    p.part_number,
                    p.name,
                    p.component,
                    p.supplier,
                    p.grade,
                    category,
                    ",".join(p.renews),
                    str(p.warranty_months),
                    str(p.warranty_km or ""),
                    f"{p.unit_cost:.2f}",
                ]
            )
        )
    plain = Random(0)
    _File(
        "shared/parts_catalogue.csv",
        "number|name|kind of part|supplier|grade|category|comes with|warranty months|warranty km|price",
        rows,
        newline="\n",
        encoding="utf-8",
    ).write(incoming, out, plain)
    _File(
        "shared/check_times.csv",
        "part,minutes,needs,minutes to open",
        [f"{c},{m},{o},{om or ''}" for c, m, o, om in sc.ACCESS],
        newline="\n",
        encoding="utf-8",
    ).write(incoming, out, plain)
    plan = [
        f"{g.name},{int(g.service_days)},{int(round(g.km_per_year * g.service_days / sc.YEAR, -3))}"
        for g in s.groups[:2]
    ]
    _File("shared/service_plan.csv", "group,every days,every km", plan, newline="\n", encoding="utf-8").write(
        incoming, out, plain
    )
    rows = []
    for g in s.groups[:2]:
        for c in COMPONENTS:
            part = max(sc.BASE_COST[c, k] for k in sc.KINDS[c][:2])
            work = sc.LABOUR_HOURS[c] * sc.LABOUR_RATE[g.name]
            planned = part + 0.7 * work
            rows.append(
                f"{g.name},{c},{planned:.2f},{part + work + (140.0 if g.name == s.groups[0].name else 95.0):.2f}"
            )
    _File(
        "shared/replacement_costs.csv", "group,part,planned EUR,unplanned EUR", rows, newline="\n", encoding="utf-8"
    ).write(incoming, out, plain)


def _settings(world: World) -> str:
    """The settings by which these exports are read; mapping only, everything else at its default."""
    aliases = "\n".join(
        f'"{s.name}" = [{", ".join(repr(x).replace(chr(39), chr(34)) for x in s.spellings if x != s.name)}]'
        for s in world.scenario.suppliers
    )
    classes = "\n".join(f'"{theirs}" = "{ours}"' for ours, theirs in _CLASS_WORDS.items())
    duties = "\n".join(f'"{theirs}" = "{ours}"' for ours, theirs in _DUTY_WORDS.items())
    round_names = "\n".join(f'"{d.upper()}" = "{d}"' for d in sc.DUTIES)
    types = "\n".join(f'"{c.replace("_", " ")}" = "{c}"' for c in sc.CLASSES)
    return f'''# How the exports of the invented scenario are read. This is the whole of it.
[workspace]
name = "{world.scenario.workshop}"

[units]
distance = "km"
currency = "EUR"

[observation]
# Walk-in customers are seen from their first visit to their last one; the fleets' records hold every repair.
coverage = "walk_in"
# At most first visits somebody looked whether parts were still the first ones; where nobody looked nothing is assumed.
assume_original = []
[observation.groups]
"Quillwren Parcels" = "complete"
"Marlsedge Rounds" = "complete"

[strata]
vehicle_columns = ["duty"]

[suppliers.aliases]
{aliases}

# ---- the workshop's own desk: walk-in customers, one flat file a month
[sources.desk]
table = "flat"
files = ["desk/Auftraege_*.csv"]
delimiter = ";"
encoding = "cp1252"
decimal = ","
thousands = "."
date_order = "dmy"
odometer_unit = "km"
[sources.desk.columns]
vehicle_id = "Fahrzeug-Nr"
first_use_date = "Erstzulassung"
vehicle_class = "Aufbau"
lighting = "Licht"
light_source_category = "Leuchtmittel"
drive_side = "Lenkrad"
duty = "Einsatz"
not_original = "Teile-Check"
customer_group = {{ value = "walk_in" }}
order_id = "Auftrag"
line_number = "Pos"
opened_on = "Datum"
closed_on = "Fertig"
odometer = "KM-Stand"
complaint = "Beanstandung"
description = "Arbeit"
part_number = "Teilenummer"
supplier = "Hersteller"
lot = "Charge"
quantity = "Menge"
part_cost = "Teile EUR"
labour_hours = "Std"
labour_cost = "Lohn EUR"
warranty_claim = "Garantie"
[sources.desk.values.vehicle_class]
{classes}
[sources.desk.values.duty]
{duties}

# ---- fleet one: orders, their lines, vehicles, fuel-card readings
[sources.quillwren_vehicles]
table = "vehicles"
files = ["quillwren/vehicle_master.csv"]
[sources.quillwren_vehicles.columns]
vehicle_id = "asset_no"
unit_number = "fleet_no"
first_use_date = "registered"
vehicle_class = "body"
lighting = "headlights"
light_source_category = "bulb_type"
duty = "duty"
depot = "depot"
in_service_from = "on_system"
in_service_to = "off_system"
not_original = "parts_check"
km_per_year = "km_pa"
drive_side = {{ value = "left" }}
customer_group = {{ value = "Quillwren Parcels" }}
[sources.quillwren_vehicles.values.lighting]
"HAL" = "halogen"
"XEN" = "discharge"
"LED" = "led"

[sources.quillwren_orders]
table = "orders"
files = ["quillwren/orders_*.csv"]
odometer_unit = "km"
[sources.quillwren_orders.columns]
order_id = "order_no"
vehicle_id = "asset_no"
opened_on = "date_in"
closed_on = "date_out"
odometer = "odo"
complaint = "driver_report"
fault_code = "codes"

[sources.quillwren_lines]
table = "repair_lines"
files = ["quillwren/order_lines_*.csv"]
decimal = "."
[sources.quillwren_lines.columns]
order_id = "order_no"
line_number = "line"
description = "job_text"
part_number = "part_no"
supplier = "brand"
lot = "batch"
quantity = "qty"
part_cost = "material"
labour_hours = "hours"
labour_cost = "labour"
planned = "programme"
warranty_claim = "claimed"

[sources.quillwren_fuel_cards]
table = "odometer"
files = ["quillwren/fuel_card_km.csv"]
odometer_unit = "km"
[sources.quillwren_fuel_cards.columns]
vehicle_id = "asset_no"
reading_date = "date"
reading = "km"

# ---- fleet two: a workbook a year, month first, miles
[sources.marlsedge_vehicles]
table = "vehicles"
files = ["marlsedge/vehicle_list.csv"]
date_order = "mdy"
[sources.marlsedge_vehicles.columns]
vehicle_id = "Vehicle ID"
unit_number = "Unit"
first_use_date = "First Registered"
vehicle_class = "Type"
lighting = "Lights"
light_source_category = "Bulb"
drive_side = "Steering Wheel"
duty = "Round"
in_service_from = "Records From"
in_service_to = "Records To"
not_original = "Parts Seen Changed"
odometer_unit = {{ value = "mi" }}
customer_group = {{ value = "Marlsedge Rounds" }}
[sources.marlsedge_vehicles.values.duty]
{round_names}
[sources.marlsedge_vehicles.values.vehicle_class]
{types}

[sources.marlsedge_repairs]
table = "repair_lines"
files = ["marlsedge/repairs_*"]
date_order = "mdy"
odometer_unit = "mi"
[sources.marlsedge_repairs.columns]
order_id = "Job"
line_number = "Line"
vehicle_id = "Vehicle ID"
opened_on = "Date"
odometer = "Miles"
complaint = "Driver's Complaint"
fault_code = "Codes"
description = "Work Done"
part_number = "Part"
supplier = "Supplier"
lot = "Lot No."
quantity = "Qty"
part_cost = "Parts EUR"
labour_hours = "Hours"
labour_cost = "Labour EUR"

# ---- what all share
[sources.catalogue]
table = "parts"
files = ["shared/parts_catalogue.csv"]
decimal = "."
[sources.catalogue.columns]
part_number = "number"
part_name = "name"
component = "kind of part"
supplier = "supplier"
grade = "grade"
light_source_category = "category"
renews = "comes with"
warranty_months = "warranty months"
warranty_km = "warranty km"
unit_cost = "price"

[sources.check_times]
table = "access"
files = ["shared/check_times.csv"]
[sources.check_times.columns]
component = "part"
check_minutes = "minutes"
opens = "needs"
opens_minutes = "minutes to open"

[sources.service_plan]
table = "service_plan"
files = ["shared/service_plan.csv"]
[sources.service_plan.columns]
customer_group = "group"
interval_days = "every days"
interval_km = "every km"

[sources.replacement_costs]
table = "costs"
files = ["shared/replacement_costs.csv"]
decimal = "."
[sources.replacement_costs.columns]
customer_group = "group"
component = "part"
planned_cost = "planned EUR"
unplanned_cost = "unplanned EUR"
'''
