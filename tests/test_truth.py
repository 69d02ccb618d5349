"""The generator's truth is found again: from the exports of a world of 1,500 vehicles to published tables.

Tolerances follow from sampling error: a curve is held against its exact expectation in this very world (`survival_watched` of truth.json) in
units of the published cluster-robust standard error, and all of them together by a chi-square test; counts by exact binomial tests.
"""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest, chi2

from pipeline import steps, workspaces
from pipeline.intake.identity import Hasher
from pipeline.settings import load_settings
from pipeline.store import connect, open_workspace, read_table

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    folder = tmp_path_factory.mktemp("world") / "w"
    workspaces.world(folder, 1500, 20)
    workspace = open_workspace(folder)
    con = connect(":memory:")
    run = steps.Run(workspace, load_settings(workspace.settings_file), con)
    for step in steps.STEPS:
        if step.name in ("read_files", "read_words", "mend_odometers", "make_lives", "fit_curves", "count_early_failures"):
            step.call(run)
    return con, json.loads((folder / "truth.json").read_text()), folder, workspace.key()


def true_lives(world) -> pl.DataFrame:
    _, _, folder, key = world
    truth = pl.read_parquet(folder / "truth_lives.parquet")
    hasher = Hasher(key)
    ids = {i: hasher.one(i) for i in truth["vehicle_id"].unique()}
    return truth.with_columns(pl.col("vehicle_id").replace_strict(ids).alias("vehicle"))


def test_the_endings_of_lives_are_the_true_ones(world):
    running = ["in_service", "vehicle_left", "side_unknown"]
    key = ["vehicle", "component", "side", "end_on"]
    truth = true_lives(world).filter(~pl.col("ending").is_in(running))
    ours = read_table(world[0], "select vehicle, component, side, end_on, ending from lives.lives").filter(~pl.col("ending").is_in(running))
    both = truth.select(*key, "ending").join(ours.rename({"ending": "ours"}), on=key, how="full", coalesce=True)
    right = both.filter(pl.col("ending") == pl.col("ours")).height
    assert right / both.height > 0.96
    for ending in ("failed", "wrong_suspect", "paired", "collision", "with_assembly", "planned"):
        said, true = both.filter(pl.col("ours") == ending), both.filter(pl.col("ending") == ending)
        hit = said.filter(pl.col("ending") == ending).height
        assert hit / max(said.height, 1) > 0.9, f"precision of {ending}"
        assert hit / max(true.height, 1) > 0.9, f"recall of {ending}"


