"""Which clock ages a part, and km against age."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from scipy.stats import lognorm

from pipeline.survival.clocks import compare_clocks, failed_by_age, lit_hours
from pipeline.survival.fit import fit, sample


def fleet(ages_by: str, vehicles=1500, seed=0, spread=0.7) -> pl.DataFrame:
    """Two lamps a vehicle; each vehicle keeps its own rate of km per day; the part ages by `ages_by`."""
    rng = np.random.default_rng(seed)
    rate = np.repeat(40 * np.exp(rng.normal(0, spread, vehicles)), 2)
    n = 2 * vehicles
    life_km = 60_000 * rng.weibull(2.5, n)
    days = life_km / rate if ages_by == "km" else 1500 * rng.weibull(2.5, n)
    late = np.repeat(np.where(rng.random(vehicles) < 0.5, rng.uniform(0, 800, vehicles), 0), 2)
    end = late + rng.uniform(100, 2000, n)
    k = days > late
    x, d = np.minimum(days, end), days <= end
    return pl.DataFrame(
        {
            "component": "lamp",
            "vehicle": np.arange(n) // 2,
            "entry_days": late,
            "exit_days": x,
            "entry_km": late * rate,
            "exit_km": x * rate,
            "entry_hours": lit_hours(late * rate, 45, 0.35),
            "exit_hours": lit_hours(x * rate, 45, 0.35),
            "failed": d,
            "rate": rate,
        }
    ).filter(pl.Series(k))


@pytest.mark.parametrize("true", ["km", "days"])
def test_the_true_clock_wins(true):
    out = compare_clocks(fleet(true), ["component"], clocks=("days", "km")).row(0, named=True)
    assert out["better"] == true and out["p"] < 1e-4 and true in out["words"]
    assert (out["difference"] > 0) == (true == "days")


def test_clocks_that_cannot_be_told_apart():
    out = compare_clocks(fleet("km", spread=0.0), ["component"]).row(0, named=True)
    assert out["better"] == "the same"
    close = compare_clocks(fleet("km", vehicles=40, spread=0.05), ["component"]).row(0, named=True)
    assert close["better"] == "not told apart"
    hours = compare_clocks(fleet("km"), ["component"], clocks=("days", "km", "hours"))
    assert hours["better"].to_list() == ["km", "hours", "the same"]


def test_likelihood_is_per_vehicle_day():
    frame = fleet("km", 200)
    out = compare_clocks(frame, [], rates={"km": "rate"}).row(0, named=True)
    again = compare_clocks(frame, []).row(0, named=True)  # every vehicle keeps its rate: the life's average is the rate
    assert out["log_likelihood_b"] == pytest.approx(again["log_likelihood_b"], rel=1e-10)
    f = fit("weibull", sample(frame["exit_km"], frame["failed"], entry=frame["entry_km"]))
    jacobian = frame.filter("failed")["rate"].log().sum()
    assert out["log_likelihood_b"] == pytest.approx(f.log_likelihood + jacobian, rel=1e-10)
    # in miles the likelihood of the failures per vehicle-day is the same
    miles = frame.with_columns(pl.col("entry_km", "exit_km", "rate") / 1.609344)
    assert compare_clocks(miles, [], rates={"km": "rate"})["log_likelihood_b"][0] == pytest.approx(
        out["log_likelihood_b"], rel=1e-9
    )


def test_false_calls_are_rare():
    """Between days and km neither of which ages the part (a constant hazard per day with km a noisy copy), calls are
    few."""
    calls = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        n = 400
        # a clock half way between both, on the log scale: each is equally wrong
        rate = np.exp(rng.normal(0, 0.5, n))
        u = 1000 * rng.weibull(2, n)
        days, km = u / np.sqrt(rate), u * np.sqrt(rate)
        stop = rng.uniform(300, 2500, n)
        d = u <= stop
        frame = pl.DataFrame(
            {
                "vehicle": np.arange(n),
                "entry_days": 0.0,
                "exit_days": np.where(d, days, stop / np.sqrt(rate)),
                "entry_km": 0.0,
                "exit_km": np.where(d, km, stop * np.sqrt(rate)),
                "failed": d,
            }
        )
        calls += compare_clocks(frame, [])["better"][0] != "not told apart"
    assert calls <= 8  # binomial(40, .05): 99.9 % within 8


def test_strata_and_thin_ones():
    frame = pl.concat(
        [
            fleet("km", 300),
            fleet("days", 300, 1).with_columns(pl.lit("ballast").alias("component")),
            fleet("km", 8, 2).with_columns(pl.lit("wiring").alias("component")),
        ]
    )
    out = compare_clocks(frame, ["component"])
    assert dict(out.select("component", "better").iter_rows()) == {"ballast": "days", "lamp": "km", "wiring": "too few"}
    assert "failures" in out.filter(pl.col("component") == "wiring")["words"][0]
    with pytest.raises(ValueError, match="No column exit_hours"):
        compare_clocks(frame.drop("exit_hours"), ["component"], clocks=("days", "hours"))


def test_lit_hours():
    # 778 h in 100 000 km at 45 km/h, lit 35 % of the time; 545 at 55 km/h, 30 %: plain arithmetic.
    assert [round(lit_hours(1e5, 45, 0.35)), round(lit_hours(1e5, 55, 0.30))] == [778, 545]
    assert lit_hours(0.0, 45, 1, standing_hours=3) == 3
    with pytest.raises(ValueError, match="speed"):
        lit_hours(1, 0, 0.5)
    with pytest.raises(ValueError, match="share"):
        lit_hours(1, 45, 1.5)


def test_share_failed_by_age_when_vehicles_differ():
    # Lawless, Hu & Cao 1995, the model; the numbers are computed: ln(km a year) normal (ln 15000, .7), Weibull (3,
    # 100 000 km).
    got = [failed_by_age(a, math.log(15_000), 0.7, lambda km: (km / 1e5) ** 3) for a in (1, 3, 5)]
    assert got == pytest.approx([0.02279495, 0.22384957, 0.44392959], abs=1.5e-7)
    # and by drawing vehicles
    rate = lognorm.ppf((np.arange(200_000) + 0.5) / 200_000, 0.7, scale=15_000)
    assert got[1] == pytest.approx(np.mean(-np.expm1(-((rate * 3 / 1e5) ** 3))), abs=1e-4)
    # the rates of those that failed are not those of all
    rng = np.random.default_rng(0)
    rate = 15_000 * np.exp(0.7 * rng.standard_normal(50_000))
    failed = 1e5 * rng.weibull(3, 50_000) < 3 * rate
    assert np.exp(np.log(rate[failed]).mean()) > 1.5 * 15_000
