"""Fits: against lifelines, against each other, under changes that must not matter, and their refusals."""

from __future__ import annotations

import json
import math
import warnings

import numpy as np
import polars as pl
import pytest

from pipeline.survival.families import FAMILIES
from pipeline.survival.fit import (
    DEFAULT_FAMILIES,
    Fit,
    Interval,
    agreement,
    choose,
    design_effect,
    draw_parameters,
    fit,
    fit_families,
    fit_set,
    fits_from_table,
    interval,
    likelihood_ratio_interval,
    refusal,
    sample,
    sensible,
    wald_interval,
    wear_of,
    weibayes,
    weibull_batch,
)


def world(seed: int, n: int = 400, shape: float = 1.7, scale: float = 3000.0, whole: bool = False):
    """Lives with late entry and censoring: (entry, exit, failed)."""
    rng = np.random.default_rng(seed)
    t = scale * rng.weibull(shape, n)
    e = np.where(rng.random(n) < 0.5, rng.uniform(0, 1500, n), 0)
    c = e + rng.uniform(0, 3000, n)
    if whole:
        t, e, c = np.ceil(t), np.floor(e), np.ceil(c)
    x, k = np.minimum(t, c), t > e
    return e[k], x[k], (t <= c)[k]


# ---- against an independent library


@pytest.mark.parametrize(
    ("ours", "theirs", "names"),
    [
        ("weibull", "WeibullFitter", {"shape": "rho_", "scale": "lambda_"}),
        ("exponential", "ExponentialFitter", {"scale": "lambda_"}),
        ("lognormal", "LogNormalFitter", {"mu": "mu_", "sigma": "sigma_"}),
        ("loglogistic", "LogLogisticFitter", {"shape": "beta_", "scale": "alpha_"}),
        ("generalised_gamma", "GeneralizedGammaFitter", {"mu": "mu_", "q": "lambda_"}),
    ],
)
def test_families_against_lifelines(ours, theirs, names):
    import lifelines

    e, x, d = world(1)
    f = fit(ours, sample(x, d, entry=e))
    other = getattr(lifelines, theirs)()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other.fit(x, d, entry=e)
    assert f.log_likelihood == pytest.approx(other.log_likelihood_, abs=2e-5)
    assert f.log_likelihood >= other.log_likelihood_ - 1e-9  # ours is the maximum
    loose = 2e-2 if ours == "generalised_gamma" else 1e-4
    for a, b in names.items():
        assert f.params[a] == pytest.approx(getattr(other, b), rel=loose, abs=loose)
    if ours in ("weibull", "lognormal"):
        j = f.distribution.jacobian(f.theta)
        assert np.sqrt(np.diag(f.covariance_model)) * j == pytest.approx(
            [other.summary.loc[names[n], "se(coef)"] for n in f.names], rel=2e-3
        )


def test_batch_against_lifelines_to_seven_digits():
    from lifelines import WeibullFitter

    parts = [world(s, 300, shape, whole=True) for s, shape in enumerate([0.7, 1.0, 1.6, 2.4, 4.0])]
    e, x, d = (np.concatenate([p[i] for p in parts]) for i in range(3))
    code = np.repeat(np.arange(5), [len(p[0]) for p in parts])
    keep = x > e
    b = weibull_batch(e[keep], x[keep], d[keep], code[keep], 5)
    assert b.ok.all()
    for s in range(5):
        m = keep & (code == s)
        w = WeibullFitter().fit(x[m], d[m], entry=e[m])
        # the likelihood is flat at its top: two maxima that agree to 1e-13 in it may differ by 3e-7 in the parameters
        assert b.log_likelihood[s] == pytest.approx(w.log_likelihood_, rel=1e-9)
        assert [b.shape[s], b.scale[s]] == pytest.approx([w.rho_, w.lambda_], rel=2e-5)
        # at the optimum itself: the score, per failure, is 0
        k, r = b.shape[s], d[m].sum()
        xs, es = x[m] / b.scale[s], e[m] / b.scale[s]
        late = es > 0
        score = r / k + np.log(xs[d[m]]).sum() - (xs**k * np.log(xs)).sum() + (es[late] ** k * np.log(es[late])).sum()
        assert abs(score) / r < 1e-11


