"""The invented scenario, as data: who is looked after, what is fitted, how long parts truly last, how people go
wrong.

Every name is invented. Every number is an assumption of this scenario, chosen to be plausible in the trade;
none is taken from a maker, a fleet or a publication. Ages are in the clock that is named with them: days, km,
or hours with the low beam lit. Times are days after EPOCH.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

VERSION = "1.0"
EPOCH = dt.date(2000, 1, 1)
YEAR = 365.25

COMPONENTS = (
    "lamp",
    "igniter",
    "ballast",
    "headlamp_assembly",
    "wiring",
    "led_module",
    "led_driver",
    "control_module",
    "switch_or_fuse",
)
SIDED = COMPONENTS[:7]
# One column of the simulation's state a place: left, right of each sided component, then the unsided ones.
PLACES: tuple[tuple[str, str], ...] = (
    *((c, s) for c in SIDED for s in ("left", "right")),
    ("control_module", "none"),
    ("switch_or_fuse", "none"),
)
LIGHTING = ("halogen", "discharge", "led")
SYMPTOMS = ("low_beam_dark", "high_beam_dark", "flicker", "dim", "water_inside", "warning_shown")
GROUPS = ("Quillwren Parcels", "Marlsedge Rounds", "walk_in")
CLASSES = ("compact_van", "midi_van", "large_van", "small_car", "estate_car", "high_car")
DUTIES = ("always_lit", "night", "mixed", "day")
DEPOTS = ("Kilnmoor", "Sallowby", "Drendale", "Vallonquay", "Hobgate")

# What a vehicle carries decides which of these kinds of part fit it.
KINDS = {
    "lamp": ("H7", "D1S", "D2S"),
    "igniter": ("D2S",),
    "ballast": ("D1S", "D2S"),
    "headlamp_assembly": (
        "halogen",
        "discharge",
        "led",
        "midi_halogen",
        "midi_discharge",
        "discharge_d1",
        "midi_discharge_d1",
    ),
    "wiring": ("any",),
    "led_module": ("any",),
    "led_driver": ("any",),
    "control_module": ("any",),
    "switch_or_fuse": ("any",),
}


@dataclass(frozen=True)
class Wear:
    """A Weibull life in its own clock (days, km, hours): S(t) = exp(-z (t/scale)**shape), z the vehicle's frailty."""

    shape: float
    scale: float
    clock: str


@dataclass(frozen=True)
class Product:
    """A part that can be fitted. `weights`: how often each customer group's orders take it, among those that fit.

    `defect_share` of all pieces have a second, early way to fail: Weibull in days with EARLY's shape and scale.
    `renews`: parts that come with it. An `original` came with the vehicle and is in no catalogue.
    """

    part_number: str
    name: str
    component: str
    kind: str
    supplier: str
    grade: str
    wear: Wear
    weights: tuple[float, float, float] = (0.0, 0.0, 0.0)
    defect_share: float = 0.0
    unit_cost: float = 0.0
    renews: tuple[str, ...] = ()
    warranty_months: int = 24
    warranty_km: int = 0

    @property
    def is_original(self) -> bool:
        return self.supplier == "original"


@dataclass(frozen=True)
class Supplier:
    """life_factor multiplies every scale; defect_share is the share of pieces with an early failure built in."""

    name: str
    grade: str
    prefix: str
    life_factor: float
    defect_share: float
    price_factor: float
    spellings: tuple[str, ...]


@dataclass(frozen=True)
class BadLot:
    part_number: str
    lot: str
    first_on: dt.date
    last_on: dt.date
    defect_share: float


@dataclass(frozen=True)
class Group:
    """A customer group: size, age, use and habits. Distances in km, `pair` the chance that both lamps are done."""

    name: str
    share: float
    classes: dict[str, float]
    duties: dict[str, float]
    km_per_year: float
    km_sigma: float
    speed_km_h: float
    lighting: tuple[float, float, float]
    right_hand_drive: float
    service_days: float
    pair: tuple[float, float]


SUPPLIERS = (
    Supplier("Ostrevel", "original_equipment", "OV", 1.00, 0.010, 1.35, ("Ostrevel", "OSTREVEL", "Ostrevel Ltd")),
    Supplier(
        "Quindarre", "aftermarket", "QD", 0.98, 0.015, 1.00, ("Quindarre", "QUINDARRE", "Quindarre GmbH", "quindarre")
    ),
    Supplier("Tamsolt", "aftermarket", "TS", 1.25, 0.010, 1.15, ("Tamsolt", "TAMSOLT", "Tamsolt SA")),
    Supplier("Belvorne", "aftermarket", "BV", 0.97, 0.020, 0.70, ("Belvorne", "BELVORNE", "Belvorne Parts")),
)
EARLY = Wear(0.9, 40.0, "days")
# Shares of the four suppliers in lamps, a row a customer group; the fleets buy most D2S bulbs from one of them.
LAMP_SHARES = ((0.30, 0.36, 0.20, 0.14), (0.28, 0.34, 0.22, 0.16), (0.22, 0.26, 0.14, 0.38))
D2S_SHARES = ((0.22, 0.50, 0.18, 0.10), (0.22, 0.46, 0.18, 0.14), (0.22, 0.30, 0.14, 0.34))

