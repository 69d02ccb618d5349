"""Cause shares and orders of checks against worked cases and published rules."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.suspects.model import cause_shares
from pipeline.suspects.order import Check, best_order, cheapest_first, likeliest_first, ratio_order, walk


def weibull_hazard(shape: float, scale: float, age: float) -> float:
    return shape / scale * (age / scale) ** (shape - 1)


# Cause-specific hazards at the moment of failure (competing risks; Prentice et al. 1978, Biometrics
# 34:541-554). Four parts, Weibull (shape, scale in km): lamp (3, 100,000), ballast (1.5, 400,000), igniter
# (1, 800,000), wiring (2, 500,000). Own computation, in two languages, from that formula.
PARTS = ((3, 100_000), (1.5, 400_000), (1, 800_000), (2, 500_000))


@pytest.mark.parametrize(
    ("lamp_km", "shares"),
    [
        (60_000, (0.716943, 0.136349, 0.082980, 0.063728)),
        (5_000, (0.017285, 0.473376, 0.288087, 0.221251)),  # the lamp renewed 5,000 km ago
    ],
)
def test_cause_shares_each_part_on_its_own_clock(lamp_km, shares):
    ages = (lamp_km, 120_000, 120_000, 120_000)
    hazards = np.array(
        [weibull_hazard(shape, scale, age) for (shape, scale), age in zip(PARTS, ages, strict=True)]
    )
    assert cause_shares(hazards) == pytest.approx(shares, abs=5.1e-7)


# Kadane and Simon (1977), Ann. Stat. 5:237-255; Heckerman, Breese and Rommelse (1995), Commun. ACM
# 38(3):49-57: with one fault and independent checks the order by probability / cost has the least expected
# cost. Numbers: own worked case from that rule.
P = [0.55, 0.15, 0.20, 0.10]
CHECKS = [Check("lamp", 10), Check("connector", 5), Check("ballast", 25), Check("igniter", 15)]


def test_ratio_rule_on_the_worked_case():
    assert best_order(P, CHECKS).expected_minutes == pytest.approx(21.25, abs=1e-12)
    assert walk(ratio_order(P, CHECKS), P, CHECKS).expected_minutes == pytest.approx(21.25, abs=1e-12)
    assert walk(likeliest_first(P, CHECKS), P, CHECKS).expected_minutes == pytest.approx(24, abs=1e-12)
    assert walk(cheapest_first(P, CHECKS), P, CHECKS).expected_minutes == pytest.approx(23, abs=1e-12)
    every = [walk(o, P, CHECKS).expected_minutes for o in itertools.permutations(range(4))]
    assert len(every) == 24 and min(every) == pytest.approx(21.25) and max(every) == pytest.approx(46.5)


# Ottosen and Jensen (2010), UAI, The cost of troubleshooting cost clusters with inside information: checks
# behind a shared access step make the ratio rule fall short. Numbers: own worked case, all 24 orders gone
# through.
def test_shared_access_on_the_worked_case():
    p = [0.1, 0.2, 0.5, 0.2]
    checks = [
        Check("fuse", 2),
        Check("connector", 6),
        Check("lamp", 5, "front", 20),
        Check("ballast", 10, "front", 20),
    ]
    best = best_order(p, checks)
    assert [checks[i].component for i in best.order] == ["fuse", "connector", "lamp", "ballast"]
    assert best.expected_minutes == pytest.approx(26.9, abs=1e-12)
    assert walk(ratio_order(p, checks), p, checks).expected_minutes == pytest.approx(30.4, abs=1e-12)