def test_batch_is_one_by_one_and_block_size_does_not_matter():
    parts = [world(s, n, 1.3) for s, n in enumerate([20, 60, 200, 900, 40, 3])]
    e, x, d = (np.concatenate([p[i] for p in parts]) for i in range(3))
    code = np.repeat(np.arange(6), [len(p[0]) for p in parts])
    order = np.random.default_rng(0).permutation(len(x))
    a, b = weibull_batch(e, x, d, code, 6), weibull_batch(e[order], x[order], d[order], code[order], 6, block=50)
    assert np.array_equal(a.ok, b.ok) and not a.ok[5]
    assert a.shape[a.ok] == pytest.approx(b.shape[a.ok], rel=1e-11)
    for s in np.flatnonzero(a.ok):
        m = code == s
        f = fit("weibull", sample(x[m], d[m], entry=e[m]))
        assert [f.params["shape"], f.params["scale"]] == pytest.approx([a.shape[s], a.scale[s]], rel=1e-11)
        assert f.log_likelihood == pytest.approx(a.log_likelihood[s], rel=1e-11)


# ---- what must not matter


@pytest.mark.parametrize("name", DEFAULT_FAMILIES)
def test_units_do_not_matter(name):
    e, x, d = world(3, 1500)
    if name in ("early_wear_out", "limited_failure"):
        rng = np.random.default_rng(5)
        t = (
            np.where(rng.random(1500) < 0.3, 60 * rng.weibull(0.6, 1500), 3000 * rng.weibull(4, 1500))
            if name == "early_wear_out"
            else np.where(rng.random(1500) < 0.3, 300 * rng.weibull(1.5, 1500), np.inf)
        )
        c = rng.uniform(500, 4000, 1500)
        e, x, d = np.zeros(1500), np.minimum(t, c), t <= c
    km, miles = fit(name, sample(x, d, entry=e)), fit(name, sample(x / 1.609344, d, entry=e / 1.609344))
    assert km.converged and miles.converged, km.warning
    assert km.survival([200, 1000, 3000]) == pytest.approx(
        miles.survival(np.array([200, 1000, 3000]) / 1.609344), abs=2e-6
    )
    assert np.diag(km.covariance) == pytest.approx(np.diag(miles.covariance), rel=2e-3)
    assert km.log_likelihood == pytest.approx(miles.log_likelihood - d.sum() * math.log(1.609344), abs=1e-5)


def test_weights_are_repeated_rows():
    e, x, d = world(4, 120, whole=True)
    w = np.random.default_rng(1).integers(1, 4, len(x))
    a, b = sample(x, d, entry=e, weight=w), sample(np.repeat(x, w), np.repeat(d, w), entry=np.repeat(e, w))
    for name in ("weibull", "lognormal"):
        fa, fb = fit(name, a), fit(name, b)
        assert fa.theta == pytest.approx(fb.theta, rel=1e-9)
        assert fa.covariance == pytest.approx(fb.covariance, rel=1e-7) and fa.lives == fb.lives


def test_a_vehicle_counted_twice_is_still_one_vehicle():
    e, x, d = world(5, 200)
    once = fit("weibull", sample(x, d, entry=e))
    twice = fit(
        "weibull", sample(np.tile(x, 2), np.tile(d, 2), entry=np.tile(e, 2), cluster=np.tile(np.arange(len(x)), 2))
    )
    assert twice.theta == pytest.approx(once.theta, rel=1e-9)
    assert twice.covariance == pytest.approx(once.covariance, rel=1e-6)  # twice the rows, no more knowledge
    assert twice.covariance_model == pytest.approx(once.covariance_model / 2, rel=1e-6)
    assert design_effect(twice, "shape") == pytest.approx(2, rel=0.02) and design_effect(once, 0.1) == 1


def test_robust_error_is_the_sum_over_vehicles_written_out():
    e, x, d = world(6, 90)
    v = np.arange(len(x)) // 3
    f = fit("weibull", sample(x, d, entry=e, cluster=v))
    k, s = f.params["shape"], f.params["scale"]

    def rows(k, s):
        late = np.where(e > 0, e, 1.0)
        return d * (np.log(k / s) + (k - 1) * np.log(x / s)) - (x / s) ** k + np.where(e > 0, (late / s) ** k, 0)

    h = 1e-5
    scores = np.stack(
        [
            (rows(k * math.exp(h), s) - rows(k * math.exp(-h), s)) / (2 * h),
            (rows(k, s * math.exp(h)) - rows(k, s * math.exp(-h))) / (2 * h),
        ],
        1,
    )
    g = len(np.unique(v))
    sums = np.array([scores[v == i].sum(axis=0) for i in range(g)])
    expected = f.covariance_model @ (sums.T @ sums) @ f.covariance_model * g / (g - 1)
    assert f.covariance == pytest.approx(expected, rel=1e-5)


