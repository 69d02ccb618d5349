"""Published data sets that several checks share, copied with their citation, so that no test needs a network."""

from __future__ import annotations

import numpy as np


def numbers(text: str) -> np.ndarray:
    return np.array([float(x) for x in text.split()])


# NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3 (public domain): hours, 10 of 20 censored at 500.
NIST20 = numbers("54 187 216 240 244 335 361 373 375 386"), 10, 500.0
# O'Connor 1985, in Meeker & Escobar 1998, p. 630: shock absorbers, km; * failed.
SHOCK_TEXT = (
    "6700* 6950 7820 8790 9120* 9660 9820 11310 11690 11850 11880 12140 12200* 12870 13150* 13330 13470 14040 14300* "
    "17520* 17540 17890 18450 18960 18980 19410 20100* 20100 20150 20320 20900* 22700* 23490 26510* 27410 27490* 27890 28100"
)
SHOCK = np.array([float(x.strip("*")) for x in SHOCK_TEXT.split()])
SHOCK_FAILED = np.array([x.endswith("*") for x in SHOCK_TEXT.split()], float)
SHOCK_MODE_2 = (9120, 13150, 20100, 20900)
# Nelson 1982, Applied Life Data Analysis: locomotive control units, thousand miles; 59 censored at 135.
LOCO = (
    numbers(
        "22.5 37.5 46 48.5 51.5 53 54.5 57.5 66.5 68 69.5 76.5 77 78.5 80 81.5 82 83 84 91.5 93.5 102.5 107 108.5 "
        "112.5 113.5 116 117 118.5 119 120 122.5 123 127.5 131 132.5 134"
    ),
    59,
    135.0,
)
# Abernethy, Breneman, Medlin & Reinman 1983, Weibull Analysis Handbook, AFWAL-TR-83-2079, in Meeker & Escobar 1998: bearing
# cages, hours, staggered entry, n = 1703.
CAGE_FAILED = numbers("230 334 423 990 1009 1510")
CAGE_CENSORED = {
    50: 288,
    150: 148,
    250: 124,
    350: 111,
    450: 106,
    550: 99,
    650: 110,
    750: 114,
    850: 119,
    950: 127,
    1050: 123,
    1150: 93,
    1250: 47,
    1350: 41,
    1450: 27,
    1550: 11,
    1650: 6,
    1850: 1,
    2050: 2,
}
# Lieblein & Zelen 1956: ball bearings, millions of revolutions.
BEARINGS = numbers(
    "17.88 28.92 33.00 41.52 42.12 45.60 48.48 51.84 51.96 54.12 55.56 67.80 68.64 68.64 68.88 84.12 93.12 98.64 "
    "105.12 105.84 127.92 128.04 173.40"
)
# Menon & Agrawal 2007: filament lamps, hours.
LAMP50 = np.repeat(
    *np.array(
        [
            (840, 2),
            (852, 1),
            (936, 1),
            (960, 1),
            (972, 1),
            (996, 1),
            (1008, 1),
            (1032, 2),
            (1104, 1),
            (1176, 5),
            (1200, 1),
            (1260, 1),
            (1296, 1),
            (1308, 1),
            (1332, 2),
            (1356, 1),
            (1380, 1),
            (1416, 1),
            (1476, 2),
            (1524, 3),
            (1548, 3),
            (1560, 1),
            (1632, 1),
            (1644, 2),
            (1656, 2),
            (1716, 5),
            (1764, 1),
            (1812, 1),
            (1836, 1),
            (1860, 1),
            (1980, 1),
            (2568, 1),
        ]
    ).T
).astype(float)
# SAE 1999-01-3220: automotive component, km; first ten failed.
SAE31 = numbers(
    "5248 7454 16890 17200 38700 45000 49390 69040 72280 131900 3961 4007 4734 6054 7298 10190 23060 27160 28690 37100 "
    "40060 45670 53000 67000 69630 77350 78470 91680 105700 106300 150400"
)
# Meeker & Escobar 1998, example 15.6 (device G): kilocycles, two modes; 8 of 30 suspended at 300.
SURGE = numbers("13 23 30 65 10 173 106 2 261 88 247 28 143 23 80")
WEAR = numbers("275 147 181 212 293 245 266")
# Meeker 1987, Technometrics 29:51-65: integrated circuits, hours; 4128 of 4156 censored at 1370.
CIRCUITS = (
    numbers("0.1 0.1 0.15 0.6 0.8 0.8 1.2 2.5 3 4 4 6 10 10 12.5 20 20 43 43 48 48 54 74 84 94 168 263 593"),
    4128,
    1370.0,
)
# Nelson 1982, p. 529: turbine wheels, hundreds of hours, each inspected once: (age, inspected, cracked).
TURBINE = (
    (4, 39, 0),
    (10, 53, 4),
    (14, 33, 2),
    (18, 73, 7),
    (22, 30, 5),
    (26, 39, 9),
    (30, 42, 9),
    (34, 13, 6),
    (38, 34, 22),
    (42, 40, 21),
    (46, 36, 21),
)
