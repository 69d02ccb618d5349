"""Turnbull's estimator against the product limit, an independent library, and R."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from pipeline.survival.turnbull import innermost, turnbull


def test_exact_and_censored_times_give_kaplan_meier():
    # Kaplan & Meier by hand: 6 at risk, failures at 1, 3, 3; censored at 2, 4; failure at 5.
    t = turnbull([1, 2, 3, 3, 4, 5], [1, math.inf, 3, 3, math.inf, 5])
    _, high = t.survival([0.5, 1, 2.5, 3, 4.5, 5])
    assert high == pytest.approx([1, 5 / 6, 5 / 6, 5 / 12, 5 / 12, 0], abs=1e-9)
    assert t.converged and t.failures == 4 and t.lives == 6


def test_innermost_intervals():
    left, right = innermost(np.array([0, 1, 2, 3.0]), np.array([2, 4, 3, math.inf]))
    assert list(zip(left, right, strict=False)) == [(1, 2), (2, 3), (3, 4)]
    left, right = innermost(np.array([1, 1.0]), np.array([1, 2.0]))  # an exact 1, and (1, 2], which does not hold it
    assert list(zip(left, right, strict=False)) == [(1, 1), (1, 2)]


# Inspections of lamps, invented: (last seen good, first seen dark]; inf: good at the last inspection.
LOWER = [0, 0, 5, 6, 7, 8, 4, 10, 12, 15, 9, 3, 0, 18, 20, 11, 14, 2, 16, 22]
UPPER = [7, 8, 12, 10, 16, 14, 11, math.inf, 18, math.inf, 19, 9, 5, math.inf, math.inf, 15, 25, 8, math.inf, math.inf]


def test_against_lifelines():
    from lifelines import KaplanMeierFitter

    # no left end equals a right end here: it takes the intervals as closed, we as (lower, upper]
    upper = np.array(UPPER) - 0.25
    t = turnbull(LOWER, upper)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        curve = KaplanMeierFitter().fit_interval_censoring(np.array(LOWER, float), upper, tol=1e-12).survival_function_
    assert t.converged
    for right in t.right[:-1]:
        # its line at an age holds what was left just before it
        theirs = float(curve.loc[curve.index > right].iloc[0, 0])
        assert t.survival(right)[1] == pytest.approx(theirs, abs=1e-5)


def test_against_r():
    # R 4.2.2, survival 3.5-3: survfit(Surv(l, r, type = "interval2") ~ 1). It stops when no mass moves by more than
    # its own tolerance; ours goes on to the Kuhn-Tucker conditions (see test_it_is_the_maximum), so they agree to
    # about .002.
    t = turnbull(LOWER, UPPER)
    at = [5, 7, 8, 9, 10, 11, 12, 14, 16, 19, 25]
    theirs = [
        0.860177215703,
        0.663911138234,
        0.599110025030,
        0.599087743180,
        0.581050938266,
        0.581050937175,
        0.580526372821,
        0.328314182769,
        0.328231621971,
        0.328231617219,
        0,
    ]
    assert t.survival(np.array(at, float))[1] == pytest.approx(theirs, abs=2.5e-3)
    mass = -np.diff([1.0, *theirs])
    inside = (np.array(LOWER)[:, None] < np.array(at)[None]) & (np.array(at)[None] <= np.array(UPPER)[:, None])
    assert np.log(inside @ mass).sum() <= t.log_likelihood + 1e-9


def test_it_is_the_maximum():
    t = turnbull(LOWER, UPPER)
    assert t.mass.sum() == pytest.approx(1) and t.gap < 1e-10
    rng = np.random.default_rng(0)
    lo, up = np.array(LOWER, float), np.array(UPPER)
    inside = (t.left[None] >= lo[:, None]) & (t.right[None] <= up[:, None])
    for _ in range(200):
        p = np.maximum(t.mass + rng.normal(0, 0.01, len(t.mass)), 0)
        p /= p.sum()
        assert np.log(np.maximum(inside @ p, 1e-300)).sum() <= t.log_likelihood + 1e-9


def test_weights_order_and_units():
    a = turnbull(LOWER, UPPER, weight=[2] * 20)
    order = np.random.default_rng(1).permutation(20)
    b = turnbull(np.array(LOWER)[order] * 1.6, np.array(UPPER)[order] * 1.6)
    assert a.mass == pytest.approx(b.mass, abs=1e-7) and a.left * 1.6 == pytest.approx(b.left)
    assert a.log_likelihood == pytest.approx(2 * b.log_likelihood)


def test_what_is_not_determined_is_a_range():
    low, high = turnbull([0, 0, 5], [5, 5, math.inf]).survival(2.0)
    assert (low, high) == pytest.approx((1 / 3, 1))


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [([2], [1], "end before"), ([-1], [1], "negative"), ([], [], "at least one"), ([math.nan], [1], "Missing")],
)
def test_impossible_intervals_raise(lower, upper, words):
    with pytest.raises(ValueError, match=words):
        turnbull(lower, upper)