def test_narrow_intervals_give_the_exact_answer():
    e, x, d = world(7, 300)
    exact = fit("weibull", sample(x, d, entry=e))
    lower, upper = np.where(d, x - 0.01, x), np.where(d, x + 0.01, np.inf)
    near = fit("weibull", sample(lower, upper=upper, entry=e))
    assert near.theta == pytest.approx(exact.theta, rel=1e-5)
    # inspections once in 500: rounding the ages up would bias them, the intervals don't
    last, nxt = np.floor(x / 500) * 500, np.ceil(x / 500) * 500
    wide = fit("weibull", sample(np.where(d, last, x), upper=np.where(d, nxt, np.inf)))
    rounded = fit("weibull", sample(np.where(d, nxt, x), d))
    plain = fit("weibull", sample(x, d))
    assert abs(wide.theta[1] - plain.theta[1]) < 0.5 * abs(rounded.theta[1] - plain.theta[1])


def test_a_richer_family_is_never_less_likely():
    e, x, d = world(8, 800)
    s = sample(x, d, entry=e)
    weibull, gamma, log = fit("weibull", s), fit("generalised_gamma", s), fit("lognormal", s)
    assert gamma.log_likelihood >= max(weibull.log_likelihood, log.log_likelihood) - 1e-8
    assert weibull.log_likelihood >= fit("exponential", s).log_likelihood


def test_early_plus_wear_out_is_found():
    rng = np.random.default_rng(9)
    n = 6000
    # the less of two Weibull times has the sum of their hazards (Xie & Lai 1996)
    t = np.minimum(40_000 * rng.weibull(0.5, n), 3000 * rng.weibull(4.0, n))
    c = rng.uniform(1000, 5000, n)
    fits = fit_families(sample(np.minimum(t, c), t <= c))
    best = next(f for f in fits if f.chosen)
    assert best.family == "early_wear_out"
    for name, true in zip(best.names, (0.5, 40_000, 4.0, 3000), strict=False):
        i = wald_interval(best, name, 0.999)
        assert i.low < true < i.high
    weibull = next(f for f in fits if f.family == "weibull")
    assert (
        agreement(best, sample(np.minimum(t, c), t <= c)).distance
        < agreement(weibull, sample(np.minimum(t, c), t <= c)).distance / 2
    )


# ---- refusals, in words


def test_thin_data_are_refused():
    assert "4 failures" in fit("weibull", sample([1, 2, 3, 4, 9], [1, 1, 1, 1, 0])).warning
    same = fit("weibull", sample([5.0] * 8))
    assert not same.converged and "different failure times" in same.warning and math.isnan(same.params["shape"])
    assert "20 failures" in fit_families(sample([1, 2, 3, 4, 5, 6, 7, 8]))[4].warning
    assert math.isnan(same.survival(3.0)) and np.isnan(same.quantile([0.1, 0.5])).all()


def test_late_entry_without_an_answer_is_refused():
    # Everybody was watched from just before the end of a falling hazard: the profile rises as the shape falls to 0.
    x = np.array([10, 10.5, 11, 12, 14, 18, 30, 60.0])
    f = fit("weibull", sample(x, entry=10 - 1e-3 * np.arange(8) - 1e-3))
    assert not f.converged and "inner maximum" in f.warning


def test_zero_lengths_are_left_out_and_counted():
    s = sample([5, 6, 7, 8, 9, 4, 4], [1] * 7, entry=[0, 0, 0, 0, 0, 4, 0])
    assert s.zero_length == 1 and s.lives == 6


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"exit": [1, math.nan]}, "missing"),
        ({"exit": [1, -2]}, "negative"),
        ({"exit": [1, 2], "entry": [0, 3]}, "entry after"),
        ({"exit": [1, 2], "event": [1, 2]}, "outside"),
        ({"exit": [1, 2], "upper": [2, 1]}, "below"),
        ({"exit": [1, 2], "weight": [1]}, "values"),
    ],
)
def test_impossible_lives_raise(arguments, words):
    with pytest.raises(ValueError, match=words):
        sample(**arguments)


