"""The backtest: it uses nothing from after its day, sees the model win where it should, and says so where it
does not."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.suspects.backtest import backtest, known_at, reliability
from tests.suspects.conftest import AGE, KM
from tests.suspects.simulate import AS_OF, CLOCKS, make_world

OPTIONS = {"as_of": AS_OF, "seed": 1, "km_edges": KM, "age_edges_days": AGE, "clocks": CLOCKS}


def test_nothing_from_after_the_day_is_used():
    w = make_world(200, 3)
    day = dt.date(2024, 1, 1)
    lives, episodes = known_at(w.lives, w.episodes, day)
    assert (
        lives["start_on"].max() <= day and lives["end_on"].max() <= day and episodes["opened_on"].max() <= day
    )
    cut = lives.filter(pl.col("end_on") == day)
    assert set(cut.filter(pl.col("ending") != "failed")["ending"]) <= {"in_service", "planned"}
    assert (lives["exit_days"] - (lives["end_on"] - lives["start_on"]).dt.total_days()).abs().max() < 1e-9
    km = lives.with_columns(pace=pl.col("exit_km") / pl.col("exit_days")).filter(pl.col("exit_days") > 30)
    spread = km.group_by("vehicle").agg((pl.col("pace").max() / pl.col("pace").min()).alias("r"))
    assert spread["r"].max() == pytest.approx(1.0, abs=1e-9)
    # What happens later changes nothing of what was known.
    later = w.lives.with_columns(
        pl.when(pl.col("end_on") > day).then(pl.lit("planned")).otherwise("ending").alias("ending")
    )
    assert known_at(later, w.episodes, day)[0].equals(lives, null_equal=True)


def test_the_model_beats_the_plain_baselines_where_causes_have_reasons(shop):
    w = shop.world
    made = backtest(w.lives, w.episodes, w.parts, origins=2, **OPTIONS)
    score = dict(zip(made.scores["method"], made.scores["log_score"], strict=True))
    brier = dict(zip(made.scores["method"], made.scores["brier"], strict=True))
    assert set(score) == {"model", "overall", "by_km"}
    assert score["model"] < min(score["overall"], score["by_km"]) - 0.1
    assert brier["model"] < min(brier["overall"], brier["by_km"])
    assert made.is_better and "better than" in made.verdict
    assert 0.8 < made.slope < 1.2
    assert made.reliability["n"].sum() > 500
    assert set(made.detail["method"]) == {"model", "priors", "overall", "by_km", "by_symptom"}


def test_a_bad_month_is_called_bad(shop):
    """Causes shuffled after the last origin: nothing can name them, and the words must say so."""
    w = shop.world
    rng = np.random.default_rng(0)
    late = w.episodes.with_columns(pl.col("opened_on") > AS_OF - dt.timedelta(days=91))
    is_late = late["opened_on"].to_numpy()
    cause = w.episodes["cause"].to_numpy().copy()
    cause[is_late] = rng.choice(["wiring", "switch_or_fuse", "control_module"], is_late.sum())
    first = w.episodes["first_replaced"].to_numpy().copy()
    odd = w.episodes.with_columns(pl.Series("cause", cause), pl.Series("first_replaced", first))
    made = backtest(w.lives, odd, w.parts, origins=1, **OPTIONS)
    assert not made.is_better
    assert "do not lean on it" in made.verdict
    assert made.slope < 0.5


def test_too_few_cases_are_not_scored():
    w = make_world(15, 1)
    made = backtest(w.lives, w.episodes.head(3), w.parts, **OPTIONS)
    assert made.scores.is_empty() and not made.is_better
    assert made.verdict.startswith("Not tested: 0 confirmed cases")


def test_reliability_of_a_fair_forecaster():
    rng = np.random.default_rng(2)
    said = rng.random(20_000)
    true = (rng.random(20_000) < said).astype(float)
    table = reliability(said, true, np.ones(20_000), 0.999)
    assert ((table["low"] <= table["said"]) & (table["said"] <= table["high"])).all()
    bold = reliability(
        said, (rng.random(20_000) < 0.5 + (said - 0.5) / 3).astype(float), np.ones(20_000), 0.999
    )
    assert not ((bold["low"] <= bold["said"]) & (bold["said"] <= bold["high"])).all()