# True wear of each component and kind, before the supplier's life factor.
WEAR: dict[tuple[str, str], Wear] = {
    ("lamp", "H7"): Wear(2.6, 640.0, "hours"),
    ("lamp", "D1S"): Wear(2.6, 2_050.0, "hours"),
    ("lamp", "D2S"): Wear(2.6, 1_800.0, "hours"),
    ("igniter", "D2S"): Wear(1.2, 15.0 * YEAR, "days"),
    ("ballast", "D1S"): Wear(1.4, 11.5 * YEAR, "days"),
    ("ballast", "D2S"): Wear(1.4, 11.0 * YEAR, "days"),
    ("headlamp_assembly", "halogen"): Wear(1.8, 32.0 * YEAR, "days"),
    ("headlamp_assembly", "discharge"): Wear(1.8, 32.0 * YEAR, "days"),
    ("headlamp_assembly", "led"): Wear(1.8, 30.0 * YEAR, "days"),
    # The water-prone one: its seal gives way.
    ("headlamp_assembly", "midi_halogen"): Wear(2.8, 7.5 * YEAR, "days"),
    ("headlamp_assembly", "midi_discharge"): Wear(2.8, 7.5 * YEAR, "days"),
    # The same units for D1S lamps, which carry their igniter.
    ("headlamp_assembly", "discharge_d1"): Wear(1.8, 32.0 * YEAR, "days"),
    ("headlamp_assembly", "midi_discharge_d1"): Wear(2.8, 7.5 * YEAR, "days"),
    ("wiring", "any"): Wear(1.6, 900_000.0, "km"),
    ("led_module", "any"): Wear(1.7, 600_000.0, "km"),
    ("led_driver", "any"): Wear(1.3, 17.0 * YEAR, "days"),
    ("control_module", "any"): Wear(1.0, 45.0 * YEAR, "days"),
    ("switch_or_fuse", "any"): Wear(1.0, 28.0 * YEAR, "days"),
}
FRAILTY_SIGMA = 0.25  # of log z; z has mean 1, is the same for all parts of a vehicle, and multiplies their hazards

GROUP = (
    Group(
        "Quillwren Parcels",
        0.38,
        {"compact_van": 0.34, "midi_van": 0.40, "large_van": 0.26},
        {"always_lit": 0.75, "night": 0.25},
        27_000.0,
        0.22,
        33.0,
        (0.40, 0.40, 0.20),
        0.0,
        240.0,
        (0.30, 0.40),
    ),
    Group(
        "Marlsedge Rounds",
        0.29,
        {"small_car": 0.65, "estate_car": 0.35},
        {"night": 0.35, "mixed": 0.45, "day": 0.20},
        24_000.0,
        0.25,
        36.0,
        (0.32, 0.48, 0.20),
        1.0,
        300.0,
        (0.20, 0.35),
    ),
    Group(
        "walk_in",
        0.33,
        {"small_car": 0.45, "estate_car": 0.25, "high_car": 0.18, "midi_van": 0.12},
        {"mixed": 0.55, "day": 0.35, "night": 0.10},
        15_000.0,
        0.40,
        45.0,
        (0.55, 0.33, 0.12),
        0.12,
        365.0,
        (0.15, 0.30),
    ),
)
SHARE_LIT = {"always_lit": 1.0, "night": 0.75, "mixed": 0.45, "day": 0.25}

