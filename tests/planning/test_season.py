"""A season is planned for only where the failures show one: the test's size, its power, and what it does to the months."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.planning.demand import demand
from pipeline.planning.season import NOT_SHOWN, SHOWN, TOO_FEW, season_tests
from tests.planning.world import AS_OF, fits_of

PEAK = 12  # the month in which the simulated season is highest


def seasonal_lives(amplitude: float, vehicles: int, seed: int, *, days: int = 1600, mean: float = 400) -> pl.DataFrame:
    """Memoryless lives in days whose rate swings by exp(amplitude cos) over the year, highest in mid December; day by
    day, so independent of how the program reckons with months."""
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * np.array([((AS_OF - timedelta(days=days - d)) - date(2000, 12, 15)).days for d in range(days)]) / 365.25
    rate = np.exp(amplitude * np.cos(angle)) / mean
    rows, life = [], 0
    for v in range(vehicles):
        start, at = int(rng.integers(0, days - 700)), None
        at = start
        for end in [*(np.flatnonzero(rng.random(days - start) < rate[start:]) + start + 1), days]:
            end = int(end)
            if end > at:
                failed = end < days
                begun, ended = (AS_OF - timedelta(days=days - x) for x in (at, end))
                rows.append((life, f"v{v:03d}", "left", begun, ended, "failed" if failed else "in_service", float(end - at), float(failed)))
                at, life = end, life + 1
    schema = {
        "life_id": pl.Int64, "vehicle": pl.String, "side": pl.String, "start_on": pl.Date, "end_on": pl.Date,
        "ending": pl.String, "exit_days": pl.Float64, "failed": pl.Float64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        component=pl.lit("lamp"),
        lighting=pl.lit("discharge"),
        origin=pl.lit("replacement"),
        generation=pl.lit(1),
        entry_days=pl.lit(0.0),
        customer_group=pl.lit("north"),
        exit_km=pl.lit(None, pl.Float64),
        km_per_day=pl.lit(None, pl.Float64),
    )


def fitted(lives: pl.DataFrame) -> pl.DataFrame:
    return fits_of(lives, families=("exponential",))


def test_a_strong_season_is_shown_and_moves_the_months():
    lives = seasonal_lives(0.6, 60, seed=1)
    fits = fitted(lives)
    told, seasons = season_tests(lives, fits, seed=1)
    row = told.row(0, named=True)
    assert row["verdict"] == SHOWN and row["peak_month"] in (11, 12, 1)
    assert row["ratio_low"] < np.exp(1.2) < row["ratio_high"]  # peak over trough: exp(2 x 0.6)
    factors = seasons["lamp", "discharge"].factors
    assert factors.mean(axis=1) == pytest.approx(np.ones(len(factors)), abs=1e-12)
    flat, wavy = (
        demand(lives, fits, AS_OF, seed=1, simulations=300, seasons=s).filter(pl.col("month").is_not_null())
        for s in (None, seasons)
    )
    assert wavy["mean"].sum() == pytest.approx(flat["mean"].sum(), rel=0.03)
    by_month = dict(zip(wavy["from_on"].dt.month(), wavy["mean"] / flat["mean"], strict=True))
    # June to July against December to January: month m runs from its last day on
    assert by_month[12] / by_month[6] == pytest.approx(np.exp(1.2), rel=0.35)


def test_no_season_is_seldom_shown():
    """Of 100 worlds without a season one is shown in about 5: 11 or more would have a chance of about 1 %."""
    verdicts = []
    for seed in range(100):
        lives = seasonal_lives(0.0, 25, seed=100 + seed)
        verdicts += season_tests(lives, fitted(lives), seed=1)[0]["verdict"].to_list()
    assert verdicts.count(SHOWN) <= 10 and verdicts.count(NOT_SHOWN) >= 89


def test_thin_data_are_not_tested():
    few = seasonal_lives(0.6, 6, seed=1)
    assert season_tests(few, fitted(few), seed=1)[0]["verdict"].to_list() == [TOO_FEW]
    short = seasonal_lives(0.6, 60, seed=1, days=710, mean=200)
    told, seasons = season_tests(short, fitted(short), seed=1)
    assert told["verdict"].to_list() == [TOO_FEW] and not seasons


def test_order_of_rows_does_not_matter():
    lives = seasonal_lives(0.3, 30, seed=3)
    fits = fitted(lives)
    one, two = (season_tests(x, fits, seed=1)[0] for x in (lives, lives.sample(fraction=1, shuffle=True, seed=1)))
    assert one.equals(two)
