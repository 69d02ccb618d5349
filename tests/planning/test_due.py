"""The due list and the places where a cause must be found."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.planning.curves import find_curve, read_curves
from pipeline.planning.due import LEAVE, PAIR, due_list, next_services
from pipeline.planning.pairs import pair_policy
from pipeline.planning.repeats import MORE, UNTOLD, beyond_chance, repeat_places, several_at_once
from pipeline.planning.replacement import replacement_policy
from pipeline.planning.replay import replay
from pipeline.planning.strata import choose_strata, with_stratum
from tests.planning.world import AS_OF, costs_of, fits_of, lives_of


@pytest.fixture(scope="module")
def made():
    lives = lives_of(3, 700, 120, seed=1)
    fits, costs = fits_of(lives), costs_of(10, 60)
    policy = replacement_policy(fits, costs, seed=1, blocks=False)
    pairs = pair_policy(fits, costs, {"days": 180}, shared_labour={"lamp": 5})
    vehicles = (
        lives.select("vehicle", "customer_group")
        .unique("vehicle", maintain_order=True)
        .sort("vehicle")
        .with_columns(
            in_service_to=pl.when(pl.col("vehicle") < "v0010").then(AS_OF + timedelta(days=100)).otherwise(None)
        )
    )
    plan = pl.DataFrame(
        {
            "vehicle": [None],
            "customer_group": [None],
            "interval_km": [None],
            "interval_days": [180.0],
            "next_service_on": [AS_OF + timedelta(days=120)],
        },
        schema_overrides={"vehicle": pl.String, "customer_group": pl.String, "interval_km": pl.Float64},
    )
    services = next_services(vehicles, plan, AS_OF)
    return (
        lives,
        fits,
        policy,
        pairs,
        vehicles,
        services,
        due_list(lives, fits, policy, vehicles, services, AS_OF, pairs=pairs, seed=1),
    )


def test_one_row_a_place_and_chances_grow(made):
    lives, fits, *_, out = made
    assert out.height == lives.filter(pl.col("ending") == "in_service").height == 240
    assert (out["chance_first"] <= out["chance_second"]).all()
    assert (out["chance_first_low"] <= out["chance_first"]).all() and (
        out["chance_first"] <= out["chance_first_high"]
    ).all()
    row = out.filter(pl.col("origin") == "replacement").row(0, named=True)
    fit = find_curve(read_curves(fits), "lamp", "discharge", "replacement", "days").fit
    exact = 1 - fit.survival(row["life_days"] + 120) / fit.survival(row["life_days"])
    assert row["chance_first"] == pytest.approx(float(exact), rel=0.1)


def test_old_parts_are_due_and_young_ones_left(made):
    *_, policy, _, _, _, out = made
    rule = policy.row(0, named=True)
    staying = out.filter((pl.col("vehicle") >= "v0010") & (pl.col("origin") == "replacement"))
    due = staying["due_on"].is_not_null()
    near = staying["life_days"] + (120 + 300) / 2
    assert (due == (near >= rule["age"])).all() and 0 < due.sum() < len(due)
    assert (staying.filter(due)["cost"] == 10).all() and staying.filter(~due)["cost"].null_count() == (~due).sum()
    assert out["due_on"].is_not_null().to_list() == sorted(out["due_on"].is_not_null().to_list(), reverse=True)
    assert PAIR in out["action"].to_list()


def test_leavers_get_no_preventive_work(made):
    out = made[-1].filter(pl.col("vehicle") < "v0010")
    assert out.height == 20 and (out["action"] == LEAVE).all() and out["reason"].str.contains("leaves on").all()


def test_no_curve_is_said(made):
    lives, fits, policy, _, vehicles, services, _ = made
    out = due_list(lives, fits.head(0), policy, vehicles, services, AS_OF, seed=1)
    assert (
        (out["action"] == LEAVE).all()
        and out["reason"].str.starts_with("No curve").all()
        and out["chance_first"].null_count() == 240
    )


def test_services_roll_forward():
    vehicles = pl.DataFrame(
        {
            "vehicle": ["a", "b", "c"],
            "customer_group": ["x", None, None],
            "last_visit_on": [AS_OF, date(2020, 1, 1), None],
        }
    )
    plan = pl.DataFrame(
        {
            "vehicle": [None, "b"],
            "customer_group": ["x", None],
            "interval_km": [4000.0, None],
            "interval_days": [365.0, 90.0],
            "next_service_on": [date(2024, 6, 1), None],
        }
    )
    out = next_services(vehicles, plan, AS_OF, km_per_day=pl.DataFrame({"vehicle": ["a"], "km_per_day": [40.0]}))
    # 4000 km at 40 a day: every 100 days from 1 June 2024
    assert out.row(0) == ("a", date(2024, 9, 9), date(2024, 12, 18), "given")
    assert out["basis"].to_list() == ["given", "given", "assumed"] and (out["first_on"] > AS_OF).all()
    assert (out["second_on"][1] - out["first_on"][1]).days == 90 and out["first_on"][2] == AS_OF + timedelta(days=365)


def _failures(rows):
    return pl.DataFrame(
        [(v, c, s, "failed", d, 100.0, "replacement", None, None) for v, c, s, d in rows],
        orient="row",
        schema={
            "vehicle": pl.String,
            "component": pl.String,
            "side": pl.String,
            "ending": pl.String,
            "end_on": pl.Date,
            "exit_days": pl.Float64,
            "origin": pl.String,
            "unit_number": pl.String,
            "customer_group": pl.String,
        },
    )


def test_repeats():
    d = date(2024, 1, 1)
    rows = [("a", "lamp", "left", d + timedelta(days=200 * i)) for i in range(3)] + [("a", "lamp", "right", d)]
    rows += [
        ("b", "lamp", "left", d),
        ("b", "lamp", "right", d + timedelta(days=30)),
        ("b", "ballast", "left", d + timedelta(days=60)),
    ]
    rows += [
        ("c", "lamp", "left", d),
        ("c", "lamp", "right", d + timedelta(days=30)),
        ("c", "ballast", "left", d + timedelta(days=61)),
    ]
    lives = _failures(rows)
    out = repeat_places(lives)
    assert out.select("vehicle", "side", "failures", "action").rows() == [("a", "left", 3, "find the cause")]
    assert several_at_once(lives).select("vehicle", "failures", "positions").rows() == [("b", 3, 3)]
    assert several_at_once(lives, least=2)["vehicle"].to_list().count("c") == 1
    assert several_at_once(lives.head(0)).height == 0 and repeat_places(lives.head(0)).height == 0


def test_replay_counts_what_became_of_the_parts():
    then, now = date(2023, 1, 1), date(2024, 1, 1)
    on = date(2023, 6, 1)
    fates = [
        ("a", "failed", date(2023, 9, 1)),
        ("b", "failed", date(2023, 3, 1)),
        ("c", "in_service", now),
        ("d", "vehicle_left", date(2023, 8, 1)),
        ("e", "failed", date(2023, 6, 1)),
    ]
    lives = pl.DataFrame(
        [(v, "lamp", "left", date(2020, 1, 1), end, how) for v, how, end in fates],
        orient="row",
        schema={
            "vehicle": pl.String,
            "component": pl.String,
            "side": pl.String,
            "start_on": pl.Date,
            "end_on": pl.Date,
            "ending": pl.String,
        },
    )
    due = pl.DataFrame(
        [(v, None, "lamp", "left", on) for v in "abcdef"] + [("a", None, "lamp", "right", None)],
        orient="row",
        schema={
            "vehicle": pl.String,
            "customer_group": pl.String,
            "component": pl.String,
            "side": pl.String,
            "due_on": pl.Date,
        },
    )
    row = replay(due, lives, costs_of(10, 50), then, now, seed=1).row(0, named=True)
    assert [row[c] for c in ("due", "too_late", "prevented", "unneeded", "unmatched")] == [6, 1, 2, 2, 1]
    assert (row["cost_of_plan"], row["cost_without"], row["saving"]) == (40, 100, 60)
    assert row["saving_low"] < 60 < row["saving_high"]
    with pytest.raises(ValueError, match="older"):
        replay(due, lives, costs_of(10, 50), now, then, seed=1)


def test_places_that_fail_more_often_than_their_curve_explains():
    lives = lives_of(2, 500, 60, seed=8)
    fits = fits_of(lives)
    fair = beyond_chance(repeat_places(lives), lives, fits)
    assert fair.height > 20 and MORE not in fair["verdict"].to_list()
    # one place loses a part every 40 days
    on = AS_OF - timedelta(days=400)
    bad = lives.filter(pl.col("vehicle") == "v0001").head(1)
    bad = pl.concat(
        [
            bad.with_columns(
                vehicle=pl.lit("bad"), side=pl.lit("left"), origin=pl.lit("replacement"), ending=pl.lit("failed"),
                exit_days=pl.lit(40.0), start_on=pl.lit(on + timedelta(days=40 * i)), end_on=pl.lit(on + timedelta(days=40 * i + 40)),
            )
            for i in range(8)
        ]
    )  # fmt: skip
    both = pl.concat([lives, bad])
    told = beyond_chance(repeat_places(both), both, fits)
    assert told.filter(pl.col("verdict") == MORE)["vehicle"].to_list() == ["bad"] and told["vehicle"][0] == "bad"
    row = told.row(0, named=True)
    curve = find_curve(read_curves(fits), "lamp", "discharge", "replacement", "days")
    assert row["expected"] == pytest.approx(8 * float(curve.fit.cumulative_hazard(40.0)), rel=1e-3) and row["failures"] == 8
    unknown = beyond_chance(repeat_places(both), both, fits.head(0))
    assert unknown["verdict"].unique().to_list() == [UNTOLD]
    assert beyond_chance(repeat_places(lives.head(0)), lives.head(0), fits).is_empty()


def test_a_vehicle_that_leaves_is_renewed_only_where_it_still_pays(made):
    lives, fits, policy, _, vehicles, services, _ = made
    rank = {}
    for stay in (320, 500, 4000):
        leaving = vehicles.with_columns(in_service_to=pl.lit(AS_OF + timedelta(days=stay)))
        out = due_list(lives, fits, policy, leaving, services, AS_OF, seed=1)
        rank[stay] = out["due_on"].count()
        why = out.filter(pl.col("reason").str.contains("too soon"))
        assert why["due_on"].null_count() == why.height
    # services are on day 120 and 300: until day 320 a fresh part has little time to earn its cost
    staying = due_list(
        lives, fits, policy, vehicles.with_columns(in_service_to=pl.lit(None, pl.Date)), services, AS_OF, seed=1
    )
    assert 0 < rank[320] < rank[500] <= rank[4000] == staying["due_on"].count()


def test_a_places_stratum_decides_its_curve_and_rule(made):
    lives, fits, policy, _, vehicles, services, _ = made
    short = fits_of(lives_of(3, 300, 80, seed=7)).with_columns(stratum=pl.lit("duty=night"))
    both = pl.concat([fits, short])
    rules = replacement_policy(both, costs_of(10, 60), strata={"lamp": ["duty=night"]}, seed=1, blocks=False)
    night = with_stratum(lives.with_columns(duty=pl.lit("night")), {"lamp": "duty"})
    plain, dark = (due_list(x, both, rules, vehicles, services, AS_OF, seed=1) for x in (lives, night))
    assert set(plain["stratum"]) == {"all"} and set(dark["stratum"]) == {"duty=night"}
    assert dark["due_on"].count() > plain["due_on"].count() > 0
    assert dark["chance_first"].mean() > plain["chance_first"].mean()


def test_only_differences_that_are_shown_split_the_curves():
    tests = pl.DataFrame(
        {
            "component": ["lamp", "lamp", "ballast", "igniter"],
            "covariate": ["duty", "vehicle_class", "duty", "supplier"],
            "p_adjusted": [0.001, 0.0001, 0.4, 0.001],
            "verdict": ["differ", "differ", "not told apart", "differ"],
        }
    )
    assert choose_strata(tests, ["vehicle_class", "duty"]) == {"lamp": "vehicle_class"}
    assert choose_strata(pl.DataFrame(), ["duty"]) == {}


def test_work_of_a_vehicle_stands_together(made):
    *_, out = made
    due = out.filter(pl.col("due_on").is_not_null())
    changes = sum(a != b for a, b in zip(due["vehicle"], due["vehicle"][1:], strict=False))
    assert changes == due["vehicle"].n_unique() - 1