# P(symptom | true cause), in the order of SYMPTOMS; rows sum to 1. Lamps of halogen vehicles have a row of their own.
SYMPTOM_GIVEN_CAUSE: dict[str, tuple[float, ...]] = {
    "lamp:halogen": (0.90, 0.00, 0.03, 0.04, 0.00, 0.03),
    "lamp": (0.50, 0.00, 0.20, 0.24, 0.00, 0.06),
    "igniter": (0.66, 0.00, 0.28, 0.00, 0.00, 0.06),
    "ballast": (0.60, 0.00, 0.24, 0.03, 0.00, 0.13),
    "headlamp_assembly": (0.08, 0.00, 0.05, 0.17, 0.64, 0.06),
    "wiring": (0.40, 0.00, 0.44, 0.08, 0.00, 0.08),
    "led_module": (0.44, 0.00, 0.16, 0.22, 0.00, 0.18),
    "led_driver": (0.52, 0.00, 0.26, 0.02, 0.00, 0.20),
    "control_module": (0.40, 0.06, 0.20, 0.00, 0.00, 0.34),
    "switch_or_fuse": (0.64, 0.12, 0.19, 0.00, 0.00, 0.05),
}
# Chance that the first visit finds the true cause.
FIRST_RIGHT = {
    "lamp:halogen": 0.985,
    "lamp": 0.93,
    "igniter": 0.60,
    "ballast": 0.66,
    "headlamp_assembly": 0.90,
    "wiring": 0.62,
    "led_module": 0.80,
    "led_driver": 0.70,
    "control_module": 0.60,
    "switch_or_fuse": 0.78,
}
# Else a wrong part is renewed, drawn with these weights among parts that the vehicle has (the true cause left out).
WRONG_GUESS: dict[str, dict[str, float]] = {
    "halogen": {"lamp": 0.78, "switch_or_fuse": 0.12, "wiring": 0.10},
    "discharge": {"lamp": 0.62, "ballast": 0.24, "igniter": 0.10, "wiring": 0.04},
    "led": {"led_module": 0.50, "led_driver": 0.42, "wiring": 0.08},
}
RETURN_DAYS = (2.0, 5.0)  # after a wrong guess the complaint is back after 2 days plus an exponential time of mean 5
RETURN_DAYS_MOST = 14.0
# A failure is found after an exponential time; its mean goes with the season (darkness), in days.
FOUND_DAYS_MEAN, FOUND_DAYS_SWING = 5.0, 2.5

COLLISIONS_PER_YEAR = 0.035
PROGRAMME = {
    "group": "Quillwren Parcels",
    "from": dt.date(2021, 7, 1),
    "lamp_km": {"H7": 19_000.0, "D1S": 75_000.0, "D2S": 75_000.0},
    "kept": 0.35,
}

LABOUR_HOURS = {
    "lamp": 0.4,
    "igniter": 0.9,
    "ballast": 0.9,
    "headlamp_assembly": 1.6,
    "wiring": 1.3,
    "led_module": 1.5,
    "led_driver": 1.1,
    "control_module": 1.0,
    "switch_or_fuse": 0.4,
}
LABOUR_RATE = {"Quillwren Parcels": 62.0, "Marlsedge Rounds": 66.0, "walk_in": 82.0}
BASE_COST = {
    ("lamp", "H7"): 9.0,
    ("lamp", "D1S"): 74.0,
    ("lamp", "D2S"): 52.0,
    ("igniter", "D2S"): 68.0,
    ("ballast", "D1S"): 155.0,
    ("ballast", "D2S"): 140.0,
    ("headlamp_assembly", "halogen"): 165.0,
    ("headlamp_assembly", "discharge"): 390.0,
    ("headlamp_assembly", "led"): 720.0,
    ("headlamp_assembly", "midi_halogen"): 185.0,
    ("headlamp_assembly", "midi_discharge"): 420.0,
    ("headlamp_assembly", "discharge_d1"): 400.0,
    ("headlamp_assembly", "midi_discharge_d1"): 430.0,
    ("wiring", "any"): 34.0,
    ("led_module", "any"): 210.0,
    ("led_driver", "any"): 165.0,
    ("control_module", "any"): 240.0,
    ("switch_or_fuse", "any"): 18.0,
}
ACCESS = (
    ("switch_or_fuse", 4, "", 0),
    ("lamp", 5, "wheel arch cover or headlamp back", 6),
    ("wiring", 9, "wheel arch cover or headlamp back", 6),
    ("igniter", 6, "bumper off", 28),
    ("ballast", 8, "bumper off", 28),
    ("headlamp_assembly", 4, "", 0),
    ("control_module", 12, "dash panel off", 10),
    ("led_module", 8, "bumper off", 28),
    ("led_driver", 8, "bumper off", 28),
)

BAD_LOT = BadLot("QD-L2-350", "QD2202-K", dt.date(2022, 2, 1), dt.date(2024, 1, 31), 0.28)


