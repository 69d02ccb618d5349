import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.survival.monitor import (
    cusum_observed_expected,
    cusum_risk_adjusted,
    cusum_scores,
    ewma,
    ewma_observed_expected,
    first_month_known,
    g_chart,
    observed_expected_by_month,
)

AS_OF = dt.date(2022, 1, 1) + dt.timedelta(900)


def lots(seed, bad=None, ratio=6.0, lots=12, size=120):
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(lots), size)
    start = lot * 40 + rng.integers(0, 60, len(lot))
    rate = np.where(lot == bad, ratio, 1.0) * 0.05 / 365**0.7
    life, end = (rng.exponential(size=len(lot)) / rate) ** (1 / 0.7), 900 - start
    return pl.DataFrame(
        {
            "component": "lamp",
            "lot": [f"L{i:02d}" for i in lot],
            "start_on": [dt.date(2022, 1, 1) + dt.timedelta(int(s)) for s in start],
            "entry_days": 0,
            "exit_days": np.ceil(np.minimum(life, end)),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    )


def test_g_chart_alarms_as_often_as_stated():
    rng = np.random.default_rng(1)
    x = rng.geometric(0.02, 200_000) - 1
    chart = g_chart(x, false_alarm=0.05, mean=49)
    late = (chart.points["signal"] == "fewer comebacks").sum() / len(x)
    soon = (chart.points["signal"] == "more comebacks").sum() / len(x)
    assert late <= 0.025 and soon <= 0.025
    assert late > 0.02 and soon > 0.015  # as much of it as whole numbers allow
    assert chart.low_limit == 0
    with pytest.raises(ValueError, match="0 or more"):
        g_chart([])


@pytest.mark.parametrize("make", [ewma_observed_expected, cusum_observed_expected])
@pytest.mark.parametrize("dispersion", [1.0, 2.0])
def test_growth_is_no_alarm_and_the_false_alarm_rate_is_kept(make, dispersion):
    rng = np.random.default_rng(5)
    expected = np.linspace(3, 30, 24)
    share = expected / (dispersion - 1) if dispersion > 1 else None
    alarms = 0
    for i in range(150):
        mean = expected if share is None else rng.gamma(share) * (dispersion - 1)
        chart = make(rng.poisson(mean), expected, seed=i, runs=1500, dispersion=dispersion)
        alarms += chart.points["signal"].is_not_null().any()
        assert chart.achieved <= 0.05
    assert alarms / 150 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)


@pytest.mark.parametrize("make", [ewma_observed_expected, cusum_observed_expected])
def test_a_doubled_rate_is_seen_soon(make):
    expected = np.full(24, 8.0)
    observed = np.concatenate([np.full(12, 8.0), np.full(12, 16.0)])
    points = make(observed, expected, seed=1, runs=5000).points
    first = points.filter(pl.col("signal") == "more")["number"].min()
    assert 13 <= first <= 16
    assert points.equals(make(observed, expected, seed=1, runs=5000).points)


def test_months_with_nothing_expected_do_no_harm():
    chart = ewma_observed_expected([0, 0, 3], [0.0, 0.0, 2.0], seed=1, runs=500)
    assert chart.points["value"].is_finite().all()
    with pytest.raises(ValueError, match="as long as each other"):
        ewma_observed_expected([1], [1.0, 2.0], seed=1)


def test_ewma_exact_first_limits_are_narrower():
    wide = ewma([1.0, 2.0, 1.0], target=1.0, sigma=1.0)
    exact = ewma([1.0, 2.0, 1.0], target=1.0, sigma=1.0, steady_limits=False)
    assert exact["high"][0] == pytest.approx(1 + 3 * 0.3)
    assert exact["high"][2] < wide["high"][2]


def test_risk_adjusted_cusum_keeps_its_rate_and_finds_a_rise():
    rng = np.random.default_rng(2)
    risks = rng.uniform(0.02, 0.10, 300)
    alarms = [
        cusum_risk_adjusted(rng.random(300) < risks, risks, seed=i, runs=500)
        .points["signal"]
        .is_not_null()
        .any()
        for i in range(100)
    ]
    assert np.mean(alarms) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 100)
    risen = np.where(np.arange(300) < 100, risks, np.minimum(4 * risks, 0.9))
    points = cusum_risk_adjusted(rng.random(300) < risen, risks, seed=1).points
    assert points.filter(pl.col("signal") == "more")["number"].min() > 90
    with pytest.raises(ValueError, match="Outcomes must be 0 or 1"):
        cusum_scores([2], 0.05, odds_ratio=2)


