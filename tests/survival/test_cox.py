"""Proportional hazards against R and lifelines, and the words for what cannot be fitted."""

from __future__ import annotations

import warnings

import numpy as np
import polars as pl
import pytest

from pipeline.survival.cox import _risk, _score_residuals, cox, false_discovery, hazard_ratios, proportionality


def fleet(n=3000, seed=0, ratio=0.5, trend=0.0):
    """Two sides a vehicle, shared frailty, late entry, ages in whole months (many ties)."""
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 2, (n, 3)).astype(float)
    v = np.arange(n) // 2
    z = np.repeat(rng.gamma(2, 0.5, n // 2), 2)
    shape = 1.5 + trend * x[:, 0]
    t = (rng.exponential(size=n) / z / np.exp(ratio * x[:, 0] - 0.3 * x[:, 1])) ** (1 / shape) * 3000
    e = np.where(rng.random(n) < 0.5, rng.random(n) * 1000, 0)
    c = rng.random(n) * 3000
    e, exit, d = np.floor(e / 30) * 30, np.ceil(np.minimum(t, c) / 30) * 30, t <= c
    k = exit > e
    return e[k], exit[k], d[k], x[k], v[k]


def test_against_r_with_ties_late_entry_and_clusters():
    # The toy below in R 4.2.2, survival 3.5-3:
    # coxph(Surv(e, x, d) ~ a + b + cluster(v), control = coxph.control(eps = 1e-14)); sqrt(diag(f$var)),
    # sqrt(diag(f$naive.var)).
    f = cox(TOY["x"], TOY["d"], np.stack([TOY["a"], TOY["b"]], 1), entry=TOY["e"], cluster=TOY["v"])
    assert f.beta == pytest.approx(R_BETA, rel=1e-9)
    assert np.sqrt(np.diag(f.covariance)) == pytest.approx(R_ROBUST, rel=1e-9)
    assert np.sqrt(np.diag(f.covariance_model)) == pytest.approx(R_MODEL, rel=1e-9)
    assert [f.log_likelihood_null, f.log_likelihood] == pytest.approx(R_LIKELIHOOD, rel=1e-11)
    # with strata(s) in place of one baseline
    g = cox(TOY["x"], TOY["d"], np.stack([TOY["a"], TOY["b"]], 1), entry=TOY["e"], cluster=TOY["v"], stratum=TOY["s"])
    assert g.beta == pytest.approx(R_STRATA_BETA, rel=1e-9)
    assert np.sqrt(np.diag(g.covariance)) == pytest.approx(R_STRATA_ROBUST, rel=1e-9)
    # cox.zph(f, "rank", terms = FALSE), one column, no clusters: a score test with the model's variance, ours with
    # the rows'
    one = cox(TOY["x"], TOY["d"], TOY["a"], entry=TOY["e"])
    z = proportionality(one, TOY["x"], TOY["d"], TOY["a"], entry=TOY["e"])
    assert z.overall_chi2 == pytest.approx(R_ZPH, rel=0.25)


TOY = {
    k: np.array(v, float)
    for k, v in {
        "e": [0, 0, 0, 5, 10, 0, 20, 0, 0, 15, 0, 5, 0, 0, 10, 0, 25, 0, 0, 0, 5, 0, 10, 0],
        "x": [30, 40, 30, 50, 40, 20, 60, 70, 30, 50, 80, 40, 20, 60, 30, 70, 50, 40, 90, 30, 50, 60, 40, 80],
        "d": [1, 0, 1, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 1, 0, 1, 1, 0, 1, 0, 1, 1, 0],
        "a": [1, 0, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1, 1, 0, 1, 0, 1, 0, 0, 1, 0, 0, 1, 1],
        "b": [
            0.5,
            1.2,
            -0.3,
            0.8,
            0,
            1.5,
            -1,
            0.2,
            0.7,
            -0.6,
            0.1,
            0.9,
            -0.4,
            0.3,
            1.1,
            -0.8,
            0.6,
            -0.2,
            0.4,
            0,
            -1.2,
            0.8,
            0.5,
            -0.1,
        ],
        "v": [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 8, 9, 9, 10, 10, 11, 11],
        "s": [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1],
    }.items()
}
R_BETA, R_ROBUST = [1.49300283921590, 0.73147350277487], [0.5464092254588, 0.5357053935726]
R_MODEL, R_LIKELIHOOD = [0.54906374328587, 0.51654720410942], [-41.984387250647, -36.465889351683]
R_STRATA_BETA, R_STRATA_ROBUST = [1.87794119504048, 0.66708572311862], [0.59768573204176, 0.45311468423976]
R_ZPH = 4.476957470825


def test_against_lifelines():
    import pandas as pd
    from lifelines import CoxPHFitter

    e, x, d, z, v = fleet(1200)
    f = cox(x, d, z, entry=e, cluster=v)
    frame = pd.DataFrame(z, columns=["a", "b", "c"]).assign(e=e, x=x, d=d.astype(int), v=v)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = CoxPHFitter().fit(frame, duration_col="x", event_col="d", entry_col="e", cluster_col="v", robust=True)
    assert f.beta == pytest.approx(other.params_.to_numpy(), abs=1e-6)
    assert f.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-7)
    assert np.sqrt(np.diag(f.covariance)) == pytest.approx(
        other.summary["se(coef)"].to_numpy(), rel=0.01
    )  # it treats ties roughly


def test_score_residuals_add_up_to_nothing_at_the_maximum():
    e, x, d, z, v = fleet(800)
    f = cox(x, d, z, entry=e)
    r = _risk(e, x, d, np.zeros(len(x), int))
    assert np.abs(_score_residuals(r, z, f.beta).sum(axis=0)).max() < 1e-8


def test_units_and_order_do_not_matter():
    e, x, d, z, v = fleet(600)
    a = cox(x, d, z, entry=e, cluster=v)
    o = np.random.default_rng(0).permutation(len(x))
    b = cox(x[o] * 1.6, d[o], z[o] * [1, 10, 1] + 5, entry=e[o] * 1.6, cluster=v[o])
    assert a.beta == pytest.approx(b.beta * [1, 10, 1], rel=1e-9)


def test_a_ratio_that_changes_with_age_is_found():
    e, x, d, z, v = fleet(4000, seed=3, trend=1.0)
    f = cox(x, d, z, entry=e, cluster=v)
    p = proportionality(f, x, d, z, entry=e, cluster=v)
    assert p.p[0] < 1e-6 and p.p[1] > 0.001 and p.trend[0] > 0
    e, x, d, z, v = fleet(4000, seed=4)
    f = cox(x, d, z, entry=e, cluster=v)
    assert proportionality(f, x, d, z, entry=e, cluster=v).overall_p > 0.001


def test_proportionality_alarms_at_its_rate():
    """True ratios that hold at all ages, two equal sides a vehicle: 5 % alarms, not more."""
    rng = np.random.default_rng(5)
    alarms = 0
    for _ in range(200):
        x = np.repeat(rng.integers(0, 2, 150), 2).astype(float)
        t = np.repeat(rng.exponential(size=150), 2) * np.exp(-0.5 * x) * rng.uniform(0.999, 1.001, 300)
        c = rng.exponential(2, 300)
        v = np.repeat(np.arange(150), 2)
        f = cox(np.minimum(t, c), t <= c, x, cluster=v)
        alarms += proportionality(f, np.minimum(t, c), t <= c, x, cluster=v).p[0] < 0.05
    assert 2 <= alarms <= 20  # binomial(200, .05): 99.8 % within 2 to 20


def test_what_cannot_be_fitted_is_said():
    x, d = np.arange(1.0, 41), np.ones(40, bool)
    group = (np.arange(40) < 10).astype(float)
    never = np.where(group == 1, False, d)
    f = cox(x, never, group, names=["supplier=N"])
    assert not f.converged and "never at risk together" in f.warning  # that group is gone before anybody fails
    spread = (np.arange(40) % 4 == 0).astype(float)
    f = cox(x, spread == 0, spread, names=["supplier=N"])
    assert not f.converged and "without limit" in f.warning
    assert "No failures" in cox(x, ~d, group).warning
    assert "the same" in cox(x, d, np.ones(40)).warning
    assert "repeat" in cox(x, d, np.stack([group, 1 - group], 1)).warning
    with pytest.raises(ValueError, match="enter after"):
        cox(x, d, group, entry=x + 1)


def test_false_discovery_rate():
    # Benjamini & Hochberg 1995, section 3.2 (myocardial infarction, 15 p-values): 4 rejected at .05.
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    q = false_discovery(p)
    assert (q <= 0.05).sum() == 4
    assert np.array_equal(np.isnan(false_discovery([0.01, float("nan")])), [False, True])


def test_hazard_ratios_by_component():
    rng = np.random.default_rng(6)
    n = 4000
    supplier = rng.choice(["alpha", "beta", "gamma", "tiny"], n, p=[0.5, 0.25, 0.2475, 0.0025])
    side = np.where(np.arange(n) % 2 == 0, "left", "right")
    t = 2000 * rng.weibull(1.5, n) * np.where(supplier == "beta", 0.6, 1)
    c, e = rng.uniform(0, 3000, n), np.where(rng.random(n) < 0.4, rng.uniform(0, 800, n), 0)
    frame = pl.DataFrame(
        {
            "component": rng.choice(["lamp", "ballast"], n),
            "supplier": supplier,
            "side": side,
            "both": supplier,
            "one": "same",
            "entry": e,
            "exit": np.minimum(t, c),
            "failed": t <= c,
            "vehicle": np.arange(n) // 2,
        }
    )
    frame = frame.filter(pl.col("exit") > pl.col("entry"))
    out = hazard_ratios(
        frame, ["supplier", "side", "both", "one"], ["component"], entry="entry", exit="exit", min_failures=10
    )
    beta = out.filter((pl.col("covariate") == "supplier") & (pl.col("level") == "beta"))
    assert beta.height == 2 and (beta["verdict"] == "fails_more").all()
    assert ((beta["low"] < 0.6**-1.5) & (beta["high"] > 0.6**-1.5)).all() and (beta["p_adjusted"] >= beta["p"]).all()
    other = out.filter(
        pl.col("covariate").is_in(["supplier", "side"])
        & pl.col("level").is_in(["gamma", "left", "right"])
        & (pl.col("verdict") != "reference")
    )
    assert (other["verdict"] == "not told apart").all()
    assert (out.filter((pl.col("covariate") == "supplier") & (pl.col("level") == "tiny"))["verdict"] == "too few").all()
    repeated = out.filter((pl.col("covariate") == "both") & (pl.col("verdict") == "not fitted"))
    assert repeated.height and repeated["warning"].str.contains("same lives").all()
    assert out.filter(pl.col("covariate") == "one")["warning"].str.contains("the same one").all()
    assert (
        out.filter(pl.col("verdict") == "reference")["hazard_ratio"].to_list()
        == [1.0] * out.filter(pl.col("verdict") == "reference").height
    )
    again = hazard_ratios(
        frame.sample(fraction=1, shuffle=True, seed=1),
        ["supplier", "side", "both", "one"],
        ["component"],
        entry="entry",
        exit="exit",
        min_failures=10,
    )
    assert again.drop("hazard_ratio", "low", "high", "p", "p_adjusted", "proportional_p").equals(
        out.drop("hazard_ratio", "low", "high", "p", "p_adjusted", "proportional_p")
    )


def test_a_level_without_failures_spoils_nothing():
    rng = np.random.default_rng(7)
    n = 600
    t = 100 * rng.weibull(1.5, n)
    grade = rng.choice(["a", "b"], n)
    supplier = np.where(np.arange(n) < 12, "new", rng.choice(["x", "y"], n))
    c = np.where(supplier == "new", 1.0, 120)
    frame = pl.DataFrame(
        {
            "grade": grade,
            "supplier": supplier,
            "entry": 0.0,
            "exit": np.minimum(t, c),
            "failed": (t <= c) & (supplier != "new"),
            "vehicle": np.arange(n),
        }
    )
    out = hazard_ratios(frame, ["supplier", "grade"], entry="entry", exit="exit")
    assert out.filter(pl.col("level") == "new")["verdict"].to_list() == ["too few"]
    assert out.filter(pl.col("verdict") == "not told apart").height == 2


def test_doubtful_failures_count_as_their_share():
    """Half of one group's failures are doubtful, of which half were none: weighed, the ratio of a half comes back; counted whole it
    does not. Lives that stand twice are one vehicle's."""
    rng = np.random.default_rng(8)
    n = 12_000
    maker = np.where(rng.random(n) < 0.5, "A", "B")
    life, end = rng.exponential(np.where(maker == "A", 2.0, 1.0)), rng.uniform(0.2, 2, n)
    failed = life < end
    # of A, as many lives again are renewed without having failed, at the rate of its failures: nobody can tell which
    pulled = rng.exponential(2.0, n)
    is_pulled = (maker == "A") & (pulled < np.minimum(life, end))
    p = np.where(maker == "A", np.where(is_pulled | failed, 0.5, 0.0), failed.astype(float))
    lives = pl.DataFrame({"entry": 0.0, "exit": np.where(is_pulled, pulled, np.minimum(life, end)), "failed": p, "vehicle": np.arange(n),
                          "supplier": maker})
    ratio = {}
    for name, frame in (("half", lives), ("whole", lives.with_columns(failed=(pl.col("failed") > 0).cast(pl.Float64)))):
        found = hazard_ratios(frame, ["supplier"], entry="entry", exit="exit").filter(pl.col("verdict") != "reference")
        ratio[name] = found["hazard_ratio"][0] ** (1 if found["level"][0] == "A" else -1)
    assert ratio["half"] == pytest.approx(0.5, abs=0.04) and ratio["whole"] > 0.9