def test_draws_of_a_refused_fit_raise():
    with pytest.raises(ValueError, match="No parameters"):
        draw_parameters(refusal("weibull", None, "thin"), 10, 1)


# ---- choice and intervals


def made(name: str, aic: float, **params) -> Fit:
    f = FAMILIES[name]
    k = f.size
    cov = np.eye(k) * 0.01
    values = params or dict(
        zip(
            f.names,
            {"early_wear_out": (0.5, 500, 3, 900), "limited_failure": (0.3, 1.5, 400)}.get(name, (1.5,) * k),
            strict=False,
        )
    )
    return Fit(
        name,
        f.names,
        values,
        np.zeros(k),
        cov,
        cov,
        cov,
        cov,
        k - aic / 2,
        aic,
        100,
        50,
        100,
        True,
        largest_time=1000,
        largest_failure=900,
    )


def test_choice_is_the_written_rule():
    assert choose([made("exponential", 101.9), made("weibull", 100)]).family == "exponential"
    assert choose([made("exponential", 102.1), made("weibull", 100)]).family == "weibull"
    assert choose([made("weibull", 101), made("lognormal", 100.5)]).family == "lognormal"
    assert choose([made("weibull", 100), made("early_wear_out", 98.5)]).family == "weibull"
    assert choose([made("weibull", 100), made("early_wear_out", 95)]).family == "early_wear_out"
    assert (
        choose(
            [
                made("weibull", 100),
                made("early_wear_out", 90, early_shape=0.5, early_scale=2e5, wear_shape=3, wear_scale=900),
            ]
        ).family
        == "weibull"
    )
    assert choose([made("limited_failure", 90), refusal("weibull", None, "x")]) is None
    assert "levelled off" in sensible(made("limited_failure", 90, share=0.5, shape=2, scale=3000))


def test_wear_by_the_interval():
    assert [
        wear_of(Interval(1, lo, hi, ""))
        for lo, hi in ((0.5, 0.9), (1.1, 2), (0.9, 1.2), (0.6, 1.5), (math.nan, math.nan))
    ] == ["early", "wear_out", "random", "undetermined", "undetermined"]


def test_profile_intervals_drop_by_the_right_amount():
    e, x, d = world(10, 60)
    s = sample(x, d, entry=e)
    for name in ("weibull", "lognormal", "loglogistic"):
        f = fit(name, s)
        what = "sigma" if name == "lognormal" else "shape"
        i = likelihood_ratio_interval(f, s, what, 0.9)
        # hold the parameter at its limit and maximise over the other, by brute force
        for limit in (i.low, i.high):
            from scipy.optimize import minimize_scalar

            from pipeline.survival.fit import row_log_likelihood

            at = f.names.index(what)

            def lost(y, f=f, at=at, limit=limit):
                theta = f.theta.copy()
                theta[at], theta[1 - at] = math.log(limit), y
                return -row_log_likelihood(f.distribution, theta, s).sum()

            best = -minimize_scalar(lost, bracket=(f.theta[1 - at] - 0.1, f.theta[1 - at] + 0.1)).fun
            assert 2 * (f.log_likelihood - best) == pytest.approx(2.705543454, abs=1e-6)  # chi2(.9, 1)
        wide = likelihood_ratio_interval(f, s, 0.1, 0.9, inflation=2)
        plain = likelihood_ratio_interval(f, s, 0.1, 0.9)
        assert wide.low < plain.low < plain.value < plain.high < wide.high
    with pytest.raises(ValueError, match="one- and two-parameter"):
        likelihood_ratio_interval(fit("generalised_gamma", s), s, 0.1)


def test_few_failures_use_the_profile_many_the_error():
    e, x, d = world(11, 30)
    few = sample(x[:25], d[:25], entry=e[:25])
    assert interval(fit("weibull", few), few, "shape").method == "likelihood_ratio"
    e, x, d = world(11, 300)
    many = sample(x, d, entry=e)
    assert interval(fit("weibull", many), many, "shape").method == "wald"


