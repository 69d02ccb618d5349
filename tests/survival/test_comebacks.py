"""Rates of comebacks by kind: counts over what could have come back, exact limits, dependence by vehicle."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.survival.comebacks import comeback_rates

FROM, TO = dt.date(2024, 1, 1), dt.date(2024, 12, 31)


def row(kind, component, vehicle, on=dt.date(2024, 6, 1), **more):
    return {
        "kind": kind,
        "first_component": component,
        "vehicle": vehicle,
        "again_on": on,
        "part_cost": 10.0,
        "labour_cost": 20.0,
        "labour_hours": 0.5,
    } | more


def bases(**repairs):
    return pl.DataFrame(
        [
            {
                "kind": k,
                "component": "lamp",
                "repairs": n,
                "part_days": 36_525.0 if k == "same_part_again" else None,
                "vehicle_days": 73_050.0,
                "from_day": FROM,
                "to_day": TO,
            }
            for k, n in repairs.items()
        ]
    )


def test_counts_rates_and_costs_by_kind():
    rows = pl.DataFrame(
        [row("same_part_again", "lamp", v) for v in "abcde"]
        + [row("wrong_part_first", "lamp", "a")]
        + [row("same_part_again", "lamp", "z", on=dt.date(2023, 12, 31))]
    )
    found = comeback_rates(rows, bases(same_part_again=50, wrong_part_first=20))
    same, wrong = (
        found.filter((pl.col("kind") == k) & (pl.col("component") == "all")).row(0, named=True)
        for k in ("same_part_again", "wrong_part_first")
    )
    assert (same["comebacks"], same["vehicles"], same["part_cost"], same["labour_hours"]) == (5, 5, 50.0, 2.5)
    assert same["per_100_repairs"] == pytest.approx(10.0) and same["per_100_vehicle_years"] == pytest.approx(2.5)
    assert same["per_100_part_years"] == pytest.approx(5.0) and wrong["per_100_part_years"] is None
    # Garwood 1936: exact limits of 5 are 1.6235 and 11.6683
    assert (same["repairs_low"], same["repairs_high"]) == pytest.approx((2 * 1.62348639, 2 * 11.66833208))
    assert wrong["per_100_repairs"] == pytest.approx(5.0)


def test_one_vehicle_that_comes_back_again_and_again_says_less():
    many = pl.DataFrame([row("same_part_again", "lamp", v) for v in "abcdef"])
    one = pl.DataFrame([row("same_part_again", "lamp", "a") for _ in range(6)])
    wide, narrow = (comeback_rates(r, bases(same_part_again=50)).row(0, named=True) for r in (one, many))
    assert wide["per_100_repairs"] == narrow["per_100_repairs"] and wide["design_effect"] == pytest.approx(6.0)
    assert wide["repairs_high"] > narrow["repairs_high"] and wide["repairs_low"] < narrow["repairs_low"]


def test_no_comeback_has_an_upper_limit_and_no_exposure_no_rate():
    rows = pl.DataFrame([row("same_part_again", "lamp", "a")])
    found = comeback_rates(rows, bases(same_part_again=0, another_part_soon=40)).filter(pl.col("component") == "all")
    none, nothing = (found.filter(pl.col("kind") == k).row(0, named=True) for k in ("another_part_soon", "same_part_again"))
    assert (none["comebacks"], none["per_100_repairs"]) == (0, 0.0) and none["repairs_high"] == pytest.approx(100 * 3.68887945 / 40)
    assert nothing["per_100_repairs"] is None and nothing["comebacks"] == 1
    assert comeback_rates(rows, bases(same_part_again=1).head(0)).is_empty()


def test_limits_cover_with_vehicles_of_unequal_rates():
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(150):
        counts = rng.poisson(0.2 * rng.gamma(1.0, 1.0, 300))  # a rate of its own for every vehicle
        names = np.repeat(np.arange(300), counts)
        rows = pl.DataFrame([row("same_part_again", "lamp", str(v)) for v in names])
        r = comeback_rates(rows, bases(same_part_again=300)).row(0, named=True)
        hits += r["repairs_low"] <= 20.0 <= r["repairs_high"]
    assert 0.92 <= hits / 150 <= 0.99
