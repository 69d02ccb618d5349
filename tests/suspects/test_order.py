"""Orders of checks against every order there is."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pytest

from pipeline.suspects import grid
from pipeline.suspects.order import (
    EXAMPLE_ACCESS,
    Check,
    access_from_labour,
    best_order,
    best_orders,
    check_order,
    checks_from,
    ratio_order,
    walk,
)


def cases(count: int, steps: bool):
    rng = np.random.default_rng(7 + steps)
    for _ in range(count):
        n = int(rng.integers(1, 8 if not steps else 7))
        p = rng.dirichlet(np.ones(n + 1))
        opens = [("front", "side", None)[int(k)] if steps else None for k in rng.integers(0, 3, n)]
        minutes = {"front": float(rng.uniform(5, 30)), "side": float(rng.uniform(2, 15)), None: 0.0}
        yield (
            p[:n].tolist(),
            [Check(f"c{i}", float(rng.uniform(1, 20)), o, minutes[o]) for i, o in enumerate(opens)],
        )


def brute(p, checks, last_is_inferred=False):
    return min(
        walk(o, p, checks, last_is_inferred).expected_minutes for o in itertools.permutations(range(len(p)))
    )


def test_the_ratio_rule_is_the_best_order_without_access_steps():
    for p, checks in cases(40, steps=False):
        least = brute(p, checks)
        assert walk(ratio_order(p, checks), p, checks).expected_minutes == pytest.approx(least, rel=1e-12)
        assert best_order(p, checks).expected_minutes == pytest.approx(least, rel=1e-12)


def test_the_best_order_is_exact_with_shared_access_steps():
    beaten = 0
    for p, checks in cases(60, steps=True):
        best = best_order(p, checks)
        assert best.expected_minutes == pytest.approx(brute(p, checks), rel=1e-12)
        beaten += walk(ratio_order(p, checks), p, checks).expected_minutes > best.expected_minutes + 1e-9
    assert beaten > 5  # so the ratio rule would not do


def test_the_last_suspect_needs_no_check_when_nothing_else_is_left():
    checks = [Check("a", 10), Check("b", 4)]
    assert best_order([0.5, 0.5], checks, last_is_inferred=True).expected_minutes == pytest.approx(4)
    assert best_order([0.5, 0.4], checks, last_is_inferred=True).expected_minutes == pytest.approx(
        4 + 0.6 * 10
    )
    for p, some in cases(20, steps=True):
        q = (np.array(p) / sum(p)).tolist()
        assert best_order(q, some, True).expected_minutes == pytest.approx(
            brute(q, some, True), rel=1e-9, abs=1e-12
        )


def test_names_change_nothing():
    for p, checks in cases(20, steps=True):
        turned = list(range(len(p)))[::-1]
        other = best_order([p[i] for i in turned], [checks[i] for i in turned])
        assert other.expected_minutes == pytest.approx(best_order(p, checks).expected_minutes, rel=1e-12)


def test_more_than_twelve_checks_are_refused():
    with pytest.raises(ValueError, match="12 at most"):
        best_orders(np.full((1, 13), 0.05), [Check(str(i), 1.0) for i in range(13)])


def test_check_order_of_the_published_grid(shop):
    table = check_order(shop.priors)
    assert {
        *grid.KEYS,
        "rank",
        "component",
        "probability",
        "minutes",
        "expected_minutes",
        "expected_minutes_naive",
    } <= set(table.columns)
    assert "other" not in set(table["component"])
    assert (table["expected_minutes"] <= table["expected_minutes_naive"] + 1e-9).all()
    assert (table["expected_minutes"] <= table["expected_minutes_cheapest"] + 1e-9).all()
    sizes = (
        shop.priors.filter(pl.col("component") != "other")
        .group_by(grid.KEYS)
        .len()
        .sort(grid.KEYS, nulls_last=True)
    )
    ranks = table.group_by(grid.KEYS).agg(pl.col("rank").sort()).sort(grid.KEYS, nulls_last=True)
    assert ranks["rank"].to_list() == [list(range(1, n + 1)) for n in sizes["len"]]
    # One cell by hand: the steps' minutes make up the expected minutes.
    cell = next(iter(table.partition_by(grid.KEYS, maintain_order=True)))
    left, total = 1.0, 0.0
    for row in cell.iter_rows(named=True):
        total, left = total + row["minutes"] * left, left - row["probability"]
    assert total == pytest.approx(cell["expected_minutes"][0])
    assert cell.filter(pl.col("opens") == "headlamp_out").height == 1
    one = best_order(*_as_lists(cell))
    assert one.expected_minutes == pytest.approx(cell["expected_minutes"][0])


def _as_lists(cell):
    cell = cell.sort("component")
    return cell["probability"].to_list(), checks_from(EXAMPLE_ACCESS, cell["component"].to_list())[0]


def test_an_access_table_that_cannot_be_is_refused_in_words():
    with pytest.raises(ValueError, match="above 0"):
        checks_from(EXAMPLE_ACCESS.with_columns(pl.lit(0.0).alias("check_minutes")), ["lamp"])
    with pytest.raises(ValueError, match="more than one row for lamp"):
        checks_from(
            pl.concat([EXAMPLE_ACCESS, EXAMPLE_ACCESS.filter(pl.col("component") == "lamp")]), ["lamp"]
        )
    with pytest.raises(ValueError, match="empty"):
        checks_from(EXAMPLE_ACCESS.clear(), ["lamp"])


def test_a_component_without_minutes_takes_the_median_and_says_so():
    checks, assumed = checks_from(EXAMPLE_ACCESS, ["lamp", "bulb_holder"])
    assert assumed == {"bulb_holder"}
    assert checks[1].minutes == EXAMPLE_ACCESS["check_minutes"].median()


def test_minutes_learned_from_labour():
    lives = pl.DataFrame(
        {"component": ["ballast"] * 12 + ["lamp"] * 3, "fitted_labour_hours": [1.25] * 12 + [9.0] * 3}
    )
    table = access_from_labour(lives)
    got = {r["component"]: r for r in table.iter_rows(named=True)}
    assert got["ballast"]["check_minutes"] == pytest.approx((75 - 25) * 0.3)
    assert got["ballast"]["opens_minutes"] == 25.0
    assert got["ballast"]["source"] == "labour" and got["ballast"]["jobs"] == 12
    assert (
        got["lamp"]["check_minutes"] == 4.0 and got["lamp"]["source"] == "given"
    )  # three jobs tell too little


def test_an_access_step_never_takes_more_than_the_jobs_behind_it():
    """Lamps are changed in 24 minutes: getting at them cannot take 25."""
    lives = pl.DataFrame({"component": ["lamp"] * 20 + ["ballast"] * 20, "fitted_labour_hours": [0.4] * 20 + [1.0] * 20})
    got = {r["component"]: r for r in access_from_labour(lives).iter_rows(named=True)}
    assert got["lamp"]["opens_minutes"] == got["wiring"]["opens_minutes"] == pytest.approx(0.6 * 24)
    assert got["lamp"]["check_minutes"] == pytest.approx(0.4 * 24 * 0.3)
    assert got["ballast"]["check_minutes"] == pytest.approx((60 - 0.6 * 24) * 0.3)
    assert got["control_module"]["opens_minutes"] == 0.0


def test_seven_checks_against_every_order():
    """One order out of 5,040, twice with access steps and twice without."""
    rng = np.random.default_rng(3)
    for steps in (False, True):
        for _ in range(2):
            p = rng.dirichlet(np.ones(8))[:7].tolist()
            opens = [("front", "side", None)[int(k)] if steps else None for k in rng.integers(0, 3, 7)]
            minutes = {"front": 22.0, "side": 9.0, None: 0.0}
            checks = [Check(f"c{i}", float(rng.uniform(1, 20)), o, minutes[o]) for i, o in enumerate(opens)]
            best = best_order(p, checks)
            assert best.expected_minutes == pytest.approx(brute(p, checks), rel=1e-12)
            grid_order = best_orders(np.array([p]), checks)[0].tolist()
            assert walk(grid_order, p, checks).expected_minutes == pytest.approx(best.expected_minutes, rel=1e-12)


def test_no_priors_give_no_order(shop):
    assert check_order(shop.priors.clear()).is_empty()
