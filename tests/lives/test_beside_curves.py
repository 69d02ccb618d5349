"""What is published beside the curves, each table by the smallest history that needs it."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline import results_curves
from pipeline.lives.strata import banded
from pipeline.settings import parse_settings
from pipeline.store import write_table
from tests.lives.world import COMPLETE, build, line, vehicle

D = dt.date
FILES = {"file": pl.String, "table_name": pl.String, "source": pl.String}


# ---- how long walk-in customers are watched


def walk_ins(n: int = 20):
    """Walk-in vehicles seen 2016 to 2019; every second left lamp fails half-way."""
    vehicles = [vehicle(f"v{i}", in_service_from=None, not_original="none") for i in range(n)]
    visits = [(f"v{i}", d) for i in range(n) for d in (D(2015, 2, 1), D(2019, 1, 1 + i % 20))]
    lines = [line(i, D(2017, 1, 1) + dt.timedelta(days=14 * i), vehicle=f"v{i}") for i in range(0, n, 2)]
    return build(vehicles, lines, settings="", visits=visits)


def test_the_figures_are_told_under_each_rule_of_watching():
    found = results_curves.walk_in_sensitivity(walk_ins(), parse_settings(""))
    lamp = found.filter((pl.col("component") == "lamp") & (pl.col("generation") == "original") & (pl.col("measure") == "failed_by_2_years"))
    assert lamp["rule"].to_list() == ["as_set", "last_visit", "grace_90_days", "grace_365_days", "to_the_end"]  # nobody but walk-ins
    failed = dict(lamp.select("rule", "value").iter_rows())
    assert failed["as_set"] == failed["last_visit"]  # no grace is set
    lives = dict(lamp.select("rule", "lives").iter_rows())
    assert lives["as_set"] == lives["to_the_end"] == 40
    assert not lamp.filter(pl.col("rule") == "as_set")["moves"][0]
    replaced = found.filter((pl.col("component") == "lamp") & (pl.col("generation") == "replacement"))
    assert replaced.is_empty()  # none has failed: no figure, no row


def test_longer_watching_lowers_what_has_failed():
    # Three in four are seen until 2017 only and one in four until 2021, of whom every second fails in 2018.
    last = {i: D(2021, 1, 1 + i % 20) if i % 4 == 0 else D(2017, 1, 1 + i % 20) for i in range(80)}
    con = build([vehicle(f"v{i}", in_service_from=None, not_original="none") for i in last],
                [line(i, D(2018, 6, 1) + dt.timedelta(days=i), vehicle=f"v{i}") for i in range(0, 80, 8)], settings="",
                visits=[(f"v{i}", d) for i in last for d in (D(2015, 1, 2), last[i])])
    found = results_curves.walk_in_sensitivity(con, parse_settings(""))
    lamp = found.filter((pl.col("component") == "lamp") & (pl.col("measure") == "failed_by_5_years") & (pl.col("generation") == "original"))
    values = dict(lamp.select("rule", "value").iter_rows())
    # 10 of 40 lamps still watched against 10 of 160, by hand: 1 - 30/40 and 1 - 150/160, the product of single steps
    assert values["as_set"] == pytest.approx(0.25) and values["to_the_end"] == pytest.approx(10 / 160)
    assert dict(lamp.select("rule", "moves").iter_rows())["to_the_end"]


def test_complete_coverage_leaves_nothing_to_compare():
    found = results_curves.walk_in_sensitivity(build([vehicle()], [line(1, D(2018, 1, 1))]), parse_settings(COMPLETE))
    assert found.is_empty() and "moves" in found.columns


# ---- orders that come late


def exports(months: int, late: int, on_time: int = 8, one_file: bool = False):
    """Monthly exports; `late` orders of each month stand only in the next month's, and those of the newest are not there yet."""
    lines, key = [], 0
    for m in range(months):
        first = D(2023 + m // 12, m % 12 + 1, 1)
        for k in range(on_time + late):
            there = m if k >= late else m + 1
            if there >= months:
                continue
            key += 1
            lines.append(line(key, first + dt.timedelta(days=k), vehicle=f"v{key}", order_id=f"o{key}",
                              file="all.csv" if one_file else f"orders_{there:02d}.csv"))
    con = build([vehicle(f"v{i + 1}") for i in range(key)], lines)
    files = sorted({x["file"] for x in lines})
    write_table(con, "clean.files", pl.DataFrame({"file": files, "table_name": "repair_lines", "source": "desk"}, schema=FILES))
    return results_curves.reporting_delay(con, parse_settings(COMPLETE))


def test_late_orders_are_estimated_and_the_newest_month_made_good():
    lags, months = exports(6, late=2)
    # 5 of 6 months could show a late order: 8 of 10 are on time, and the newest month holds 8 of an expected 10.
    assert lags["exports_late"].to_list() == [0, 1]
    assert lags["share_in_hand"].to_list() == pytest.approx([0.8, 1.0])
    assert lags["low"][0] < 0.8 < lags["high"][0]
    assert months.select("month", "orders", "share_in_hand", "expected_orders", "is_complete").rows() == [
        (D(2023, 6, 1), 8, pytest.approx(0.8), pytest.approx(10), False)]


def test_a_single_export_cannot_tell_what_is_late():
    lags, months = exports(6, late=2, one_file=True)
    assert months.is_empty() and lags["share_in_hand"].to_list() == [None]
    assert "cannot be told" in lags["note"][0]


def test_exports_without_late_orders_say_so():
    lags, months = exports(6, late=0)
    assert months.is_empty() and "No order came later" in lags["note"][0]


# ---- failures found at an inspection


def test_failures_found_at_inspections_are_placed_between_two_looks():
    vehicles, lines, key = [], [], 0
    for i in range(24):
        vehicles.append(vehicle(f"v{i}"))
        for year in range(2016, 2024):
            key += 1
            lines.append(line(key, D(year, 1, 1), None, side="unknown", vehicle=f"v{i}", action="inspected", order_id=f"i{i}_{year}",
                              symptom=None, complaint_side=None))
        if i % 3:
            key += 1
            year = 2017 + i % 5
            lines.append(line(key, D(year, 1, 1), vehicle=f"v{i}", order_id=f"i{i}_{year}", symptom=None, removal_reason="failed"))
    found = results_curves.inspection_findings(build(vehicles, lines), parse_settings(COMPLETE))
    row = found.filter((pl.col("component") == "lamp") & (pl.col("generation") == "original")).row(0, named=True)
    assert (row["failures"], row["found_at_inspection"]) == (16, 16)
    # They happened up to a year before the look that found them: the true tenth lies earlier than the day found says.
    assert row["b10_low"] < row["b10_days"] < row["b10_days_taken_as_exact"] < row["b10_days"] + 366


def test_complaints_are_no_inspection_findings():
    found = results_curves.inspection_findings(build([vehicle()], [line(1, D(2018, 1, 1))]), parse_settings(COMPLETE))
    assert found["component"].to_list() == [None] and "No failure was found at an inspection" in found["note"][0]


# ---- strata, groups, repairs a vehicle


def test_a_column_of_numbers_becomes_thirds_of_the_vehicles():
    lives = pl.DataFrame({"vehicle": [f"v{i // 2}" for i in range(60)], "night_share": [str(round(i // 2 / 29, 2)) for i in range(60)],
                          "duty": ["day", "night"] * 30, "axles": [str(2 + i % 3) for i in range(60)]})
    found = banded(lives, ["night_share", "duty", "axles", "absent"])
    assert sorted(found["night_share"].unique()) == ["0.34 to 0.66", "over 0.66", "up to 0.34"]
    assert found.group_by("night_share").agg(pl.col("vehicle").n_unique())["vehicle"].to_list() == [pytest.approx(10, abs=1)] * 3
    assert found.select("duty", "axles").equals(lives.select("duty", "axles"))  # words, and few numbers, stay


def test_groups_that_differ_are_called_and_the_others_not():
    rng = np.random.default_rng(3)
    n = 600
    maker = np.array(["A", "B", "C"])[np.arange(n) % 3]
    life = rng.exponential(np.where(maker == "B", 300, 900))
    lives = pl.DataFrame({
        "component": "lamp", "origin": "replacement", "lighting": "halogen", "vehicle": np.arange(n) // 2, "supplier": maker,
        "side": np.where(rng.random(n) < 0.5, "left", "right"), "entry": 0.0, "exit": np.minimum(life, 500),
        "failed": (life < 500).astype(float)})
    table = results_curves.group_tests(lives, ["supplier", "side", "absent"], parse_settings(""))
    found = {r["covariate"]: r for r in table.iter_rows(named=True)}
    assert set(found) == {"supplier", "side"}
    assert (found["supplier"]["verdict"], found["supplier"]["stands_out"]) == ("differ", "B")
    assert found["supplier"]["observed"] > found["supplier"]["expected"]
    assert found["side"]["verdict"] == "not told apart"


def test_repairs_a_vehicle_by_lighting_have_their_own_vehicles_below():
    watch = pl.DataFrame({"vehicle": ["a", "b", "c", "d"], "lighting": ["halogen", "halogen", "led", "led"], "entry_days": 0.0,
                          "exit_days": 1000.0})
    events = pl.DataFrame({"vehicle": ["a"], "component": ["lamp"], "lighting": ["halogen"], "age_days": [500.0], "cost": [40.0]})
    found = results_curves.mean_cumulative(watch, events, parse_settings("")).filter((pl.col("events") > 0))
    count = found.filter(pl.col("measure") == "count").select("lighting", "mean_cumulative")
    assert dict(count.iter_rows()) == {"all": 0.25, "halogen": 0.5}
    assert found.filter(pl.col("measure") == "cost")["mean_cumulative"].to_list() == [10, 20]
    half = results_curves.mean_cumulative(watch, events.with_columns(p_failed=0.5), parse_settings("")).filter(pl.col("lighting") == "all")
    assert dict(half.filter(pl.col("events") > 0).select("measure", "mean_cumulative").iter_rows()) == {"count": 0.125, "cost": 10}
    trend = results_curves.trend_tests(watch, events, parse_settings(""))
    assert trend["verdict"].to_list() == ["too few"] and "needs 10 vehicles" in trend["note"][0]
