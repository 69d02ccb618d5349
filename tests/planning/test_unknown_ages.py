"""Parts fitted before records begin, and parts renewed without having failed: what either does to a forecast."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.planning.curves import find_curve, places_at, read_curves
from pipeline.planning.demand import demand
from pipeline.planning.due import LEAVE, due_list, next_services
from pipeline.planning.replacement import replacement_policy
from pipeline.planning.simulate import other_renewals
from pipeline.planning.unknown_ages import possible_ages
from tests.planning.world import AS_OF, costs_of, fits_of, lives_of

SHAPE, SCALE, BEFORE = 2.5, 500.0, 1500.0


@pytest.fixture(scope="module")
def curve():
    return find_curve(read_curves(fits_of(lives_of(SHAPE, SCALE, 150, seed=1), pool=True)), "lamp", "discharge", "replacement", "days")


def aged_places(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Places whose parts were renewed at failure for BEFORE days and then watched for up to 200 days without a failure:
    the age that each has today, and how long it was watched. By simulation, independent of the program's reckoning."""
    rng = np.random.default_rng(seed)
    ages, watched = [], []
    while len(ages) < n:
        at = 0.0
        w = rng.uniform(0, 200)
        while True:
            life = SCALE * rng.weibull(SHAPE)
            if at + life > BEFORE:
                break
            at += life
        if at + life > BEFORE + w:  # not seen to fail
            ages.append(BEFORE + w - at)
            watched.append(w)
    return np.array(ages), np.array(watched)


def test_the_ages_a_part_may_have_are_those_it_has(curve):
    ages, watched = aged_places(3000, seed=2)
    made = possible_ages(curve, curve, np.full(3000, BEFORE), watched, np.ones(3000, bool))
    assert made.weights.sum(axis=1) == pytest.approx(1)
    assert (made.weights[:, -1] < 1e-3).all()  # after three lives the first part is gone
    expected = (made.ages * made.weights).sum(axis=1)
    assert expected.mean() == pytest.approx(ages.mean(), rel=0.05)
    # and by how long it was watched
    late = watched > 150
    assert expected[late].mean() == pytest.approx(ages[late].mean(), rel=0.07)


def test_a_part_seen_not_to_be_the_first_is_not_taken_for_it(curve):
    seen, unseen = possible_ages(curve, curve, [100.0, 100.0], [50.0, 50.0], [False, True]).weights
    assert seen[-1] == 0 and unseen[-1] > 0.9


def unknown_world(seed: int):
    ages, watched = aged_places(400, seed)
    lives = lives_of(SHAPE, SCALE, 150, seed=seed)
    one = lives.filter(pl.col("ending") == "in_service").head(1)
    rows = pl.concat([one] * 400).with_columns(
        vehicle=pl.Series([f"u{i:03d}" for i in range(400)]),
        origin=pl.lit("original"),
        exit_days=BEFORE + pl.Series(watched),
        entry_days=pl.lit(BEFORE),
        in_curve=pl.lit(False),
        left_out_reason=pl.lit("nobody looked whether it was the first one"),
        is_original_assumed=pl.lit(True),
    )
    return rows, fits_of(lives, pool=True), ages


def test_the_forecast_of_parts_of_unknown_age_is_that_of_their_true_ages():
    rows, fits, ages = unknown_world(3)
    told = demand(rows, fits, AS_OF, months=6, seed=1, simulations=200).filter(pl.col("month").is_null())[-1]
    true_ages = rows.with_columns(
        exit_days=pl.Series(ages), entry_days=pl.lit(0.0), in_curve=pl.lit(True), left_out_reason=pl.lit(None, pl.String),
        origin=pl.lit("replacement"),
    )  # fmt: skip
    known = demand(true_ages, fits, AS_OF, months=6, seed=1, simulations=200).filter(pl.col("month").is_null())[-1]
    blind = demand(
        rows.with_columns(in_curve=pl.lit(True)), fits, AS_OF, months=6, seed=1, simulations=200
    ).filter(pl.col("month").is_null())[-1]
    assert told["mean"][0] == pytest.approx(known["mean"][0], rel=0.06)
    assert blind["mean"][0] > 1.3 * known["mean"][0]  # had they been taken for as old as the vehicle


