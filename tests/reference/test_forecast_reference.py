"""Failures expected in a fleet of staggered ages, and renewals, against published and independent values."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.planning.curves import LifeCurve
from pipeline.planning.demand import failing_within, poisson_binomial, quantile_of
from pipeline.survival.fit import fit, sample
from tests.reference.datasets import CAGE_CENSORED, CAGE_FAILED


@pytest.fixture(scope="module")
def chances():
    times = np.array([*CAGE_FAILED, *CAGE_CENSORED], float)
    made = fit("weibull", sample(times, np.arange(len(times)) < 6, weight=[1] * 6 + list(CAGE_CENSORED.values())))
    curve = LifeCurve("bearing_cage", "all", "original", "hours", made, "own")
    ages = np.repeat(np.array(list(CAGE_CENSORED), float), list(CAGE_CENSORED.values()))
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
