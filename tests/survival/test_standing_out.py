"""Power of the comparison against simulation, and the share of bad pieces found again."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.survival.early import early_failures, false_discoveries
from pipeline.survival.standing_out import defective_shares, power_of_verdicts
from tests.survival.test_early import KEYS, WINDOW, replacements


def test_stated_power_is_that_of_simulated_worlds():
    worlds, options = 200, {"suppliers": 5, "size": (300, 301), "chance": 0.08}
    frame, _ = replacements(worlds=worlds, worse=2.0, seed=1_000, **options)
    found = early_failures(frame, KEYS, [WINDOW], parents=["component"], cluster=None)
    hits = [
        (false_discoveries(p["p_value"].to_numpy())[0] <= 0.05) & (p["failed"][0] > p["expected"][0])
        for _, p in found.group_by("component", maintain_order=True)
    ]
    equal, _ = replacements(worlds=6, seed=20, **options)
    told = np.mean(
        [
            power_of_verdicts(early_failures(w, KEYS, [WINDOW], parents=["component"], cluster=None))["power"][0]
            for _, w in equal.group_by("component", maintain_order=True)
        ]
    )
    # The bar itself moves a little from world to world: a tenth is allowed beside three sampling errors.
    assert np.mean(hits) == pytest.approx(told, abs=0.1 + 3 * np.sqrt(0.25 / worlds))
    assert 0.3 < told < 0.95


def test_power_grows_with_the_ratio_and_the_number_fitted():
    small, _ = replacements(worlds=1, suppliers=5, size=(40, 41), seed=5)
    big, _ = replacements(worlds=1, suppliers=5, size=(900, 901), seed=5)
    table = {n: early_failures(f, KEYS, [WINDOW], parents=["component"]) for n, f in (("small", small), ("big", big))}
    assert power_of_verdicts(table["small"])["power"].mean() < 0.3 < power_of_verdicts(table["big"])["power"].mean()
    assert power_of_verdicts(table["big"], ratio=3.0)["power"].mean() > power_of_verdicts(table["big"], ratio=1.5)["power"].mean()
    with pytest.raises(ValueError, match="ratio"):
        power_of_verdicts(table["big"], ratio=1.0)


def lots(seed, share, n=300, worse=1.0, lots=1):
    """Of each lot a share fails early (Weibull 1.2, 50 days); the rest is worn out late; `worse` shortens all of the rest."""
    rng = np.random.default_rng(seed)
    m = n * lots
    bad = rng.random(m) < share
    life = np.where(bad, 50 * rng.weibull(1.2, m), 2_000 * rng.weibull(2.0, m) / worse)
    end = rng.uniform(60, 900, m)
    return pl.DataFrame(
        {
            "component": "lamp",
            "lot": np.arange(m) // n,
            "vehicle": np.arange(m),
            "entry_days": 0.0,
            "exit_days": np.minimum(life, end),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    )


def test_the_share_of_bad_pieces_is_covered():
    lives = lots(1, 0.2, lots=40)
    found = defective_shares(lives, lives.select("component", "lot").unique(maintain_order=True), ["component", "lot"], until=200.0)
    told = found.filter(pl.col("share").is_not_null())
    assert told.height > 36 and (told["verdict"] == "a share is bad").mean() > 0.9
    inside = ((told["low"] <= 0.2) & (told["high"] >= 0.2)).mean()
    assert inside >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / told.height)
    assert told["share"].mean() == pytest.approx(0.2, abs=0.025)
    assert told["failed_so_far"].is_between(0.5, 1.0).all()


def test_a_lot_that_is_worse_as_a_whole_is_not_called_part_bad():
    lives = lots(2, 0.0, worse=12.0, lots=20)
    found = defective_shares(lives, lives.select("component", "lot").unique(maintain_order=True), ["component", "lot"], until=365.0)
    assert (found["verdict"] == "a share is bad").mean() <= 0.1


def test_few_failures_are_refused_in_words():
    lives = lots(3, 0.01, n=40)
    row = defective_shares(lives, lives.select("component", "lot").head(1), ["component", "lot"]).row(0, named=True)
    assert (row["verdict"], row["share"]) == ("too few", None) and "5 are needed" in row["warning"]
