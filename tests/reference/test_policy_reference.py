"""Preventive replacement against published formulas and values."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.planning.policy import (
    additive,
    age_policy,
    block_policy,
    minimal_repair_interval,
    renewal_function,
    weibull,
)

# Barlow and Hunter (1960), Oper. Res. 8:90-100, the equation of the optimum age solved for Weibull lives: T*/scale, saving against
# running to failure, F(T*). Computed independently in R and in Python; shape x (unplanned / planned cost).
TABLE = {
    (1.5, 2): (2.17464138, .0016, .960), (1.5, 3): (1.15707680, .0289, .712), (1.5, 5): (.67549199, .1097, .426),
    (1.5, 10): (.37814449, .2506, .207), (1.5, 20): (.22611987, .3883, .102),
    (2, 2): (1.09079697, .0333, .696), (2, 3): (.73791386, .1281, .420), (2, 5): (.51065522, .2759, .230),
    (2, 10): (.33645119, .4633, .107), (2, 20): (.23042680, .6120, .052),
    (2.5, 2): (.88360168, .0788, .520), (2.5, 3): (.65685580, .2128, .295), (2.5, 5): (.49304696, .3857, .157),
    (2.5, 10): (.35457441, .5785, .072), (2.5, 20): (.26238163, .7168, .035),
    (3, 2): (.81034203, .1204, .413), (3, 3): (.63654786, .2763, .227), (3, 5): (.50260958, .4586, .119),
    (3, 10): (.38245553, .6473, .054), (3, 20): (.29777047, .7743, .026),
    (4, 2): (.76611324, .1849, .291), (4, 3): (.64159461, .3616, .156), (4, 5): (.53840212, .5473, .081),
    (4, 10): (.43909719, .7237, .036), (4, 20): (.36410081, .8337, .017),
}


@pytest.mark.parametrize(("shape", "ratio"), TABLE)
def test_age_replacement_table(shape, ratio):
    age, saving, failed = TABLE[shape, ratio]
    scale = 80_000.0
    survival, hazard = weibull(shape, scale)
    policy = age_policy(survival, hazard, 1.0, ratio, reach=scale)
    assert policy.age / scale == pytest.approx(age, abs=6e-9)
    assert policy.saving == pytest.approx(saving, abs=5.1e-5)
    assert policy.failed_share == pytest.approx(failed, abs=5.1e-4)
    # At the optimum the cost rate equals (cf - cp) h(T*): Barlow and Hunter (1960).
    assert policy.cost_rate == pytest.approx((ratio - 1) * hazard(np.array([policy.age]))[0], rel=1e-9)


def test_a_worked_case():
    # shape 2.5, scale 1000, costs 1 and 5: from memory of a reliability library's documentation, recomputed.
    policy = age_policy(*weibull(2.5, 1000), 1, 5, reach=1000)
    assert policy.age == pytest.approx(493.0469576, rel=1e-8)
    assert policy.cost_rate == pytest.approx(0.003462042739, rel=1e-9)
    assert minimal_repair_interval(2.5, 1000, 1, 5) == pytest.approx((446.65838844, 0.003731412439), rel=1e-9)


def test_shock_absorbers():
    # O'Connor (1985) shock absorbers, Weibull by maximum likelihood (Meeker and Escobar 1998); costs 40 and 200.
    policy = age_policy(*weibull(3.1604703145, 27718.71812852), 40, 200, reach=27_000)
    assert policy.age == pytest.approx(14071.19, abs=0.01)
    assert policy.cost_rate == pytest.approx(0.00421662, abs=5e-9)
    assert policy.saving == pytest.approx(0.4769, abs=5e-5)


@pytest.mark.parametrize(("shape", "unplanned"), [(1.0, 50.0), (0.7, 50.0), (3.0, 1.0), (3.0, 0.5)])
def test_no_interval_without_wear_or_without_a_dearer_failure(shape, unplanned):
    policy = age_policy(*weibull(shape, 1000), 1.0, unplanned, reach=1000)
    assert policy.age is None and policy.verdict == "run to failure" and policy.saving == 0


def test_doubling_costs_leaves_the_age_alone():
    one = age_policy(*weibull(2.5, 1000), 1, 5, reach=1000)
    two = age_policy(*weibull(2.5, 1000), 2, 10, reach=1000)
    assert two.age == pytest.approx(one.age, rel=1e-10)
    assert two.cost_rate == pytest.approx(2 * one.cost_rate, rel=1e-12)


def test_early_failures_count_against_replacing():
    # Xie and Lai (1996) additive Weibull: every preventive swap buys the early risk again.
    wear = age_policy(*weibull(4, 150_000), 1, 5, reach=150_000)
    both = age_policy(*additive([(0.5, 2e6), (4, 150_000)]), 1, 5, reach=150_000)
    assert both.age > wear.age
    assert both.saving < wear.saving


# Renewal function of Weibull lives with scale 1: computed independently in R and in Python, good to six decimals.
RENEWALS = {2: (.2307939, .7536913, 1.8940393, 3.0217450), 3: (.1182627, .6723291, 1.8010753, 2.9247749),
            5: (.0307706, .6357784, 1.7216639, 2.8031283)}


@pytest.mark.parametrize("shape", RENEWALS)
def test_renewal_function(shape):
    ages, m = renewal_function(weibull(shape, 1)[0], 3.0, 1200)
    for age, value in zip((0.5, 1, 2, 3), RENEWALS[shape], strict=True):
        assert np.interp(age, ages, m) == pytest.approx(value, abs=2e-6)


def test_the_renewal_function_of_a_memoryless_life_is_its_rate():
    ages, m = renewal_function(weibull(1, 2)[0], 4.0, 400)
    assert m == pytest.approx(ages / 2, abs=1e-6)


@pytest.mark.parametrize(("shape", "interval", "rate"), [(2, .507723, 4.30758971), (3, .484392, 3.17990662)])
def test_block_replacement(shape, interval, rate):
    policy = block_policy(weibull(shape, 1)[0], 1, 5, reach=2.0)
    assert policy.interval == pytest.approx(interval, abs=2e-5)
    assert policy.cost_rate == pytest.approx(rate, abs=2e-6)
    assert policy.cost_rate >= age_policy(*weibull(shape, 1), 1, 5, reach=1).cost_rate