def test_weibayes_beside_the_fit():
    e, x, d = world(12, 500)
    f = fit("weibull", sample(x, d, entry=e))
    assert weibayes(x, d, f.params["shape"], entry=e).scale == pytest.approx(f.params["scale"], rel=1e-9)
    two = weibayes(x, d, f.params["shape"], entry=e, sides=2)
    assert two.scale_low < two.scale < two.scale_high


def test_agreement_sees_a_wrong_family():
    rng = np.random.default_rng(13)
    t = np.where(rng.random(3000) < 0.3, 100 * rng.weibull(1, 3000), 3000 * rng.weibull(5, 3000))
    s = sample(np.minimum(t, 3200), t <= 3200)
    a = agreement(fit("weibull", s), s)
    assert a.words == "off" and a.distance > 0.05 and a.p < 1e-6
    e, x, d = world(13, 3000)
    right = agreement(fit("weibull", sample(x, d, entry=e)), sample(x, d, entry=e))
    assert right.words == "close" and right.distance < 0.05 and right.p > 0.001


# ---- the published tables


def strata_frame() -> pl.DataFrame:
    rows = []
    for component, generation, supplier, seed, n, shape in (
        ("lamp", "original", "all", 1, 500, 2.0),
        ("lamp", "replacement", "all", 2, 400, 0.8),
        ("lamp", "replacement", "N", 3, 12, 0.8),
        ("ballast", "original", "all", 4, 30, 1.5),
        ("ballast", "original", "thin", 5, 4, 1.5),
        ("wiring", "original", "all", 6, 3, 1),
    ):
        e, x, d = world(seed, n, shape, whole=True)
        rows.append(
            pl.DataFrame(
                {
                    "component": component,
                    "generation": generation,
                    "supplier": supplier,
                    "entry": e,
                    "exit": x,
                    "failed": d,
                    "vehicle": [f"v{i // 2}" for i in range(len(x))],
                }
            ).filter(pl.col("exit") > pl.col("entry"))
        )
    return pl.concat(rows)


KEYS = ["component", "generation", "supplier"]


@pytest.fixture(scope="module")
def tables():
    frame = strata_frame()
    return (frame, *fit_set(frame, KEYS, entry="entry", exit="exit", clock="days"))


def test_every_stratum_has_its_lines(tables):
    frame, fits, lives = tables
    strata = frame.select(KEYS).unique().height
    assert lives.height == strata and lives.select(KEYS).is_unique().all()
    assert fits.filter("chosen").height == strata - 1  # wiring has nobody to borrow from
    assert fits.filter("chosen").select(KEYS).is_unique().all()
    assert lives["lives"].sum() == frame.height
    own = fits.filter(pl.col("borrowed") == "").group_by(KEYS).len()
    assert own["len"].max() == len(DEFAULT_FAMILIES)
    assert set(fits["clock"]) == {"days"} and lives["failures"].sum() == frame["failed"].sum()


def test_borrowed_strata_say_so(tables):
    _, fits, lives = tables
    thin = lives.filter((pl.col("component") == "ballast") & (pl.col("supplier") == "thin")).row(0, named=True)
    parent = lives.filter((pl.col("component") == "ballast") & (pl.col("supplier") == "all")).row(0, named=True)
    assert thin["borrowed"] and not parent["borrowed"]
    assert thin["borrowed_from"] == "component=ballast, generation=original, supplier=all"
    assert (thin["b10"], thin["wear"]) == (parent["b10"], parent["wear"]) and thin["lives"] <= 4
    assert "failures" in thin["note"]
    small = lives.filter(pl.col("supplier") == "N").row(0, named=True)
    if small["failures"] < 5:
        assert small["borrowed"]
        own = fits.filter((pl.col("supplier") == "N") & (pl.col("borrowed") == "shape"))
        parent_shape = json.loads(
            fits.filter(
                (pl.col("generation") == "replacement")
                & (pl.col("supplier") == "all")
                & (pl.col("family") == "weibull")
            )["parameters"][0]
        )["shape"]
        assert own.height == (1 if small["failures"] else 0)
        if own.height:
            assert json.loads(own["parameters"][0])["shape"] == pytest.approx(parent_shape) and not own["chosen"][0]
    alone = lives.filter(pl.col("component") == "wiring").row(0, named=True)
    assert (
        alone["b10"] is None
        and not alone["b10_reached"]
        and alone["wear"] == "undetermined"
        and "No wider group" in alone["note"]
    )