def test_expected_by_month_adds_up_to_the_others_hazard():
    lives = lots(3)
    months = observed_expected_by_month(lives, ["component", "lot"], as_of=AS_OF)
    one = lives.filter(pl.col("lot") == "L04")
    other = lives.filter(pl.col("lot") != "L04")
    x, d = (
        np.minimum(other["exit_days"].to_numpy(), 365),
        (other["ending"] == "failed").to_numpy() & (other["exit_days"] <= 365).to_numpy(),
    )
    total = sum(
        sum(d[x == a]) / sum(x >= a) * (np.minimum(one["exit_days"].to_numpy(), 365) >= a).sum()
        for a in np.unique(x[d])
    )
    mine = months.filter(pl.col("lot") == "L04")
    assert mine["expected"].sum() == pytest.approx(total)
    assert (
        mine["observed"].sum()
        == one.filter((pl.col("ending") == "failed") & (pl.col("exit_days") <= 365)).height
    )
    assert mine["month"].is_sorted() and mine["month"][0] == one["start_on"].min().replace(day=1)


def test_failure_counts_in_the_month_it_happened():
    lives = pl.DataFrame(
        {
            "component": "lamp",
            "lot": ["a", "b"],
            "start_on": [dt.date(2024, 1, 20)] * 2,
            "entry_days": 0,
            "exit_days": [12, 100],
            "ending": ["failed", "in_service"],
        }
    )
    months = observed_expected_by_month(lives, ["component", "lot"], as_of=dt.date(2024, 4, 29))
    a, b = months.filter(pl.col("lot") == "a"), months.filter(pl.col("lot") == "b")
    assert a.filter(pl.col("observed") == 1)["month"].to_list() == [
        dt.date(2024, 2, 1)
    ]  # 20 January + 12 days
    assert b.filter(pl.col("expected") > 0).select("month", "expected").rows() == [(dt.date(2024, 2, 1), 1.0)]


def test_as_of_hides_what_came_later():
    lives = lots(3)
    early = observed_expected_by_month(lives, ["component", "lot"], as_of=dt.date(2022, 12, 1))
    assert early["month"].max() <= dt.date(2022, 12, 1)
    hidden = lives.filter(pl.col("start_on") + pl.duration(days="exit_days") > dt.date(2022, 12, 1))
    assert hidden.height and early["observed"].sum() < lives.filter(pl.col("ending") == "failed").height


def test_good_lots_alarm_no_oftener_than_stated():
    false = total = 0
    for i in range(40):
        months = observed_expected_by_month(lots(1000 + i), ["component", "lot"], as_of=AS_OF)
        found = first_month_known(months, ["component", "lot"], seed=i, false_alarm=0.05, runs=1000)
        false, total = false + found["first_month"].is_not_null().sum(), total + found.height
    assert false / total <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / total)


def test_a_bad_lot_is_named_with_its_first_month_and_count():
    months = observed_expected_by_month(lots(5, bad=3), ["component", "lot"], as_of=AS_OF)
    found = first_month_known(months, ["component", "lot"], seed=1)
    bad = found.filter(pl.col("first_month").is_not_null())
    assert bad["lot"].to_list() == ["L03"]
    row = bad.row(0, named=True)
    assert dt.date(2022, 5, 1) <= row["first_month"] <= dt.date(2022, 10, 1)
    assert row["observed_then"] >= 3 and row["ratio_then"] > 2
    assert found.equals(
        first_month_known(months.sample(fraction=1.0, shuffle=True, seed=2), ["component", "lot"], seed=1)
    )


def test_no_lots_make_no_rows():
    none = observed_expected_by_month(lots(1).head(0), ["component", "lot"], as_of=AS_OF)
    assert none.is_empty() and first_month_known(none, ["component", "lot"], seed=1).is_empty()
    alone = observed_expected_by_month(lots(1, lots=1), ["component", "lot"], as_of=AS_OF)
    assert alone.is_empty()
