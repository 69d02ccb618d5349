"""Last year's plan: made only from what was known then, and held against what happened."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.planning.curves import places_at
from pipeline.planning.due import next_services
from pipeline.planning.replay import NOTHING_DUE, TOO_SHORT, curves_at, lives_at, replay, replay_plan
from tests.planning.world import AS_OF, costs_of, lives_of

THEN = date(2023, 6, 30)
FAMILIES = ("exponential", "weibull")


def watched(lives: pl.DataFrame) -> pl.DataFrame:
    return lives.with_columns(
        failed=(pl.col("ending") == "failed").cast(pl.Float64),
        watched_from=pl.col("start_on"),
        entry_km=pl.lit(0.0),
        stratum=pl.lit("all"),
    )


def every_90_days(known: pl.DataFrame) -> pl.DataFrame:
    vehicles = known.select("vehicle", "customer_group").unique("vehicle", maintain_order=True).sort("vehicle")
    plan = pl.DataFrame(
        {"vehicle": [None], "customer_group": [None], "interval_km": [None], "interval_days": [90.0], "next_service_on": [None]},
        schema_overrides={
            "vehicle": pl.String, "customer_group": pl.String, "interval_km": pl.Float64, "next_service_on": pl.Date,
        },
    )  # fmt: skip
    return next_services(vehicles, plan, THEN)


def played(lives: pl.DataFrame, planned: float, unplanned: float, **options) -> pl.DataFrame:
    return replay_plan(
        watched(lives), costs_of(planned, unplanned), every_90_days, THEN, AS_OF, seed=1, families=FAMILIES, **options
    )


def test_lives_are_cut_at_the_day():
    lives = watched(lives_of(2, 600, 40, seed=1))
    cut = lives_at(lives, THEN)
    assert cut["end_on"].max() <= THEN and (cut["start_on"] <= THEN).all()
    assert cut.filter(pl.col("ending") == "failed").height == lives.filter(
        (pl.col("ending") == "failed") & (pl.col("end_on") <= THEN)
    ).height
    # what is cut runs on to the day, by days and in step by km
    running = cut.filter(pl.col("ending") == "in_service")
    age = (pl.lit(THEN) - pl.col("start_on")).dt.total_days()
    off = running.select((pl.col("exit_days") - age).abs().max()).item()
    assert off <= 1  # starts are whole days, lives are not
    assert (running["exit_km"] - 40 * running["exit_days"]).abs().max() < 1e-6
    assert places_at(cut, THEN).height == running.height


def test_what_came_later_does_not_change_the_plan():
    lives = watched(lives_of(3, 600, 60, seed=2))
    later = lives.with_columns(
        ending=pl.when((pl.col("ending") == "failed") & (pl.col("end_on") > THEN)).then(pl.lit("planned")).otherwise("ending")
    ).with_columns(failed=(pl.col("ending") == "failed").cast(pl.Float64))
    one, two = (curves_at(lives_at(x, THEN), {}, min_failures=5, families=FAMILIES) for x in (lives, later))
    assert one.keys() == two.keys() and all(np.array_equal(one[k].fit.theta, two[k].fit.theta) for k in one)


def test_wear_is_met_and_a_memoryless_part_left_alone():
    worn = played(lives_of(4, 600, 150, seed=3), 10, 100)
    row = worn.filter((pl.col("component") == "all") & (pl.col("basis") == "recommended")).row(0, named=True)
    assert row["due"] > 50 and row["prevented"] > row["too_late"] and row["verdict"] == "would have saved money"
    assert row["saving_low"] < row["saving"] < row["saving_high"]
    assert row["saving"] == pytest.approx(row["cost_without"] - row["cost_of_plan"])
    assert row["due"] == row["too_late"] + row["prevented"] + row["unneeded"] + row["unmatched"]
    even = played(lives_of(1, 600, 150, seed=3), 10, 50)
    assert even.filter(pl.col("basis") == "recommended")["verdict"].to_list() == [NOTHING_DUE]
    assert even["failures"][0] > 100


def test_a_short_history_is_refused():
    out = played(lives_of(3, 300, 40, seed=4, days=600), 10, 60)  # watched 235 days before the plan
    assert out["verdict"].to_list() == [TOO_SHORT] and out["due"].to_list() == [0]
    with pytest.raises(ValueError, match="older"):
        replay_plan(watched(lives_of(3, 300, 5, seed=4)), costs_of(1, 2), every_90_days, AS_OF, THEN, seed=1)


def test_the_fresh_part_counts_against_the_plan():
    lives = watched(lives_of(3, 600, 60, seed=5))
    book = curves_at(lives_at(lives, THEN), {}, min_failures=5, families=FAMILIES)
    there = lives.filter((pl.col("start_on") <= THEN) & (pl.col("end_on") > THEN)).head(20)
    due = there.select(
        "customer_group", "vehicle", "component", "side", "lighting", "stratum",
        pl.lit(THEN + timedelta(days=30)).alias("due_on"), pl.lit("days").alias("clock"), pl.lit(1.0).alias("rate"),
    )  # fmt: skip
    without, with_fresh = (
        replay(due, lives, costs_of(10, 60), THEN, AS_OF, book=b, seed=1).row(0, named=True) for b in (None, book)
    )
    done = with_fresh["prevented"] + with_fresh["unneeded"]
    curve = book["lamp", "discharge", "replacement", "all", "days"]
    most = float(1 - curve.survival(np.array([(AS_OF - THEN).days - 30]))[0])
    assert 0.5 * done * most < with_fresh["fresh_failures"] <= done * most + 1e-9
    extra = with_fresh["cost_of_plan"] - without["cost_of_plan"]
    assert extra == pytest.approx(60 * with_fresh["fresh_failures"])