def test_a_group_that_is_not_in_the_table_is_pooled():
    frame = strata_frame().filter((pl.col("component") == "ballast") | (pl.col("component") == "lamp"))
    thin = frame.with_columns(
        pl.when(pl.col("supplier") == "N").then(pl.lit("fleet")).otherwise(pl.col("generation")).alias("generation")
    )
    thin = thin.filter(pl.col("supplier") != "thin").with_columns(pl.lit("all").alias("supplier"))
    fits, lives = fit_set(thin, KEYS, entry="entry", exit="exit", min_failures=30)
    row = lives.filter(pl.col("generation") == "fleet").row(0, named=True)
    assert row["borrowed"] and row["borrowed_from"] == "component=lamp, generation=all, supplier=all"
    pooled = thin.filter(pl.col("component") == "lamp")
    f = fit("weibull", sample(pooled["exit"], pooled["failed"], entry=pooled["entry"]))
    assert row["shape"] == pytest.approx(f.params["shape"], rel=1e-9)


def test_numbers_and_flags_of_the_summary(tables):
    frame, fits, lives = tables
    for r in lives.filter(~pl.col("borrowed") & pl.col("family").is_not_null()).iter_rows(named=True):
        f = fits_from_table(fits, KEYS)[tuple(r[k] for k in KEYS)]
        for name, p in (("b3", 0.03), ("b10", 0.1), ("median", 0.5), ("characteristic_life", 1 - math.exp(-1))):
            q = float(f.quantile(p))
            assert r[f"{name}_reached"] == (q <= f.largest_time)
            if r[f"{name}_reached"]:
                assert r[name] == pytest.approx(q, rel=1e-9) and r[f"{name}_low"] < q < (r[f"{name}_high"] or math.inf)
                assert r[f"{name}_extrapolated"] == (q > f.largest_failure or q < f.least_age)
            else:
                assert r[name] is None and r[f"{name}_low"] is None
    wear = {tuple(r): w for *r, w in lives.select(*KEYS, "wear").iter_rows()}
    assert wear["lamp", "original", "all"] == "wear_out" and wear["lamp", "replacement", "all"] == "early"


def test_tables_read_back(tables):
    _, fits, _ = tables
    every = fits_from_table(fits, KEYS, chosen=False)
    assert len(every) >= fits.filter("chosen").height
    for f in fits_from_table(fits, KEYS).values():
        assert f.covariance.shape == (len(f.names),) * 2 and f.survival(0.0) == 1
        assert f.distribution.natural(f.theta) == pytest.approx(list(f.params.values()))


def test_order_and_names_do_not_matter(tables):
    frame, fits, lives = tables
    again = frame.sample(fraction=1, shuffle=True, seed=3).with_columns(pl.col("vehicle").str.reverse())
    fits2, lives2 = fit_set(again, KEYS, entry="entry", exit="exit", clock="days")
    assert (
        fits2["family"].to_list() == fits["family"].to_list() and fits2["chosen"].to_list() == fits["chosen"].to_list()
    )
    assert lives2["b10"].to_numpy() == pytest.approx(lives["b10"].to_numpy(), rel=1e-6, nan_ok=True)
    assert lives2["b10_high"].to_numpy() == pytest.approx(lives["b10_high"].to_numpy(), rel=1e-5, nan_ok=True)


def test_fit_set_takes_endings_and_leaves_out_what_is_not_in_the_curve():
    frame = strata_frame().filter(pl.col("component") == "lamp")
    asked = frame.with_columns(
        pl.when("failed").then(pl.lit("failed")).otherwise(pl.lit("in_service")).alias("ending"),
        pl.lit(True).alias("in_curve"),
    ).drop("failed")
    extra = asked.head(50).with_columns(pl.lit(False).alias("in_curve"))
    a, _ = fit_set(pl.concat([asked, extra]), KEYS, entry="entry", exit="exit")
    b, _ = fit_set(frame, KEYS, entry="entry", exit="exit")
    assert a.equals(b)
    with pytest.raises(ValueError, match="No column nothing"):
        fit_set(frame, [*KEYS, "nothing"], entry="entry", exit="exit")
    none, empty = fit_set(frame.clear(), KEYS, entry="entry", exit="exit")
    assert none.height == 0 and empty.height == 0 and none.columns == b.columns


