"""Demand: exact where it can be, sums, no time no failures, calibrated in simulated fleets; renewals, plans, stock,
budget.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.planning.curves import find_curve, read_curves
from pipeline.planning.demand import (
    budget,
    demand,
    failing_within,
    forecast,
    month_edges,
    poisson_binomial,
    quantile_of,
    stock_to_hold,
)
from pipeline.planning.policy import renewal_function, weibull
from pipeline.planning.replacement import replacement_policy
from pipeline.planning.simulate import simulate
from tests.planning.world import AS_OF, costs_of, fits_of, lives_of


@pytest.fixture(scope="module")
def world():
    lives = lives_of(2.5, 700, 100, seed=4)
    fits = fits_of(lives)
    # without parameter uncertainty, to compare with exact counts
    sure = fits.with_columns(pl.col("unconstrained_covariance").str.replace_all(r"[-0-9.e]+", "0"))
    return lives, fits, sure


def test_no_time_no_failures(world):
    lives, fits, _ = world
    run = simulate(lives, fits, AS_OF, [0, 0], seed=1, simulations=20)
    assert run.failed.sum() == 0 and run.failed.shape == (1, 20, 1)


def test_poisson_binomial_without_renewals(world):
    lives, _, sure = world
    few = lives.filter(pl.col("ending") == "in_service").sort("vehicle", "side")
    book = read_curves(sure)
    p = np.concatenate(
        [
            failing_within(
                find_curve(book, "lamp", "discharge", o, "days"),
                few.filter(pl.col("origin") == o)["exit_days"].to_numpy(),
                20,
            )
            for o in ("original", "replacement")
        ]
    )
    exact = poisson_binomial(p)
    n = simulate(few, sure, AS_OF, [0, 20], seed=1, simulations=4000).failed[0, :, 0]
    # renewals within 20 days are rarer than one in a thousand failures here
    assert n.mean() == pytest.approx(p.sum(), abs=4 * np.sqrt((p * (1 - p)).sum() / 4000))
    for q in (0.05, 0.5, 0.95):
        assert abs(np.quantile(n, q) - quantile_of(exact, q)) <= 1


def test_renewals_follow_the_renewal_equation(world):
    lives, _, sure = world
    new = lives.filter((pl.col("ending") == "in_service") & (pl.col("origin") == "replacement")).with_columns(
        exit_days=pl.lit(0.0)
    )
    fit = find_curve(read_curves(sure), "lamp", "discharge", "replacement", "days").fit
    _, m = renewal_function(weibull(*(fit.params[n] for n in ("shape", "scale")))[0], 1500, 400)
    n = simulate(new, sure, AS_OF, [0, 1500], seed=2, simulations=400).failed[0, :, 0] / new.height
    assert n.mean() == pytest.approx(m[-1], abs=4 * n.std() / 20)


def test_depots_add_up_to_the_fleet(world):
    lives, fits, _ = world
    whole = demand(lives, fits, AS_OF, seed=5, simulations=100)
    parts = demand(lives, fits, AS_OF, seed=5, simulations=100, by=("customer_group",))
    added = parts.group_by("month", "horizon_days", maintain_order=True).agg(pl.col("mean", "places").sum())
    assert added["mean"].to_list() == pytest.approx(whole["mean"].to_list(), rel=1e-12)
    assert added["places"].unique().to_list() == [200]
    months = whole.filter(pl.col("month").is_not_null())
    assert months["mean"].sum() == pytest.approx(whole.filter(pl.col("month").is_null())["mean"].max())
    assert months.height == 12 and months["to_on"][-1] == date(2025, 6, 30)
    assert demand(lives, fits, AS_OF, seed=5, simulations=100).equals(whole)
    shuffled = demand(lives.sample(fraction=1, shuffle=True, seed=1), fits, AS_OF, seed=5, simulations=100)
    assert shuffled.equals(whole)


def test_vehicles_that_leave_need_less(world):
    lives, fits, _ = world
    names = lives.select("vehicle").unique(maintain_order=True)
    gone = names.with_columns(in_service_to=pl.lit(AS_OF))
    assert demand(lives, fits, AS_OF, seed=1, simulations=20, vehicles=gone)["mean"].sum() == 0
    stays = names.with_columns(in_service_to=pl.lit(None, dtype=pl.Date))
    assert demand(lives, fits, AS_OF, seed=1, simulations=20, vehicles=stays)["mean"].sum() > 0


def test_calibrated_in_simulated_fleets():
    """The 90 % interval of the next 180 days holds the count that then happens in about 90 % of worlds."""
    held, worlds = 0, 40
    for seed in range(worlds):
        rng = np.random.default_rng(9000 + seed)
        lives = lives_of(2.2, 600, 40, seed=7000 + seed)
        out = demand(
            lives,
            fits_of(lives, families=("weibull",), pool=True),
            AS_OF,
            months=6,
            seed=seed,
            simulations=200,
            confidence=0.9,
        )
        row = out.filter(pl.col("month").is_null()).sort("horizon_days").row(-1, named=True)
        happened = 0
        for age in lives.filter(pl.col("ending") == "in_service")["exit_days"].to_list():
            left = row["horizon_days"]
            life = 600 * ((age / 600) ** 2.2 + rng.exponential()) ** (1 / 2.2) - age
            while life <= left:
                happened += 1
                left, life = left - life, 600 * rng.weibull(2.2)
        held += row["low"] <= happened <= row["high"]
    assert held >= 31  # fewer of 40 would have a chance below 1 in 100 at a true 90 %


def test_a_plan_trades_failures_for_planned_work(world):
    lives, fits, _ = world
    costs = costs_of(10, 60)
    policy = replacement_policy(fits, costs, seed=1, blocks=False)
    assert policy["verdict"].to_list() == ["replace at age"]
    without, under = (
        budget(lives, fits, costs, AS_OF, seed=1, simulations=100, policy=p)
        .filter(pl.col("component") == "all")
        .row(0, named=True)
        for p in (None, policy)
    )
    assert under["failures"] < without["failures"] / 2 and under["planned"] > 0 == without["planned"]
    assert (
        without["mean"] == pytest.approx(60 * without["failures"])
        and without["low"] < without["median"] < without["high"]
    )


def test_stock_serves_the_level(world):
    lives, fits, _ = world
    low, high = (
        stock_to_hold(lives, fits, AS_OF, lead_days=30, service_level=s, seed=1).row(0, named=True) for s in (0.5, 0.99)
    )
    assert low["stock"] < high["stock"] and high["chance_short"] <= 0.01 and low["chance_short"] <= 0.5
    with pytest.raises(ValueError, match="service_level"):
        stock_to_hold(lives, fits, AS_OF, lead_days=30, service_level=1.0, seed=1)


def test_months_keep_the_day():
    assert month_edges(date(2024, 1, 31), 2) == [date(2024, 1, 31), date(2024, 2, 29), date(2024, 3, 31)]
    with pytest.raises(ValueError, match="between 0 and 1"):
        poisson_binomial([0.5, 1.1])


@pytest.fixture(scope="module")
def ahead(world):
    lives, fits, _ = world
    costs = costs_of(10, 60)
    policy = replacement_policy(fits, costs, seed=1, blocks=False)
    lives = lives.with_columns(depot=pl.when(pl.col("vehicle") < "v0030").then(pl.lit("Mill")).otherwise(pl.lit("Quay")))
    made = forecast(
        lives, fits, costs, policy, AS_OF, lead_days=30, depot="depot", dark={"lamp": (80.0, 20.0)}, seed=1, simulations=200
    )
    return lives, fits, costs, policy, made


def test_with_and_without_the_plan_beside_each_other(ahead, world):
    lives, fits, costs, policy, made = ahead
    year = made.demand.filter(pl.col("month").is_null() & (pl.col("horizon_days") == 365))
    failed, planned = (year.filter(pl.col("kind") == k).row(0, named=True) for k in ("failed", "planned"))
    alone = demand(lives, fits, AS_OF, seed=1, simulations=200).filter(pl.col("horizon_days") == 365, pl.col("month").is_null())
    assert failed["mean"] == alone["mean"][0]  # the same chances, whoever asks
    assert failed["plan_mean"] < failed["mean"] / 2 and planned["mean"] == 0 < planned["plan_mean"]
    whole = made.budget.filter(pl.col("component") == "all").row(0, named=True)
    assert whole["mean"] == pytest.approx(60 * failed["mean"])
    assert whole["plan_mean"] == pytest.approx(60 * failed["plan_mean"] + 10 * planned["plan_mean"])
    assert whole["saving_mean"] == pytest.approx(whole["mean"] - whole["plan_mean"])
    assert whole["saving_low"] < whole["saving_mean"] < whole["saving_high"]
    # the difference is told more sharply than the two sums, as both are of the same simulations
    assert whole["saving_high"] - whole["saving_low"] < (whole["high"] - whole["low"]) + (whole["plan_high"] - whole["plan_low"])


def test_depots_add_up_and_hold_more_than_one_shelf(ahead):
    *_, made = ahead
    added = made.demand_by_depot.group_by("kind", "month", "horizon_days", maintain_order=True).agg(
        pl.col("mean", "plan_mean", "places").sum()
    )
    for c in ("mean", "plan_mean", "places"):
        assert added[c].to_list() == pytest.approx(made.demand[c].to_list())
    assert made.stock_by_depot["depot"].to_list() == ["Mill", "Quay"]
    assert made.stock_by_depot["stock"].sum() >= made.stock["stock"][0] > 0
    assert made.stock_by_depot["expected"].sum() == pytest.approx(made.stock["expected"][0])


def test_dark_lamps_are_a_share_of_the_failures(ahead):
    *_, made = ahead
    lamp, whole = made.dark_lamps.iter_rows(named=True)
    failed = made.demand.filter(pl.col("month").is_null(), pl.col("horizon_days") == 365, pl.col("kind") == "failed")
    # Jeffreys' prior: (80 + 1/2) / (100 + 1)
    assert lamp["share_dark"] == pytest.approx(80.5 / 101)
    assert lamp["mean"] == pytest.approx(failed["mean"][0] * 80.5 / 101, rel=0.03)
    assert whole["component"] == "all" and whole["mean"] == lamp["mean"]
    assert lamp["prevented_mean"] == pytest.approx(lamp["mean"] - lamp["plan_mean"])
    assert lamp["prevented_low"] > 0


def test_a_plan_that_does_nothing_changes_nothing(ahead):
    lives, fits, costs, policy, _ = ahead
    idle = policy.with_columns(verdict=pl.lit("run to failure"), age=pl.lit(None, pl.Float64))
    made = forecast(lives, fits, costs, idle, AS_OF, lead_days=30, depot="depot", seed=1, simulations=50)
    assert made.demand["kind"].unique().to_list() == ["failed"]
    assert (made.demand["mean"] == made.demand["plan_mean"]).all() and (made.budget["saving_high"] == 0).all()
    assert made.dark_lamps.is_empty()  # no case is known


def test_parts_are_renewed_at_services_not_between_them(world):
    lives, fits, _ = world
    policy = replacement_policy(fits, costs_of(10, 60), seed=1, blocks=False)
    services = (
        lives.select("vehicle")
        .unique(maintain_order=True)
        .with_columns(first_on=pl.lit(AS_OF + timedelta(days=50)), second_on=pl.lit(AS_OF + timedelta(days=150)))
    )
    places = lives.filter(pl.col("ending") == "in_service")
    run = simulate(places, fits, AS_OF, [0, 49, 51, 149, 151], seed=1, simulations=50, policy=policy, services=services)
    planned = run.planned.sum(axis=0).mean(axis=0)
    assert planned[1] > 10 and planned[3] > 10 and planned[0] == 0
    assert planned[2] < 0.02 * planned.sum()  # none but those that failed, were renewed and came of age


def test_a_vehicle_that_leaves_soon_gets_no_planned_work(world):
    lives, fits, _ = world
    policy = replacement_policy(fits, costs_of(10, 60), seed=1, blocks=False)
    names = lives.select("vehicle").unique(maintain_order=True)
    services = names.with_columns(first_on=pl.lit(AS_OF + timedelta(days=50)), second_on=pl.lit(AS_OF + timedelta(days=150)))
    planned = {}
    for stay in (100, 200, 5000):
        leaving = names.with_columns(in_service_to=pl.lit(AS_OF + timedelta(days=stay)))
        run = simulate(lives, fits, AS_OF, [0, 365], seed=1, simulations=20, policy=policy, services=services, vehicles=leaving)
        planned[stay] = run.planned.sum()
    assert planned[100] == 0 < planned[200] <= planned[5000]
