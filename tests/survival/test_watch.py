"""The watch by month: growth is no alarm, the stated rate of false alarms is kept, a change is seen."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.survival.watch import watch_by_month

FIRST, DAYS = dt.date(2021, 1, 1), 1_095
AS_OF = FIRST + dt.timedelta(DAYS)


def parts(seed, series=40, n=250, growth=3.0, jump=1.0, shared=0.0):
    """Parts fitted over three years, more and more of them; the rate is `jump` times as high for those fitted in the last year."""
    rng = np.random.default_rng(seed)
    m = series * n
    start = np.floor(DAYS * rng.random(m) ** (1 / growth)).astype(int)  # few at first
    rate = 0.10 / 365**0.7 * np.where(start > DAYS - 365, jump, 1.0)
    vehicle = np.arange(m) // 2
    z = rng.gamma(1 / shared, shared, m // 2 + 1)[vehicle] if shared else 1.0
    life = np.ceil((rng.exponential(size=m) / (rate * z)) ** (1 / 0.7))
    end = DAYS - start
    return pl.DataFrame(
        {
            "component": np.arange(m) // n,
            "vehicle": vehicle,
            "start_on": [FIRST + dt.timedelta(int(s)) for s in start],
            "entry_days": 0.0,
            "exit_days": np.minimum(life, end).astype(float),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    ).filter(pl.col("exit_days") > 0)


def one_by_one(lives, **options):
    """Each series as a table of its own, so that each has the whole false-alarm rate."""
    return [
        watch_by_month(p, ["component"], as_of=AS_OF, seed=7, runs=600, **options)
        for _, p in lives.group_by("component", maintain_order=True)
    ]


@pytest.mark.parametrize("shared", [0.0, 1.0])
def test_growth_is_no_alarm_and_the_false_alarm_rate_is_kept(shared):
    charts = [c for c in one_by_one(parts(3, series=150, n=150, shared=shared)) if c.height]
    assert len(charts) > 140
    alarms = np.mean([c["signal"].is_not_null().any() for c in charts])
    assert alarms <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / len(charts))
    assert alarms >= 0.005  # a limit that never speaks would be no limit
    assert max(c["achieved"][0] for c in charts) <= 0.05


def test_many_series_share_the_rate():
    found = watch_by_month(parts(4, n=150), ["component"], as_of=AS_OF, seed=1, runs=1_000)
    series = found["component"].n_unique()
    assert found["series"].unique().to_list() == [series] and series > 30
    assert found["achieved"].max() <= 0.05 / series + 1e-9
    assert found.group_by("component").agg(pl.col("signal").is_not_null().any())["signal"].sum() <= 2


def test_a_rate_that_trebled_is_seen():
    charts = one_by_one(parts(5, n=1_000, jump=3.0, series=10, growth=1.5))
    seen = [c.filter(pl.col("signal") == "more") for c in charts]
    assert np.mean([s.height > 0 for s in seen]) > 0.9
    assert all(s["month"].min() >= dt.date(2022, 12, 1) for s in seen if s.height)


def test_expected_adds_up_to_observed_and_nothing_depends_on_the_order_of_rows():
    lives = parts(6, series=2)
    found = watch_by_month(lives, ["component"], as_of=AS_OF, seed=1, runs=300)
    sums = found.filter(pl.col("month") <= pl.col("reference_until")).group_by("component").agg(pl.col("observed", "expected").sum())
    assert sums["expected"].to_numpy() == pytest.approx(sums["observed"].to_numpy())  # in the reference months
    first_year = lives.filter((pl.col("ending") == "failed") & (pl.col("exit_days") <= 365)).height
    assert found["observed"].sum() == first_year
    mixed = watch_by_month(lives.sample(fraction=1.0, shuffle=True, seed=2), ["component"], as_of=AS_OF, seed=1, runs=300)
    assert mixed["signal"].to_list() == found["signal"].to_list()
    assert mixed["high"].to_numpy() == pytest.approx(found["high"].to_numpy())
    assert found["month"][0] == FIRST.replace(day=1) or found["month"][0] > FIRST


def test_expected_by_hand():
    # Two parts fitted on 1 January and 1 March; one fails at age 10, in January: at age 10 each part was at risk once, one in
    # January and one in March, so half a failure is expected in each; the failure at age 45 of the second falls likewise.
    lives = pl.DataFrame(
        {
            "component": "lamp",
            "vehicle": [1, 2],
            "start_on": [dt.date(2021, 1, 1), dt.date(2021, 3, 1)],
            "entry_days": 0.0,
            "exit_days": [10.0, 45.0],
            "ending": ["failed", "failed"],
        }
    )
    found = watch_by_month(lives, ["component"], as_of=dt.date(2022, 1, 1), seed=1, runs=50, min_failures=2)
    assert found.select("month", "observed").rows() == [
        (dt.date(2021, 1, 1), 1),
        (dt.date(2021, 2, 1), 0),
        (dt.date(2021, 3, 1), 0),
        (dt.date(2021, 4, 1), 1),
    ]
    assert found["expected"].to_list() == pytest.approx([0.5, 0.0, 0.5, 1.0])


def test_thin_series_and_errors():
    lives = parts(7, series=1)
    assert watch_by_month(lives.head(20), ["component"], as_of=AS_OF, seed=1).is_empty()
    assert watch_by_month(lives.head(0), ["component"], as_of=AS_OF, seed=1).columns[0] == "component"
    with pytest.raises(ValueError, match="window_days"):
        watch_by_month(lives, ["component"], as_of=AS_OF, seed=1, window_days=0)
    with pytest.raises(ValueError, match="false_alarm"):
        watch_by_month(lives, ["component"], as_of=AS_OF, seed=1, false_alarm=0)
