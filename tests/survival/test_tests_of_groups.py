import numpy as np
import polars as pl
import pytest

from pipeline.survival.tests_of_groups import log_rank, trend


def draw(rng, n=120, ratio=1.0, shared=1):
    vehicle = np.arange(n) // shared
    group = np.array(["a", "b", "c"])[(vehicle if shared > 1 else np.arange(n)) % 3]
    frailty = rng.gamma(0.7, 1 / 0.7, n)[vehicle] if shared > 1 else 1.0
    life = rng.exponential(size=n) / frailty / np.where(group == "b", ratio, 1.0)
    entry = np.where(rng.random(n) < 0.3, rng.uniform(0, 0.4, n), 0)
    end = rng.uniform(0.5, 2, n)
    return pl.DataFrame(
        {
            "entry": entry,
            "exit": np.minimum(life, end),
            "d": life <= end,
            "g": group,
            "vehicle": vehicle,
            "s": np.arange(n) % 2,
        }
    ).filter(pl.col("exit") > pl.col("entry"))


TIMES = {"entry": "entry", "exit": "exit", "event": "d"}


def test_equal_groups_are_told_apart_as_often_as_stated():
    rng = np.random.default_rng(11)
    p = [log_rank(draw(rng), "g", **TIMES).p_value for _ in range(250)]
    assert 0.025 <= np.mean(np.array(p) < 0.05) <= 0.08


def test_dependent_lives_need_the_robust_test():
    rng = np.random.default_rng(12)
    worlds = [draw(rng, n=600, shared=5) for _ in range(120)]
    naive = np.mean([log_rank(w, "g", **TIMES).p_value < 0.05 for w in worlds])
    robust = np.mean([log_rank(w, "g", **TIMES, cluster="vehicle").p_value < 0.05 for w in worlds])
    assert naive > 0.10
    assert 0.02 <= robust <= 0.09


def test_a_real_difference_is_found():
    found = log_rank(draw(np.random.default_rng(1), n=600, ratio=2.0), "g", **TIMES)
    assert found.p_value < 1e-4
    worst = found.groups.sort(pl.col("observed") / pl.col("expected"))["group"][-1]
    assert worst == "b"
    assert found.groups["observed"].sum() == pytest.approx(found.groups["expected"].sum())


def test_strata_that_hold_one_group_each_leave_nothing_to_compare():
    lives = draw(np.random.default_rng(1)).with_columns(s=pl.col("g"))
    found = log_rank(lives, "g", **TIMES, strata=["s"])
    assert (found.degrees, found.p_value) == (0, 1.0)


def test_one_group_is_refused():
    with pytest.raises(ValueError, match="two groups; g has 1"):
        log_rank(draw(np.random.default_rng(1)).with_columns(g=pl.lit("a")), "g", **TIMES)


def test_trend_verdicts():
    assert trend([100 * (i / 20) ** 0.5 for i in range(1, 20)], 100).verdict == "worse"
    assert trend([100 * (i / 20) ** 3 for i in range(1, 20)], 100).verdict == "better"
    assert trend([5.0 * i - 2 for i in range(1, 20)], 100).verdict == "not told apart"


def test_trend_of_a_steady_rate_is_seldom_claimed_and_the_shape_covered():
    rng = np.random.default_rng(3)
    hits, covered, runs = 0, 0, 1000
    for _ in range(runs):
        systems = [np.sort(rng.uniform(0, end, max(rng.poisson(0.05 * end), 1))) for end in (100, 100, 100)]
        found = trend(systems, [100, 100, 100])
        hits += found.verdict != "not told apart"
        covered += found.shape_low <= 1 <= found.shape_high
    assert 0.03 <= hits / runs <= 0.07
    assert 0.93 <= covered / runs <= 0.97


def test_several_systems_of_different_ends_have_a_likelihood_at_its_top():
    times, ends = [[10, 40, 90], [5, 50], [120, 180, 10]], np.array([100.0, 60.0, 200.0])
    found = trend(times, ends)
    every = np.concatenate(times)

    def likelihood(shape):
        rate = len(every) / (ends**shape).sum()
        return len(every) * np.log(rate * shape) + (shape - 1) * np.log(every).sum() - len(every)

    assert likelihood(found.shape) >= max(likelihood(found.shape * 1.001), likelihood(found.shape * 0.999))
    assert found.reversals is None


def test_trend_refuses_what_it_cannot_judge():
    with pytest.raises(ValueError, match="needs 3 events; there are 2"):
        trend([1.0, 2.0], 10)
    with pytest.raises(ValueError, match="System 0 has an event outside"):
        trend([1.0, 2.0, 11.0], 10)
    with pytest.raises(ValueError, match="2 systems but 1 ends"):
        trend([[1.0], [2.0, 3.0]], 10)