def _products() -> tuple[Product, ...]:
    made: list[Product] = []
    for (component, kind), wear in WEAR.items():
        made.append(Product("", "", component, kind, "original", "original_equipment", wear))
    code = {"H7": "L7", "D1S": "L1", "D2S": "L2"}
    for kind, name, number, factor, shape, price, line_weights in (
        ("H7", "H7 halogen bulb 12 V 55 W", "100", 0.95, 2.6, 1.0, (0.45, 0.62, 0.65)),
        ("H7", "H7 halogen bulb long life", "140", 1.85, 3.0, 1.7, (0.53, 0.33, 0.15)),
        ("H7", "H7 halogen bulb bright", "180", 0.55, 2.4, 1.9, (0.02, 0.05, 0.20)),
        ("D1S", "D1S xenon bulb", "300", 1.0, 2.6, 1.0, (1.0, 1.0, 1.0)),
        ("D2S", "D2S xenon bulb", "350", 1.0, 2.6, 1.0, (1.0, 1.0, 1.0)),
    ):
        base = WEAR["lamp", kind]
        for i, s in enumerate(SUPPLIERS):
            shares = D2S_SHARES if kind == "D2S" else LAMP_SHARES
            weights = tuple(line_weights[g] * shares[g][i] for g in range(3))
            made.append(
                Product(
                    f"{s.prefix}-{code[kind]}-{number}",
                    name,
                    "lamp",
                    kind,
                    s.name,
                    s.grade,
                    Wear(shape, base.scale * factor * s.life_factor, "hours"),
                    weights,
                    s.defect_share,
                    round(BASE_COST["lamp", kind] * price * s.price_factor, 2),
                    (),
                    12 if kind == "H7" else 24,
                    0 if kind == "H7" else 60_000,
                )
            )
    for (component, kind), wear in WEAR.items():
        if component == "lamp":
            continue
        letter = {
            "igniter": "Z",
            "ballast": "B",
            "headlamp_assembly": "H",
            "wiring": "W",
            "led_module": "M",
            "led_driver": "R",
            "control_module": "C",
            "switch_or_fuse": "S",
        }[component]
        number = 400 + 20 * KINDS[component].index(kind)
        name = {
            "igniter": "Igniter xenon",
            "ballast": "Ballast xenon",
            "headlamp_assembly": "Headlamp unit",
            "wiring": "Headlamp wiring repair set",
            "led_module": "LED module headlamp",
            "led_driver": "LED driver headlamp",
            "control_module": "Lighting control module",
            "switch_or_fuse": "Headlamp relay",
        }[component]
        bare: tuple[str, ...] = ("led_module",) if component == "headlamp_assembly" and kind == "led" else ()
        for s, share in ((SUPPLIERS[0], 0.55), (SUPPLIERS[1], 0.45)):
            better = wear
            if kind.startswith("midi_"):  # the maker's own spare is the same prone unit; the other supplier's is not
                name = "Headlamp unit midi van"
                better = wear if s is SUPPLIERS[0] else Wear(1.8, 20.0 * YEAR, "days")
            variants = [("", bare, share, 1.0)]
            if component == "headlamp_assembly" and kind.endswith("halogen"):
                variants = [("", (), share * 0.6, 1.0), ("-K", ("lamp",), share * 0.4, 1.1)]
            if component == "headlamp_assembly" and "discharge" in kind:
                comes = ("lamp", "ballast") if kind.endswith("d1") else ("lamp", "igniter", "ballast")
                variants = [("", (), share * 0.7, 1.0), ("-K", comes, share * 0.3, 1.45)]
            for suffix, renews, weight, price in variants:
                made.append(
                    Product(
                        f"{s.prefix}-{letter}{kind[:2].upper() if kind != 'any' else ''}-{number}{suffix}",
                        name + (" complete" if suffix else ""),
                        component,
                        kind,
                        s.name,
                        s.grade,
                        Wear(better.shape, better.scale * s.life_factor, better.clock),
                        (weight,) * 3,
                        s.defect_share,
                        round(BASE_COST[component, kind] * s.price_factor * price, 2),
                        renews,
                        24,
                        100_000,
                    )
                )
    return tuple(made)


@dataclass(frozen=True)
class Scenario:
    """The whole of it. `as_of` is the last day in the data; the exports begin `years` before."""

    as_of: dt.date = dt.date(2025, 6, 30)
    years: int = 6
    workshop: str = "Tinderholt Yard (invented)"
    groups: tuple[Group, ...] = GROUP
    suppliers: tuple[Supplier, ...] = SUPPLIERS
    products: tuple[Product, ...] = field(default_factory=_products)
    bad_lot: BadLot = BAD_LOT

    @property
    def first_day(self) -> dt.date:
        return dt.date(self.as_of.year - self.years, self.as_of.month, self.as_of.day) + dt.timedelta(days=1)


def day_number(day: dt.date) -> int:
    """Days after EPOCH."""
    return (day - EPOCH).days
