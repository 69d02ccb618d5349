"""Reporting delay: its distribution from truncated reports, and rates that allow for it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.survival.delay import adjusted_rates, delay_distribution, expected_reports


def test_toy_of_the_adjusted_rate():
    # Kalbfleisch, Lawless & Robinson 1991, Technometrics 33:273-285, the formula; the toy is computed by hand:
    # age 0: 29 / (1000 (1 + 1 + .9)) = .01; age 1: 12 / (1000 (1 + .9 + .5)) = .005.
    r = adjusted_rates([29, 12], [1000] * 3, [0.5, 0.9, 1, 1], 3)
    assert r.rate == pytest.approx([0.01, 0.005], rel=1e-12) and r.cumulative[-1] == pytest.approx(0.015)
    assert r.unadjusted == pytest.approx([29 / 3000, 12 / 3000])
    assert (r.low < r.cumulative).all() and (r.high > r.cumulative).all()
    plain = adjusted_rates([29, 12], [1000] * 3, [1, 1, 1, 1], 3)
    assert plain.rate == pytest.approx(plain.unadjusted)


def test_delay_by_hand():
    # Three reports with delays 0, 1, 2, which could be seen up to 2, 1, 2. Of those with delay <= 2 <= could see, 1
    # of 2 has delay 2; of those with delay <= 1 <= could see, 1 of 2 has delay 1. So G(1) = 1/2 and G(0) = 1/2 x 1/2.
    d = delay_distribution([0, 1, 2], [2, 1, 2])
    assert d.share == pytest.approx([1 / 4, 1 / 2, 1])
    assert d.within([-1, 0, 0.5, 1, 2, 9]) == pytest.approx([0, 1 / 4, 1 / 4, 1 / 2, 1, 1])
    assert delay_distribution([0, 1, 2, 1], [2, 1, 2, 1]).share == pytest.approx(
        delay_distribution([0, 1, 2], [2, 1, 2], weight=[1, 2, 1]).share
    )


def test_truncation_is_allowed_for():
    rng = np.random.default_rng(0)
    opened, delay = rng.uniform(0, 300, 30_000), np.floor(rng.exponential(40, 30_000))
    could = np.floor(300 - opened)
    seen = delay <= could
    d = delay_distribution(delay[seen], could[seen])
    at = np.array([10, 30, 60, 120])
    true = 1 - np.exp(-(at + 1) / 40)
    assert d.within(at) == pytest.approx(true, abs=0.015)
    naive = np.array([(delay[seen] <= a).mean() for a in at])
    assert (naive > d.within(at)).all() and naive[1] > true[1] + 0.03  # what has appeared is what appears soon


def test_newest_months_are_made_good():
    rng = np.random.default_rng(1)
    opened, delay = rng.uniform(0, 360, 60_000), np.floor(rng.exponential(25, 60_000))
    seen = delay <= np.floor(360 - opened)
    d = delay_distribution(delay[seen], np.floor(360 - opened)[seen])
    month = (opened // 30).astype(int)
    counts = np.bincount(month[seen], minlength=12)
    full, share = expected_reports(counts, d, 345 - 30 * np.arange(12.0))
    true = np.bincount(month, minlength=12)
    assert (
        counts[-1] < 0.6 * true[-1]
        and full[-1] == pytest.approx(true[-1], rel=0.12)
        and full[-2] == pytest.approx(true[-2], rel=0.06)
    )
    assert share[0] > 0.99
    assert np.isnan(expected_reports([3], d, [-1])[0][0])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: delay_distribution([], []), "No reports"),
        (lambda: delay_distribution([-1], [3]), "0 or more"),
        (lambda: delay_distribution([5], [3]), "after the as-of"),
        (lambda: adjusted_rates([1], [10], [0.9, 0.5]), "rise"),
        (lambda: adjusted_rates([-1], [10], [0.5, 0.9]), "negative"),
    ],
)
def test_impossible_input_raises(call, words):
    with pytest.raises(ValueError, match=words):
        call()
