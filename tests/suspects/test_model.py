"""The cause model in worlds whose causes are known."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.suspects import grid
from pipeline.suspects.model import cause_shares, fit_model
from pipeline.suspects.states import is_possible, recent_part
from pipeline.suspects.symptoms import (
    BOTH_DARK,
    code_value,
    concentration,
    fit_codes,
    fit_symptoms,
    symptom_key,
)
from tests.suspects.conftest import AGE, KM, fitted
from tests.suspects.simulate import AS_OF, CLOCKS, make_world


def test_shares_sum_to_one_and_nothing_stays_nothing():
    made = cause_shares(np.array([[1.0, 3.0], [0.0, 0.0]]))
    assert made.tolist() == [[0.25, 0.75], [0.0, 0.0]]


@pytest.mark.parametrize(
    ("component", "lighting", "category", "possible"),
    [
        ("igniter", "discharge", "D2S", True),
        ("igniter", "discharge", "D1S", False),
        ("igniter", "discharge", "d3r", False),
        ("igniter", "halogen", None, False),
        ("ballast", "halogen", None, False),
        ("ballast", "led", None, False),
        ("led_driver", "led", None, True),
        ("led_module", "discharge", None, False),
        ("lamp", "led", None, False),
        ("lamp", "halogen", "H7", True),
        ("wiring", "led", None, True),
        ("bulb_holder", "halogen", None, True),
        ("igniter", None, None, True),
    ],
)
def test_impossible_suspects(component, lighting, category, possible):
    assert is_possible(component, lighting, category) is possible


def test_recent_part_is_the_latest_and_the_assembly_on_a_tie():
    names = ("ballast", "headlamp_assembly", "lamp")
    yes = np.ones((3, 3), dtype=bool)
    ages = np.array([[50.0, 20.0, 10.0], [20.0, 20.0, 20.0], [200.0, 91.0, np.nan]])
    assert recent_part(names, yes, yes, ages, 90).tolist() == [2, 1, -1]
    assert recent_part(names, yes, ~yes, ages, 90).tolist() == [-1, -1, -1]


def test_both_sides_dark_is_a_symptom_of_its_own():
    frame = pl.DataFrame(
        {
            "symptom": ["low_beam_dark", "low_beam_dark", "dim", None, "unknown"],
            "side": ["both", "left", "both", "both", "left"],
        }
    )
    assert frame.select(symptom_key()).to_series().to_list() == [
        BOTH_DARK,
        "low_beam_dark",
        "dim",
        None,
        None,
    ]
    sure = frame.select(symptom_key(pl.lit(pl.Series([False, True, True, True, True])))).to_series()
    assert sure.to_list()[0] == "low_beam_dark"  # two renewed together, one perhaps only to match


def test_concentration_follows_the_data():
    rng = np.random.default_rng(0)
    mean = np.array([0.6, 0.3, 0.1])
    steady = rng.multinomial(60, mean, 80).astype(float)
    loose = np.stack([rng.multinomial(60, rng.dirichlet(4 * mean)) for _ in range(80)]).astype(float)
    assert concentration(steady, mean) > 150
    assert 2 < concentration(loose, mean) < 9


def test_symptoms_lean_on_the_component_elsewhere_and_then_on_all():
    rows = (
        [("lamp", "halogen", "dim")] * 80
        + [("lamp", "halogen", "low_beam_dark")] * 20
        + [("wiring", "halogen", "flicker")] * 60
    )
    frame = pl.DataFrame(rows, schema=["cause", "lighting", "key"], orient="row").with_columns(
        weight=pl.lit(1.0)
    )
    table = fit_symptoms(frame, ("control_module", "lamp", "wiring"), ("discharge", "halogen"))
    p = table.mean()
    assert p.sum(axis=2) == pytest.approx(1.0)
    dim, both = table.symptoms.index("dim"), table.symptoms.index(BOTH_DARK)
    assert p[1, 1, dim] == pytest.approx(0.8, abs=0.03)
    assert p[0, 1, dim] > 0.5  # no discharge lamp failed: taken from the halogen ones
    assert p[0, 0, both] > 5 * p[0, 1, both]  # no case at all: what both sides share comes first


def test_a_code_is_evidence_with_an_interval():
    rng = np.random.default_rng(1)
    causes = rng.choice(["ballast", "lamp"], 400, p=[0.3, 0.7])
    code = [("B1" if rng.random() < (0.8 if c == "ballast" else 0.1) else "B2") for c in causes]
    frame = pl.DataFrame({"cause": causes, "lighting": "discharge", "code": code, "weight": 1.0})
    codes = fit_codes(frame, ("ballast", "lamp", "other"), ("discharge",))
    assert codes.mean().sum(axis=2) == pytest.approx(1.0)
    table = code_value(codes, np.array([[120.0, 280.0, 0.0]]))
    row = table.filter((pl.col("fault_code") == "B1") & (pl.col("component") == "ballast")).row(0, named=True)
    truth = 0.3 * 0.8 / (0.3 * 0.8 + 0.7 * 0.1)
    assert row["low"] < truth < row["high"]
    assert row["verdict"] == "points to"
    once = fit_codes(frame.head(1), ("ballast", "lamp", "other"), ("discharge",))
    assert set(code_value(once, np.array([[120.0, 280.0, 0.0]]))["verdict"]) == {"too few"}


def test_every_cell_sums_to_one_to_the_last_digit(shop):
    totals = shop.priors.group_by(grid.KEYS).agg(
        (pl.col("probability") * 1e6).round().sum().alias("total"),
        pl.col("component").is_in(["other"]).any().alias("has_other"),
    )
    assert totals.height > 500
    assert (totals["total"] == 1e6).all()
    assert totals["has_other"].all()


def test_no_impossible_suspect_is_published(shop):
    halogen = shop.priors.filter(pl.col("lighting") == "halogen")
    assert not set(halogen["component"]) & {"igniter", "ballast", "led_module", "led_driver"}
    assert {"igniter", "ballast"} <= set(shop.priors.filter(pl.col("lighting") == "discharge")["component"])


def test_limits_hold_the_probability(shop):
    p = shop.priors
    assert (p["low"] <= p["probability"]).all() and (p["probability"] <= p["high"]).all()
    assert p["low"].min() >= 0 and p["high"].max() <= 1


def test_cells_nobody_reached_are_not_there(shop):
    young = shop.priors.filter((pl.col("age_high_days") <= AGE[1]) & (pl.col("km_low") >= 200_000))
    assert young.is_empty()
    lives = shop.world.lives.with_columns(
        age=(pl.col("end_on") - pl.col("first_use_on")).dt.total_days(), km=pl.col("odometer_at_end_km")
    )
    for (km, age), _ in shop.priors.group_by("km_low", "age_low_days"):
        assert (lives["km"] >= km).any() and (lives["age"] >= age).any()


def test_common_causes_first_when_both_sides_are_dark(shop):
    first = (
        shop.priors.filter((pl.col("symptom") == BOTH_DARK) & (pl.col("recently_replaced") == "none"))
        .group_by(grid.KEYS, maintain_order=True)
        .first()
    )
    assert first.height > 10
    assert set(first["component"]) <= {"control_module", "switch_or_fuse", "wiring"}


def test_basis_follows_the_cases(shop):
    p = shop.priors
    assert (p.filter(pl.col("basis") == "borrowed")["effective_cases"] < 5).all()
    assert (p.filter(pl.col("basis") != "borrowed")["effective_cases"] >= 5).all()
    assert (p.filter(pl.col("basis") == "own")["effective_cases"] >= shop.cells.concentration - 1e-3).all()


def test_a_recent_renewal_turns_the_ranking_only_where_parts_die_early(shop):
    def ballast(made, recent):
        w = made.world
        table = (
            grid.priors(made.model, w.lives, w.episodes, w.parts, KM, AGE, cells=made.cells)
            if made is not shop
            else shop.priors
        )
        cell = table.filter(
            (pl.col("symptom") == "low_beam_dark")
            & (pl.col("lighting") == "discharge")
            & (pl.col("vehicle_class") == "all")
            & (pl.col("recently_replaced") == recent)
        )
        return cell.filter(pl.col("component") == "ballast")["probability"].median()

    assert ballast(shop, "ballast") > 2 * ballast(shop, "none")
    calm = fitted(800, 12, early_scale=0.0)
    assert ballast(calm, "ballast") < ballast(calm, "none")


def test_row_order_and_vehicle_names_change_nothing(shop):
    w = shop.world
    names = {
        v: f"x{hash_of:06}" for hash_of, v in enumerate(sorted(w.lives["vehicle"].unique(), reverse=True))
    }
    lives = w.lives.with_columns(pl.col("vehicle").replace_strict(names)).sample(
        fraction=1.0, shuffle=True, seed=4
    )
    episodes = w.episodes.with_columns(pl.col("vehicle").replace_strict(names)).sample(
        fraction=1.0, shuffle=True, seed=5
    )
    parts = w.parts.sample(fraction=1.0, shuffle=True, seed=6)
    model = fit_model(lives, episodes, parts, clocks=CLOCKS, as_of=AS_OF, seed=1, draws=200)
    again = grid.priors(model, lives, episodes, parts, KM, AGE)
    assert again.select(grid.KEYS, "component").equals(
        shop.priors.select(grid.KEYS, "component"), null_equal=True
    )
    assert (again["probability"] - shop.priors["probability"]).abs().max() < 2e-5


@pytest.mark.parametrize(
    "names",
    [
        {"control_module": "switch_or_fuse", "switch_or_fuse": "control_module"},
        {"lamp": "igniter", "igniter": "ballast", "ballast": "lamp"},
    ],
)
def test_names_of_components_change_nothing(shop, names):
    """Names that mean the same to the rules of the trade (what a headlamp can have, what darkens both sides) change places:
    every figure goes with its part. Discharge headlamps alone, for a halogen one has no ballast."""
    discharge = pl.col("lighting") == "discharge"
    some = shop.world.lives.filter(discharge)["vehicle"].unique().sort().head(400).to_list()
    lives = shop.world.lives.filter(pl.col("vehicle").is_in(some)).with_columns(light_source_category=pl.lit(None, pl.String))
    episodes = shop.world.episodes.filter(pl.col("vehicle").is_in(some))
    parts = shop.world.parts.filter(pl.col("episode_id").is_in(episodes["episode_id"].implode()))

    def renamed(frame: pl.DataFrame) -> pl.DataFrame:
        told = [c for c in ("component", "cause", "first_replaced", "recently_replaced") if c in frame.columns]
        return frame.with_columns(pl.col(told).replace(names))

    def made(lives, episodes, parts, clocks):
        model = fit_model(lives, episodes, parts, clocks=clocks, as_of=AS_OF, seed=1, draws=100)
        return grid.priors(model, lives, episodes, parts, KM, AGE)

    before = made(lives, episodes, parts, CLOCKS)
    after = made(*map(renamed, (lives, episodes, parts)), {names.get(c, c): clock for c, clock in CLOCKS.items()})
    both = renamed(before).join(after, on=[*grid.KEYS, "component"], how="full", coalesce=True, nulls_equal=True, suffix="_after")
    assert len(both) == len(before) == len(after) > 1000
    for column in ("probability", "low", "high", "effective_cases"):
        assert (both[column] - both[f"{column}_after"]).abs().max() < 2e-5, column


def test_the_same_again_is_the_same_to_the_last_bit():
    w = make_world(150, 5)
    made = []
    for _ in range(2):
        model = fit_model(w.lives, w.episodes, w.parts, clocks=CLOCKS, as_of=AS_OF, seed=3, draws=50)
        made.append(grid.priors(model, w.lives, w.episodes, w.parts, KM, AGE))
    assert made[0].equals(made[1], null_equal=True)


def test_doubtful_causes_count_for_less(shop):
    w = shop.world
    half = w.episodes.with_columns(p=pl.lit(0.5))
    counts = grid.count_cases(shop.model, shop.cells, half, w.parts)
    assert counts.sum() == pytest.approx(shop.cells.counts.sum() / 2)


def test_thin_data_give_an_answer_that_says_it_is_thin():
    w = make_world(12, 2)
    none = w.episodes.clear()
    model = fit_model(w.lives, none, w.parts.clear(), clocks=CLOCKS, as_of=AS_OF, seed=1, draws=20)
    assert grid.priors(
        model, w.lives, none, w.parts.clear(), KM, AGE
    ).is_empty()  # no confirmed case: nothing is published
    few = fit_model(w.lives, w.episodes, w.parts, clocks=CLOCKS, as_of=AS_OF, seed=1, draws=20)
    table = grid.priors(few, w.lives, w.episodes, w.parts, [0], [0])
    assert table.height and table["vehicles"].max() <= 12
    with pytest.raises(ValueError, match="there are no lives"):
        fit_model(w.lives.clear(), w.episodes, w.parts, as_of=AS_OF, seed=1)
    with pytest.raises(ValueError, match="must rise"):
        grid.make_cells(few, w.episodes, w.parts, [0, 100, 50], AGE)


def test_rounding_keeps_the_sum():
    rng = np.random.default_rng(0)
    made = grid.round_to_one(rng.dirichlet(np.full(9, 0.3), 500))
    assert (np.round(made * 1e6).sum(axis=1) == 1e6).all()
    assert grid.round_to_one(np.array([[1 / 3, 1 / 3, 1 / 3, 0.0]])).tolist() == [
        [0.333334, 0.333333, 0.333333, 0.0]
    ]