def test_the_curves_are_the_true_ones_but_for_sampling_error(world):
    curves = read_table(world[0], """
        select * from results.survival_curves
        where event = 'failed' and supplier = 'all' and stratum = 'all' and lighting <> 'all'""")
    found = []
    for true in world[1]["curves"]:
        one = curves.filter((pl.col("component") == true["component"]) & (pl.col("lighting") == true["lighting"])
                            & (pl.col("generation") == true["generation"]) & (pl.col("clock") == true["clock"])).sort("t")
        if true["clock"] != "days" or one.height < 20:
            continue
        # One age a curve, so that what is added up is independent: half-way through the failures that the curve has.
        row = one.row(one.height // 2, named=True)
        if not row["std_error"]:
            continue
        start = np.interp(row["start_t"], true["t"], true["survival_watched"])
        expected = np.interp(row["t"], true["t"], true["survival_watched"]) / start
        found.append(((true["component"], true["lighting"], true["generation"]), (row["survival"] - expected) / row["std_error"]))
    z = np.array([v for _, v in found])
    assert len(z) >= 12
    worst = sorted(found, key=lambda f: -abs(f[1]))[:4]
    assert np.abs(z).max() < 4, worst  # of some twenty normal deviates one lies beyond 4 once in a thousand worlds
    assert chi2.sf((z ** 2).sum(), len(z)) > 0.001, worst


def test_early_failure_shares_cover_the_true_ones(world):
    early = read_table(world[0], """
        select * from results.early_failures where window_days = 90 and lot <> 'all' and grade = 'all'""")
    bad = world[1]["parameters"]["bad_lot"]
    row = early.filter(pl.col("lot") == bad["lot"]).row(0, named=True)
    true = next(e for e in world[1]["early_failures"] if e["lot"] == bad["lot"])
    share = true["renewed"][true["windows_days"].index(90)]
    assert binomtest(row["failed"], row["fitted"], share).pvalue > 0.001
    assert row["verdict"] == "worse"


def test_no_good_supplier_is_called_worse_within_thirty_days(world):
    early = read_table(world[0], """
        select * from results.early_failures
        where window_days = 30 and lot = 'all' and part_number = 'all' and grade = 'all' and supplier <> 'all'""")
    bad = world[1]["parameters"]["bad_lot"]["part_number"]
    maker = next(p["supplier"] for p in world[1]["parameters"]["products"] if p["part_number"] == bad)
    worse = early.filter(pl.col("verdict") == "worse")
    assert set(worse["supplier"]) <= {maker}


def matched(world) -> pl.DataFrame:
    """Our lives that ended by a complaint, each with its true ending."""
    key = ["vehicle", "component", "side", "end_on"]
    ours = read_table(world[0], "select * from lives.lives where ending in ('failed', 'wrong_suspect')")
    return ours.join(true_lives(world).select(*key, pl.col("ending").alias("true")), on=key)


def test_counting_wrong_suspects_as_failures_would_mislead(world):
    """Failures counted by the rules against those that truly were, and the size of the mistake that the rules avoid."""
    for component, naive_excess in (("ballast", 0.15), ("igniter", 0.15), ("lamp", 0.05)):
        some = matched(world).filter(pl.col("component") == component)
        true = (some["true"] == "failed").sum()
        assert abs(some["p_failed"].sum() / true - 1) < 0.04, component
        assert some.height / true - 1 > naive_excess, component


def test_doubtful_endings_are_as_often_failures_as_is_said(world):
    """Both sides renewed for a complaint that names none: a half each, which an exact binomial test does not refute; counted whole the
    number of lamp failures is further from the truth."""
    some = matched(world).filter(pl.col("component") == "lamp")
    half = some.filter(pl.col("p_failed") == 0.5)
    assert half.height > 40
    assert binomtest(int((half["true"] == "failed").sum()), half.height, 0.5).pvalue > 0.001
    true = (some["true"] == "failed").sum()
    whole = (some["ending"] == "failed").sum()
    assert abs(some["p_failed"].sum() - true) < 0.6 * abs(whole - true)


def test_a_wrong_suspect_curve_counted_whole_lies_beyond_the_limits(world):
    """The ballast curve of the rules lies within three errors of the truth; with every removal taken for a failure it is lower by more than one."""
    from pipeline.survival.nonparametric import at_times, curve_set

    lives = read_table(world[0], """select * from lives.lives where in_curve and component = 'ballast' and origin = 'original'
                                    and lighting = 'discharge'""")
    true = next(c for c in world[1]["curves"] if (c["component"], c["lighting"], c["generation"], c["clock"])
                == ("ballast", "discharge", "original", "days"))
    options = {"entry": "entry_days", "exit": "exit_days"}
    ours = curve_set(lives, [], **options, p_failed="p_failed")
    naive = curve_set(lives.with_columns(ending=pl.col("ending").replace("wrong_suspect", "failed")), [], **options)
    age = true["t"][len(true["t"]) // 2]
    gaps = []
    for curve in (ours, naive):
        row = at_times(curve, [], [age]).row(0, named=True)
        expected = np.interp(age, true["t"], true["survival_watched"]) / np.interp(row["start_t"], true["t"], true["survival_watched"])
        gaps.append((row["survival"] - expected) / row["std_error"])
    assert abs(gaps[0]) < 3 and gaps[1] < gaps[0] - 1
