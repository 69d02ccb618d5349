"""The families: derivatives, hazards, quantiles and means agree with each other and with closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.survival.families import FAMILIES, family, hazard_minimum, rated_shape

THETA = {
    "exponential": [0.3],
    "weibull": [0.4, 0.9],
    "lognormal": [0.7, -0.2],
    "loglogistic": [0.9, 0.8],
    "generalised_gamma": [0.7, -0.3, 0.6],
    "early_wear_out": [-0.2, 4.0, 0.7, 1.5],
    "limited_failure": [-0.5, 0.3, 0.9],
}
CASES = [
    *THETA.items(),
    ("generalised_gamma", [0.7, -0.3, -0.7]),
    ("generalised_gamma", [0.7, -0.3, 0.02]),
    ("weibull", [-1.0, 0.9]),
]
T = np.geomspace(0.05, 25, 40)


@pytest.mark.parametrize(("name", "theta"), CASES, ids=lambda v: str(v))
def test_slopes_are_the_slopes(name, theta):
    f, theta = family(name), np.array(theta)
    slopes = f.slopes(theta, T)
    for i in range(f.size):
        e = np.zeros(f.size)
        e[i] = 1e-4
        up, down = f.hazards(theta + e, T), f.hazards(theta - e, T)
        for which in (0, 1):
            numeric = (up[which] - down[which]) / 2e-4
            assert slopes[which][i] == pytest.approx(numeric, rel=2e-6, abs=1e-6)


@pytest.mark.parametrize(("name", "theta"), CASES, ids=lambda v: str(v))
def test_the_hazard_is_the_slope_of_its_sum(name, theta):
    f, theta = family(name), np.array(theta)
    numeric = (f.cumulative(theta, T * (1 + 1e-5)) - f.cumulative(theta, T * (1 - 1e-5))) / (2e-5 * T)
    assert f.hazard(theta, T) == pytest.approx(numeric, rel=1e-6)
    assert f.cumulative(theta, [0.0, -1.0]).tolist() == [0, 0]


@pytest.mark.parametrize(("name", "theta"), CASES, ids=lambda v: str(v))
def test_quantiles_turn_the_curve_round(name, theta):
    f, theta = family(name), np.array(theta)
    p = np.array([0.001, 0.03, 0.1, 0.3, 0.37])
    assert -np.expm1(-f.cumulative(theta, f.quantile(theta, p))) == pytest.approx(p, rel=1e-9)
    assert f.inverse(f.natural(theta)) == pytest.approx(theta, rel=1e-12)
    with pytest.raises(ValueError, match="between 0 and 1"):
        f.quantile(theta, 1.0)


def test_a_share_that_never_fails_has_no_quantile():
    f = FAMILIES["limited_failure"]
    theta = f.inverse([0.2, 1.5, 100])
    assert math.isinf(f.quantile(theta, 0.2)) and f.quantile(theta, 0.1) < math.inf and math.isinf(f.mean(theta))


@pytest.mark.parametrize(("name", "theta"), [c for c in CASES if c[0] != "limited_failure"], ids=lambda v: str(v))
def test_mean_is_the_integral_of_survival(name, theta):
    from scipy.integrate import quad

    f, theta = family(name), np.array(theta)
    for age in (0.0, 1.7):
        direct = quad(
            lambda y, age=age: (
                math.exp(y) * float(np.exp(f.cumulative(theta, age) - f.cumulative(theta, age + math.exp(y))))
            ),
            -40,
            40,
            limit=500,
            epsabs=0,
        )[0]
        assert f.mean_residual(theta, age) == pytest.approx(direct, rel=1e-6)
    assert f.mean(theta) == pytest.approx(f.mean_residual(theta, 0.0), rel=1e-8)


def test_generalised_gamma_holds_the_others():
    g = FAMILIES["generalised_gamma"]
    weibull = FAMILIES["weibull"].cumulative(np.log([2.0, 3.0]), T)
    assert g.cumulative(np.array([math.log(3.0), math.log(0.5), 1.0]), T[T < 12]) == pytest.approx(
        weibull[T < 12], rel=1e-10
    )
    lognormal = FAMILIES["lognormal"].cumulative(np.array([0.7, -0.2]), T)
    assert g.cumulative(np.array([0.7, -0.2, 0.0]), T) == pytest.approx(lognormal, rel=1e-12)
    # near 0 it leaves the lognormal smoothly, in both far tails: slopes from steps a thousand times apart agree
    far = np.exp(0.7 + math.exp(-0.2) * np.array([-6, -4.6, -3, 0, 3, 4.6, 6]))
    slopes = [
        (np.log(g.cumulative(np.array([0.7, -0.2, q]), far)) - np.log(g.cumulative(np.array([0.7, -0.2, -q]), far))) / q
        for q in (5e-3, 5e-6)
    ]
    assert slopes[0] == pytest.approx(slopes[1], rel=2e-2, abs=1e-4)


def test_no_minimum_without_two_phases():
    with pytest.raises(ValueError, match="minimum"):
        hazard_minimum(1.2, 100, 3, 100)
    with pytest.raises(ValueError, match="B3"):
        rated_shape(500, 300)
    with pytest.raises(ValueError, match="No family"):
        family("gompertz")
    with pytest.raises(ValueError, match="out of range"):
        FAMILIES["weibull"].inverse([-1, 3])
