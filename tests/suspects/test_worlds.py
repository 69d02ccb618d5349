"""P(cause | symptom, km, age, renewed) against the truth of invented worlds: a quick look. The full table of a hundred worlds is
made by tests/benchmarks/suspects_worlds.py, which wrote suspects_worlds.csv beside it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.suspects import worlds

TABLE = Path(__file__).resolve().parents[1] / "benchmarks" / "suspects_worlds.csv"


@pytest.fixture(scope="module")
def some():
    return [worlds.measure(seed, great=2000) for seed in (201, 202)]


def test_the_truth_is_the_truth():
    """Shares by the formulas sum to 1 and foresee the causes of a world as often as they say: else nothing below means much."""
    made = worlds.fit_world(203, 600, draws=20, great=20)
    truth = worlds.truth_of_cases(made.asked, made.fresh)
    names = [*made.model.components, "other"]
    hit = np.array(names) == made.fresh.episodes["cause"].to_numpy()[:, None]
    assert truth.sum(axis=1) == pytest.approx(1.0)
    assert (truth[hit] > 0).all()
    for low in np.arange(0, 1, 0.2):
        band = (truth > low) & (truth <= low + 0.2)
        n = band.sum()
        assert n > 50
        noise = np.sqrt((truth[band] * (1 - truth[band])).sum()) / n
        assert hit[band].mean() == pytest.approx(truth[band].mean(), abs=4 * noise)


def test_near_the_truth_calibrated_and_better_than_counting(some):
    for world in some:
        assert world["better_than_both"] == 1
        assert world["log_model"] < world["log_by_symptom"]
        assert world["mae_model"] < 0.03 and world["mae_model"] < world["mae_by_symptom"] / 2
        assert world["calibration_error"] < 0.01
        assert 0.9 < world["slope"] < 1.1


def test_intervals_hold_the_truth(some):
    """90 % intervals; two worlds tell the share inside to some 5 points only (worlds differ by about 4 points)."""
    assert 0.83 <= np.mean([w["cover_by_cases"] for w in some]) <= 0.98
    assert 0.83 <= np.mean([w["cover_bench"] for w in some]) <= 0.98
    assert 0.78 <= np.mean([w["cover_rows"] for w in some]) <= 0.97


def test_the_committed_table_says_what_is_claimed():
    with TABLE.open(encoding="utf-8") as file:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    assert len(rows) == 100 == len({r["seed"] for r in rows})
    assert sum(r["better_than_both"] for r in rows) >= 95
    for name in ("cover_rows", "cover_by_cases", "cover_bench"):
        assert 0.87 <= np.mean([r[name] for r in rows]) <= 0.93, name
