"""Failures expected in a fleet of staggered ages, and renewals, against published and independent values."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.planning.curves import LifeCurve
from pipeline.planning.demand import failing_within, poisson_binomial, quantile_of
from pipeline.survival.fit import fit, sample

# Bearing cages, hours (Abernethy, Breneman, Medlin and Reinman 1983, Weibull Analysis Handbook, AFWAL-TR-83-2079; in
# Meeker and Escobar 1998, Statistical Methods for Reliability Data, on prediction with staggered entry).
FAILED = [230, 334, 423, 990, 1009, 1510]
RUNNING = {
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


@pytest.fixture(scope="module")
def chances():
    times = np.array(FAILED + list(RUNNING), float)
    made = fit("weibull", sample(times, np.arange(len(times)) < 6, weight=[1] * 6 + list(RUNNING.values())))
    curve = LifeCurve("bearing_cage", "all", "original", "hours", made, "own")
    ages = np.repeat(np.array(list(RUNNING), float), list(RUNNING.values()))
    assert len(ages) == 1697
    return failing_within(curve, ages, 300.0)


def test_expected_failures_in_the_next_300_hours(chances):
    # Expected: 5.057 in Meeker and Escobar 1998, chapter 12 (from memory), with the rounded estimates printed there;
    # the further digits and the variance computed independently in R and in Python from the unrounded fit.
    assert chances.sum() == pytest.approx(5.057, abs=0.002)
    assert chances.sum() == pytest.approx(5.05820885, abs=1e-6)
    assert (chances * (1 - chances)).sum() == pytest.approx(5.03798066, abs=1e-6)


def test_exact_distribution_of_the_count(chances):
    # Poisson-binomial limits and P(0), computed independently in R and in Python.
    p = poisson_binomial(chances)
    assert [quantile_of(p, q) for q in (0.025, 0.5, 0.975)] == [1, 5, 10]
    assert p[0] == pytest.approx(0.00629277, abs=5e-9)
    assert p.sum() == pytest.approx(1, abs=1e-12)
    assert (p * np.arange(len(p))).sum() == pytest.approx(chances.sum(), abs=1e-9)


def test_equal_chances_are_binomial():
    # The binomial distribution, in closed form.
    from scipy.stats import binom

    assert poisson_binomial([0.3] * 12) == pytest.approx(binom.pmf(np.arange(13), 12, 0.3), abs=1e-14)
