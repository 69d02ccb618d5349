"""At the bench: the same answer as the grid, wider where less is known, and evidence that counts."""

from __future__ import annotations

import dataclasses
import json
import time

import polars as pl
import pytest

from pipeline.suspects import bench, grid
from pipeline.suspects.bench import Query, rank
from pipeline.suspects.order import EXAMPLE_ACCESS
from tests.suspects.conftest import AGE

BASE = Query(symptom="low_beam_dark", side="right", km=100_000, age_days=AGE[3] + 100, lighting="discharge")


def by_name(ranking):
    return {s.component: s for s in ranking.suspects}


def change(**more) -> Query:
    return dataclasses.replace(BASE, **more)


def width(ranking, component="lamp"):
    s = by_name(ranking)[component]
    return s.high - s.low


def test_the_data_survive_json_and_answer_at_once(shop):
    data = json.loads(json.dumps(shop.data, allow_nan=False))
    start = time.perf_counter()
    ranking = rank(data, BASE)
    assert time.perf_counter() - start < 0.5
    assert ranking == rank(shop.data, BASE)
    assert sum(s.probability for s in ranking.suspects) == pytest.approx(1.0)
    assert json.dumps(ranking.as_dict())


def test_with_no_history_the_bench_says_what_the_grid_says(shop):
    checked = 0
    for key, cell in shop.priors.filter(pl.col("vehicle_class") == "all").group_by(
        grid.KEYS, maintain_order=True
    ):
        key = dict(zip(grid.KEYS, key, strict=True))
        if key["recently_replaced"] != "none":
            continue
        told = rank(
            shop.data,
            Query(
                symptom=key["symptom"],
                km=key["km_low"] + 1,
                age_days=key["age_low_days"] + 1,
                lighting=key["lighting"],
            ),
        )
        got = by_name(told)
        for row in cell.iter_rows(named=True):
            assert got[row["component"]].probability == pytest.approx(row["probability"], abs=2e-5)
        checked += 1
    assert checked > 50


def test_less_known_is_wider_and_said(shop):
    full = rank(shop.data, change(original=tuple(shop.data["components"])))
    plain = rank(shop.data, BASE)
    no_km, no_age = rank(shop.data, change(km=None)), rank(shop.data, change(age_days=None))
    assert width(full) < width(plain) < max(width(no_km), width(no_age))
    assert "history_unknown" in plain.notes and "history_unknown" not in full.notes
    assert "km_unknown" in no_km.notes and "age_unknown" in no_age.notes
    nothing = rank(shop.data, Query(symptom="low_beam_dark"))
    assert {"km_unknown", "age_unknown", "lighting_unknown"} <= set(nothing.notes)
    assert set(nothing.notes) <= set(bench.NOTES)


def test_a_fresh_ballast_moves_to_the_top(shop):
    old = by_name(rank(shop.data, change(original=("ballast",))))["ballast"]
    fresh = rank(shop.data, change(replaced={"ballast": 15}))
    assert fresh.suspects[0].component == "ballast"
    assert fresh.suspects[0].probability > 2 * old.probability
    assert fresh.recently_replaced == "ballast"


def test_a_fresh_lamp_without_early_deaths_is_not_suspected_for_wear(shop):
    worn = by_name(rank(shop.data, change(original=("lamp",), km=190_000)))["lamp"].probability
    year = by_name(rank(shop.data, change(replaced={"lamp": 400}, km=190_000)))["lamp"].probability
    assert year < worn / 2


def test_cleared_moved_stayed(shop):
    before = by_name(rank(shop.data, BASE))
    cleared = by_name(rank(shop.data, change(cleared=("lamp",))))
    p = before["lamp"].probability
    assert cleared["lamp"].probability == pytest.approx(0.02 * p / (0.02 * p + 1 - p))
    moved = by_name(rank(shop.data, change(moved=("ballast",))))
    q = before["ballast"].probability
    assert moved["ballast"].probability == pytest.approx(0.98 * q / (0.98 * q + 0.02 * (1 - q)))
    assert moved["ballast"].low <= moved["ballast"].probability <= moved["ballast"].high
    stayed = by_name(rank(shop.data, change(stayed=("ballast",))))
    assert stayed["ballast"].probability == pytest.approx(0.02 * q / (0.02 * q + 0.98 * (1 - q)))
    sure = by_name(rank(shop.data, change(stayed=("ballast",), swap_error=0.0)))
    assert sure["ballast"].probability == 0
    everything = tuple(c for c in shop.data["components"])
    assert "evidence_conflict" in rank(shop.data, change(cleared=everything, stayed=everything)).notes


def test_a_fault_code_points_at_its_cause(shop):
    plain, coded = by_name(rank(shop.data, BASE)), by_name(rank(shop.data, change(fault_code="b1a 10")))
    assert coded["lamp"].probability > plain["lamp"].probability
    unseen = rank(shop.data, change(fault_code="X999"))
    assert "code_unknown" in unseen.notes
    assert by_name(unseen)["lamp"].probability == pytest.approx(plain["lamp"].probability)


def test_no_separate_igniter_where_the_light_source_carries_it(shop):
    assert "igniter" in by_name(rank(shop.data, BASE))
    assert "igniter" not in by_name(rank(shop.data, change(light_source_category="D1S")))
    named = rank(shop.data, change(light_source_category="D3S", cleared=("igniter",)))
    assert "not_in_vehicle" in named.notes


def test_both_sides_dark(shop):
    ranking = rank(shop.data, change(side="both"))
    assert ranking.suspects[0].component in ("control_module", "switch_or_fuse", "wiring")
    assert "common_cause" in ranking.notes


def test_out_of_reach_and_unknown_words_are_said(shop):
    far = rank(shop.data, change(km=390_000, age_days=200))
    assert "cell_not_reached" in far.notes and far.basis == "borrowed"
    odd = rank(shop.data, change(symptom="smells", cleared=("gearbox",), vehicle_class="tram"))
    assert {"symptom_unknown", "part_unknown", "class_unknown"} <= set(odd.notes)
    old = rank(shop.data, change(original=tuple(shop.data["components"]), km=5_000_000))
    assert "beyond_ages" in old.notes


@pytest.mark.parametrize(
    "bad",
    [
        {"km": -1},
        {"age_days": float("nan")},
        {"check_sensitivity": 2},
        {"replaced": {"lamp": -3}},
        {"moved": ("lamp",), "stayed": ("lamp",)},
    ],
)
def test_what_cannot_be_is_refused(shop, bad):
    with pytest.raises(ValueError):
        rank(shop.data, change(**bad))


def test_a_lighting_without_a_vehicle_is_refused_in_words(shop):
    with pytest.raises(ValueError, match="no vehicle with led headlamps"):
        rank(shop.data, change(lighting="led"))


def test_a_check_order_for_the_bench(shop):
    ranking = rank(shop.data, change(cleared=("lamp",)))
    order = bench.check_order(ranking, EXAMPLE_ACCESS, cleared=("lamp",))
    assert "lamp" not in [s["component"] for s in order["steps"]]
    assert order["expected_minutes"] <= order["expected_minutes_naive"] + 1e-9
    assert sum(s["opens"] == "headlamp_out" for s in order["steps"]) == 1


def test_the_flat_table_holds_the_gammas(shop):
    table = bench.suspicion_model(shop.model)
    assert (table["gamma_shape"] / table["gamma_rate"] / table["hazard"] - 1).abs().max() < 1e-9
    assert set(table["component"]) == set(shop.model.components)
    assert set(table["origin"]) == {"original", "replacement"}