def test_the_due_list_says_that_an_age_is_not_known():
    rows, fits, ages = unknown_world(4)
    policy = replacement_policy(fits, costs_of(10, 60), seed=1, blocks=False)
    vehicles = rows.select("vehicle", "customer_group").with_columns(in_service_to=pl.lit(None, pl.Date))
    services = next_services(vehicles, None, AS_OF, assumed_days=90)
    out = due_list(rows, fits, policy, vehicles, services, AS_OF, seed=1)
    assert (out["action"] == LEAVE).all() and set(out["life_from"]) == {"not known"}
    assert out["reason"].str.contains("not known").all() and out["life_days"].max() <= 201
    curve = find_curve(read_curves(fits), "lamp", "discharge", "replacement", "days")
    true = 1 - curve.survival(ages + 90) / curve.survival(ages)
    assert out["chance_first"].mean() == pytest.approx(float(true.mean()), rel=0.12)
    assert (out["chance_first_low"] <= out["chance_first"]).all() and (out["chance_first"] <= out["chance_first_high"]).all()


def test_known_starts_stay_as_they_are():
    lives = lives_of(2, 500, 20, seed=1)
    assert places_at(lives, AS_OF)["age_known"].all()
    new = lives.with_columns(in_curve=pl.lit(False), left_out_reason=pl.lit("no time under watch"))
    assert places_at(new, AS_OF)["age_known"].all()


def test_a_fleet_that_renews_early_sees_fewer_failures():
    """Parts changed at 300 days whatever their state: failures of the next year are fewer, as many as then happen."""
    rng = np.random.default_rng(5)
    rows, life = [], 0
    for v in range(200):
        start = int(rng.integers(400, 1600))
        at = 0.0
        while True:
            lasts = min(SCALE * rng.weibull(SHAPE), 300.0)
            end = min(at + lasts, start)
            ending = "in_service" if end == start else "planned" if lasts == 300 else "failed"
            rows.append((life, f"v{v}", ending, end - at, AS_OF - timedelta(days=int(start - at))))
            life += 1
            if ending == "in_service":
                break
            at = end
    schema = {"life_id": pl.Int64, "vehicle": pl.String, "ending": pl.String, "exit_days": pl.Float64, "start_on": pl.Date}
    lives = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        component=pl.lit("lamp"), lighting=pl.lit("discharge"), side=pl.lit("left"), origin=pl.lit("replacement"), generation=pl.lit(1),
        entry_days=pl.lit(0.0), entry_km=pl.lit(None, pl.Float64), exit_km=pl.lit(None, pl.Float64), km_per_day=pl.lit(None, pl.Float64),
        customer_group=pl.lit("north"), end_on=pl.lit(AS_OF), failed=(pl.col("ending") == "failed").cast(pl.Float64),
    )  # fmt: skip
    fits = fits_of(lives)
    others = other_renewals(lives)
    as_before = demand(lives, fits, AS_OF, seed=1, simulations=200, others=others).filter(pl.col("month").is_null())[-1]
    left = demand(lives, fits, AS_OF, seed=1, simulations=200).filter(pl.col("month").is_null())[-1]
    # What then happens, by the curve that was fitted: its own error is not what is asked here.
    fit = find_curve(read_curves(fits), "lamp", "discharge", "replacement", "days").fit
    shape, scale = (fit.params[n] for n in ("shape", "scale"))
    happened = []
    for age in np.tile(lives.filter(pl.col("ending") == "in_service")["exit_days"].to_numpy(), 20):
        n, now = 0, 0.0
        life = scale * ((age / scale) ** shape + rng.exponential()) ** (1 / shape) - age
        until = 300.0 - age
        while True:
            step = min(life, until)
            now += step
            if now > 365:
                break
            n += life < until
            life, until = scale * rng.weibull(shape), 300.0
        happened.append(n)
    true = np.mean(happened) * lives.filter(pl.col("ending") == "in_service").height
    assert as_before["mean"][0] == pytest.approx(true, rel=0.12)
    assert left["mean"][0] > 1.25 * true