def test_without_keys_there_is_one_stratum():
    e, x, d = world(14, 200)
    frame = pl.DataFrame({"entry": e, "exit": x, "failed": d, "vehicle": np.arange(len(x))})
    fits, lives = fit_set(frame, [], entry="entry", exit="exit", families=("weibull",))
    assert fits.height == lives.height == 1 and fits["chosen"][0]


def test_a_pool_counts_each_life_once():
    """A life stands in a stratum of each column; where a stratum borrows from all of them together it counts once."""
    e, x, d = world(15, 300, 1.5)
    one = pl.DataFrame({"life_id": np.arange(len(x)), "component": "lamp", "entry": e, "exit": x, "failed": d})
    one = one.with_columns(vehicle=pl.col("life_id") // 2)
    few = pl.when(pl.col("life_id") < 5).then(pl.lit("grade=x")).otherwise(pl.lit("grade=y"))
    grade = one.with_columns(stratum=few)
    kind = one.with_columns(stratum=pl.lit("class=") + (pl.col("life_id") % 2).cast(pl.String))
    _, lives = fit_set(pl.concat([grade, kind]), ["component", "stratum"], entry="entry", exit="exit", min_failures=6)
    thin = lives.filter(pl.col("stratum") == "grade=x").row(0, named=True)
    pooled = one.with_columns(stratum=pl.lit("all"))
    _, right = fit_set(pooled, ["component", "stratum"], entry="entry", exit="exit", min_failures=6)
    assert thin["borrowed"] and thin["borrowed_from"] == "component=lamp, stratum=all"
    for column in ("b10", "b10_low", "b10_high", "shape_low", "fit_p"):
        assert thin[column] == pytest.approx(right[column][0], rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_short_way_to_likelihood_limits_is_the_general_one(seed, monkeypatch):
    """Weibull and exponential: limits from the region's ends by Lambert's W against the profile searched point by point."""
    from pipeline.survival import intervals

    e, x, d = world(seed, n=60)
    chance = d * np.where(np.arange(len(d)) % 5, 1.0, 0.5)
    s = sample(x, chance, entry=e, weight=np.where(np.arange(len(d)) % 3, 1.0, 2.0))
    for name, wanted in (("weibull", ["shape", "scale", 0.03, 0.5]), ("exponential", ["scale", 0.1])):
        f = fit(name, s)
        short = [likelihood_ratio_interval(f, s, w, inflation=1.3) for w in wanted]
        monkeypatch.setattr(intervals, "_weibull_limits", lambda *_: None)
        for a, w in zip(short, wanted, strict=True):
            b = likelihood_ratio_interval(f, s, w, inflation=1.3)
            assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-7), (name, w)
        monkeypatch.undo()


def test_families_may_differ_by_stratum_and_like_strata_are_fitted_alike(monkeypatch):
    """A stratum's own families; a pool that holds the same lives as a stratum has the same fits, made once."""
    from pipeline.survival import fit_tables

    e, x, d = world(5, n=300)
    lives = pl.DataFrame({"life_id": np.arange(len(x)), "vehicle": np.arange(len(x)), "entry": e, "exit": x, "failed": d.astype(float)})
    strata = [("lamp", "all"), ("lamp", "one")]
    frame = pl.concat([lives.with_columns(part=pl.lit(p), kind=pl.lit(k)) for p, k in strata])
    made = []
    monkeypatch.setattr(fit_tables, "fit_families", lambda *a, **k: made.append(1) or fit_families(*a, **k))
    fits, summary = fit_set(frame, ["part", "kind"], entry="entry", exit="exit", families=("exponential", "weibull"))
    assert len(made) == 1 and summary["b10"].n_unique() == 1 and summary["borrowed"].to_list() == [False, False]
    few = fit_set(frame, ["part", "kind"], entry="entry", exit="exit",
                  families=lambda key: ("weibull",) if key[1] == "one" else ("exponential", "weibull"))[0]
    assert few.group_by("kind").len().sort("kind").rows() == [("all", 2), ("one", 1)]
